// A part that sticks out of the view, through the program.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// An ellipsoid `radius_mm` across, of 0.1 /mm.
void make_part(const Folder& folder, double radius_mm) {
  write_json(folder / "part.json", {{"rayloom_phantom", 1},
                                    {"title", "an ellipsoid"},
                                    {"source", "made for this test"},
                                    {"solids",
                                     {{{"shape", "ellipsoid"},
                                       {"semi_axes_mm", {radius_mm, 0.9 * radius_mm, 0.6 * radius_mm}},
                                       {"value_per_mm", 0.1}}}}});
}

/// Line integrals in `name`, seen by a detector of 48 x 24 pixels magnified as if the pitch at the axis were
/// `pixel_mm`.
void make_scan(const Folder& folder, const std::string& name, double pixel_mm, const nlohmann::json& moved = {}) {
  auto scan = cone_scan(90);
  scan["detector"] = {{"columns", 48}, {"rows", 24}, {"column_pitch_mm", 2 * pixel_mm}, {"row_pitch_mm", 2 * pixel_mm}};
  if (!moved.empty()) scan["part_moved_mm"] = moved;
  scan.erase("images");
  write_json(folder / "geometry.json", scan);
  REQUIRE(run(folder, "simulate part.json --geometry geometry.json -o " + name + " --quiet").status == 0);
}

void scan_part(const Folder& folder, double radius_mm) {
  make_part(folder, radius_mm);
  make_scan(folder, "scan", 0.25);  // a view of 6 mm radius
}

nlohmann::json record_of(const Folder& folder, const std::string& volume) {
  return nlohmann::json::parse(slurp(folder / (volume + "/volume.json")));
}

}  // namespace

