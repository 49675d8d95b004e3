#include "rayloom/prepare/stitch.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/shift_image.h"
#include "rayloom/scan/checksum.h"

namespace rayloom {

namespace {

constexpr std::size_t block_samples = std::size_t{1} << 24;  // of all tiles' views read at once, but one view at least
/// Weight of a bad pixel's stand-in against a good pixel: counts only where there is no other.
constexpr double last_resort = 1e-12;
/// Open-beam images take off what the tube changes between turns, so that neighbours' levels differ by some per cent; a
/// tile of other images is off by what the part lets through. Beyond this no blend is right.
constexpr double most_level_apart = 1.5;

std::string named(const Scan& scan) {
  return scan.file.string();
}

/// Squared distance of each sample from the nearest edge, in pixels; `from` is where the first lies on the tile.
std::vector<float> edge_weights(double from, int count, int size) {
  std::vector<float> weights;
  for (int i = 0; i < count; ++i) {
    const double distance = std::min(from + i + 0.5, size - 0.5 - from - i);
    weights.push_back(float(distance * distance));
  }
  return weights;
}

void require_one_height(const TiledScan& tiled) {
  const double first = tiled.tiles.front().part_raised_mm.value_or(0);
  for (const ScanTile& tile : tiled.tiles)
    if (tile.part_raised_mm.value_or(0) != first)
      throw BadInput(named(tile.scan) + ": part_raised_mm: " + to_text(tile.part_raised_mm.value_or(0)) +
                     "; must be that of the first tile, " + to_text(first) +
                     ": turns at several heights see the part under other angles, and are no tiles of one detector");
}

std::string both_named(const TiledScan& tiled, int a, int b) {
  return named(tiled.common) + ": tiles[" + std::to_string(a) + "] and tiles[" + std::to_string(b) + "]: ";
}

/// Whether a view looks like itself moved by the difference of two tiles: then both may truly see the same, as
/// noise-free images of air or of a long prism do.
bool repeats(const TileViews& tiles, int tile, int view, Shift apart) {
  int dc = int(std::lround(apart.x())), dr = int(std::lround(apart.y()));
  if (dc == 0 && dr == 0) return false;
  if (std::abs(dc) >= tiles.columns || std::abs(dr) >= tiles.rows) {
    dc = dc != 0;
    dr = dr != 0;
  }
  std::vector<float> image(std::size_t(tiles.rows) * std::size_t(tiles.columns));
  tiles.read(tile, view, 0, tiles.rows, image);
  for (int r = std::max(0, -dr); r < std::min(tiles.rows, tiles.rows - dr); ++r)
    for (int c = std::max(0, -dc); c < std::min(tiles.columns, tiles.columns - dc); ++c)
      if (std::abs(image[std::size_t(r) * std::size_t(tiles.columns) + std::size_t(c)] -
                   image[std::size_t(r + dr) * std::size_t(tiles.columns) + std::size_t(c + dc)]) > 1e-5F)
        return false;
  return true;
}

void require_own_images(const TiledScan& tiled, const TileViews& views) {
  const auto bytes_of = [](const std::filesystem::path& file, BytesRead which) {
    const FilesChecksum sum = checksum({&file, 1}, which);
    return std::pair(sum.bytes, sum.crc32);
  };
  std::vector<std::vector<std::filesystem::path>> files;
  std::vector<std::vector<std::pair<std::uintmax_t, std::uint32_t>>> excerpts;
  for (const ScanTile& tile : tiled.tiles) {
    files.push_back(image_files(tile.scan, tile.scan.images.projections));
    excerpts.emplace_back();
    for (const auto& file : files.back())
      excerpts.back().push_back(bytes_of(file, BytesRead::excerpts));
  }
  for (std::size_t a = 0; a < files.size(); ++a)
    for (std::size_t b = a + 1; b < files.size(); ++b)
      for (std::size_t i = 0; i < std::min(files[a].size(), files[b].size()); ++i) {
        const std::filesystem::path &one = files[a][i], &other = files[b][i];
        if (excerpts[a][i] != excerpts[b][i] || bytes_of(one, BytesRead::all) != bytes_of(other, BytesRead::all))
          continue;
        if (repeats(views, int(a), std::min(int(i), views.views - 1), views.nominal[b] - views.nominal[a])) break;
        throw BadInput(both_named(tiled, int(a), int(b)) + "images.projections: " +
                       (one == other ? "both name " + one.string()
                                     : one.string() + " and " + other.string() + " hold the same bytes") +
                       "; each tile must have images of its own");
      }
}

void require_agreement(const TiledScan& tiled, const TileShifts& shifts, int views) {
  const std::string hint =
      "are tiles in each other's places or the same images twice, is a shift, turned_deg or mirrored wrong, or does "
      "the beam's slope change by more than 5 % from image to image?";
  for (const OverlapMatch& one : shifts.overlaps) {
    const std::string both = both_named(tiled, one.a, one.b) + "where they overlap, ";
    if (one.part_at_far_ends_only)
      throw BadInput(both + "they see nothing but air, and at their other ends the part; must see one part together",
                     hint);
    if (one.order.is != ViewOrder::said) {
      const bool later = 2 * one.order.by > one.views, is_offset = one.order.is == ViewOrder::offset;
      const double by = std::round(double(later ? one.views - one.order.by : one.order.by) * views / one.views);
      throw BadInput(both + "the second's views fit the first's far better " +
                         (is_offset ? "if each is taken for the one " + to_text(by) + (later ? " later" : " earlier")
                                    : std::string("in reverse order")) +
                         "; must be listed at the angles they were taken at",
                     "does the tile's turn start elsewhere or run the other way round (tiles." + std::to_string(one.b) +
                         ".views), do its images come in another order, or are tiles in each other's places?");
    }
    if (one.disagreement > 0)
      throw BadInput(both + "their views differ by " + to_text(std::round(100 * one.disagreement)) +
                         " % of what varies in them, within " + std::to_string(tile_search_px) +
                         " pixels of the shifts in the scan file; must show the same there",
                     hint);
    if (std::abs(one.log_level) - 3 * one.log_level_sd > std::log(most_level_apart))
      throw BadInput(both + "the second's level is " + to_text(std::exp(-one.log_level), 3) +
                         " times the first's; must be from " + to_text(1 / most_level_apart, 3) + " to " +
                         to_text(most_level_apart),
                     "are tiles in each other's places, or images of one under another, or was the tube set otherwise "
                     "without open-beam images of its own (tiles." +
                         std::to_string(one.b) + ".images.open)?");
  }
}

/// The largest rectangle that remains when the sides of `covered` that have gaps are taken off one line at a time, the
/// one with most gaps first.
struct Frame {
  int top, left, bottom, right;  // the last two exclusive
};

Frame without_ragged_edges(const std::vector<char>& covered, int rows, int columns) {
  Frame frame{0, 0, rows, columns};
  const auto gaps_in_row = [&](int r) {
    const auto from = covered.begin() + std::ptrdiff_t(r) * columns;
    return double(std::count(from + frame.left, from + frame.right, char(0))) / (frame.right - frame.left);
  };
  const auto gaps_in_column = [&](int c) {
    int gaps = 0;
    for (int r = frame.top; r < frame.bottom; ++r)
      gaps += covered[std::size_t(r) * std::size_t(columns) + std::size_t(c)] == 0;
    return double(gaps) / (frame.bottom - frame.top);
  };
  while (frame.top < frame.bottom && frame.left < frame.right) {
    const double gaps[] = {gaps_in_row(frame.top), gaps_in_row(frame.bottom - 1), gaps_in_column(frame.left),
                           gaps_in_column(frame.right - 1)};
    const auto worst = std::max_element(std::begin(gaps), std::end(gaps));
    if (*worst == 0) break;
    switch (worst - std::begin(gaps)) {
      case 0:
        ++frame.top;
        break;
      case 1:
        --frame.bottom;
        break;
      case 2:
        ++frame.left;
        break;
      default:
        --frame.right;
    }
  }
  return frame;
}

/// First row and column of the largest square that no tile covers: a missing tile's place rather than a ragged edge.
std::pair<int, int> largest_gap(const std::vector<char>& covered, int rows, int columns) {
  // side[c]: of the largest such square whose last corner is (r, c).
  std::vector<int> side(static_cast<std::size_t>(columns)), above(side.size());
  int largest = 0;
  std::pair<int, int> first{0, 0};
  for (int r = 0; r < rows; ++r) {
    side.swap(above);
    for (int c = 0; c < columns; ++c) {
      const std::size_t at = std::size_t(c);
      side[at] = covered[std::size_t(r) * std::size_t(columns) + at] != 0 ? 0
                 : r == 0 || c == 0                                       ? 1
                                    : 1 + std::min({above[at], above[at - 1], side[at - 1]});
      if (side[at] <= largest) continue;
      largest = side[at];
      first = {r + 1 - largest, c + 1 - largest};
    }
  }
  return first;
}

}  // namespace

StitchedScan::StitchedScan(const TiledScan& tiled, std::optional<int> threads, const Hooks& hooks)
    : scan_(tiled.common),
      threads_(thread_count(threads)),
      tile_rows_(tiled.common.geometry.detector.rows),
      tile_columns_(tiled.common.geometry.detector.columns) {
  require_one_height(tiled);
  scan_.part_moved_mm = tiled.tiles.front().scan.part_moved_mm;
  const Scan& first = tiled.tiles.front().scan;
  TileViews views{tile_rows_, tile_columns_, int(first.geometry.angles_rad.size()), {}, {}, {}};
  bool are_integrals = false;
  for (const ScanTile& tile : tiled.tiles) {
    if (tile.scan.images.projections.empty())
      throw BadInput(named(tile.scan) + ": images.projections: missing; must name the images of this tile's views");
    if (!tile.scan.geometry.part_moved_mm.empty())
      throw BadInput(named(tile.scan) +
                     ": views.part_moved_mm: given; must be absent, since tiles of a part that moved "
                     "do not make one view");
    if (tile_rows_ == 1 && tile.row_shift_px != tiled.tiles.front().row_shift_px)
      throw BadInput(named(tile.scan) + ": row_shift_px: " + to_text(tile.row_shift_px) +
                     "; must be that of the first tile, since the detector has one row");
    Tile& made = tiles_.emplace_back();
    made.views = views_at_same_angles(first, tile.scan);
    made.integrals = std::make_unique<LineIntegrals>(tile.scan, hooks);
    views.nominal.emplace_back(tile.column_shift_px, tile.row_shift_px);
    views.bad.push_back(made.integrals->bad_pixels());
    are_integrals |= tile.scan.images.kind == ImageKind::line_integrals;
  }
  views.read = [this](int tile, int view, int first_row, int row_count, std::span<float> values) {
    const Tile& from = tiles_[std::size_t(tile)];
    from.integrals->read(from.views[std::size_t(view)], 1, first_row, row_count, values);
  };
  require_own_images(tiled, views);
  shifts_ = find_tile_shifts(views, threads_, hooks);
  require_agreement(tiled, shifts_, views.views);

  scan_.views = first.views;
  scan_.views.angles_file.clear();  // it lies elsewhere; the angles are listed
  scan_.geometry.angles_rad = first.geometry.angles_rad;
  scan_.images.kind = are_integrals ? ImageKind::line_integrals : ImageKind::transmission;
  choose_frame(tiled);
  for (std::size_t k = 0; k < tiles_.size(); ++k)
    place(tiles_[k], k);
  const std::size_t view_samples = tiles_.size() * std::size_t(tile_rows_) * std::size_t(tile_columns_);
  views_at_once_ = int(std::clamp<std::size_t>(block_samples / view_samples, 1, 32));
}

void StitchedScan::choose_frame(const TiledScan& tiled) {
  // Whole pixels of the first tile's grid that each tile sees.
  struct Box {
    int top, left, bottom, right;
  };
  std::vector<Box> boxes;
  Box all{0, 0, 0, 0};
  for (const TilePlace& place : shifts_.places) {
    const Shift from = place.shift - shifts_.places.front().shift;
    const Box box{int(std::ceil(from.y())), int(std::ceil(from.x())), int(std::floor(from.y())) + tile_rows_,
                  int(std::floor(from.x())) + tile_columns_};
    all = {std::min(all.top, box.top), std::min(all.left, box.left), std::max(all.bottom, box.bottom),
           std::max(all.right, box.right)};
    boxes.push_back(box);
  }
  const int rows = all.bottom - all.top, columns = all.right - all.left;
  if (std::int64_t(rows) * columns > std::int64_t{1} << 30)
    throw BadInput(named(tiled.common) + ": tiles: the whole would have " + std::to_string(columns) + " x " +
                   std::to_string(rows) + " pixels; must be below 2^30");
  std::vector<char> covered(std::size_t(rows) * std::size_t(columns));
  for (const Box& box : boxes)
    for (int r = box.top; r < box.bottom; ++r)
      std::fill_n(covered.begin() + (std::ptrdiff_t(r - all.top) * columns + (box.left - all.left)),
                  box.right - box.left, char(1));
  const Frame frame = without_ragged_edges(covered, rows, columns);
  const int lost_rows = rows - (frame.bottom - frame.top), lost_columns = columns - (frame.right - frame.left);
  const auto gap = [&](int r, int c) {
    throw BadInput(named(tiled.common) + ": tiles: none sees column " + std::to_string(c) + ", row " +
                       std::to_string(r) + " of the whole, counted on the first tile; must leave no gap",
                   "is a tile missing, or a shift wrong?");
  };
  // Edges are ragged by what the shifts differ; what is lost beyond is a missing tile's.
  if (lost_rows > tile_rows_ / 2 || lost_columns > tile_columns_ / 2) {
    const auto [row, column] = largest_gap(covered, rows, columns);
    gap(row + all.top, column + all.left);
  }
  for (int r = frame.top; r < frame.bottom; ++r)
    for (int c = frame.left; c < frame.right; ++c)
      if (covered[std::size_t(r) * std::size_t(columns) + std::size_t(c)] == 0) gap(r + all.top, c + all.left);

  first_row_ = frame.top + all.top;
  first_column_ = frame.left + all.left;
  Detector& detector = scan_.geometry.detector;
  detector.rows = frame.bottom - frame.top;
  detector.columns = frame.right - frame.left;
  const Shift origin = shifts_.places.front().shift + Shift(first_column_, first_row_);
  detector.axis_column -= origin.x();
  detector.midplane_row -= origin.y();
  if (detector.axis_column < -0.5 || detector.axis_column > detector.columns - 0.5)
    throw BadInput(named(tiled.common) + ": detector.axis_column: falls on column " + to_text(detector.axis_column, 6) +
                   " of the stitched image; must lie on it, from -0.5 to " + to_text(detector.columns - 0.5));
}

void StitchedScan::place(Tile& tile, std::size_t k) const {
  // Pixel i of the stitched image lies at i + offset on the tile.
  const Shift offset = shifts_.places.front().shift - shifts_.places[k].shift + Shift(first_column_, first_row_);
  const auto fit = [](double by, int size, int whole, int& first, int& count, double& from) {
    first = std::max(0, int(std::ceil(-by)));
    count = std::max(0, std::min(whole, int(std::floor(size - 1 - by)) + 1) - first);
    from = first + by;
  };
  const Detector& whole = scan_.geometry.detector;
  fit(offset.x(), tile_columns_, whole.columns, tile.column, tile.columns, tile.from_column);
  fit(offset.y(), tile_rows_, whole.rows, tile.row, tile.rows, tile.from_row);
  tile.column_weights = edge_weights(tile.from_column, tile.columns, tile_columns_);
  tile.row_weights = edge_weights(tile.from_row, tile.rows, tile_rows_);

  const std::vector<char>& bad = tile.integrals->bad_pixels();
  tile.bad.resize(std::size_t(tile.rows) * std::size_t(tile.columns));
  const int row0 = int(std::floor(tile.from_row)), column0 = int(std::floor(tile.from_column));
  const int beside_r = tile.from_row != row0, beside_c = tile.from_column != column0;
  for (int r = 0; r < tile.rows; ++r)
    for (int c = 0; c < tile.columns; ++c) {
      bool any = false;
      for (int dr = 0; dr <= beside_r; ++dr)
        for (int dc = 0; dc <= beside_c; ++dc)
          any |= bad[std::size_t(row0 + r + dr) * std::size_t(tile_columns_) + std::size_t(column0 + c + dc)] != 0;
      tile.bad[std::size_t(r) * std::size_t(tile.columns) + std::size_t(c)] = any;
    }
}

Image StitchedScan::defect_map() const {
  const Detector& whole = scan_.geometry.detector;
  Image map(whole.rows, whole.columns, 1);
  for (const Tile& tile : tiles_)
    for (int r = 0; r < tile.rows; ++r)
      for (int c = 0; c < tile.columns; ++c)
        if (!tile.bad[std::size_t(r) * std::size_t(tile.columns) + std::size_t(c)])
          map.at(tile.row + r, tile.column + c) = 0;
  return map;
}

void StitchedScan::read_tile(const Tile& tile, int first, int count, std::span<float> views) const {
  const std::size_t pixels = std::size_t(tile_rows_) * std::size_t(tile_columns_);
  const auto from = tile.views.begin() + first;
  const bool in_order = std::adjacent_find(from, from + count, [](int a, int b) { return b != a + 1; }) == from + count;
  if (in_order) return tile.integrals->read(*from, count, 0, tile_rows_, views);
  for (int i = 0; i < count; ++i)
    tile.integrals->read(from[i], 1, 0, tile_rows_, views.subspan(std::size_t(i) * pixels, pixels));
}

void StitchedScan::read(int first, int count, std::span<float> values) const {
  const Detector& whole = scan_.geometry.detector;
  const std::size_t width = std::size_t(whole.columns), pixels = std::size_t(whole.rows) * width;
  const std::size_t tile_pixels = std::size_t(tile_rows_) * std::size_t(tile_columns_);
  const int n = int(tiles_.size());
  std::vector<std::vector<float>> views(tiles_.size());
  parallel_for(n, threads_, [&](int k, int) {
    views[std::size_t(k)].resize(std::size_t(count) * tile_pixels);
    read_tile(tiles_[std::size_t(k)], first, count, views[std::size_t(k)]);
  });
  // Each tile onto the grid of the first, in the memory of its own view.
  parallel_for(n * count, threads_, [&](int job, int) {
    const Tile& tile = tiles_[std::size_t(job % n)];
    const auto view = std::span(views[std::size_t(job % n)]).subspan(std::size_t(job / n) * tile_pixels, tile_pixels);
    std::vector<float> moved(std::size_t(tile.rows) * std::size_t(tile.columns));
    sample_shifted(view, tile_rows_, tile_columns_, tile.from_row, tile.from_column, tile.rows, tile.columns, moved);
    const float log_level = float(std::log(shifts_.places[std::size_t(job % n)].level));
    std::transform(moved.begin(), moved.end(), view.begin(), [&](float p) { return p + log_level; });
  });
  parallel_for(whole.rows * count, threads_, [&](int job, int) {
    const int row = job % whole.rows, view = job / whole.rows;
    std::vector<double> sum(width), weight(width);
    for (std::size_t k = 0; k < tiles_.size(); ++k) {
      const Tile& tile = tiles_[k];
      if (row < tile.row || row >= tile.row + tile.rows) continue;
      const std::size_t at = std::size_t(row - tile.row) * std::size_t(tile.columns);
      const float* p = &views[k][std::size_t(view) * tile_pixels + at];
      const char* bad = &tile.bad[at];
      const double row_weight = double(tile.row_weights[std::size_t(row - tile.row)]);
      for (std::size_t c = 0; c < std::size_t(tile.columns); ++c) {
        const double w = row_weight * double(tile.column_weights[c]) * (bad[c] ? last_resort : 1);
        sum[std::size_t(tile.column) + c] += w * double(p[c]);
        weight[std::size_t(tile.column) + c] += w;
      }
    }
    float* out = &values[std::size_t(view) * pixels + std::size_t(row) * width];
    for (std::size_t c = 0; c < width; ++c)
      out[c] = float(sum[c] / weight[c]);
  });
}

}  // namespace rayloom
