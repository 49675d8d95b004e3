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

/// Scans the stack of discs into FOLDER/raw. @param options  Of `simulate`.
void scan_discs(const Folder& folder, const nlohmann::json& scan, const std::string& options = {}) {
  write_json(folder / "geometry.json", scan);
  const Outcome made =
      run(folder, "simulate " RAYLOOM_SOURCE_DIR "/phantoms/disc_stack.json --geometry geometry.json -o raw --quiet " +
                      options);
  REQUIRE_MESSAGE(made.status == 0, made.err);
}

}  // namespace

TEST_SUITE("turns at several heights") {
  TEST_CASE("a stack taller than one turn sees becomes one volume with every disc at its place") {
    const Folder folder;
    scan_discs(folder, tall_scan());
    const Outcome outcome = run(folder, "reconstruct raw/scan.json -o volume --quiet --json");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    CHECK(nlohmann::json::parse(outcome.out)["turns"] == 3);
    const auto record = nlohmann::json::parse(slurp(folder / "volume" / "volume.json"));
    REQUIRE(record["turns"].size() == 3);
    CHECK(record["turns"][2]["part_raised_mm"] == -20);
    CHECK(record["turns"][2]["views"] == 60);
    // What the record of a single turn says, too.
    const auto& how = record["reconstruction"];
    CHECK(how["views"] == 180);
    CHECK(how["coverage"] == "symmetric");
    CHECK(how["view_weights"] == "full turn");
    CHECK(how["truncated_rows"]["method"] == "none");
    CHECK(outcome.err.empty());

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

    const Outcome wrong = run(folder, "reconstruct raw/scan.json -o wrong --quiet --set tiles.2.part_raised_mm=-15");
    CHECK(wrong.status == 0);
    CHECK(wrong.err.find("tiles[2]: part_raised_mm: -15; what it shows of the part lies 4.") != std::string::npos);
    CHECK(wrong.err.find("mm lower than tiles[1] shows it, and comes out twice") != std::string::npos);
  }

  TEST_CASE("warnings name the turn and the record says for each what is truncated") {
    const Folder folder;
    nlohmann::json scan = tall_scan();
    scan["detector"]["columns"] = 32;         // a view of 31 mm radius, discs of 40
    scan["tiles"][0]["part_raised_mm"] = 40;  // the lower half of its rows sees nothing
    scan_discs(folder, scan, "--counts 20000");
    // As if the second turn had made half a turn, and its detector were full at 100 counts.
    auto file = nlohmann::json::parse(slurp(folder / "raw" / "scan.json"));
    file["tiles"][1]["views"] = {{"step_deg", 3.0}, {"first_deg", 0}, {"count", 60}};
    file["tiles"][1]["images"]["saturation"] = 100;
    write_json(folder / "raw" / "scan.json", file);
    const Outcome outcome = run(folder, "reconstruct raw/scan.json -o volume --quiet");
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    const auto says = [&](const std::string& words) { return outcome.err.find(words) != std::string::npos; };
    CHECK(says("warning: tiles[0]: the part leaves the view on the left"));
    CHECK(says("warning: tiles[2]: the part leaves the view on the left"));
    CHECK(says("warning: tiles[1]: the views cover 180 degrees"));
    CHECK_FALSE(says("warning: tiles[0]: the views cover"));
    CHECK(says("warning: tiles[1]: 61440 of 61440 samples are saturated"));
    CHECK_FALSE(says("warning: tiles[2]: 61440 of"));
    const auto record = nlohmann::json::parse(slurp(folder / "volume" / "volume.json"));
    const auto share = [](const nlohmann::json& of) { return of["truncated_rows"]["left_share"].get<double>(); };
    CHECK(record["reconstruction"]["truncated_rows"]["method"] == "continued");
    double most = 0;
    for (const auto& turn : record["turns"])
      most = std::max(most, share(turn));
    CHECK(most > share(record["turns"][0]) + 0.1);
    CHECK(share(record["reconstruction"]) == most);
    CHECK(record["turns"][1]["view_weights"] == "short scan");
    CHECK(record["turns"][0]["view_weights"] == "full turn");
  }

  TEST_CASE("the memory that is named as least suffices") {
    const Folder folder;
    scan_discs(folder, tall_scan(), "--set views.count=12");
    const std::string command = "reconstruct raw/scan.json --quiet --threads 1 -o ";
    const Outcome little = run(folder, command + "volume --memory 1M");
    CHECK(little.status == 2);
    const std::string words = "memory: 1M; must be at least ";
    const auto at = little.err.find(words);
    REQUIRE_MESSAGE(at != std::string::npos, little.err);
    const int least = std::stoi(little.err.substr(at + words.size()));
    CHECK(run(folder, command + "less --memory " + std::to_string(least - 1) + "M").status == 2);
    const Outcome enough = run(folder, command + "volume --memory " + std::to_string(least) + "M");
    CHECK_MESSAGE(enough.status == 0, enough.err);
    REQUIRE(run(folder, command + "whole").status == 0);
    for (const std::string slice : {"/slices/slice_0003.tif", "/slices/slice_0020.tif"})
      CHECK(slurp(folder / ("volume" + slice)) == slurp(folder / ("whole" + slice)));
  }

  TEST_CASE("what such a scan cannot have is named") {
    const Folder folder;
    scan_discs(folder, tall_scan(), "--set views.count=4");
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
    says("--slice 0 --try detector.axis_column=27:28:1", "tiles: turns with the part at several heights");
    const Outcome aligned = run(folder, "align raw/scan.json");
    CHECK(aligned.status == 2);
    CHECK(aligned.err.find("tiles: turns with the part at several heights (part_raised_mm); must be one turn") !=
          std::string::npos);
    CHECK(aligned.err.find("make a scan file of one turn") != std::string::npos);
    CHECK(aligned.err.find("stitch") == std::string::npos);
  }
}
