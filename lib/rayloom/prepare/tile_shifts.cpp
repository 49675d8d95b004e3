#include "rayloom/prepare/tile_shifts.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>
#include <tuple>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/shift_image.h"

namespace rayloom {

namespace {

constexpr std::size_t patch_samples = std::size_t{1}
                                      << 26;       // of one overlap, both tiles, as many views as fit: 256 MiB
constexpr std::size_t search_samples = 300'000;    // compared at each place of the search
constexpr int least_overlap = 3 + tile_search_px;  // pixels
constexpr int least_smoothed = 9;                  // pixels across an overlap below which it is not smoothed that way
constexpr int most_steps = 12;
constexpr double prior_px = 3;        // standard deviation of a nominal shift, where nothing else is known
constexpr double coverage = 3;        // standard deviations that an uncertainty spans
constexpr int cluster_of_row_px = 4;  // the same of a detector of one row, whose overlaps have few pixels
constexpr int cluster_px = 12;        // edge of the squares of pixels whose errors are taken to hang together
// Overlaps disagree if squares differ by so much of what they show (RMS): of the same part at most by 0.04 of what
// varies along a view and 0.07 of what varies from view to view, unlike ones (swapped, doubled, mirrored) by 0.1 to 1.6
// and 0.46 to 2.1. Squares of mere noise, whose neighbouring pixels hang together, are apart by 2.6 times what pixels
// let expect; good ones by up to 3.5.
constexpr double most_apart_whole = 0.2, most_apart_alone = 0.3, clearly_apart = 5;
constexpr double least_structure = 0.02;  // of the mean: what varies less shows no part
constexpr double least_air = 0.9;         // transmission
constexpr double most_of_part = 0.9;      // mean transmission along a tile's end, against that of air
constexpr int end_columns = 3;            // a tile's outermost
constexpr int least_slope_squares = 2;    // along an axis below which a beam's slope is not told from the part
// Of the level, from end to end of a tile, by which two beams' slopes may be apart: three standard deviations where
// each beam's changes by 0.1 from its middle to an end, 3 x 2 x 0.1 sqrt(2). An overlap sees its share of it.
constexpr double most_slope = 0.85;
constexpr double longest_step = 1;    // pixels: slopes of an image tell no more
constexpr double mostly_alike = 0.5;  // of two tiles' mean views: what they differ by, over what varies in them (RMS)
// Views are in another order if another pairing of them has clearly more in common than the one the file says: by so
// many standard deviations of what noise gives from square to square (of a thousand pairings noise alone brings one to
// 3.3), and from view to view by what four equal views give, so that no single bad one decides.
constexpr double clearly_paired = 6, many_views = 2, most_in_common = 0.8;
constexpr double surely_common = 5;    // standard deviations above which both tiles are sure to see one part ..
constexpr double mostly_common = 0.7;  // .. as they are above this correlation, however few views show it
constexpr int least_paired_views = 8;  // fewer tell no order
constexpr double significant = 8;      // structure against what noise alone would show, in its standard deviations

/// The part of two tiles that both see, with the search's margin, over some views.
struct Patch {
  int first_row = 0, rows = 0, first_column = 0, columns = 0;
  std::vector<float> values;  ///< Transmissions, views x rows x columns.
  std::vector<char> bad;      ///< rows x columns
  double far_end = 1;         ///< Mean transmission of the tile's outermost columns on the other side.

