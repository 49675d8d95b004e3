// Bad input through the whole program: one message that names file or field, value and what must hold; exit 2 (3 if it
// could not finish); nothing left behind.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <limits>

#include "cli/program.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// Makes a sound scan, spoils it, and expects the refusal.
void refused(const std::string& what, const std::function<void(const Folder&)>& spoil,
             const std::vector<std::string>& message_parts, const std::string& options = "", int status = 2,
             const std::string& before = "") {
  CAPTURE(what);
  const Folder folder;
  make_scan(folder);
  spoil(folder);
  const auto listing = folder.listing();
  const Outcome outcome = run(folder, "reconstruct scan.json -o volume --quiet " + options, before);
  CAPTURE(outcome.err);
  CHECK(outcome.status == status);
  CHECK(outcome.out.empty());
  for (const std::string& part : message_parts) {
    CAPTURE(part);
    CHECK(outcome.err.find(part) != std::string::npos);
  }
  // One message, perhaps with a hint below it.
  CHECK(outcome.err.find("rayloom: ") == outcome.err.rfind("rayloom: "));
  CHECK(folder.listing() == listing);
}

std::function<void(const Folder&)> with(const std::string& pointer, const nlohmann::json& value) {
  return [=](const Folder& folder) {
    auto scan = cone_scan();
    scan[nlohmann::json::json_pointer(pointer)] = value;
    write_json(folder / "scan.json", scan);
  };
}

const auto nothing = [](const Folder&) {};

}  // namespace

