// reconstruct --try: one slice with several values of a setting.
#include <doctest/doctest.h>

#include <array>
#include <cmath>

#include "program.h"

using namespace rayloom::cli_test;

namespace {

/// A cone scan whose views differ in every pixel, so that no two settings give one slice.
void make_uneven_scan(const Folder& folder) {
  make_scan(folder);
  for (int i = 0; i < 12; ++i) {
    std::vector<float> view(24 * 16);
    for (std::size_t k = 0; k < view.size(); ++k)
      view[k] = 0.5F + 0.01F * float((k * 7 + std::size_t(i) * 11) % 23);
    write_tiff(view_file(folder, i), 16, 24, view, rayloom::SampleType::float32);
  }
}

constexpr const char* grid = "--slice 0.5 --voxel 0.5 --size 20,18,1 --centre 0.3,0,0 --quiet";

/// The slice that `options` alone give, as it is stored.
std::string slice_with(const Folder& folder, const std::string& options) {
  const Outcome outcome =
      run(folder, std::string("reconstruct scan.json -o one --overwrite ").append(grid) + " " + options);
  INFO(outcome.err);
  REQUIRE(outcome.status == 0);
  return slurp(folder / "one" / "slices" / "slice_0000.tif").substr(0, 20 * 18 * 4);
}

std::string try_file(const Folder& folder, int i) {
  return slurp(folder / "tries" / ("try_000" + std::to_string(i) + ".tif")).substr(0, 20 * 18 * 4);
}

}  // namespace

TEST_SUITE("reconstruct --try") {
  TEST_CASE("each slice has the bytes that --set gives") {
    const Folder folder;
    make_uneven_scan(folder);
    const Outcome outcome = run(folder, std::string("reconstruct scan.json -o tries --json "
                                                    "--try detector.axis_column=11:12:0.5 ")
                                            .append(grid));
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    const auto tries = nlohmann::json::parse(outcome.out)["tries"];
    REQUIRE(tries.size() == 3);
    CHECK(fs::exists(folder / "tries" / "montage.png"));
    for (int i = 0; i < 3; ++i) {
      const double value = 11 + 0.5 * i;
      CHECK(tries[std::size_t(i)]["detector.axis_column"] == value);
      CHECK(try_file(folder, i) == slice_with(folder, "--set detector.axis_column=" + std::to_string(value)));
    }
    CHECK(try_file(folder, 0) != try_file(folder, 2));
  }

  TEST_CASE("two settings at once: a geometry and a correction; every pair") {
    const Folder folder;
    make_uneven_scan(folder);
    const Outcome outcome = run(folder, std::string("reconstruct scan.json -o tries --try hardening=0:0.2:0.2 "
                                                    "--try source_to_object_mm=200:180:-20 ")
                                            .append(grid));
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    for (int i = 0; i < 4; ++i) {
      const std::array hardening = {"1,0", "1,0.2"}, distance = {"200", "180"};
      CHECK(try_file(folder, i) ==
            slice_with(folder, std::string("--hardening ") + hardening[std::size_t(i / 2)] +
                                   " --set source_to_object_mm=" + distance[std::size_t(i % 2)]));
    }
  }

  TEST_CASE("tilted rows that no other try needs are read; so are whole views under --bin and --every") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(run(folder, std::string("reconstruct scan.json -o tries --bin 2 --every 3 "
                                    "--try detector.roll_deg=0:20:20 --try detector.midplane_row=5:9:4 ")
                            .append(grid))
                .status == 0);
    CHECK(try_file(folder, 3) ==
          slice_with(folder, "--bin 2 --every 3 --set detector.roll_deg=20 --set detector.midplane_row=9"));
  }

  TEST_CASE("bad input: one message that names it; nothing is left") {
    const Folder folder;
    make_uneven_scan(folder);
    const auto before = folder.listing();
    const auto says = [&](const std::string& options, const std::string& words) {
      const Outcome outcome = run(folder, "reconstruct scan.json -o tries --quiet " + options);
      CHECK_MESSAGE(outcome.status == 2, options);
      CHECK_MESSAGE(outcome.err.find(words) != std::string::npos, outcome.err);
      CHECK(folder.listing() == before);
    };
    const std::string axis = "--try detector.axis_column=11:12:1";
    says(axis, "goes with --slice");
    says("--slice 0 --try detector.axis_column=11", "must be KEY=FIRST:LAST:STEP");
    says("--slice 0 --try detector.axis_column=11:12:0", "STEP must lead from FIRST to LAST");
    says("--slice 0 --try detector.axis_column=11:12:-1", "STEP must lead from FIRST to LAST");
    says("--slice 0 --try detector.axis_column=1:2:0.0001", "must be at most 200 values");
    says("--slice 0 --try detector.axis_colum=11:12:1", "axis_colum");
    says("--slice 0 --try sharpness=1:2:1", "must be a key of the scan file");
    says("--slice 0 --part 1/2 " + axis, "must be without --part");
    says("--slice 0 " + axis + " " + axis, "must be two settings");
    says("--slice 0 --try detector.axis_column=nan:12:1", "must be 3 numbers separated by colons");
    says("--slice 0 --set detector.axis_column=9 " + axis, "--set: 'detector.axis_column=9'; must be left out");
    says("--slice 0 --hardening 1,0.1 --try hardening=0:1:1", "--hardening: '1,0.1'; must be left out");
    says("--slice 0 --type uint16 " + axis, "--type: uint16; must be left out with --try");
    says("--slice 0 --set images.kind=transmission --try scatter=0:120:60",
         "--scatter: 120 percent; must be from 0 to 90");
    says("--slice 0 --memory 1K " + axis, "memory");
  }
}