  std::size_t pixels() const { return std::size_t(rows) * std::size_t(columns); }
  std::span<const float> view(int v) const { return std::span(values).subspan(std::size_t(v) * pixels(), pixels()); }
};

struct Range {
  int first, count;
};

/// Pixels of a tile of `size` that another one `apart` pixels further on also sees, or might.
Range overlap_range(int size, double apart) {
  const int first = std::max(0, int(std::floor(apart)) - tile_search_px);
  const int end = std::min(size, int(std::ceil(apart)) + size + tile_search_px);
  return {first, end - first};
}

/// Length of the overlap along one axis, pixels.
double overlap_of(int size, double apart) {
  return size - std::abs(apart);
}

bool overlap_enough(int size, double apart) {
  return size == 1 ? std::abs(apart) < 0.5 : overlap_of(size, apart) >= least_overlap;
}

/// Mean of neighbours with weights 1, 2, 1: what two pixel grids sample unlike, the finest structure, goes.
void smooth(std::span<float> image, int rows, int columns, bool along_rows, bool along_columns) {
  std::vector<float> line;
  const auto along = [&](std::size_t first, std::size_t step, std::size_t count) {
    line.resize(count);
    for (std::size_t i = 0; i < count; ++i)
      line[i] = image[first + i * step];
    for (std::size_t i = 1; i + 1 < count; ++i)
      image[first + i * step] = (line[i - 1] + 2 * line[i] + line[i + 1]) / 4;
  };
  const std::size_t width = std::size_t(columns), height = std::size_t(rows);
  for (std::size_t r = 0; along_columns && r < height; ++r)
    along(r * width, 1, width);
  for (std::size_t c = 0; along_rows && c < width; ++c)
    along(c, width, height);
}

/// Weight of a difference of transmissions: photon noise has a variance in proportion to the transmission; the constant
/// keeps the darkest places, where little is known, from counting most.
double weight_of(float transmission) {
  return 1 / (std::max(double(transmission), 0.0) + 0.1);
}

/// Sums over a square of pixels: of weights, of both tiles' weighted transmissions, and of how far these are apart
/// after the view's level is taken out.
struct SquareSums {
  double weight = 0, a = 0, b = 0, apart = 0;
  void operator+=(const SquareSums& other) {
    weight += other.weight;
    a += other.a;
    b += other.b;
    apart += other.apart;
  }
};

/// Squares of what varies of SquareSums, from square to square or from view to view.
struct Variation {
  double a = 0, b = 0, apart = 0;
  void add(const SquareSums& sums, double sign) {
    if (!(sums.weight > 0)) return;
    a += sign * sums.a * sums.a / sums.weight;
    b += sign * sums.b * sums.b / sums.weight;
    apart += sign * sums.apart * sums.apart / sums.weight;
  }
  /// Share (RMS) of what the tiles differ by in what they show.
  double share() const { return std::sqrt(std::max(apart, 0.0) / std::max({a, b, 1e-30})); }
};

/// Compares two patches at places D of b against a.
class Comparison {
 public:
  Comparison(const TileViews& tiles, int a, int b, int threads)
      : a_index_(a),
        b_index_(b),
        nominal_(tiles.nominal[std::size_t(b)] - tiles.nominal[std::size_t(a)]),
        tile_(tiles.columns, tiles.rows),
        threads_(threads) {
    const Range columns_a = overlap_range(tiles.columns, nominal_.x()),
                rows_a = overlap_range(tiles.rows, nominal_.y());
    const Range columns_b = overlap_range(tiles.columns, -nominal_.x()),
                rows_b = overlap_range(tiles.rows, -nominal_.y());
    a_ = {rows_a.first, rows_a.count, columns_a.first, columns_a.count, {}, {}};
    b_ = {rows_b.first, rows_b.count, columns_b.first, columns_b.count, {}, {}};
    const std::size_t fit = std::max<std::size_t>(patch_samples / (a_.pixels() + b_.pixels()), 2);
    views_ = int(std::min(std::size_t(tiles.views), fit));
    fetch(tiles, a, a_);
    fetch(tiles, b, b_);
  }

  int views() const { return views_; }

  /// Whole-pixel place near the nominal one where the patches differ least, of those that noise cannot tell apart the
  /// nearest; absent if the overlap is too narrow.
  std::optional<Shift> search() const;
  OverlapMatch refine(Shift place) const;
  /// OverlapMatch::disagreement with b at `place`.
  double disagreement_at(const Shift& place) const;

 private:
  /// Sums over the pixels of one view, b at `place`.
  struct Sums {
    Eigen::Matrix2d matrix = Eigen::Matrix2d::Zero();  // after the view's level is taken out
    Eigen::Vector2d score = Eigen::Vector2d::Zero();
    Eigen::Vector2d noise = Eigen::Vector2d::Zero();  // variance of the matrix's diagonal, were gradients noise alone
    double weight = 0, level = 0, misfit = 0;
    std::size_t pixels = 0;
    std::vector<SquareSums> seen;              // by squares of a's pixels
    std::vector<Eigen::Vector2d> of_clusters;  // the score by these squares, then by a's rows, then by its columns
  };
  void fetch(const TileViews& tiles, int tile, Patch& patch) const;
  Sums sums_at(int view, Shift place) const;
  std::vector<Sums> sums_at(Shift place) const;  // of all views
  int square_px() const { return a_.rows == 1 ? cluster_of_row_px : cluster_px; }
  int squares_across() const { return a_.columns / square_px() + 1; }
  /// Takes out of sums over the squares of one view what a beam of another level and slope adds to them: a linear
  /// function times `level`.
  void take_out_slope(std::span<double> values, std::span<const double> level, std::span<const double> weight) const;
  /// OverlapMatch::disagreement, order and belonging_shown, and part_at_far_ends_only.
  double disagreement(std::span<const Sums> sums) const;
  void compare_orders(std::span<const Sums> sums, OverlapMatch& match) const;
  bool part_at_far_ends_only(std::span<const Sums> sums) const;

