#include "rayloom/prepare/beam_shapes.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;
using test::TemporaryFolder;

namespace {

constexpr int rows = 60, columns = 80, views = 8, exposures = 12;
constexpr double photons = 40000;

double across(int c) {
  return (2.0 * c + 1) / columns - 1;
}
double down(int r) {
  return (2.0 * r + 1) / rows - 1;
}

/// A ball in a beam with a bulge, whose slopes change from exposure to exposure; dark level 100.
struct Scanned {
  TemporaryFolder folder;
  Scan scan;

  explicit Scanned(double slopes) {
    std::mt19937_64 random(4);
    std::normal_distribution<double> normal;
    const auto write = [&](const std::string& name, const std::function<double(int, int)>& transmission) {
      const double a = slopes * normal(random), b = slopes * normal(random), level = 1 + 0.01 * normal(random);
      std::vector<float> counts;
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c) {
          const double bulge = 1 - 0.2 * (across(c) * across(c) + down(r) * down(r));
          const double mean = photons * bulge * level * (1 + a * across(c) + b * down(r)) * transmission(r, c);
          counts.push_back(100 + float(std::poisson_distribution<long>(mean)(random)));
        }
      write_tiff(folder / name, rows, columns, counts, SampleType::uint16);
    };
    for (int k = 0; k < exposures; ++k)
      write("open" + std::to_string(10 + k) + ".tif", [](int, int) { return 1; });
    for (int v = 0; v < views; ++v)
      write("view" + std::to_string(v) + ".tif", ball);
    scan = parse_scan(
        {{"rayloom_scan", 1},
         {"beam", "parallel"},
         {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
         {"views", {{"count", views}, {"arc_deg", 180}}},
         {"images", {{"projections", "view*.tif"}, {"kind", "counts"}, {"dark", 100}, {"open", "open*.tif"}}}},
        folder / "scan.json");
  }
  static double ball(int r, int c) { return std::hypot(r - 30, c - 40) < 22 ? 0.3 : 1.0; }

  /// RMS over views of the mean error in each quarter of the ball's shadow, where photon noise has averaged out.
  double shading(const Corrections& corrections) const {
    const LineIntegrals lines(scan, {}, corrections);
    std::vector<float> values(std::size_t(rows * columns));
    double squares = 0;
    for (int v = 0; v < views; ++v) {
      lines.read(v, 1, 0, rows, values);
      double sum[4] = {}, count[4] = {};
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c)
          if (ball(r, c) < 1) {
            const auto quarter = std::size_t(2 * (r < 30) + (c < 40));
            sum[quarter] += double(values[std::size_t(r * columns + c)]) + std::log(0.3);
            count[quarter] += 1;
          }
      for (int q = 0; q < 4; ++q)
        squares += std::pow(sum[q] / count[q], 2) / (4 * views);
    }
    return std::sqrt(squares);
  }
};

}  // namespace

TEST_SUITE("changing shapes of the beam: after Van Nieuwenhove et al. 2015") {
  TEST_CASE("slopes of 1 percent are found and taken out") {
    const Scanned in(0.01);
    const double plain = in.shading({}), level = in.shading({.drift = true}), shaped = in.shading({.open_shapes = 2});
    MESSAGE("shading of the ball's quarters: " << plain << " as it is, " << level << " by level, " << shaped
                                               << " by level and shapes");
    // Noise left: a quarter's mean of 380 pixels of T = 0.3, sqrt(1/(380 0.3 40000)) = 4.7e-4; its open beam's mean,
    // 1/sqrt(12 380 40000) = 7.4e-5; and the fit's: two slopes from 276 border pixels, each 1/sqrt(276/2 40000) = 4e-4
    // at the border, a third of that at a quarter's centre. In all below 6e-4; the RMS of 32 such lies within 1.4
    // times.
    CHECK(shaped < 1.4 * 6e-4);
    CHECK(level > 5 * shaped);
    CHECK(plain > 5 * shaped);
    // The shapes are slopes: straight across rows and columns, whose second differences are noise.
    const LineIntegrals lines(in.scan, {}, {.open_shapes = 2});
    CHECK(lines.beams().front().weights.size() == 2);
  }

  TEST_CASE("a beam of one shape is told from noise and left alone") {
    const Scanned in(0);
    std::vector<std::string> said;
    Hooks hooks;
    hooks.warning = [&](const std::string& message) { said.push_back(message); };
    const LineIntegrals lines(in.scan, hooks, {.open_shapes = 3});
    CHECK(lines.beams().front().weights.empty());
    REQUIRE(said.size() == 1);
    CHECK(said[0].find("images.open: no change of the beam's shape can be told from noise; 3 were asked for") !=
          std::string::npos);
  }

  TEST_CASE("too few images are refused") {
    const Scanned in(0.01);
    Scan few = in.scan;
    few.images.open = ImageNames{"open10.tif", "open11.tif", "open12.tif"};
    CHECK(message_of<InvalidOption>([&] { LineIntegrals(few, {}, {.open_shapes = 1}); }) ==
          "open_shapes: 1, but there are 3 good open-beam images; must be 3 or more beyond the shapes");
  }

  TEST_CASE("smooth images: planes stay planes between and beyond the centres") {
    for (const auto& [height, width] : {std::pair(50, 70), std::pair(1, 33), std::pair(5, 12), std::pair(1, 1)}) {
      SmoothImage plane(height, width);
      std::vector<double> sum(std::size_t(plane.blocks())), count(sum.size());
      const auto value = [](int r, int c) { return 1 + 0.01 * r - 0.02 * c; };
      for (int r = 0; r < height; ++r)
        for (int c = 0; c < width; ++c) {
          sum[std::size_t(plane.block_of(r, c))] += value(r, c);
          count[std::size_t(plane.block_of(r, c))] += 1;
        }
      for (int i = 0; i < plane.blocks(); ++i) {
        REQUIRE(count[std::size_t(i)] > 0);
        plane[i] = float(sum[std::size_t(i)] / count[std::size_t(i)]);
      }
      double worst = 0;
      for (int r = 0; r < height; ++r) {
        std::vector<float> row(std::size_t(width), 1);
        plane.add_row(r, 2, row);
        for (int c = 0; c < width; ++c) {
          worst = std::max(worst, std::abs(plane.at(r, c) - value(r, c)));
          worst = std::max(worst, std::abs(row[std::size_t(c)] - (1 + 2 * value(r, c))) / 2);
        }
      }
      CHECK(worst < 32 * 0x1p-24);  // some sums and products of floats up to 2, and an extrapolation
    }
  }
}
