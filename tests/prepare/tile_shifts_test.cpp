// Shifts and levels of detector tiles, against the ones that were put in.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "rayloom/phantom/phantom.h"
#include "rayloom/prepare/shift_image.h"
#include "rayloom/prepare/tile_shifts.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/random.h"

using namespace rayloom;

namespace {

constexpr int rows = 128, columns = 160, views = 24;

/// Tiles of a scan of a phantom, with photon noise; true shifts and levels differ from the nominal ones.
struct Tiles {
  Phantom phantom;
  Geometry geometry;  // of a tile at shift 0
  std::vector<Shift> truth;
  std::vector<double> levels;
  TileViews seen;
  double photons = 20000;
  double slopes = 0;  // standard deviation of the beam's slope along rows, from the middle to an end

  explicit Tiles(const std::string& name) : phantom(read_phantom(RAYLOOM_SOURCE_DIR "/phantoms/" + name + ".json")) {
    geometry = {Beam::cone, 150, 800, {columns, rows, 0.4, 0.4, 227, 142.5}, {}, {}};
    for (int v = 0; v < views; ++v)
      geometry.angles_rad.push_back(radians(360.0 * v / views));
  }

  /// @param seed  Of shifts (up to 2 pixels beside the nominal ones), levels (up to 5 %) and noise.
  void lay(const std::vector<Shift>& nominal, std::uint64_t seed) {
    seen.rows = rows;
    seen.columns = columns;
    seen.views = views;
    seen.nominal = nominal;
    PixelRandom random(seed, 1, 0);
    for (std::size_t k = 0; k < nominal.size(); ++k) {
      const auto off = [&] { return k == 0 ? 0 : 2 * random.uniform() - 1; };
      const double by_column = 2 * off(), by_row = 2 * off();
      truth.emplace_back(nominal[k] + Shift(by_column, by_row));
      levels.push_back(1 + 0.05 * off());
      seen.bad.emplace_back(std::size_t(rows * columns), char(false));
    }
    seen.read = [this, seed](int tile, int view, int first_row, int row_count, std::span<float> values) {
      Geometry own = geometry;
      own.detector.axis_column -= truth[std::size_t(tile)].x();
      own.detector.midplane_row -= truth[std::size_t(tile)].y() + first_row;
      own.detector.rows = row_count;
      project_phantom(phantom, phantom.attenuations(), own, geometry.angles_rad[std::size_t(view)],
                      {2, PixelSampling::Average::transmission}, values);
      PixelRandom shape(seed + 1, std::uint64_t(100 + tile * views + view), 0);
      const double slope = slopes * std::sqrt(3.0) * (2 * shape.uniform() - 1);
      for (std::size_t i = 0; i < values.size(); ++i) {
        PixelRandom noise(seed, std::uint64_t(100 + tile * views + view), std::uint32_t(i));
        const double along = (first_row + double(i / columns) - 63.5) / 64;
        const double beam = photons * levels[std::size_t(tile)] * (1 + slope * along);
        const double mean = beam * std::exp(-double(values[i]));
        values[i] = float(-std::log(std::max(noise.poisson(mean), 0.5) / photons));
      }
    };
  }
};

std::vector<Shift> grid_of(int across, int down, double step_c, double step_r) {
  std::vector<Shift> shifts;
  for (int r = 0; r < down; ++r)
    for (int c = 0; c < across; ++c)
      shifts.emplace_back(c * step_c, r * step_r);
  return shifts;
}

}  // namespace