  int a_index_, b_index_;
  Shift nominal_, tile_;  // the latter: its size
  int threads_, views_ = 0;
  Patch a_, b_;
};

void Comparison::fetch(const TileViews& tiles, int tile, Patch& patch) const {
  const std::size_t width = std::size_t(tiles.columns);
  patch.values.resize(std::size_t(views_) * patch.pixels());
  const bool at_left = patch.first_column > 0;  // the far end
  const std::size_t far = at_left ? 0 : width - std::min(width, std::size_t{end_columns});
  std::vector<double> ends(static_cast<std::size_t>(views_));
  parallel_for(views_, threads_, [&](int v, int) {
    std::vector<float> band(std::size_t(patch.rows) * width);
    tiles.read(tile, int(std::int64_t(tiles.views) * v / views_), patch.first_row, patch.rows, band);
    float* to = &patch.values[std::size_t(v) * patch.pixels()];
    for (int r = 0; r < patch.rows; ++r, to += patch.columns) {
      const float* p = &band[std::size_t(r) * width + std::size_t(patch.first_column)];
      std::transform(p, p + patch.columns, to, [](float x) { return std::exp(-x); });
      for (std::size_t c = far; c < std::min(width, far + end_columns); ++c)
        ends[std::size_t(v)] += std::exp(-double(band[std::size_t(r) * width + c]));
    }
  });
  patch.far_end = std::accumulate(ends.begin(), ends.end(), 0.0) / (double(views_) * patch.rows * end_columns);
  for (int r = 0; r < patch.rows; ++r) {
    const char* from =
        &tiles.bad[std::size_t(tile)][std::size_t(patch.first_row + r) * width + std::size_t(patch.first_column)];
    patch.bad.insert(patch.bad.end(), from, from + patch.columns);
  }
}

std::optional<Shift> Comparison::search() const {
  constexpr int reach = tile_search_px, side = 2 * reach + 1;
  // In pixels of the patches: pixel x of a lies at x - apart of b.
  const int apart_c = int(std::lround(nominal_.x())) - a_.first_column + b_.first_column;
  const int apart_r = int(std::lround(nominal_.y())) - a_.first_row + b_.first_row;
  const bool one_row = a_.rows == 1;
  // The same pixels of a at every place, so that none wins by what it leaves out.
  const int reach_r = one_row ? 0 : reach;
  const int c0 = std::max(0, apart_c + reach), c1 = std::min(a_.columns, b_.columns + apart_c - reach);
  const int r0 = std::max(0, apart_r + reach_r), r1 = std::min(a_.rows, b_.rows + apart_r - reach_r);
  if (c1 - c0 < 1 || r1 - r0 < 1) return std::nullopt;
  const std::size_t samples = std::size_t(c1 - c0) * std::size_t(r1 - r0);
  const int some_views = std::min(views_, 8);
  const int step = std::max(1, int(double(samples) * some_views / double(search_samples)));

  std::vector<double> misfit(std::size_t(side) * side, INFINITY);
  parallel_for(side * side, threads_, [&](int n, int) {
    const int dc = n % side - reach, dr = n / side - reach;
    if (std::abs(dr) > reach_r) return;
    double all = 0, all_weights = 0;
    for (int v = 0; v < some_views; ++v) {
      const auto a = a_.view(v * views_ / some_views), b = b_.view(v * views_ / some_views);
      double weight = 0, sum = 0, squares = 0;
      for (int r = r0; r < r1; ++r)
        for (int c = c0 + (r * 7) % step; c < c1; c += step) {
          const std::size_t at_a = std::size_t(r) * std::size_t(a_.columns) + std::size_t(c);
          const std::size_t at_b =
              std::size_t(r - apart_r - dr) * std::size_t(b_.columns) + std::size_t(c - apart_c - dc);
          if (a_.bad[at_a] || b_.bad[at_b]) continue;
          const double w = weight_of(a[at_a]), m = (double(a[at_a]) + double(b[at_b])) / 2;
          const double d = double(a[at_a]) - double(b[at_b]);
          weight += w * m * m;
          sum += w * m * d;
          squares += w * d * d;
          all_weights += w;
        }
      if (weight <= 0) continue;
      all += squares - sum * sum / weight;
    }
    if (all_weights > 0) misfit[std::size_t(n)] = all / all_weights;
  });
  // The misfit of pure noise scatters by sqrt(2/samples) of itself.
  const double compared = double(samples) * some_views / step;
  const double bound = *std::min_element(misfit.begin(), misfit.end()) * (1 + 3 * std::sqrt(2 / compared));
  int best_c = 0, best_r = 0, nearest = 2 * side * side;
  for (int n = 0; n < side * side; ++n) {
    const int dc = n % side - reach, dr = n / side - reach, distance = dc * dc + dr * dr;
    if (misfit[std::size_t(n)] > bound || distance >= nearest) continue;
    nearest = distance;
    best_c = dc;
    best_r = dr;
  }
  return Shift(std::lround(nominal_.x()) + best_c, std::lround(nominal_.y()) + best_r);
}

Comparison::Sums Comparison::sums_at(int view, Shift place) const {
  // Where pixel (0, 0) of patch a lies on patch b.
  const bool one_row = a_.rows == 1;
  const double column = a_.first_column - b_.first_column - place.x();
  const double row = one_row ? 0 : a_.first_row - b_.first_row - place.y();
  const int whole_c = int(std::floor(column)), whole_r = int(std::floor(row));
  // Samples of b need the two pixels of it that count most; the outer taps may take its last pixel for those beyond,
  // which for the outermost sample shifts it by some hundredths.
  const int left = std::max(0, -whole_c), right = std::min(a_.columns, b_.columns - 1 - whole_c);
  const int top = one_row ? 0 : std::max(0, -whole_r), bottom = one_row ? 1 : std::min(a_.rows, b_.rows - 1 - whole_r);
  const int columns = right - left, rows = bottom - top;
  // Gradients take a pixel on each side, and so does smoothing, which narrow overlaps cannot spare.
  const bool smooth_c = columns >= least_smoothed, smooth_r = rows >= least_smoothed;
  const int rim_c = smooth_c ? 2 : 1, rim_r = one_row ? 0 : smooth_r ? 2 : 1;
  Sums sums;
  if (columns <= 2 * rim_c || rows <= 2 * rim_r) return sums;
  const std::size_t wide = std::size_t(columns);
  std::vector<float> a(wide * std::size_t(rows)), b(a.size());
  for (int r = 0; r < rows; ++r)
    std::copy_n(&a_.view(view)[std::size_t(top + r) * std::size_t(a_.columns) + std::size_t(left)], columns,
                &a[std::size_t(r) * wide]);
  sample_shifted(b_.view(view), b_.rows, b_.columns, top + row, left + column, rows, columns, b);
  smooth(a, rows, columns, smooth_r, smooth_c);
  smooth(b, rows, columns, smooth_r, smooth_c);
  const bool beside_c = column != whole_c, beside_r = row != whole_r;

  struct Cluster {
    double weight = 0, level = 0;
    Eigen::Vector2d gradients = Eigen::Vector2d::Zero(), score = Eigen::Vector2d::Zero();
  };
  const std::size_t edge = std::size_t(square_px()), wide_squares = std::size_t(squares_across());
  const std::size_t squares = wide_squares * (std::size_t(a_.rows) / edge + 1);
  std::vector<Cluster> clusters(squares + std::size_t(a_.rows + a_.columns));
  sums.seen.resize(squares);
  Cluster all;
  double apart = 0;  // sum of w d d
  for (int r = rim_r; r < rows - rim_r; ++r)
    for (int c = rim_c; c < columns - rim_c; ++c) {
      const std::size_t at_a = std::size_t(top + r) * std::size_t(a_.columns) + std::size_t(left + c);
      const std::size_t at_b =
          std::size_t(top + r + whole_r) * std::size_t(b_.columns) + std::size_t(left + c + whole_c);
      const std::size_t next_c = beside_c ? 1 : 0, next_r = beside_r ? std::size_t(b_.columns) : 0;
      if (a_.bad[at_a] || b_.bad[at_b] || b_.bad[at_b + next_c] || b_.bad[at_b + next_r] ||
          b_.bad[at_b + next_c + next_r])
        continue;
      const std::size_t at = std::size_t(r) * wide + std::size_t(c);
      const auto gradient = [&](const std::vector<float>& image) {
        const double across = double(image[at + 1]) - double(image[at - 1]);
        const double down = one_row ? 0 : double(image[at + wide]) - double(image[at - wide]);
        return Eigen::Vector2d(across / 2, down / 2);
      };
      const double ta = double(a[at]), tb = double(b[at]);
      const Eigen::Vector2d ga = gradient(a), gb = gradient(b);
      const double m = (ta + tb) / 2, d = ta - tb, w = weight_of(float(m));
      const Eigen::Vector2d g = (ga + gb) / 2;
      sums.matrix += w / 2 * (ga * gb.transpose() + gb * ga.transpose());
      sums.noise += w * w * ga.cwiseProduct(gb).cwiseAbs2();
      apart += w * d * d;
      ++sums.pixels;
      const std::size_t square = std::size_t(top + r) / edge * wide_squares + std::size_t(left + c) / edge;
      sums.seen[square] += {w, w * ta, w * tb, w * d};
      for (Cluster* one : {&all, &clusters[square], &clusters[squares + std::size_t(top + r)],
                           &clusters[squares + std::size_t(a_.rows + left + c)]}) {
        one->weight += w * m * m;
        one->level += w * m * d;
        one->gradients += w * m * g;
        one->score -= w * d * g;
      }
    }
  if (!(all.weight > 0)) return sums;
  sums.weight = all.weight;
  sums.level = all.level / all.weight;
  sums.misfit = apart - sums.level * all.level;
  sums.matrix -= all.gradients * all.gradients.transpose() / all.weight;
  const Eigen::Vector2d slope = all.gradients / all.weight;  // of the level, which is taken out
  sums.score = all.score + slope * all.level;
  for (const Cluster& one : clusters)
    sums.of_clusters.emplace_back(one.score + slope * one.level + sums.level * (one.gradients - slope * one.weight));
  for (SquareSums& square : sums.seen)
    square.apart -= sums.level * (square.a + square.b) / 2;
  return sums;
}

std::vector<Comparison::Sums> Comparison::sums_at(Shift place) const {
  std::vector<Sums> sums(static_cast<std::size_t>(views_));
  parallel_for(views_, threads_, [&](int v, int) { sums[std::size_t(v)] = sums_at(v, place); });
  return sums;
}

double Comparison::disagreement_at(const Shift& place) const {
  return disagreement(sums_at(place));
}

void Comparison::take_out_slope(std::span<double> values, std::span<const double> level,
                                std::span<const double> weight) const {
  const int across = squares_across(), down = int(values.size()) / across;
  const auto basis = [&](std::size_t i) {
    const int x = int(i) % across, y = int(i) / across;
    return Eigen::Vector3d(level[i] * Eigen::Vector3d(1, across < least_slope_squares ? 0 : double(x) / across - 0.5,
                                                      down < least_slope_squares ? 0 : double(y) / down - 0.5));
  };
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (!(weight[i] > 0)) continue;
    const Eigen::Vector3d b = basis(i);
    normal += b * b.transpose() / weight[i];
    right += b * values[i] / weight[i];
  }
  // The ridge leaves slopes at 0 that the squares do not tell.
  normal.diagonal().array() += 1e-6 * normal(0, 0) + 1e-300;
  Eigen::Vector3d plane = normal.ldlt().solve(right);
  for (const auto& [axis, share] : {std::pair{1, a_.columns / tile_.x()}, {2, a_.rows / tile_.y()}})
    plane(axis) = std::clamp(plane(axis), -most_slope * share, most_slope * share);
  plane(0) = (right(0) - normal(0, 1) * plane(1) - normal(0, 2) * plane(2)) / normal(0, 0);
  for (std::size_t i = 0; i < values.size(); ++i)
    values[i] -= plane.dot(basis(i));
}

void Comparison::compare_orders(std::span<const Sums> sums, OverlapMatch& match) const {
  const std::size_t n = sums.size(), squares = sums.front().seen.size();
  if (int(n) < least_paired_views) return;
  std::vector<double> weight(squares);
  for (const Sums& one : sums) {
    if (one.seen.size() != squares) return;
    for (std::size_t s = 0; s < squares; ++s)
      weight[s] += one.seen[s].weight / double(n);
  }
  const double all_weight = std::accumulate(weight.begin(), weight.end(), 0.0);
  // What of each view is its own, by squares: neither the mean of all views nor a beam of another level and slope.
  // Divided by the root of the weight, so that sums of products are weighted.
  std::vector<double> of_a(n * squares), of_b(n * squares);
  std::vector<double> uneven(squares);  // what mean views have beside their level, first of a, then of a less b
  double shown = 0, own_a = 0, own_b = 0, brightness = 1;
  for (const auto& [own, sum, own_squares] :
       {std::tuple{&of_a, &SquareSums::a, &own_a}, {&of_b, &SquareSums::b, &own_b}}) {
    std::vector<double> mean(squares);
    for (std::size_t v = 0; v < n; ++v)
      for (std::size_t s = 0; s < squares; ++s)
        if (const SquareSums& seen = sums[v].seen[s]; seen.weight > 0) {
          (*own)[v * squares + s] = seen.*sum / seen.weight * weight[s];
          mean[s] += (*own)[v * squares + s] / double(n);
        }
    const double level = std::accumulate(mean.begin(), mean.end(), 0.0) / all_weight;
    if (!(level > 0)) return;
    brightness *= level;
    for (std::size_t s = 0; s < squares; ++s) {
      if (!(weight[s] > 0)) continue;
      const double here = mean[s] / weight[s] / level - 1;
      shown += here * here * weight[s] / all_weight / 2;
      uneven[s] = here - uneven[s];
    }
    for (std::size_t v = 0; v < n; ++v) {
      const auto view = std::span(*own).subspan(v * squares, squares);
      take_out_slope(view, mean, weight);
      for (std::size_t s = 0; s < squares; ++s) {
        view[s] = weight[s] > 0 ? view[s] / std::sqrt(weight[s]) : 0;
        *own_squares += view[s] * view[s];
      }
    }
  }
  // Squares of a view of a times those of a view of b, whose noises are independent: what they have in common.
  const auto in_common = [&](std::size_t a, std::size_t b, std::size_t s) {
    return of_a[a * squares + s] * of_b[b * squares + s];
  };
  double common = 0, chance = 0;
  for (std::size_t v = 0; v < n; ++v)
    for (std::size_t s = 0; s < squares; ++s) {
      common += in_common(v, v, s);
      chance += std::pow(in_common(v, v, s), 2);
    }
  const double least = least_structure * least_structure * double(n) * all_weight * brightness;
  double apart = 0;
  for (std::size_t s = 0; s < squares; ++s)
    apart += uneven[s] * uneven[s] * weight[s] / all_weight / 2;
  const bool always_alike = std::max(own_a, own_b) < least && shown > least_structure * least_structure &&
                            apart < mostly_alike * mostly_alike * shown;
  const double sure = std::min(surely_common * std::sqrt(chance), mostly_common * std::sqrt(own_a * own_b));
  match.belonging_shown = common > std::max(sure, 1e-6 * least) || always_alike;  // rounding errors are alike, too
  double most = std::max(least, common / most_in_common);
  bool clearly = false;
  for (const bool reversed : {false, true})
    for (std::size_t by = reversed ? 0 : 1; by < n; ++by) {
      double other = 0, of_squares = 0, of_views = 0;
      for (std::size_t v = 0; v < n; ++v) {
        const std::size_t w = (reversed ? by + n - v : by + v) % n;
        double gain = 0;
        for (std::size_t s = 0; s < squares; ++s) {
          const double with = in_common(v, w, s), more = with - in_common(v, v, s);
          other += with;
          gain += more;
          of_squares += more * more;
        }
        of_views += gain * gain;
      }
      // Of a part that is nearly its own mirror image an offset is the likelier mistake.
      if (other <= (reversed && clearly ? most / most_in_common : most)) continue;
      most = other;
      clearly = other - common > std::max(clearly_paired * std::sqrt(of_squares), many_views * std::sqrt(of_views));
      match.order = {!clearly ? ViewOrder::said : reversed ? ViewOrder::reversed : ViewOrder::offset, int(by)};
    }
}

double Comparison::disagreement(std::span<const Sums> sums) const {
  Variation whole, alone;  // within views; the same without what all views share
  std::vector<SquareSums> of_squares;
  SquareSums all;
  double misfit = 0, pixels = 0, squares = 0, before = 0;  // squares of `apart` before slopes are taken out
  std::vector<SquareSums> seen;
  std::vector<double> apart, level, weight;
  for (const Sums& one : sums) {
    seen = one.seen;
    apart.clear(), level.clear(), weight.clear();
    for (const SquareSums& square : seen) {
      apart.push_back(square.apart);
      level.push_back((square.a + square.b) / 2);
      weight.push_back(square.weight);
    }
    take_out_slope(apart, level, weight);
    of_squares.resize(std::max(of_squares.size(), seen.size()));
    SquareSums view;
    for (std::size_t i = 0; i < seen.size(); ++i) {
      before += seen[i].weight > 0 ? seen[i].apart * seen[i].apart / seen[i].weight : 0;
      seen[i].apart = apart[i];
      whole.add(seen[i], 1);
      view += seen[i];
      of_squares[i] += seen[i];
      squares += seen[i].weight > 0;
    }
    whole.add(view, -1);
    all += view;
    misfit += one.misfit;
    pixels += double(one.pixels);
  }
  alone = whole;
  for (const SquareSums& one : of_squares)
    alone.add(one, -1);
  alone.add(all, 1);
  if (!(pixels > squares)) return 0;
  const double noise = squares * std::max(misfit - before, 0.0) / (pixels - squares);
  const double least = least_structure * least_structure * all.a * all.b / all.weight;
  double worst = 0;
  for (const auto& [one, most] : {std::pair{whole, most_apart_whole}, {alone, most_apart_alone}})
    if (std::max(one.a, one.b) > least && one.apart > clearly_apart * clearly_apart * noise && one.share() > most)
      worst = std::max(worst, one.share());
  return worst;
}

bool Comparison::part_at_far_ends_only(std::span<const Sums> sums) const {
  if (std::abs(nominal_.x()) < 0.5 * std::min(a_.columns, b_.columns)) return false;
  SquareSums all;
  Variation whole;
  for (const Sums& one : sums)
    for (const SquareSums& square : one.seen) {
      whole.add(square, 1);
      all += square;
    }
  whole.add(all, -1);
  const double air = least_structure * least_structure * all.a * all.b / all.weight;
  const double level = std::min(all.a, all.b) / all.weight;
  return std::max(whole.a, whole.b) < air && level > least_air &&
         std::max(a_.far_end, b_.far_end) < most_of_part * level;
}

OverlapMatch Comparison::refine(Shift place) const {
  OverlapMatch match;
  match.a = a_index_;
  match.b = b_index_;
  match.views = views_;
  const Shift start = place;
  std::vector<Sums> sums;
  Eigen::Matrix2d known = Eigen::Matrix2d::Zero();  // projects on the directions that have structure
  for (int step = 0; step < most_steps; ++step) {
    sums = sums_at(place);
    Sums all;
    Eigen::Matrix2d scatter = Eigen::Matrix2d::Zero(), twice = scatter;
    std::vector<Eigen::Vector2d> of_clusters;
    for (const Sums& one : sums) {
      of_clusters.resize(std::max(of_clusters.size(), one.of_clusters.size()), Eigen::Vector2d::Zero());
      for (std::size_t i = 0; i < one.of_clusters.size(); ++i)
        of_clusters[i] += one.of_clusters[i];
      for (std::size_t i = 0; i < one.seen.size(); ++i)
        twice += one.of_clusters[i] * one.of_clusters[i].transpose();
      all.matrix += one.matrix;
      all.score += one.score;
      all.noise += one.noise;
      all.misfit += one.misfit;
      all.weight += one.weight;
      all.pixels += one.pixels;
      scatter += one.score * one.score.transpose();
    }
    if (all.pixels < 10) return match;
    match.disagreement = std::min(step == 0 ? INFINITY : match.disagreement, disagreement(sums));
    if (step == 0) {
      match.part_at_far_ends_only = part_at_far_ends_only(sums);
      compare_orders(sums, match);
    }
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> modes(all.matrix);
    Eigen::Matrix2d inverse = Eigen::Matrix2d::Zero();
    Shift by = Shift::Zero();
    known.setZero();
    for (int i = 0; i < 2; ++i) {
      const double strength = modes.eigenvalues()(i);
      const Eigen::Vector2d mode = modes.eigenvectors().col(i);
      if (!(strength > significant * mode.cwiseAbs2().dot(all.noise.cwiseSqrt()))) continue;
      inverse += mode * mode.transpose() / strength;
      by += mode * std::clamp(mode.dot(all.score) / strength, -longest_step, longest_step);
      known += mode * mode.transpose();
    }
    place += by;

    // Of the estimate: what the views say by themselves, and what squares, rows and columns of pixels say, whose errors
    // repeat from view to view; less what squares of single views count twice, unless that leaves nothing.
    for (const Eigen::Vector2d& one : of_clusters)
      scatter += one * one.transpose();
    if (Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d>(scatter - twice).eigenvalues().minCoeff() >= 0) scatter -= twice;
    const Eigen::Matrix2d covariance = inverse * scatter * inverse;
    const double of_pixel = all.misfit / double(all.pixels);
    match.information.setZero();
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> spread(covariance);
    for (int i = 0; i < 2; ++i)
      if (const double variance = spread.eigenvalues()(i); variance > 1e-12)
        match.information += spread.eigenvectors().col(i) * spread.eigenvectors().col(i).transpose() / variance;

    double weight = 0, squares = 0;
    match.log_level = 0;
    for (const Sums& one : sums) {
      weight += one.weight;
      match.log_level += one.weight * one.level;
    }
    match.log_level /= weight;
    for (const Sums& one : sums)
      squares += one.weight * std::pow(one.level - match.log_level, 2);
    match.log_level_sd = std::sqrt(squares / weight / views_ + of_pixel / weight);
    if (by.norm() < 1e-4) break;
    if ((place - start).norm() > 3) {  // ran away
      match.information.setZero();
      match.beyond_search = true;
      return match;
    }
  }
  match.correction = known * (place - nominal_);
  if (match.correction.cwiseAbs().maxCoeff() > tile_search_px + 1) {
    match.correction.setZero();
    match.information.setZero();
    match.beyond_search = true;
  }
  return match;
}

/// Places of all tiles from the overlaps. Unknowns: the corrections of tiles 1 .. n - 1, column and row by turns.
void place_tiles(const TileViews& tiles, TileShifts& found) {
  const std::ptrdiff_t n = std::ptrdiff_t(tiles.nominal.size()), unknowns = 2 * (n - 1);
  found.places.clear();
  for (const Shift& shift : tiles.nominal)
    found.places.push_back({shift, Shift::Zero()});
  found.places.front().column_found = found.places.front().row_found = true;
  if (unknowns == 0) return;
  Eigen::MatrixXd normal = Eigen::MatrixXd::Identity(unknowns, unknowns) / (prior_px * prior_px);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(unknowns);
  Eigen::MatrixXd level_normal = Eigen::MatrixXd::Identity(n - 1, n - 1) * 1e-6;  // tiles that nothing ties stay at 1
  Eigen::VectorXd level_right = Eigen::VectorXd::Zero(n - 1);
  for (const OverlapMatch& overlap : found.overlaps) {
    const std::ptrdiff_t a = overlap.a - 1, b = overlap.b - 1;
    const double level_weight = 1 / (overlap.log_level_sd * overlap.log_level_sd + 1e-8);
    for (const auto& [tile, sign] : {std::pair{a, -1.0}, {b, 1.0}}) {
      if (tile < 0) continue;
      normal.block<2, 2>(2 * tile, 2 * tile) += overlap.information;
      right.segment<2>(2 * tile) += sign * (overlap.information * overlap.correction);
      level_normal(tile, tile) += level_weight;
      level_right(tile) -= sign * level_weight * overlap.log_level;
    }
    if (a < 0 || b < 0) continue;
    normal.block<2, 2>(2 * a, 2 * b) -= overlap.information;
    normal.block<2, 2>(2 * b, 2 * a) -= overlap.information;
    level_normal(a, b) -= level_weight;
    level_normal(b, a) -= level_weight;
  }
  const Eigen::MatrixXd covariance = normal.ldlt().solve(Eigen::MatrixXd::Identity(unknowns, unknowns));
  const Eigen::VectorXd corrections = covariance * right, levels = level_normal.ldlt().solve(level_right);
  for (std::ptrdiff_t k = 0; k + 1 < n; ++k) {
    TilePlace& place = found.places[std::size_t(k + 1)];
    place.uncertainty =
        coverage * Shift(std::sqrt(covariance(2 * k, 2 * k)), std::sqrt(covariance(2 * k + 1, 2 * k + 1)));
    place.column_found = place.uncertainty.x() <= most_tile_uncertainty_px;
    place.row_found = place.uncertainty.y() <= most_tile_uncertainty_px;
    place.shift += corrections.segment<2>(2 * k);
    place.level = std::exp(levels(k));
  }
}

}  // namespace

