/// @file
/// Measured fan-beam data: Meaney, Silva de Moura & Siltanen, Helsinki Tomography Challenge 2022, doi
/// 10.5281/zenodo.6984868, CC BY 4.0. An acrylic disc with eight holes.
#pragma once
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>

#include "rayloom/scan/scan_file.h"

namespace rayloom::test {

/// The scan, in its own folder; nothing if it is not at hand.
inline std::optional<Scan> measured_scan() {
  const char* given = std::getenv("RAYLOOM_SHARED");
  const std::filesystem::path shared = given ? given : RAYLOOM_SOURCE_DIR "/../shared";
  const auto folder = shared / "data" / "htc2022";
  if (!std::filesystem::exists(folder / "ta_sinogram_721x560_f32.tif")) return {};
  const nlohmann::json description = {
      {"rayloom_scan", 1},
      {"beam", "fan"},
      {"source_to_object_mm", 410.66},
      {"source_to_detector_mm", 553.74},
      {"detector", {{"columns", 560}, {"rows", 1}, {"column_pitch_mm", 0.2}}},
      // Published: source at SOD (sin b, -cos b), columns along (cos b, sin b). Against ours the source is on the
      // other side, so b is ours + 180 degrees and the columns run the other way: images mirrored.
      {"views", {{"count", 721}, {"first_deg", 180}, {"step_deg", 0.5}}},
      {"images",
       {{"projections", "ta_sinogram_721x560_f32.tif"},
        {"kind", "line_integrals"},
        {"layout", "sinograms"},
        {"mirrored", true}}}};
  return parse_scan(description, folder / "scan.json");
}

}  // namespace rayloom::test
