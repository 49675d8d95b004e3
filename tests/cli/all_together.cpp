// A raw scan as a lab gets it, with every fault at once, put right by what `check` finds and `reconstruct` corrects.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// RMS difference of two volumes within the field of view (voxels outside are 0 in both).
double rms_difference(const fs::path& a_folder, const fs::path& b_folder) {
  const Volume a = StoredVolume(a_folder).read(), b = StoredVolume(b_folder).read();
  REQUIRE(a.samples.size() == b.samples.size());
  double sum = 0, count = 0;
  for (std::size_t i = 0; i < a.samples.size(); ++i) {
    if (a.samples[i] == 0 && b.samples[i] == 0) continue;
    sum += std::pow(double(a.samples[i]) - double(b.samples[i]), 2);
    ++count;
  }
  return std::sqrt(sum / count);
}

}  // namespace

TEST_SUITE("a raw scan with every fault at realistic size") {
  // | fault                     | size                                                          |
  // | ------------------------- | ------------------------------------------------------------- |
  // | beam                      | 160 kV behind 1 mm of copper, integrating detector            |
  // | photons                   | 20 000 a pixel in the open beam                               |
  // | scatter                   | 2 % of the open beam                                          |
  // | drift, flicker            | 3 % over the scan, 0.3 % from view to view                    |
  // | lag                       | 2 % of a signal in the next exposure                          |
  // | dead, over-, under-responding, noisy, non-uniform pixels | 0.05, 0.02, 0.02, 0.02, 0.05 % |
  // | spikes                    | one in 48 000 samples                                         |
  // | gains that drift: rings   | 1 % (standard deviation) by the end                           |
  //
  // What is known beforehand is told (lag, scatter, materials, beam); the rest is found in the scan. Both errors count
  // from the reconstruction of the ideal scan without noise, at the energy that the corrected volume shows. Corrections
  // add noise of their own: scatter and lag taken off, levels from a border of some hundred pixels.
  TEST_CASE("errs by at most 1.3 times the ideal scan with the same noise") {
    const Folder folder;
    auto geometry =
        nlohmann::json::parse(slurp(fs::path(RAYLOOM_SOURCE_DIR) / "phantoms" / "pump_end_plate_scan.json"));
    geometry["detector"]["columns"] = 200;
    geometry["detector"]["rows"] = 60;
    geometry["detector"]["column_pitch_mm"] = geometry["detector"]["row_pitch_mm"] = 0.88;
    geometry["views"]["count"] = 240;
    geometry["source"] = {{"voltage_kv", 160}, {"filters", {{{"material", "Cu"}, {"thickness_mm", 1.0}}}}};
    write_json(folder / "geometry.json", geometry);
    const std::string phantom = (fs::path(RAYLOOM_SOURCE_DIR) / "phantoms" / "pump_end_plate.json").string();
    const std::string simulate = "simulate " + phantom + " --geometry geometry.json --quiet ";
    const auto done = [&](const std::string& command) {
      const Outcome outcome = run(folder, command);
      CAPTURE(command);
      CAPTURE(outcome.err);
      REQUIRE(outcome.status == 0);
    };
    done(simulate +
         "--counts 20000 --spectrum integrating --scatter 2 --drift 3 --flicker 0.3 --lag 2 --dead 0.05% "
         "--over-responding 0.02% --under-responding 0.02% --noisy 0.02% --non-uniform 0.05% --spikes 60 "
         "--gain-drift 1 -o raw");
    done("check raw/scan.json -o checked --quiet");
    const std::string corrected =
        "reconstruct raw/scan.json --quiet --set images.defects=../checked/defects.tif --spikes --drift --lag 2 "
        "--scatter 2 --rings differences --hardening-of Al:2.7 --metal Fe:7.87 ";
    done(corrected + "-o corrected");
    done("reconstruct raw/scan.json --quiet -o as_it_is");

    const auto record = nlohmann::json::parse(slurp(folder / "corrected" / "volume.json"))["corrections"];
    const double energy_kev = record["metal"]["energy_kev"];
    const std::string at_energy = "--energy " + std::to_string(energy_kev) + " ";
    done(simulate + at_energy + "--counts 20000 -o ideal");
    done(simulate + at_energy + "-o exact");
    done("reconstruct ideal/scan.json --quiet -o ideal_volume");
    done("reconstruct exact/scan.json --quiet -o exact_volume");

    const double ideal = rms_difference(folder / "ideal_volume", folder / "exact_volume");
    const double found = rms_difference(folder / "corrected", folder / "exact_volume");
    MESSAGE("RMS error: ideal scan " << ideal << " /mm, corrected " << found << ", as it is "
                                     << rms_difference(folder / "as_it_is", folder / "exact_volume"));
    CHECK(found < 1.3 * ideal);
    CHECK(rms_difference(folder / "as_it_is", folder / "exact_volume") > 2 * ideal);  // or this shows nothing
    // Every correction is named, so that the volume can be made again.
    for (const char* name : {"spikes", "lag", "drift", "scatter", "rings", "hardening", "metal"}) {
      CAPTURE(std::string(name));
      CHECK(record.contains(name));
    }
  }
}
