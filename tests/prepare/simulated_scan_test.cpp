// From line integrals to raw counts on disk and back.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/raw_scan.h"
#include "scan/support.h"

using namespace rayloom;

namespace {

constexpr int rows = 200, columns = 250, open_exposures = 4, dark_exposures = 40;

/// Writes one view of raw counts of this line integral, with dark and open images, and reads it back.
std::vector<float> scanned(const RawDetector& detector, float line_integral) {
  const test::TemporaryFolder folder;
  const DetectorPattern pattern = detector_pattern(detector, rows, columns);
  std::vector<float> counts(std::size_t{rows} * columns);
  const auto write = [&](const std::string& name) {
    write_tiff(folder / name, rows, columns, counts, SampleType::uint16);
  };
  const std::vector<float> view(counts.size(), line_integral);
  expose(detector, pattern, view, 0, counts);
  write("view.tif");
  for (int i = 0; i < open_exposures; ++i) {
    expose(detector, pattern, {}, std::uint64_t(1 + i), counts);
    write("open_" + std::to_string(i) + ".tif");
  }
  for (int i = 0; i < dark_exposures; ++i) {
    expose_dark(detector, pattern, std::uint64_t(100 + i), counts);
    write("dark_" + std::to_string(i) + ".tif");
  }
  const Scan scan = parse_scan(
      {{"rayloom_scan", 1},
       {"beam", "parallel"},
       {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
       {"views", {{"count", 1}, {"arc_deg", 180}}},
       {"images", {{"projections", "view.tif"}, {"kind", "counts"}, {"dark", "dark_*.tif"}, {"open", "open_*.tif"}}}},
      folder / "scan.json");
  std::vector<float> values(counts.size());
  LineIntegrals(scan).read(0, 1, 0, rows, values);
  return values;
}

}  // namespace

TEST_SUITE("noise of line integrals: variance 1/(T N) + 1/(n_open N)") {
  // Derived: relative variance of a Poisson number of mean m is 1/m, and -ln(I/I0) is linear in both to first order
  // (the gain of a pixel drops out). Beside it here: electronic noise and rounding, (36 + 1/12)/(g m)^2 a signal, and
  // those of the mean dark image, 1/40 of that, in both signals: relative (1/(T N) - 1/N)^2. To second order -ln raises
  // the mean by half the view's relative variance and lowers it by half the open beam's, and the variance by 3/2 of the
  // square of the larger one, below 1.5/320^2 = 1.5e-5 of 1/320 times 320: 0.5 % at T N = 320; stated in the bound.
  TEST_CASE("mean and variance over transmissions from 1 to 1 percent") {
    RawDetector detector;
    detector.open_counts = 32000;
    for (const float p : {0.0F, 0.7F, 2.3F, 4.6F}) {
      CAPTURE(p);
      const auto values = scanned(detector, p);
      const double n = rows * columns, photons = detector.open_counts, passed = photons * std::exp(-double(p));
      // 1/g^2 averages to 1 + 3 spread^2 over the pattern.
      const double electronic = (36 + 1.0 / 12) * (1 + 3 * 0.02 * 0.02);
      const double of_view = 1 / passed + electronic / (passed * passed);
      const double of_open = (1 / photons + electronic / (photons * photons)) / open_exposures;
      const double of_dark = electronic / dark_exposures * std::pow(1 / passed - 1 / photons, 2);
      const double variance = of_view + of_open + of_dark, bias = (of_view - of_open) / 2;

      double mean = 0, spread = 0;
      for (const float value : values)
        mean += (value - double(p)) / n;
      for (const float value : values)
        spread += std::pow(value - double(p) - mean, 2) / (n - 1);
      CHECK(std::abs(mean - bias) <= 5 * std::sqrt(variance / n) + variance * variance);
      CHECK(std::abs(spread / variance - 1) <= 5 * std::sqrt(2 / n) + 3 * variance);
    }
  }
}