TEST_SUITE("rayloom reconstruct: a part wider than the view") {
  TEST_CASE("truncated rows are continued and the record says so") {
    const Folder folder;
    scan_part(folder, 10);
    const auto outcome = run(folder, "reconstruct scan/scan.json -o volume");
    REQUIRE(outcome.status == 0);
    CHECK(outcome.err.find("leaves the view on the left in 100 % and on the right in 100 %") != std::string::npos);
    CHECK(outcome.err.find("values may be off by a fifth and by a third at the rim") != std::string::npos);
    const auto record = record_of(folder, "volume");
    const auto& rows = record.at("reconstruction").at("truncated_rows");
    CHECK(rows.at("method") == "continued");
    CHECK(rows.at("left_share") == 1);
    CHECK(rows.at("right_share") == 1);
    CHECK(record.at("samples").at("read") == 90 * 48 * 24);  // what was only looked at does not count

    REQUIRE(run(folder, "reconstruct scan/scan.json -o small --threads 1 --memory 29M").status == 0);
    const std::string slice = "/slices/slice_0010.tif";
    CHECK(slurp(folder / ("volume" + slice)) == slurp(folder / ("small" + slice)));
    REQUIRE(run(folder, "reconstruct scan/scan.json -o as_is --truncated as-is").status == 0);
    CHECK(slurp(folder / ("volume" + slice)) != slurp(folder / ("as_is" + slice)));
    const auto as_is = record_of(folder, "as_is");
    CHECK(as_is.at("reconstruction").at("truncated_rows").at("method") == "as they are");
  }

  TEST_CASE("a part within the view gives the same bytes as if nobody had looked") {
    const Folder folder;
    scan_part(folder, 4);
    REQUIRE(run(folder, "reconstruct scan/scan.json -o volume").status == 0);
    REQUIRE(run(folder, "reconstruct scan/scan.json -o as_is --truncated as-is").status == 0);
    const auto record = record_of(folder, "volume");
    CHECK(record.at("reconstruction").at("truncated_rows").at("method") == "none");
    for (const std::string slice : {"/slices/slice_0000.tif", "/slices/slice_0010.tif"})
      CHECK(slurp(folder / ("volume" + slice)) == slurp(folder / ("as_is" + slice)));
  }

  TEST_CASE("of a part much wider than the view the warning says more") {
    const Folder folder;
    scan_part(folder, 30);
    const auto outcome = run(folder, "reconstruct scan/scan.json -o volume");
    REQUIRE(outcome.status == 0);
    CHECK(outcome.err.find("a fifth if it is twice as wide as the view, by three fifths if three times as wide") !=
          std::string::npos);
  }

  TEST_CASE("a beam that fades lifts rows' ends as well, and the warning asks") {
    const Folder folder;
    make_part(folder, 4);
    make_scan(folder, "steady", 0.25);  // its geometry is used again
    REQUIRE(
        run(folder, "simulate part.json --geometry geometry.json -o fading --counts 20000 --drift -5 --quiet").status ==
        0);
    const std::string asks = "does it say so with --drift, too?";
    CHECK(run(folder, "reconstruct fading/scan.json -o plain").err.find(asks) != std::string::npos);
    CHECK(run(folder, "reconstruct fading/scan.json -o level --drift").err.find("leaves the view") ==
          std::string::npos);
    make_part(folder, 10);
    make_scan(folder, "wide", 0.25);
    CHECK(run(folder, "reconstruct wide/scan.json -o wide_volume").err.find(asks) == std::string::npos);
  }

  TEST_CASE("an unknown treatment is refused") {
    const Folder folder;
    scan_part(folder, 4);
    const auto outcome = run(folder, "reconstruct scan/scan.json -o volume --truncated mirrored");
    CHECK(outcome.status == 2);
    CHECK(outcome.err.find("--truncated: 'mirrored'; must be continue or as-is") != std::string::npos);
  }

  TEST_CASE("an overview gives a region its missing rays and both stand in the part's frame") {
    const Folder folder;
    make_part(folder, 10);
    make_scan(folder, "whole", 0.5);  // a view of 12 mm radius
    REQUIRE(run(folder, "reconstruct whole/scan.json -o overview --quiet").status == 0);
    make_scan(folder, "region", 0.1, {-4, 3, -1});  // a view of 2.4 mm radius about the part's (4, -3, 1)
    const auto outcome = run(folder, "reconstruct region/scan.json -o volume --surround overview");
    REQUIRE(outcome.status == 0);
    const auto record = record_of(folder, "volume");
    CHECK(record.at("centre_mm").at(0) == 4);
    CHECK(record.at("centre_mm").at(1) == -3);
    CHECK(std::abs(record.at("centre_mm").at(2).get<double>() - 1) < 1e-9);
    const auto& rows = record.at("reconstruction").at("truncated_rows");
    CHECK(rows.at("method") == "from an overview");
    CHECK(rows.at("columns_measured") == 48);
    CHECK(rows.at("columns_supplied_each_side").get<int>() > 100);  // the part reaches 15 mm beyond the axis
    CHECK(std::abs(rows.at("overview_scaled").get<double>() - 1) < 0.03);
    for (const auto& shift : rows.at("overview_shifted_mm"))
      CHECK(std::abs(shift.get<double>()) < 0.25);

    // Uniform there; on average within 1 %, beyond the view nothing.
    const Volume volume = StoredVolume(folder / "volume").read();
    double sum = 0;
    int count = 0;
    for (int j = 0; j < volume.grid.ny; ++j)
      for (int i = 0; i < volume.grid.nx; ++i) {
        const double r = std::hypot(volume.grid.x_mm(i) - 4, volume.grid.y_mm(j) + 3);
        const double value = double(volume.at(i, j, volume.grid.nz / 2));
        if (r < 2.1) sum += value, ++count;
        if (r > 2.45) CHECK(value == 0);
      }
    CHECK(std::abs(sum / count - 0.1) < 0.001);

    REQUIRE(run(folder, "reconstruct region/scan.json -o small --surround overview --threads 1 --memory 31M").status ==
            0);
    for (const std::string slice : {"/slices/slice_0003.tif", "/slices/slice_0012.tif"})
      CHECK(slurp(folder / ("volume" + slice)) == slurp(folder / ("small" + slice)));

    REQUIRE(run(folder, "reconstruct region/scan.json -o piece --surround overview --size 8,8,4 --centre 4.5,-3,1")
                .status == 0);
    CHECK(record_of(folder, "piece").at("centre_mm").at(0) == 4.5);
    CHECK(outcome.err.find("is it the same part") == std::string::npos);

    // Its own volume supplies nothing.
    REQUIRE(run(folder, "reconstruct region/scan.json -o own --truncated as-is --quiet").status == 0);
    const auto by_own = run(folder, "reconstruct region/scan.json -o twice --surround own");
    CHECK(by_own.status == 2);
    CHECK(by_own.err.find("own lies within the field of view; must reach beyond it") != std::string::npos);
    // Nor does a part's half tell of the whole.
    make_scan(folder, "half", 0.25, {-4, 3, -1});
    REQUIRE(run(folder, "reconstruct half/scan.json -o half_seen --quiet").status == 0);
    const auto by_half = run(folder, "reconstruct region/scan.json -o of_half --surround half_seen");
    CHECK(by_half.status == 0);
    CHECK(by_half.err.find("half_seen is itself cut off: the part left the view in ") != std::string::npos);
    CHECK(by_half.err.find("clearly better") == std::string::npos);
    // An overview that ends within the part lacks most of what every ray meets.
    REQUIRE(run(folder, "reconstruct whole/scan.json -o cut --size 16,16,24 --centre 4,-3,1 --quiet").status == 0);
    const auto cut = run(folder, "reconstruct region/scan.json -o short --surround cut --size 8,8,4 --centre 4,-3,1");
    CHECK(cut.status == 2);
    CHECK(cut.err.find("must differ by at most 40 %") != std::string::npos);
    CHECK(!fs::exists(folder / "short"));
    // One that lies 3 mm, 6 voxels, elsewhere than it is said to but fits is warned of and serves to measure.
    make_scan(folder, "far", 0.2, {-8, 3, -1});  // at the part's rim, where places show
    REQUIRE(run(folder, "reconstruct far/scan.json -o far_right --surround overview --quiet").err.empty());
    const auto moved =
        run(folder, "reconstruct far/scan.json -o moved --surround overview --set part_moved_mm=[-5,3,-1]");
    CHECK(moved.status == 0);
    CHECK(moved.err.find("does part_moved_mm of both scans say where it stood?") != std::string::npos);
    CHECK(!record_of(folder, "moved").contains("use"));
    // One of a part with a rod in it that this one has not fits badly: the volume says so.
    const auto plain = nlohmann::json::parse(slurp(folder / "part.json"));
    auto other = plain;
    other["solids"].push_back({{"shape", "cylinder"},
                               {"centre_mm", {4, -3, 0}},
                               {"radius_mm", 1},
                               {"length_mm", 30},
                               {"value_per_mm", 0.4},
                               {"mode", "replace"}});
    write_json(folder / "part.json", other);
    make_scan(folder, "rod", 0.5);
    REQUIRE(run(folder, "reconstruct rod/scan.json -o with_rod --quiet").status == 0);
    const auto doubtful = run(folder, "reconstruct region/scan.json -o doubtful --surround with_rod");
    CHECK(doubtful.status == 0);
    CHECK(doubtful.err.find("is it the same part") != std::string::npos);
    CHECK(record_of(folder, "doubtful").at("use") == "for looking, not measuring");
    CHECK(!record.contains("use"));
    // An overview whose values are 11 per cent lower.
    auto dim = plain;
    dim["solids"][0]["value_per_mm"] = 0.089;
    write_json(folder / "part.json", dim);
    make_scan(folder, "dim", 0.5);
    REQUIRE(run(folder, "reconstruct dim/scan.json -o low --quiet").status == 0);
    const auto scaled = run(folder, "reconstruct region/scan.json -o scaled --surround low");
    CHECK(scaled.status == 0);
    CHECK(scaled.err.find("the values of low differ by 1") != std::string::npos);
    CHECK(scaled.err.find("% from what the rows of region/scan.json measured, and were multiplied by 1.1") !=
          std::string::npos);
    CHECK(outcome.err.find("the values of") == std::string::npos);

    const std::string before = slurp(folder / "overview/volume.json");
    const auto itself = run(folder, "reconstruct region/scan.json -o overview --surround ./overview --overwrite");
    CHECK(itself.status == 2);
    CHECK(itself.err.find("-o: overview is or holds ./overview, which is read; must be another folder") !=
          std::string::npos);
    CHECK(slurp(folder / "overview/volume.json") == before);
    CHECK(run(folder, "reconstruct region/scan.json -o volume2 --surround overview --truncated as-is").status == 2);
    CHECK(!fs::exists(folder / "volume2"));
  }

  TEST_CASE("an overview that is not there or lies within the view is refused") {
    const Folder folder;
    scan_part(folder, 4);
    const auto missing = run(folder, "reconstruct scan/scan.json -o volume --surround overview");
    CHECK(missing.status == 2);
    CHECK(missing.err.find("overview: no such volume folder") != std::string::npos);
    REQUIRE(run(folder, "reconstruct scan/scan.json -o overview --size 16,16,8 --quiet").status == 0);
    const auto within = run(folder, "reconstruct scan/scan.json -o volume --surround overview");
    CHECK(within.status == 2);
    CHECK(within.err.find("must reach beyond it") != std::string::npos);
    CHECK(run(folder, "reconstruct scan/scan.json -o volume --surround overview --filter none").status == 2);
    CHECK(!fs::exists(folder / "volume"));
  }
}
