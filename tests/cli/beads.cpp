// `rayloom align --beads`: from simulated raw counts of beads to a scan file with the true geometry.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"

using namespace rayloom::cli_test;

namespace {

constexpr double bead_mm[3] = {10, 1.3, 4};  // radius of the helix, rad and mm from bead to bead

void write_beads(const Folder& folder) {
  nlohmann::json solids = {{{"shape", "cylinder"},
                            {"radius_mm", 12},
                            {"length_mm", 40},
                            {"centre_mm", {0, 0, 0}},
                            {"value_per_mm", 0.01},
                            {"mode", "replace"}}};
  for (int i = 0; i < 8; ++i)
    solids.push_back(
        {{"shape", "ellipsoid"},
         {"semi_axes_mm", {0.8, 0.8, 0.8}},
         {"centre_mm",
          {bead_mm[0] * std::cos(i * bead_mm[1]), bead_mm[0] * std::sin(i * bead_mm[1]), bead_mm[2] * (i - 3.5)}},
         {"value_per_mm", 0.6}});
  write_json(folder / "beads.json",
             {{"rayloom_phantom", 1}, {"title", "beads on a tube"}, {"source", "our own"}, {"solids", solids}});
  write_json(folder / "geometry.json", {{"rayloom_scan", 1},
                                        {"beam", "cone"},
                                        {"source_to_object_mm", 200},
                                        {"source_to_detector_mm", 500},
                                        {"detector",
                                         {{"columns", 160},
                                          {"rows", 160},
                                          {"column_pitch_mm", 0.6},
                                          {"row_pitch_mm", 0.6},
                                          {"axis_column", 82.3},
                                          {"midplane_row", 77.0},
                                          {"roll_deg", 0.7},
                                          {"tilt_deg", 1.0},
                                          {"slant_deg", -0.8}}},
                                        {"views", {{"count", 60}, {"first_deg", 0}, {"arc_deg", 360}}}});
}

}  // namespace

TEST_SUITE("align --beads") {
  TEST_CASE("a scan file with the true geometry and pictures beside it") {
    const Folder folder;
    write_beads(folder);
    REQUIRE(run(folder, "simulate beads.json --geometry geometry.json --counts 20000 -o raw --quiet").status == 0);
    // The first and the last bead lie farthest apart.
    const double turn = 7 * bead_mm[1];
    const double apart = std::hypot(2 * bead_mm[0] * std::sin(turn / 2), 7 * bead_mm[2]);
    const std::string wrong =
        "--set detector.axis_column=79.5 --set detector.midplane_row=79.5 --set detector.roll_deg=0 "
        "--set detector.tilt_deg=0 --set detector.slant_deg=0 --set source_to_detector_mm=495 "
        "--set source_to_object_mm=202 ";
    const Outcome outcome = run(folder, "align raw/scan.json --beads --bead-distance " + std::to_string(apart) + " " +
                                            wrong + "-o found --quiet");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    for (const char* name : {"scan.json", "beads.png", "beads.csv", "residuals.png", "residuals.csv"})
      CHECK_MESSAGE(fs::exists(folder / "found" / name), name);
    // As asked of one known distance.
    const auto found = nlohmann::json::parse(slurp(folder / "found" / "scan.json"));
    const auto off = [&](const char* key, double truth) {
      return std::abs(found["detector"][key].get<double>() - truth);
    };
    CHECK(off("axis_column", 82.3) < 0.05);
    CHECK(off("midplane_row", 77) < 0.05);
    CHECK(off("roll_deg", 0.7) < 0.02);
    CHECK(off("slant_deg", -0.8) < 0.1);
    CHECK(off("tilt_deg", 1) < 0.1);
    CHECK(std::abs(found["source_to_detector_mm"].get<double>() - 500) < 0.5);
    CHECK(std::abs(found["source_to_object_mm"].get<double>() - 200) < 0.2);

    const auto before = folder.listing();
    const auto says = [&](const std::string& options, const std::string& words) {
      const Outcome refused = run(folder, "align raw/scan.json -o other --quiet " + options);
      CHECK_MESSAGE(refused.status == 2, options);
      CHECK_MESSAGE(refused.err.find(words) != std::string::npos, refused.err);
      CHECK(folder.listing() == before);
    };
    says("--bead-distance 3", "--bead-distance");
    says("--beads --bead-distance -3", "must be above 0");
    says("--beads --bead-distance 1,99,3", "--bead-distance: of bead 99");
    says("--beads --bead-distance 1,2,3 --bead-distance 1,2,4",
         "--bead-distance: 1,2,3 and 1,2,4 contradict each other");

    const Outcome far = run(folder, "align raw/scan.json --beads --quiet --bead-distance 10 " + wrong);
    CHECK(far.status == 0);
    CHECK_MESSAGE(far.err.find("source_to_object_mm: ") != std::string::npos, far.err);
    CHECK_MESSAGE(far.err.find(" times the 202 of the scan file; is the bead distance right") != std::string::npos,
                  far.err);
  }
}
