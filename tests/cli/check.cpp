// rayloom check through the program: verdict, exit status, --json, pictures, a defect map that the scan file can name.
#include <doctest/doctest.h>

#include <algorithm>

#include "program.h"
#include "rayloom/scan/view_reader.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// A plate with a hole, off the axis, so that every view differs from the next.
void make_part(const Folder& folder, int views = 72) {
  write_json(folder / "part.json", {{"rayloom_phantom", 1},
                                    {"title", "a plate"},
                                    {"source", "made for this test"},
                                    {"energy_kev", 80},
                                    {"solids",
                                     {{{"shape", "box"},
                                       {"size_mm", {9, 5, 6}},
                                       {"centre_mm", {0.7, 0.4, 0}},
                                       {"material", "Al"},
                                       {"density_g_cm3", 2.7},
                                       {"mode", "replace"}},
                                      {{"shape", "box"},
                                       {"size_mm", {2, 2, 3}},
                                       {"centre_mm", {2.5, 1, 0}},
                                       {"value_per_mm", 0},
                                       {"mode", "replace"}}}}});
  auto scan = cone_scan(views);
  scan["detector"] = {{"columns", 60}, {"rows", 40}, {"column_pitch_mm", 0.5}, {"row_pitch_mm", 0.5}};
  scan.erase("images");
  write_json(folder / "geometry.json", scan);
}

const std::string simulate = "simulate part.json --geometry geometry.json --counts 30000 --quiet ";

nlohmann::json json_in(const std::string& text) {
  return nlohmann::json::parse(text);
}

std::vector<std::string> subjects(const nlohmann::json& result, const std::string& severity) {
  std::vector<std::string> names;
  for (const auto& finding : result["findings"])
    if (finding["severity"] == severity) names.push_back(finding["what"]);
  return names;
}

bool holds(const std::vector<std::string>& names, const std::string& name) {
  return std::find(names.begin(), names.end(), name) != names.end();
}

}  // namespace