TileShifts find_tile_shifts(const TileViews& tiles, int threads, const Hooks& hooks) {
  const std::string step = "comparing overlaps";
  const int n = int(tiles.nominal.size());
  std::vector<std::pair<int, int>> pairs;
  for (int a = 0; a < n; ++a)
    for (int b = a + 1; b < n; ++b) {
      const Shift apart = tiles.nominal[std::size_t(b)] - tiles.nominal[std::size_t(a)];
      if (overlap_enough(tiles.columns, apart.x()) && overlap_enough(tiles.rows, apart.y())) pairs.emplace_back(a, b);
    }
  TileShifts found;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    if (hooks.stop()) throw Cancelled("stopped while comparing overlaps of tiles");
    const Comparison comparison(tiles, pairs[i].first, pairs[i].second, threads);
    if (const auto place = comparison.search()) found.overlaps.push_back(comparison.refine(*place));
    hooks.report(step, double(i + 1) / double(pairs.size()));
  }
  place_tiles(tiles, found);
  // A corner that shows too little to be placed by itself may agree where all the others put it.
  for (OverlapMatch& overlap : found.overlaps)
    if (overlap.disagreement > 0) {
      const std::size_t a = std::size_t(overlap.a), b = std::size_t(overlap.b);
      const Shift place = found.places[b].shift - found.places[a].shift;
      overlap.disagreement =
          std::min(overlap.disagreement, Comparison(tiles, overlap.a, overlap.b, threads).disagreement_at(place));
    }
  return found;
}

}  // namespace rayloom