TEST_SUITE("bad input through the program") {
  TEST_CASE("a sound scan is accepted so that the refusals mean something") {
    const Folder folder;
    make_scan(folder);
    const Outcome outcome = run(folder, "reconstruct scan.json -o volume");
    CAPTURE(outcome.err);
    CHECK(outcome.status == 0);
    CHECK(fs::exists(folder / "volume" / "volume.json"));
    CHECK(!fs::exists(folder / "volume.partial"));
  }

  TEST_CASE("images") {
    refused("missing", [](const Folder& f) { fs::remove(view_file(f, 5)); }, {"view_0004", "5"});
    refused("last missing", [](const Folder& f) { fs::remove(view_file(f, 11)); }, {"11", "12", "views"});
    refused("truncated", [](const Folder& f) { fs::resize_file(view_file(f, 3), 700); }, {"view_0003.tif"});
    refused("empty file", [](const Folder& f) { fs::resize_file(view_file(f, 3), 0); }, {"view_0003.tif"});
    refused("not a TIFF", [](const Folder& f) { std::ofstream(view_file(f, 3)) << "hello"; }, {"view_0003.tif"});
    refused(
        "mixed size",
        [](const Folder& f) { write_tiff(view_file(f, 4), 15, 24, std::vector<float>(24 * 15), SampleType::float32); },
        {"view_0004.tif", "15", "16"});
    refused("wrong size", with("/detector/columns", 23), {"24", "23"});
    refused("empty glob", with("/images/projections", "nowhere/*.tif"), {"nowhere/*.tif"});
    for (const float bad : {std::numeric_limits<float>::quiet_NaN(), std::numeric_limits<float>::infinity()})
      refused("not finite",
              [bad](const Folder& f) {
                std::vector<float> view(24 * 16);
                view[7 * 24 + 5] = bad;
                write_tiff(view_file(f, 6), 16, 24, view, SampleType::float32);
              },
              {"view_0006.tif", "row 7", "column 5"});
    refused(
        "mixed sample types",
        [](const Folder& f) { write_tiff(view_file(f, 9), 16, 24, std::vector<float>(24 * 16), SampleType::uint16); },
        {"view_0009.tif"});
    refused("unreadable",
            [](const Folder& f) {
              fs::remove(view_file(f, 2));
              fs::create_symlink("/nowhere/view.tif", view_file(f, 2));
            },
            {"view_000"});
    // Folders that a glob happens to match are not images.
    const Folder folder;
    make_scan(folder);
    fs::create_directories(folder / "views" / "view_0100.tif");
    CHECK(run(folder, "reconstruct scan.json -o volume --quiet").status == 0);
  }

  TEST_CASE("scan file") {
    refused("missing", [](const Folder& f) { fs::remove(f / "scan.json"); }, {"scan.json", "no such file"});
    refused("not JSON", [](const Folder& f) { std::ofstream(f / "scan.json") << "{\n  \"beam\": cone }"; },
            {"scan.json", "line 2"});
    refused("unknown key", with("/detector/colums", 3), {"detector.colums", "columns"});
    refused("counts of views and angles",
            [](const Folder& f) {
              auto scan = cone_scan();
              scan["views"] = {{"count", 12}, {"angles_deg", {0, 1, 2}}};
              write_json(f / "scan.json", scan);
            },
            {"views", "12", "3"});
    refused("SDD below SOD", with("/source_to_detector_mm", 150), {"source_to_detector_mm", "150", "200"});
    refused("zero pitch", with("/detector/column_pitch_mm", 0), {"column_pitch_mm", "0"});
    refused("axis outside", with("/detector/axis_column", 40), {"axis_column", "40"});
    refused("unknown beam", with("/beam", "spiral"), {"beam", "spiral"});
    refused("wrong type", with("/detector/rows", "many"), {"detector.rows", "many"});
    refused("counts without open", with("/images/kind", "counts"), {"open"});
    refused("no arc", with("/views/arc_deg", 0), {"views.arc_deg", "0", "must not be 0 for 12 views"});
    const auto text_after = [](const std::string& word, const std::string& value) {
      return [=](const Folder& f) {
        std::string text = slurp(f / "scan.json");
        const auto at = text.find(word);
        REQUIRE(at != std::string::npos);
        std::ofstream(f / "scan.json") << text.insert(at, value);
      };
    };
    refused("number too large", text_after("\"beam\"", "\"source_to_object_mm\": 1e999, "),
            {"scan.json", "'1e999'", "too large"});
    refused("key twice", text_after("\"beam\"", "\"beam\": \"fan\", "), {"scan.json", "'beam' is given twice"});
  }

  TEST_CASE("options") {
    refused("setting", nothing, {"detector.pitch"}, "--set detector.pitch=2");
    refused("grid outside", nothing, {"field of view"}, "--size 4,4,4 --centre 90,0,0");
    refused("too little memory", nothing, {"memory", "at least"}, "--memory 10K");
    refused("filter", nothing, {"boxcar", "hann"}, "--filter boxcar");
    refused("cutoff", nothing, {"cutoff", "2"}, "--cutoff 2");
    refused("size", nothing, {"--size", "4,4"}, "--size 4,4");
    refused("memory", nothing, {"--memory", "lots"}, "--memory lots");
    refused("hardly any memory", nothing, {"memory: 1024 bytes", "at least"}, "--memory 1K");
    refused("threads", nothing, {"threads: 100000", "must be from 1 to"}, "--threads 100000");
    refused("no slice", nothing, {"slice: nan mm"}, "--slice nan");
    refused("slice outside", nothing, {"slice: 900 mm", "field of view"}, "--slice 900");
    refused("every", nothing, {"every", "0"}, "--every 0");
    refused("every leaves one view", nothing, {"--every: 12; must", "leave two of the 12 views"}, "--every 12");
    refused("empty", nothing, {"--memory: ''; must not be empty"}, "--memory ''");
    refused("no threads", nothing, {"--threads: ''; must not be empty"}, "--threads ''");
    refused("twice", nothing, {"--bin: given more than once; must be given once"}, "--bin 2 --bin 3");
    refused("no value", nothing, {"--bin: no value given; must have one"}, "--bin=");
    refused("voxel beyond the view", nothing,
            {"--voxel: 1e+09 mm; must be from", "0.7 times the field of view's diameter"}, "--voxel 1e9");
    refused("voxel too small", nothing, {"--voxel: 1e-09 mm; must be from"}, "--voxel 1e-9");
    refused("threads", nothing, {"--threads: 0; must be from 1 to"}, "--threads 0");
    refused("bin", nothing, {"bin", "99"}, "--bin 99");
    refused("range without uint16", nothing, {"--range"}, "--range 0,1");
    refused("coverage", nothing, {"--coverage", "half"}, "--coverage half");
    refused("format", nothing, {"format", "jpeg"}, "--format jpeg");
    refused("not a number", nothing, {"--voxel = abc; must be a number", "'rayloom reconstruct --help'"},
            "--voxel abc");
    refused("method", nothing, {"--method", "'fast'"}, "--method fast");
    refused("gridding of a cone", nothing, {"method: gridding", "must be direct"}, "--method gridding");
    refused("unknown option", nothing, {"--frobnicate"}, "--frobnicate");
  }

  TEST_CASE("the memory that a refusal asks for is enough") {
    const Folder folder;
    make_scan(folder);
    const std::string message = run(folder, "reconstruct scan.json -o volume --memory 10K").err;
    const std::size_t at = message.find("at least ");
    REQUIRE(at != std::string::npos);
    CHECK(message.find("half of what is free is used unless --memory says otherwise") != std::string::npos);
    const std::string enough = message.substr(at + 9, message.find(' ', at + 9) - at - 9);
    CAPTURE(enough);
    CHECK(run(folder, "reconstruct scan.json -o volume --quiet --memory " + enough).status == 0);
  }

  TEST_CASE("an output that exists stays as it was") {
    const Folder folder;
    make_scan(folder);
    REQUIRE(run(folder, "reconstruct scan.json -o volume --quiet").status == 0);
    const std::string before = slurp(folder / "volume" / "volume.json");
    const Outcome again = run(folder, "reconstruct scan.json -o volume --quiet --filter hann");
    CHECK(again.status == 2);
    CHECK(again.err.find("volume exists") != std::string::npos);
    CHECK(again.err.find("--overwrite") != std::string::npos);
    CHECK(slurp(folder / "volume" / "volume.json") == before);
    CHECK(run(folder, "reconstruct scan.json -o volume --quiet --filter hann --overwrite").status == 0);
    CHECK(slurp(folder / "volume" / "volume.json") != before);
  }

  TEST_CASE("overwriting removes nothing but earlier results") {
    const Folder folder;
    make_scan(folder);
    write_json(folder / "ball.json",
               {{"rayloom_phantom", 1},
                {"title", "ball"},
                {"source", "test"},
                {"solids", {{{"shape", "ellipsoid"}, {"semi_axes_mm", {1, 1, 1}}, {"value_per_mm", 0.1}}}}});
    REQUIRE(run(folder, "reconstruct scan.json -o volume --quiet").status == 0);
    std::ofstream(folder / "volume" / "slices" / "thesis.doc") << "years of work";
    fs::create_directories(folder / "real" / "projections");  // a measured scan, named as ours are
    for (int i = 0; i < 12; ++i)
      fs::copy_file(view_file(folder, i), folder / "real" / "projections" / ("view_000" + std::to_string(i) + ".tif"));
    fs::copy_file(folder / "scan.json", folder / "real" / "scan.json");
    const auto before = folder.listing();
    const auto keeps = [&](const std::string& command, const std::string& words) {
      const Outcome outcome = run(folder, command);
      CAPTURE(outcome.err);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(words) != std::string::npos);
      CHECK(folder.listing() == before);
    };
    keeps("reconstruct scan.json -o volume --quiet --overwrite", "volume: holds slices/thesis.doc");
    keeps("simulate ball.json --geometry scan.json -o real --overwrite", "real: holds no truth.json");
    keeps("describe real -o real/projections/view_0000.tif --overwrite --sod 200 --sdd 800 --pitch 1 --arc 360",
          "must end in .json");
    keeps("report volume -o scan.json --overwrite", "must end in .html");
    keeps("check scan.json --region 500,0,0,1",
          "region: reaches 501 mm from the axis; must stay nearer than the source");
    keeps("simulate ball.json --geometry scan.json -o new --counts 1000 --seed -1", "--seed");
    keeps("describe real --overwrite --sod nan --sdd 800 --pitch 1 --arc 360", "--sod: nan; must be a finite number");
  }

  // A limit on the size of files stands for a full disk; bash counts it in KiB.
  TEST_CASE("a full disk leaves nothing and says so") {
    for (const std::string format : {"slices", "bigtiff", "raw"})
      refused("full disk, " + format, nothing, {"volume"}, "--truncated as-is --voxel 0.1 --format " + format, 3,
              "ulimit -f 4;");
  }
}

TEST_SUITE("the program's words") {
  TEST_CASE("every command has examples and a version and refuses unknown words") {
    const Folder folder;
    for (const std::string command : {"describe", "simulate", "reconstruct", "section"}) {
      CAPTURE(command);
      const Outcome help = run(folder, command + " --help");
      CHECK(help.status == 0);
      CHECK(help.out.find("Examples:\n  rayloom " + command) != std::string::npos);
      CHECK(help.err.empty());
      CHECK(run(folder, command + " --version").out.find("rayloom 0.") == 0);
    }
    CHECK(run(folder, "dissolve").status == 2);
    CHECK(run(folder, "").status == 2);
    CHECK(run(folder, "reconstruct").status == 2);
  }

  TEST_CASE("json answers are one object on stdout") {
    const Folder folder;
    make_scan(folder);
    const Outcome outcome = run(folder, "reconstruct scan.json -o volume --truncated as-is --json --quiet");
    CHECK(outcome.err.empty());
    const auto answer = nlohmann::json::parse(outcome.out);
    CHECK(answer["size"].size() == 3);
    const auto record = nlohmann::json::parse(slurp(folder / "volume" / "volume.json"));
    CHECK(record["reconstruction"]["filter"] == "ramp");
  }
}