TEST_SUITE("check") {
  TEST_CASE("a sound scan is fit and a spoilt one is not") {
    const Folder folder;
    make_part(folder);
    REQUIRE(run(folder, simulate + "-o sound").status == 0);
    Outcome outcome = run(folder, "check sound/scan.json --quiet");
    CHECK(outcome.status == 0);
    CHECK(outcome.err.empty());
    CHECK(outcome.out.find("verdict: fit\n") == outcome.out.size() - 13);  // last
    CHECK(std::count(outcome.out.begin(), outcome.out.end(), '\n') > 1);

    REQUIRE(run(folder, simulate + "--dead 5 --black 7 -o spoilt").status == 0);
    outcome = run(folder, "check spoilt/scan.json --quiet");
    CHECK(outcome.status == 1);
    CHECK(outcome.out.rfind("serious      black views: no beam in view 7", 0) == 0);  // the worst first
    CHECK(outcome.out.find("\nwarning      dead pixels: 5 of 2400") != std::string::npos);
    CHECK(outcome.out.find("[5 pixels, limit 0 pixels]") != std::string::npos);
    CHECK(outcome.out.find("\nverdict: not fit\n") == outcome.out.size() - 18);

    outcome = run(folder, "check spoilt/scan.json --json --quiet");
    CHECK(outcome.status == 1);
    const auto result = json_in(outcome.out);
    CHECK(result["verdict"] == "not fit");
    CHECK(result["bad_pixels"] == 5);
    CHECK(result["findings"][0]["views"] == nlohmann::json{7});
    CHECK(result["findings"][1]["value"] == 5);
    CHECK(result["findings"][1]["limit"] == 0);
    CHECK(!result["findings"][1]["advice"].get<std::string>().empty());
  }

  TEST_CASE("of a scan in tiles each is checked, and what another tile sees is not missed") {
    const Folder folder;
    make_part(folder);
    auto scan = nlohmann::json::parse(slurp(folder / "geometry.json"));
    scan["detector"]["columns"] = 34;
    scan["detector"]["axis_column"] = 29.5;
    scan["tiles"] = {{{"column_shift_px", 0}}, {{"column_shift_px", 26}}};
    write_json(folder / "geometry.json", scan);
    REQUIRE(run(folder, simulate + "-o raw").status == 0);
    Outcome outcome = run(folder, "check raw/scan.json --quiet");
    CHECK_MESSAGE(outcome.status == 0, outcome.out);
    CHECK(outcome.out.find("tile 1  cannot tell  movement: a tile sees only one side of the part") !=
          std::string::npos);
    CHECK(outcome.out.find("part leaves the view") == std::string::npos);
    CHECK(outcome.out.find("\nverdict: fit\n") == outcome.out.size() - 14);

    // One tile taken for a whole scan whose axis is in the middle: the part leaves it.
    scan.erase("tiles");
    scan["detector"]["axis_column"] = 16.5;
    scan["images"] = json_in(slurp(folder / "raw" / "scan.json"))["tiles"][0]["images"];
    write_json(folder / "raw" / "half.json", scan);
    outcome = run(folder, "check raw/half.json --quiet");
    CHECK(outcome.out.find("part leaves the view: on the right") != std::string::npos);

    // The second tile's beam fails in one view.
    const std::string views = json_in(slurp(folder / "raw" / "scan.json"))["tiles"][1]["images"]["projections"];
    const fs::path broken = folder / "raw" / fs::path(views).parent_path() / "view_0040.tif";
    REQUIRE(fs::exists(broken));
    const auto dark = json_in(slurp(folder / "raw" / "scan.json"))["tiles"][1]["images"]["dark"];
    fs::path dark_file;
    for (const auto& entry : fs::directory_iterator(folder / "raw" / fs::path(dark.get<std::string>()).parent_path()))
      dark_file = entry.path();
    fs::copy_file(dark_file, broken, fs::copy_options::overwrite_existing);
    outcome = run(folder, "check raw/scan.json --json -o found --quiet");
    CHECK(outcome.status == 1);
    const auto result = json_in(outcome.out);
    CHECK(result["verdict"] == "not fit");
    CHECK(result["tiles"][0]["verdict"] == "fit");
    CHECK(result["tiles"][1]["findings"][0]["what"] == "black views");
    CHECK(result["tiles"][1]["findings"][0]["views"] == nlohmann::json{40});
    CHECK(fs::exists(folder / "found" / "tile_1" / "worst_view.png"));
    CHECK(run(folder, "check raw/scan.json -o found --overwrite --quiet").status == 1);
    outcome = run(folder, "check raw/scan.json --region 0,0,0,1 --quiet");
    CHECK(outcome.status == 2);
    CHECK(outcome.err.find("--region: '0,0,0,1'; must be absent for a scan in tiles") != std::string::npos);
  }

  TEST_CASE("trial views are looked at for what they can tell") {
    const Folder folder;
    make_part(folder);
    REQUIRE(run(folder, simulate + "--dead 5 -o trial").status == 0);
    for (int view = 0; view < 72; ++view)
      if (view % 24 != 0)
        fs::remove(folder / "trial" / "projections" /
                   ("view_00" + std::string(view < 10 ? "0" : "") + std::to_string(view) + ".tif"));
    Outcome outcome = run(folder, "check trial/scan.json --json --quiet");
    CHECK(outcome.status == 0);
    auto result = json_in(outcome.out);
    CHECK(result["images"] == 3);
    CHECK(result["verdict"] == "fit with warnings");
    CHECK(subjects(result, "serious").empty());
    CHECK(subjects(result, "warning") == std::vector<std::string>{"dead pixels"});
    CHECK(holds(subjects(result, "cannot tell"), "order of views"));
    CHECK(holds(subjects(result, "cannot tell"), "drift"));

    // A scan file of one view, overexposed, with one dark image.
    REQUIRE(run(folder, simulate + "--full-scale 28000 --set views.count=1 -o one").status == 0);
    for (int i = 1; i < 8; ++i)
      fs::remove(folder / "one" / "dark" / ("dark_000" + std::to_string(i) + ".tif"));
    outcome = run(folder, "check one/scan.json --json --quiet");
    CHECK(outcome.status == 1);
    result = json_in(outcome.out);
    CHECK(holds(subjects(result, "serious"), "saturation"));
    CHECK(holds(subjects(result, "cannot tell"), "noisy pixels"));
    CHECK(holds(subjects(result, "cannot tell"), "number of views"));
  }

  TEST_CASE("the region must stay in view") {
    const Folder folder;
    make_part(folder);
    REQUIRE(run(folder, simulate + "-o raw").status == 0);
    // Half width 15 mm at 400 mm: the cylinder in view has the radius 200 sin(atan(15/400)) = 7.495 mm.
    for (const auto& [region, status] :
         {std::pair("0,0,0,4.9", 0), std::pair("0,0,0,5.1", 1), std::pair("5.4,0,0,2", 0), std::pair("5.6,0,0,2", 1),
          std::pair("0,5.4,0,2", 0), std::pair("0,-5.6,0,2", 1), std::pair("0,0,-3,1.9", 0),
          std::pair("0,0,-3,2.1", 1)}) {
      CAPTURE(region);
      const Outcome outcome = run(folder, std::string("check raw/scan.json --json --quiet --region ") + region);
      CHECK(outcome.status == status);
      CHECK(holds(subjects(json_in(outcome.out), status == 0 ? "note" : "serious"), "region"));
    }
  }

  TEST_CASE("pictures and a defect map that the scan file names") {
    const Folder folder;
    make_part(folder);
    write_json(folder / "pixels.json",
               {{"pixels", {{{"class", "dead"}, {"row", 4}, {"column", 9}, {"reads_counts", 300}}}}});
    REQUIRE(run(folder, simulate + "--pixels pixels.json -o raw").status == 0);
    REQUIRE(run(folder, "check raw/scan.json -o found --quiet").status == 0);
    std::set<std::string> names;
    for (const auto& entry : fs::directory_iterator(folder / "found"))
      names.insert(entry.path().filename().string());
    CHECK(names == std::set<std::string>{"air_level.png", "curves.csv", "defects.png", "defects.tif", "drift.png",
                                         "first_view.png", "least_transmission.png", "sinogram.png", "worst_view.png"});
    const std::string curves = slurp(folder / "found" / "curves.csv");
    CHECK(std::count(curves.begin(), curves.end(), '\n') == 73);
    CHECK(curves.rfind("view,angle_deg,air,", 0) == 0);
    fs::rename(folder / "found" / "defects.tif", folder / "raw" / "defects.tif");

    auto scan = json_in(slurp(folder / "raw" / "scan.json"));
    scan["images"]["defects"] = "defects.tif";
    write_json(folder / "raw" / "listed.json", scan);
    const Outcome outcome = run(folder, "check raw/listed.json --json --quiet");
    CHECK(subjects(json_in(outcome.out), "warning").empty());
    CHECK(holds(subjects(json_in(outcome.out), "note"), "listed pixels"));

    // However the images are stored, the map is upright once read: the dead pixel lies where check says.
    for (const auto& [turned, mirrored] :
         {std::pair(90, false), std::pair(180, true), std::pair(270, true), std::pair(0, true)}) {
      CAPTURE(turned);
      CAPTURE(mirrored);
      scan["images"].erase("defects");
      scan["images"]["turned_deg"] = turned;
      scan["images"]["mirrored"] = mirrored;
      scan["detector"]["columns"] = turned % 180 == 0 ? 60 : 40;
      scan["detector"]["rows"] = turned % 180 == 0 ? 40 : 60;
      scan["detector"].erase("axis_column");
      scan["detector"].erase("midplane_row");
      write_json(folder / "raw" / "turned.json", scan);
      const auto seen = json_in(run(folder, "check raw/turned.json -o found --overwrite --json --quiet").out);
      fs::copy_file(folder / "found" / "defects.tif", folder / "raw" / "defects.tif",
                    fs::copy_options::overwrite_existing);
      scan["images"]["defects"] = "defects.tif";
      write_json(folder / "raw" / "turned.json", scan);
      const Image map = defect_map(read_scan(folder / "raw" / "turned.json"));
      bool found = false;
      for (const auto& finding : seen["findings"])
        if (finding["what"] == "dead pixels") found = map.at(finding["row"], finding["column"]) != 0;
      CHECK(found);
      CHECK(std::count(map.samples.begin(), map.samples.end(), 1.0F) == seen["bad_pixels"]);
    }
  }

  TEST_CASE("bad use is refused and leaves nothing") {
    const Folder folder;
    make_part(folder, 12);
    REQUIRE(run(folder, simulate + "-o raw").status == 0);
    fs::create_directory(folder / "mine");
    std::ofstream(folder / "mine" / "letter.txt") << "dear";
    write_json(folder / "empty.json", cone_scan());
    auto exchanged = json_in(slurp(folder / "raw" / "scan.json"));
    for (const char* key : {"projections", "dark", "open"})
      exchanged["images"][key] = "raw/" + exchanged["images"][key].get<std::string>();
    std::swap(exchanged["images"]["dark"], exchanged["images"]["open"]);
    write_json(folder / "exchanged.json", exchanged);
    const auto before = folder.listing();
    const std::pair<const char*, std::vector<std::string>> cases[] = {
        {"check", {"SCAN"}},
        {"check absent.json", {"absent.json"}},
        {"check empty.json", {"empty.json", "images.projections", "views/*.tif"}},
        {"check raw/scan.json --region 1,2,3", {"--region", "4 numbers"}},
        {"check raw/scan.json --region 1,2,3,0", {"--region", "1,2,3,0", "above 0"}},
        {"check raw/scan.json --set detector.columns=59", {"60 x 40", "59 x 40"}},
        {"check raw/scan.json --set images.dark=absent.tif", {"images.dark", "absent.tif"}},
        {"check exchanged.json",
         {"exchanged.json: images.open: its median", "images.dark", "must be brighter", "exchanged?"}},
        {"check raw/scan.json -o mine", {"mine", "exists"}},
        {"check raw/scan.json -o mine --overwrite", {"mine", "letter.txt"}},
        {"check raw/scan.json -o absent/found", {"absent"}}};
    for (const auto& [arguments, parts] : cases) {
      const Outcome outcome = run(folder, std::string(arguments) + " --quiet");
      CAPTURE(arguments);
      CAPTURE(outcome.err);
      CHECK(outcome.status == 2);
      CHECK(outcome.out.empty());
      for (const auto& part : parts)
        CHECK_MESSAGE(outcome.err.find(part) != std::string::npos, part);
      CHECK(folder.listing() == before);
    }
  }
}
