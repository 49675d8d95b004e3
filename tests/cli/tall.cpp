// Turns with the part at several heights, from the simulated scan to one volume.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"
#include "rayloom/volume/volume.h"

using namespace rayloom::cli_test;

namespace {

nlohmann::json tall_scan() {
  nlohmann::json scan = {{"rayloom_scan", 1},
                         {"beam", "cone"},
                         {"source_to_object_mm", 300},
                         {"source_to_detector_mm", 600},
                         {"detector", {{"columns", 56}, {"rows", 32}, {"column_pitch_mm", 4}, {"row_pitch_mm", 4}}},
                         {"views", {{"count", 60}, {"first_deg", 0}, {"arc_deg", 360}}}};
  for (const double raised : {20, 0, -20})
    scan["tiles"].push_back({{"column_shift_px", 0}, {"row_shift_px", 0}, {"part_raised_mm", raised}});
  return scan;
}

}  // namespace

TEST_SUITE("turns at several heights") {
  TEST_CASE("a stack taller than one turn sees becomes one volume with every disc at its place") {
    const Folder folder;
    write_json(folder / "geometry.json", tall_scan());
    const Outcome made =
        run(folder, "simulate " RAYLOOM_SOURCE_DIR "/phantoms/disc_stack.json --geometry geometry.json -o raw --quiet");
    REQUIRE_MESSAGE(made.status == 0, made.err);
    const Outcome outcome = run(folder, "reconstruct raw/scan.json -o volume --quiet --json");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    CHECK(nlohmann::json::parse(outcome.out)["turns"] == 3);
    const auto record = nlohmann::json::parse(slurp(folder / "volume" / "volume.json"));
    REQUIRE(record["turns"].size() == 3);
    CHECK(record["turns"][2]["part_raised_mm"] == -20);

    // The discs, 0.02/mm and 5 mm thick, at z = -40, -20 .. 40; one turn alone sees some 20 mm either way. Voxels of
    // 2 mm; a raised turn holds its disc in the source's plane, where the Feldkamp-Davis-Kress algorithm is exact.
    const rayloom::Volume volume = rayloom::StoredVolume(folder / "volume").read();
    const rayloom::Grid& grid = volume.grid;
    CHECK(grid.z_mm(0) < -40);
    CHECK(grid.z_mm(grid.nz - 1) > 40);
    const auto at = [&](double z) {
      return double(volume.at(int(std::lround(grid.column_of(0))), int(std::lround(grid.row_of(0))),
                              int(std::lround(grid.slice_of(z)))));
    };
    for (const double z : {-20.0, 0.0, 20.0}) {
      CAPTURE(z);
      CHECK(std::abs(at(z) - 0.02) < 0.002);
      CHECK(std::abs(at(z + 10)) < 0.004);
    }
    CHECK(at(40) > 0.01);
    CHECK(at(-40) > 0.01);
  }

  TEST_CASE("what such a scan cannot have is named") {
    const Folder folder;
    write_json(folder / "geometry.json", tall_scan());
    REQUIRE(run(folder, "simulate " RAYLOOM_SOURCE_DIR
                        "/phantoms/disc_stack.json --geometry geometry.json --set views.count=4 -o raw --quiet")
                .status == 0);
    const auto before = folder.listing();
    const auto says = [&](const std::string& options, const std::string& words) {
      const Outcome outcome = run(folder, "reconstruct raw/scan.json -o volume --quiet " + options);
      CHECK_MESSAGE(outcome.status == 2, options);
      CHECK_MESSAGE(outcome.err.find(words) != std::string::npos, outcome.err);
      CHECK(folder.listing() == before);
    };
    says("--part 1/2", "--part: raw/scan.json holds turns at several heights");
    says("--metal Fe --hardening-of Al", "--metal: raw/scan.json holds turns");
    says("--type uint16", "--range: absent; must be given");
    says("--set tiles.1.row_shift_px=3", "must be 0 in turns at several heights");
    says("--set tiles.2.part_raised_mm=-200", "turns must meet or overlap");
    CHECK(run(folder, "stitch raw/scan.json -o wide --quiet").status == 2);
  }
}
