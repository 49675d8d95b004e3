// `rayloom align`: what it prints and writes.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"

using namespace rayloom::cli_test;

namespace {

/// A parallel scan of a disc of radius 20 pixels about a point off the axis, which falls on `axis_column`.
void make_disc_scan(const Folder& folder, double axis_column, double arc_deg = 360) {
  fs::create_directory(folder / "views");
  constexpr int columns = 96, views = 120;
  constexpr double pi = 3.14159265358979323846;
  for (int view = 0; view < views; ++view) {
    const double b = arc_deg * pi / 180 * view / views;
    std::vector<float> row(columns);
    for (int c = 0; c < columns; ++c) {
      const double t = c - axis_column - 9 * std::cos(b - 0.4);
      row[std::size_t(c)] = float(0.05 * std::sqrt(std::max(400 - t * t, 0.0)));
    }
    write_tiff(view_file(folder, view), 1, columns, row, rayloom::SampleType::float32);
  }
  write_json(folder / "scan.json", {{"rayloom_scan", 1},
                                    {"beam", "parallel"},
                                    {"detector", {{"columns", columns}, {"rows", 1}, {"column_pitch_mm", 1.0}}},
                                    {"views", {{"count", views}, {"first_deg", 0}, {"arc_deg", arc_deg}}},
                                    {"images", {{"projections", "views/*.tif"}, {"kind", "line_integrals"}}}});
}

}  // namespace