TEST_SUITE("tile shifts") {
  // What moves a ramp wrong moves every smooth image wrong, and so every shift that is found.
  TEST_CASE("an image that rises evenly is moved by fractions of a pixel as it is said") {
    std::vector<float> image(16 * 16), moved(4 * 4);
    for (std::size_t i = 0; i < image.size(); ++i)
      image[i] = float(i % 16) - 2 * float(i / 16);
    for (int k = 0; k <= 20; ++k) {
      const double by_row = 5 + k / 20.0, by_column = 6 - k / 20.0;
      CAPTURE(k);
      sample_shifted(image, 16, 16, by_row, by_column, 4, 4, moved);
      for (std::size_t i = 0; i < moved.size(); ++i)
        CHECK(double(moved[i]) ==
              doctest::Approx(by_column + double(i % 4) - 2 * (by_row + double(i / 4))).epsilon(1e-5));
    }
  }

  // What is asked: 0.05 pixels at 8 % overlap.
  TEST_CASE("3 x 2 tiles with 8 percent overlap: shifts within 0.05 pixels and levels within 0.1 percent") {
    Tiles tiles("cable_plug");
    for (const std::uint64_t seed : {1, 2}) {
      CAPTURE(seed);
      tiles.truth.clear();
      tiles.levels.clear();
      tiles.seen.bad.clear();
      tiles.lay(grid_of(3, 2, 147, 118), seed);
      const TileShifts found = find_tile_shifts(tiles.seen, 2);
      for (std::size_t k = 0; k < 6; ++k) {
        CAPTURE(k);
        const TilePlace& place = found.places[k];
        CHECK(place.column_found);
        CHECK(place.row_found);
        const Shift error = place.shift - tiles.truth[k];
        // Uncertainties are three standard deviations.
        CHECK(std::abs(error.x()) <= place.uncertainty.x());
        CHECK(std::abs(error.y()) <= place.uncertainty.y());
        CHECK(error.cwiseAbs().maxCoeff() < 0.05);
        CHECK(place.uncertainty.maxCoeff() < 0.15);
        CHECK(std::abs(place.level / tiles.levels[k] - 1) < 1e-3);
      }
      for (const OverlapMatch& overlap : found.overlaps) {
        CAPTURE(overlap.a);
        CAPTURE(overlap.b);
        CHECK(overlap.disagreement == 0);
        CHECK_FALSE(overlap.part_at_far_ends_only);
      }
    }
  }

  // Two grids sample an edge along their rows unlike, in all views and columns alike. Pixels are exact here: the share
  // of each that the part covers.
  TEST_CASE("faces along pixel rows: shifts within 0.05 pixels and +- holds for nine of ten scans") {
    int held = 0;
    for (std::uint64_t seed = 1; seed <= 40; ++seed) {
      CAPTURE(seed);
      PixelRandom random(seed, 1, 0);
      const auto off = [&] { return 2 * random.uniform() - 1; };
      const Shift nominal(147, 0), truth = nominal + Shift(0, 2 * off());
      const double top = 40 + off(), bottom = 90 + off(), depth = 0.5 + 0.3 * off();
      TileViews seen{rows, columns, views, {Shift(0, 0), nominal}, {}, {}};
      seen.bad.assign(2, std::vector<char>(rows * columns));
      seen.read = [&](int tile, int view, int first_row, int row_count, std::span<float> values) {
        for (int r = first_row; r < first_row + row_count; ++r) {
          const double row = r + (tile == 1 ? truth.y() : 0);
          const double covered = std::max(0.0, std::min(row + 0.5, bottom) - std::max(row - 0.5, top));
          for (int c = 0; c < columns; ++c) {
            PixelRandom noise(seed, std::uint64_t(100 + tile * views + view), std::uint32_t(r * columns + c));
            values[std::size_t((r - first_row) * columns + c)] =
                float(-std::log(noise.poisson(20000 * (1 - depth * covered)) / 20000));
          }
        }
      };
      const TilePlace place = find_tile_shifts(seen, 2).places[1];
      CHECK(place.row_found);
      const double error = std::abs(place.shift.y() - truth.y());
      CHECK(error < 0.05);
      held += error <= place.uncertainty.y();
    }
    CHECK(held >= 36);
  }

  TEST_CASE("tiles that are swapped or doubled or upside down or mirrored disagree") {
    for (const auto& [name, step] : {std::pair{"cable_plug", 147}, {"pump_end_plate", 147}, {"pump_end_plate", 120}}) {
      CAPTURE(name);
      CAPTURE(step);
      Tiles tiles(name);
      tiles.geometry.detector.axis_column = (step + columns - 1) / 2.0;
      tiles.geometry.detector.midplane_row = 63.5;
      tiles.lay({{0, 0}, {double(step), 0}}, 6);
      const auto problem = [&](const TileViews& seen) {
        const OverlapMatch overlap = find_tile_shifts(seen, 2).overlaps.at(0);
        return std::pair(overlap.disagreement, overlap.part_at_far_ends_only);
      };
      CHECK(problem(tiles.seen) == std::pair(0.0, false));
      const auto read = tiles.seen.read;
      TileViews doubled = tiles.seen, swapped = tiles.seen, upside_down = tiles.seen, mirrored = tiles.seen;
      doubled.read = [&](int, auto... rest) { read(0, rest...); };
      CHECK(problem(doubled).first > 0.2);
      swapped.read = [&](int tile, auto... rest) { read(1 - tile, rest...); };
      // The plug fits into the whole, so that both of its outer sides are air.
      if (name == std::string("cable_plug"))
        CHECK(problem(swapped) == std::pair(0.0, true));
      else
        CHECK(problem(swapped).first > 0.2);
      const auto turned = [&](int tile, int view, int first_row, int row_count, std::span<float> values) {
        if (tile == 0) return read(tile, view, first_row, row_count, values);
        read(tile, view, rows - first_row - row_count, row_count, values);
        std::reverse(values.begin(), values.end());
      };
      upside_down.read = turned;
      CHECK(problem(upside_down).first > 0.2);
      mirrored.read = [&](int tile, int view, int first_row, int row_count, std::span<float> values) {
        read(tile, view, first_row, row_count, values);
        for (std::size_t at = 0; tile == 1 && at < values.size(); at += columns)
          std::reverse(values.begin() + std::ptrdiff_t(at), values.begin() + std::ptrdiff_t(at) + columns);
      };
      CHECK(problem(mirrored).first > 0.2);
    }
  }

  // Of the 30 pixels where the tiles overlap a block shows little but slopes, which end to end of a tile no beam has.
  TEST_CASE("a block's slopes are not taken for a beam's") {
    Tiles tiles("cable_plug");
    tiles.phantom.solids.resize(1);
    tiles.phantom.solids[0].size_mm = {18, 15, 40};
    tiles.phantom.solids[0].centre_mm = {1, 0.5, 0};
    tiles.photons = 4000;
    tiles.geometry.detector.axis_column = (130 + columns - 1) / 2.0;
    tiles.geometry.detector.midplane_row = 63.5;
    tiles.lay({{0, 0}, {130, 0}}, 6);
    CHECK(find_tile_shifts(tiles.seen, 2).overlaps.at(0).disagreement == 0);
    TileViews swapped = tiles.seen;
    swapped.read = [&](int tile, auto... rest) { tiles.seen.read(1 - tile, rest...); };
    CHECK(find_tile_shifts(swapped, 2).overlaps.at(0).disagreement > 0.2);
  }

  // Views of a round part are alike, and show only where they are alike in both tiles that these belong together.
  TEST_CASE("a round part's tiles belong together by what all views show, if that is the same") {
    const auto shown = [](double axis_column, bool swapped) {
      Tiles tiles("cable_plug");
      tiles.phantom.solids.resize(1);
      Solid& round = tiles.phantom.solids[0];
      round.shape = Solid::Shape::cylinder;
      round.semi_axes_mm = {8, 8, 0};  // 107 pixels
      round.length_mm = 40;
      round.centre_mm = {0, 0, 0};
      tiles.geometry.detector.axis_column = axis_column;
      tiles.geometry.detector.midplane_row = 63.5;
      tiles.lay({{0, 0}, {130, 0}}, 6);
      TileViews seen = tiles.seen;
      if (swapped) seen.read = [&](int tile, auto... rest) { tiles.seen.read(1 - tile, rest...); };
      return find_tile_shifts(seen, 2).overlaps.at(0).belonging_shown;
    };
    CHECK(shown(55, false));        // the overlap about the edge
    CHECK_FALSE(shown(110, true));  // one end of the part under the other
  }

  // Their own search may put them some pixels off along faces, and one step too far loses an overlap altogether.
  TEST_CASE("right tiles agree, and their small corners, too") {
    for (const char* name : {"milled_bracket", "pump_end_plate"}) {
      CAPTURE(name);
      for (std::uint64_t seed = 1; seed <= 8; ++seed) {
        CAPTURE(seed);
        Tiles tiles(name);
        tiles.photons = 8000;
        tiles.geometry.detector.axis_column = (145 + columns - 1) / 2.0;
        tiles.geometry.detector.midplane_row = (113 + rows - 1) / 2.0;
        tiles.lay(grid_of(2, 2, 145, 113), seed);
        for (const OverlapMatch& overlap : find_tile_shifts(tiles.seen, 2).overlaps) {
          CAPTURE(overlap.a);
          CAPTURE(overlap.b);
          CHECK(overlap.disagreement == 0);
          CHECK_FALSE(overlap.beyond_search);
        }
      }
    }
  }

  TEST_CASE("views in another order are told at 100 photons too") {
    Tiles tiles("milled_bracket");
    tiles.geometry.detector.axis_column = 153;
    tiles.geometry.detector.midplane_row = 63.5;
    tiles.photons = 100;
    tiles.lay({{0, 0}, {147, 0}}, 7);
    const OverlapMatch right = find_tile_shifts(tiles.seen, 2).overlaps.at(0);
    CHECK(right.order.is == ViewOrder::said);
    CHECK(right.belonging_shown);
    CHECK(right.disagreement == 0);
    const auto read = tiles.seen.read;
    TileViews offset = tiles.seen, reversed = tiles.seen;
    // View v of the second tile is view v + 3 of the scan, so that the first's view v is the second's v - 3.
    offset.read = [&](int tile, int view, auto... rest) { read(tile, tile == 0 ? view : (view + 3) % views, rest...); };
    const auto of_offset = find_tile_shifts(offset, 2).overlaps.at(0).order;
    CHECK(of_offset.is == ViewOrder::offset);
    CHECK(of_offset.by == views - 3);
    // Reversed and begun 5 views later.
    reversed.read = [&](int tile, int view, auto... rest) {
      read(tile, tile == 0 ? view : (views + 5 - view) % views, rest...);
    };
    const auto of_reversed = find_tile_shifts(reversed, 2).overlaps.at(0).order;
    CHECK(of_reversed.is == ViewOrder::reversed);
    CHECK(of_reversed.by == 5);
  }

  TEST_CASE("what noise hides is not shown to belong") {
    Tiles tiles("pump_end_plate");
    tiles.photons = 4;
    tiles.geometry.detector.axis_column = 153;
    tiles.geometry.detector.midplane_row = 63.5;
    tiles.lay({{0, 0}, {147, 0}}, 8);
    const OverlapMatch overlap = find_tile_shifts(tiles.seen, 2).overlaps.at(0);
    CHECK_FALSE(overlap.belonging_shown);
    CHECK(overlap.order.is == ViewOrder::said);
    CHECK(overlap.disagreement == 0);
  }

  TEST_CASE("a beam whose slope changes from image to image is no disagreement") {
    // Five and ten per cent at the ends of an overlap, in the two tiles independently.
    for (const char* name : {"cable_plug", "pump_end_plate"}) {
      CAPTURE(name);
      for (const double slopes : {0.05, 0.1}) {
        CAPTURE(slopes);
        Tiles tiles(name);
        tiles.geometry.detector.axis_column = 153;
        tiles.geometry.detector.midplane_row = 63.5;
        tiles.slopes = slopes;
        tiles.lay({{0, 0}, {147, 0}}, 9);
        const TileShifts found = find_tile_shifts(tiles.seen, 2);
        CHECK(found.overlaps.at(0).disagreement == 0);
        CHECK(found.overlaps[0].order.is == ViewOrder::said);
        CHECK(found.overlaps[0].belonging_shown);
        CHECK(std::abs(found.places[1].shift.y() - tiles.truth[1].y()) < 0.05);
      }
    }
  }

  TEST_CASE("overlaps of air leave the nominal shifts and still tell the levels") {
    Tiles tiles("cable_plug");
    // The part lies in the middle of the first tile, 150 pixels or more from the second.
    tiles.geometry.detector.axis_column = 60;
    tiles.phantom.solids.resize(1);  // the housing: 16 x 11 x 24 mm, 52 pixels to either side
    for (Vec3* size : {&tiles.phantom.solids[0].size_mm})
      *size /= 4;
    tiles.lay(grid_of(2, 1, 147, 0), 3);
    const TileShifts found = find_tile_shifts(tiles.seen, 2);
    REQUIRE(found.overlaps.size() == 1);
    CHECK_FALSE(found.places[1].column_found);
    CHECK_FALSE(found.places[1].row_found);
    CHECK(found.places[1].shift == Shift(147, 0));
    CHECK(found.overlaps[0].disagreement == 0);
    CHECK_FALSE(found.overlaps[0].part_at_far_ends_only);
    CHECK_FALSE(found.overlaps[0].belonging_shown);
    CHECK(std::abs(found.places[1].level / tiles.levels[1] - 1) < 1e-3);
    // A displaced detector: one end cuts through the part, as it should.
    tiles.geometry.detector.axis_column = 2;
    tiles.phantom.solids[0].size_mm *= 4;  // 129 pixels to either side
    const TileShifts displaced = find_tile_shifts(tiles.seen, 2);
    CHECK(displaced.overlaps[0].disagreement == 0);
    CHECK_FALSE(displaced.overlaps[0].part_at_far_ends_only);
  }

  TEST_CASE("a shift beyond the search is not taken for another") {
    Tiles tiles("cable_plug");
    tiles.lay(grid_of(2, 1, 130, 0), 4);
    tiles.seen.nominal[1].x() -= 12;
    const TileShifts found = find_tile_shifts(tiles.seen, 2);
    CHECK_FALSE(found.places[1].column_found);
  }
}
