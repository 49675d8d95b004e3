// What bad pixels, mended from their neighbours, do to a whole volume.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/project_phantom.h"
#include "scan/support.h"

using namespace rayloom;
using test::TemporaryFolder;

namespace {

double rms_error(const Scan& scan, const Phantom& phantom) {
  const LineIntegrals lines(scan);
  const ProjectionSource source{
      [&](int view, int views, int row, int rows, std::span<float> out) { lines.read(view, views, row, rows, out); }};
  const ReconstructOptions options;
  const auto plan = plan_reconstruction(scan.geometry, {}, options);
  const auto mu = phantom.attenuations();
  double squares = 0, voxels = 0;
  std::vector<float> truth(std::size_t(plan.grid.nx) * std::size_t(plan.grid.ny));
  reconstruct(scan.geometry, source, plan, options, [&](int k, std::span<const float> slice) {
    rasterise_slice(phantom, mu, plan.grid, k, 3, truth);
    for (std::size_t i = 0; i < slice.size(); ++i)
      squares += std::pow(double(slice[i]) - truth[i], 2);
    voxels += double(slice.size());
  });
  return std::sqrt(squares / voxels);
}

}  // namespace

TEST_SUITE("bad pixels and the volume") {
  // The bound is the one that the project sets itself: below 5 %.
  TEST_CASE("0.5 percent of single bad pixels raise the RMS error of a noise-free phantom by less than 5 percent") {
    const double pitch_mm = 1.7;
    for (const char* name : {"pump_end_plate", "milled_bracket"}) {
      CAPTURE(name);
      const Phantom phantom = read_phantom(RAYLOOM_SOURCE_DIR "/phantoms/" + std::string(name) + ".json");
      const int columns = 112, rows = 48, views = 150;
      const TemporaryFolder folder;
      nlohmann::json description = {
          {"rayloom_scan", 1},
          {"beam", "cone"},
          {"source_to_object_mm", 300},
          {"source_to_detector_mm", 800},
          {"detector",
           {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", pitch_mm}, {"row_pitch_mm", pitch_mm}}},
          {"views", {{"count", views}, {"arc_deg", 360}}},
          {"images", {{"projections", "view*.tif"}, {"kind", "line_integrals"}}}};
      const Scan sound = parse_scan(description, folder / "scan.json");
      description["images"]["defects"] = "defects.tif";
      description["images"]["projections"] = "bad*.tif";
      const Scan spoilt = parse_scan(description, folder / "scan.json");

      std::mt19937 random(5);
      std::vector<float> bad(std::size_t(columns * rows), 0), view(bad.size());
      for (std::size_t found = 0; found < bad.size() / 200;) {
        const int r = int(random() % unsigned(rows)), c = int(random() % unsigned(columns));
        bool alone = true;
        for (int y = std::max(r - 1, 0); y <= std::min(r + 1, rows - 1); ++y)
          for (int x = std::max(c - 1, 0); x <= std::min(c + 1, columns - 1); ++x)
            alone = alone && bad[std::size_t(y * columns + x)] == 0;
        if (!alone) continue;
        bad[std::size_t(r * columns + c)] = 1;
        ++found;
      }
      write_tiff(folder / "defects.tif", rows, columns, bad, SampleType::uint8);
      const auto mu = phantom.attenuations();
      for (int i = 0; i < views; ++i) {
        project_phantom(phantom, mu, sound.geometry, sound.geometry.angles_rad[std::size_t(i)], {2}, view);
        const std::string number = std::to_string(i) + ".tif";
        write_tiff(folder / ("view" + number), rows, columns, view, SampleType::float32);
        for (std::size_t p = 0; p < view.size(); ++p)
          if (bad[p] != 0) view[p] = 1000;
        write_tiff(folder / ("bad" + number), rows, columns, view, SampleType::float32);
      }
      const double without = rms_error(sound, phantom), with = rms_error(spoilt, phantom);
      MESSAGE(name << ": RMS error " << without << " /mm, with bad pixels " << with << " /mm, +"
                   << 100 * (with / without - 1) << " %");
      CHECK(with < 1.05 * without);
    }
  }
}
