// The tutorial: raw scans with faults and unknown geometry to two volumes, against the phantom and against what ideal
// scans with the same noise give.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>

#include "program.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/volume/volume.h"

using namespace rayloom::cli_test;

namespace {

const std::string phantoms = RAYLOOM_SOURCE_DIR "/phantoms/";

/// RMS difference of the volume from the phantom's value for photons of `kev` at the centres of the voxels that
/// `counts`.
double rms_error(const fs::path& folder, double kev, const std::function<bool(const rayloom::Vec3&)>& counts) {
  const rayloom::Volume volume = rayloom::StoredVolume(folder).read();
  const rayloom::Phantom phantom = rayloom::read_phantom(phantoms + "cable_plug.json");
  const auto attenuation = phantom.attenuations(kev);
  double squares = 0;
  std::size_t voxels = 0;
  const rayloom::Grid& grid = volume.grid;
  for (int k = 0; k < grid.nz; ++k)
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i) {
        const rayloom::Vec3 x = grid.centre_of(i, j, k);
        if (!counts(x)) continue;
        squares += std::pow(double(volume.at(i, j, k)) - phantom.value_at(x, attenuation), 2);
        ++voxels;
      }
  REQUIRE(voxels > 1000);
  return std::sqrt(squares / double(voxels));
}

}  // namespace

TEST_SUITE("tutorial") {
  TEST_CASE("both volumes err by at most 1.3 times what ideal scans with the same noise give") {
    const Folder folder;
    const Outcome outcome =
        run(folder, "--version",
            "sh " RAYLOOM_SOURCE_DIR "/tools/tutorial " RAYLOOM_PROGRAM " " + (folder / "made").string() + " &&");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    REQUIRE(fs::exists(folder / "made" / "report.html"));
    const auto aligned = nlohmann::json::parse(slurp(folder / "made" / "wide_aligned.json"))["detector"];
    CHECK(std::abs(aligned["axis_column"].get<double>() - 121.3) < 0.05);
    CHECK(std::abs(aligned["roll_deg"].get<double>() - 0.6) < 0.05);

    // What hardening was undone to: the energy that both volumes say they show.
    const auto made = [&](const char* name) {
      return nlohmann::json::parse(slurp(folder / "made" / name / "volume.json"))["corrections"]["metal"];
    };
    const double kev = made("overview")["energy_kev"];
    CHECK(made("crimp")["energy_kev"] == kev);

    const auto must = [&](const std::string& arguments) {
      const Outcome done = run(folder, arguments + " --quiet");
      REQUIRE_MESSAGE(done.status == 0, done.err);
    };
    nlohmann::json wide = nlohmann::json::parse(slurp(phantoms + "cable_plug_overview_scan.json"));
    wide.erase("tiles");
    wide["detector"]["columns"] = 236;
    write_json(folder / "wide.json", wide);
    const std::string simulate =
        "simulate " + phantoms + "cable_plug.json --counts 30000 --energy " + std::to_string(kev) + " --geometry ";
    must(simulate + "wide.json -o ideal_wide");
    must("reconstruct ideal_wide/scan.json -o ideal_overview");
    must(simulate + phantoms + "cable_plug_crimp_scan.json -o ideal_raw");
    must("reconstruct ideal_raw/scan.json --surround ideal_overview -o ideal_crimp");

    const auto in_plug = [](const rayloom::Vec3& x) {
      return std::abs(x.x()) < 9 && std::abs(x.y()) < 6 && std::abs(x.z()) < 4.5;
    };
    const auto in_crimp = [](const rayloom::Vec3& x) {
      return std::hypot(x.x() - 5, x.y()) < 1.4 && std::abs(x.z() + 2) < 0.8;
    };
    const double overview = rms_error(folder / "made" / "overview", kev, in_plug),
                 ideal_overview = rms_error(folder / "ideal_overview", kev, in_plug);
    MESSAGE("overview: RMS error " << overview << " /mm, ideal " << ideal_overview);
    CHECK(overview < 1.3 * ideal_overview);
    const double crimp = rms_error(folder / "made" / "crimp", kev, in_crimp),
                 ideal_crimp = rms_error(folder / "ideal_crimp", kev, in_crimp);
    MESSAGE("crimp: RMS error " << crimp << " /mm, ideal " << ideal_crimp);
    CHECK(crimp < 1.3 * ideal_crimp);
  }
}
