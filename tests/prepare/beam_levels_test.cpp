#include "rayloom/prepare/beam_levels.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::TemporaryFolder;

namespace {

Image view_of(int rows, int columns, const std::function<double(int, int)>& transmission) {
  Image view(rows, columns);
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      view.at(r, c) = float(transmission(r, c));
  return view;
}

std::vector<char> none(const Image& view) {
  return std::vector<char>(view.samples.size());
}

/// Without shapes and scatter.
std::optional<double> level_of(const Image& view, const std::vector<char>& bad) {
  const auto beam = beam_of(view, bad, {}, SmoothImage(view.rows, view.columns));
  return beam ? std::optional(beam->level) : std::nullopt;
}

/// Beams of these levels.
std::vector<std::optional<ViewBeam>> beams(const std::vector<double>& levels) {
  std::vector<std::optional<ViewBeam>> result;
  for (const double level : levels)
    result.push_back(level > 0 ? std::optional(ViewBeam{level, {2 * level}}) : std::nullopt);
  return result;
}

}  // namespace

TEST_SUITE("the beam's level from the part-free border") {
  TEST_CASE("free on all sides or on one or in a quarter of one") {
    const std::function<bool(int, int)> parts[] = {[](int r, int c) { return std::hypot(r - 30, c - 40) < 20; },
                                                   [](int, int c) { return c > 5; },
                                                   [](int r, int) { return r > 5; },  // part everywhere but on top
                                                   [](int r, int c) { return r > 3 || c > 45; }};
    for (const auto& part : parts) {
      const Image view = view_of(60, 80, [&](int r, int c) { return part(r, c) ? 0.3 + 0.003 * r : 1.03; });
      const auto level = level_of(view, none(view));
      REQUIRE(level);
      CHECK(std::abs(*level - 1.03) < 1e-6);
    }
    const Image row = view_of(1, 200, [](int, int c) { return std::abs(c - 90) < 60 ? 0.2 : 0.97; });
    CHECK(std::abs(level_of(row, none(row)).value() - 0.97) < 1e-6);
  }

  TEST_CASE("noise averages out and bad and stray samples do not count") {
    std::mt19937 random(2);
    std::normal_distribution<double> normal(1, 0.02);
    Image view = view_of(100, 100, [&](int, int) { return normal(random); });
    auto bad = none(view);
    for (std::size_t i = 0; i < 100; i += 9) {
      view.samples[i * 100] = 50;
      bad[i * 100] = true;
    }
    view.samples[50] = 3;  // a stray one that nobody knows of
    // 2 deep all round: 800 samples; 5 deviations of their mean.
    CHECK(std::abs(level_of(view, bad).value() - 1) < 5 * 0.02 / std::sqrt(800.0));
  }

  TEST_CASE("a border behind the part has none") {
    const Image slab = view_of(40, 40, [](int, int) { return 0.4; });
    CHECK(!level_of(slab, none(slab)));
    const Image wedge = view_of(40, 40, [](int r, int c) { return 1 - 0.005 * (r + c); });
    CHECK(!level_of(wedge, none(wedge)));
    const Image black = view_of(40, 40, [](int, int) { return 0; });
    CHECK(!level_of(black, none(black)));
  }

  TEST_CASE("views without one take it from beside them or all go without") {
    std::string problem;
    const auto levels = [&](const std::vector<double>& given) {
      std::vector<double> filled;
      for (const ViewBeam& beam : without_gaps(beams(given), problem)) {
        filled.push_back(beam.level);
        CHECK(beam.weights == std::vector<double>{2 * beam.level});
      }
      return filled;
    };
    CHECK(levels({1, 1.5}) == std::vector<double>{1, 1.5});
    CHECK(problem.empty());
    CHECK(levels({0, 1, 0, 0, 0, 2, 1.5, 1, 1, 0}) == std::vector<double>{1, 1, 1.25, 1.5, 1.75, 2, 1.5, 1, 1, 1});
    CHECK(problem ==
          "the part leaves no border free in 5 of 10 views, the first is view 0; the beam's level is taken from the "
          "views beside them");
    CHECK(levels({1, 0, 0}).empty());
    CHECK(levels({0}).empty());
    CHECK(levels({1, 0, 0, 0}).empty());
    CHECK(problem ==
          "the part leaves no border free in 3 of 4 views, the first is view 1; drift of the beam is not corrected");
  }

  TEST_CASE("a scan whose beam drifts reads as one whose beam does not") {
    // Counts = 100 + 1000 level(i) (T + scatter); with --scatter the border reads level (1 + scatter).
    const TemporaryFolder folder;
    const int views = 6, rows = 30, columns = 40;
    for (const double scatter : {0.0, 0.04}) {
      const auto transmission = [](int v, int r, int c) {
        return std::hypot(r - 15, c - 20 - v) < 10 ? std::exp(-0.1 * (5 + r % 3)) : 1.0;
      };
      for (int v = 0; v < views; ++v) {
        const double level = 1 + 0.03 * v - 0.01 * (v % 2);
        write_tiff(
            folder / ("view" + std::to_string(v) + ".tif"), rows, columns,
            view_of(rows, columns, [&](int r, int c) { return 100 + 1000 * level * (transmission(v, r, c) + scatter); })
                .samples,
            SampleType::float32);
      }
      const Scan scan =
          parse_scan({{"rayloom_scan", 1},
                      {"beam", "parallel"},
                      {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                      {"views", {{"count", views}, {"arc_deg", 180}}},
                      {"images", {{"projections", "view*.tif"}, {"kind", "counts"}, {"dark", 100}, {"open", 1100}}}},
                     folder / "scan.json");
      const LineIntegrals lines(scan, {}, {.drift = true, .scatter = scatter});
      std::vector<float> values(std::size_t(rows * columns));
      for (int v = 0; v < views; ++v) {
        lines.read(v, 1, 0, rows, values);
        CHECK(std::abs(lines.beams()[std::size_t(v)].level - (1 + 0.03 * v - 0.01 * (v % 2))) < 1e-6);
        double worst = 0;
        for (int r = 0; r < rows; ++r)
          for (int c = 0; c < columns; ++c)
            worst = std::max(worst, std::abs(values[std::size_t(r * columns + c)] + std::log(transmission(v, r, c))));
        CHECK(worst < 32 * 0x1p-24);  // counts as floats, some products and a logarithm, of 1/T < 2.1
      }
    }
  }
}