TEST_SUITE("align") {
  TEST_CASE("finds the axis; writes a scan file elsewhere that leads to the same images") {
    const Folder folder;
    make_disc_scan(folder, 50.3);
    fs::create_directory(folder / "found");
    const Outcome outcome = run(folder, "align scan.json -o found/aligned.json --json");
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    const auto answer = nlohmann::json::parse(outcome.out);
    const auto& axis = answer["axis_column"];
    CHECK(axis["determined"] == true);
    CHECK(std::abs(axis["value"].get<double>() - 50.3) < 0.02);
    CHECK(axis["uncertainty"].get<double>() < 0.05);
    CHECK(axis["given"] == 47.5);
    CHECK(answer["movement_would_show"] == true);

    const auto written = nlohmann::json::parse(slurp(folder / "found" / "aligned.json"));
    CHECK(written["detector"]["axis_column"] == axis["value"]);
    CHECK(written["images"]["projections"] == "../views/*.tif");
    CHECK(run(folder, "align found/aligned.json").out.find("axis_column  50.3") != std::string::npos);
  }

  TEST_CASE("says that a scan without a full turn cannot show whether the part moved") {
    const Folder folder;
    make_disc_scan(folder, 50.3, 240);
    const Outcome outcome = run(folder, "align scan.json");
    CHECK_MESSAGE(
        outcome.out.find("of parts that stood still, which this one cannot show: the views make no full turn") !=
            std::string::npos,
        outcome.out);
    CHECK(nlohmann::json::parse(run(folder, "align scan.json --json").out)["movement_would_show"] == false);
  }

  TEST_CASE("a folder holds the scan file; sections before and after; the measure") {
    const Folder folder;
    make_disc_scan(folder, 50.3);
    REQUIRE(run(folder, "align scan.json -o found").status == 0);
    for (const char* name : {"scan.json", "before.png", "after.png", "measure.png", "measure.csv"})
      CHECK(fs::exists(folder / "found" / name));
    CHECK(nlohmann::json::parse(slurp(folder / "found" / "scan.json"))["images"]["projections"] == "../views/*.tif");
    // The least of the measure lies at the axis, within the curve's step of a quarter column.
    std::ifstream table(folder / "found" / "measure.csv");
    std::string line;
    std::getline(table, line);
    double least = INFINITY, at = 0;
    while (std::getline(table, line)) {
      const double measure = std::stod(line.substr(line.find(',') + 1));
      if (measure < least) {
        least = measure;
        at = std::stod(line);
      }
    }
    CHECK(std::abs(at - 50.3) <= 0.25);
    CHECK(run(folder, "align scan.json -o found").status == 2);
    CHECK(run(folder, "align scan.json -o found --overwrite").status == 0);
  }

  TEST_CASE("a place that cannot be written is refused before the scan is read") {
    const Folder folder;
    make_disc_scan(folder, 50.3);
    std::ofstream(view_file(folder, 3), std::ios::trunc).close();  // no TIFF any more
    const auto before = folder.listing();
    const std::string scan = slurp(folder / "scan.json");
    for (const auto& refusal : std::initializer_list<std::pair<std::string, std::string>>{
             {"-o ''", "must not be empty"},
             {"-o missing/aligned.json", "must be in a folder that is there"},
             {"-o ./scan.json --overwrite", "is the scan file that is read"}}) {
      CAPTURE(refusal.first);
      const Outcome outcome = run(folder, "align scan.json " + refusal.first);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(refusal.second) != std::string::npos);
    }
    CHECK(folder.listing() == before);
    CHECK(slurp(folder / "scan.json") == scan);
  }

  TEST_CASE("says so when the scan does not tell, and writes nothing") {
    const Folder folder;
    make_disc_scan(folder, 50.3, 100);
    const auto before = folder.listing();
    const Outcome outcome = run(folder, "align scan.json -o aligned.json");
    CHECK(outcome.status == 3);
    CHECK(outcome.out.find("axis_column  not determined, left at 47.5: no ray has an opposite one") !=
          std::string::npos);
    CHECK(folder.listing() == before);
  }

  TEST_CASE("--movement writes how the part moved; reconstruct and simulate read it") {
    const Folder folder;
    auto geometry = cone_scan(90);
    geometry.erase("images");
    geometry["source_to_object_mm"] = 300;
    geometry["source_to_detector_mm"] = 600;
    geometry["detector"] = {{"columns", 48}, {"rows", 32}, {"column_pitch_mm", 4.0}, {"row_pitch_mm", 4.0}};
    write_json(folder / "geometry.json", geometry);
    const std::string plate = RAYLOOM_SOURCE_DIR "/phantoms/pump_end_plate.json";
    REQUIRE(run(folder, "simulate " + plate + " --geometry geometry.json --move step:30:3,-2,4 -o raw").status == 0);
    const Outcome outcome = run(folder, "align raw/scan.json --movement step -o raw/aligned.json --json");
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    const auto movement = nlohmann::json::parse(outcome.out)["movement"];
    CHECK(movement["seen"] == true);
    CHECK(std::abs(movement["view"].get<int>() - 30) <= 1);
    // Pixels are 2 mm wide at the axis: a tenth.
    CHECK(std::abs(movement["moved_x"]["value"].get<double>() - 3) < 0.2);
    CHECK(std::abs(movement["moved_y"]["value"].get<double>() + 2) < 0.2);
    CHECK(std::abs(movement["moved_z"]["value"].get<double>() - 4) < 0.2);
    const auto moved = nlohmann::json::parse(slurp(folder / "raw" / "aligned.json"))["views"]["part_moved_mm"];
    REQUIRE(moved.size() == 90);
    CHECK(moved[0] == nlohmann::json({0.0, 0.0, 0.0}));
    CHECK(moved[89][0] == movement["moved_x"]["value"]);

    CHECK(run(folder, "reconstruct raw/aligned.json -o volume").status == 0);
    CHECK(nlohmann::json::parse(slurp(folder / "volume" / "volume.json")).dump().find("part_moved_mm") !=
          std::string::npos);
    // A scan file that says so makes the simulated part move, and is not compared with itself.
    geometry["views"]["part_moved_mm"] = moved;
    write_json(folder / "moved.json", geometry);
    REQUIRE(run(folder, "simulate " + plate + " --geometry moved.json -o again").status == 0);
    CHECK(slurp(folder / "again" / "projections" / "view_0003.tif") ==
          slurp(folder / "raw" / "projections" / "view_0003.tif"));
    CHECK(slurp(folder / "again" / "projections" / "view_0080.tif") !=
          slurp(folder / "raw" / "projections" / "view_0080.tif"));
    const Outcome refused = run(folder, "align again/scan.json --movement ramp");
    CHECK(refused.status == 2);
    CHECK(refused.err.find("again/scan.json: views.part_moved_mm: given; must be absent") != std::string::npos);

    // Without a full turn it is refused before anything is computed.
    const Outcome half = run(folder,
                             "align raw/scan.json --movement step --set views.count=60 --set views.arc_deg=240 --set "
                             "images.projections=projections/view_00[0-5]*.tif");
    INFO(half.err);
    CHECK(half.status == 2);
    CHECK(half.err.find("--movement: step; raw/scan.json: the views make no full turn; must be a full turn") !=
          std::string::npos);
    CHECK(half.out.empty());
  }

  TEST_CASE("bad input is one message and nothing written") {
    const Folder folder;
    make_disc_scan(folder, 50.3);
    write_json(folder / "notes.json", {{"rayloom_phantom", 1}});
    const auto before = folder.listing();
    for (const auto& [arguments, message] :
         {std::pair("align none.json", "none.json: no such file"),
          std::pair("align scan.json -o scan.json", "-o: scan.json exists"),
          std::pair("align scan.json -o notes.json --overwrite", "-o: notes.json is no scan file"),
          std::pair("align scan.json -o views", "views"), std::pair("align scan.json --set views.count=121", "views"),
          std::pair("align scan.json --threads 0", "threads: 0"),
          std::pair("align scan.json --movement jump", "--movement: 'jump'; must be step or ramp"),
          std::pair("align scan.json --movement ''", "--movement: ''; must not be empty"),
          std::pair("align scan.json --movement step --beads", "--beads excludes --movement")}) {
      CAPTURE(arguments);
      const Outcome outcome = run(folder, arguments);
      INFO(outcome.err);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(message) != std::string::npos);
      CHECK(outcome.out.empty());
      CHECK(folder.listing() == before);
    }
  }
}
