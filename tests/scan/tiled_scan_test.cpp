// Scan files with tiles.
#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "rayloom/geometry/geometry.h"
#include "rayloom/scan/tiled_scan.h"
#include "support.h"

using namespace rayloom;
using namespace rayloom::test;

namespace {

nlohmann::json tiles_file() {
  return nlohmann::json::parse(R"({
    "rayloom_scan": 1, "beam": "cone", "source_to_object_mm": 200, "source_to_detector_mm": 800,
    "detector": { "columns": 100, "rows": 80, "column_pitch_mm": 0.2, "row_pitch_mm": 0.2,
                  "axis_column": 141.5, "midplane_row": 39.5 },
    "views": { "count": 12, "first_deg": 0, "arc_deg": 360 },
    "images": { "kind": "counts", "dark": "dark/*.tif", "open": "open/*.tif", "saturation": 65535, "projections": "no" },
    "tiles": [ { "column_shift_px": 0, "row_shift_px": 0, "images": { "projections": "tile-0/*.tif" } },
               { "column_shift_px": 92.5, "row_shift_px": -3, "part_raised_mm": 0,
                 "views": { "count": 12, "first_deg": 360, "arc_deg": -360 },
                 "images": { "projections": "tile-1/*.tif", "open": "open-1/*.tif", "defects": "bad-1.tif" } } ]
  })");
}

}  // namespace

TEST_SUITE("scan files with tiles") {
  TEST_CASE("each tile is a scan of its own: what is said for all and what is its own") {
    const TiledScan tiled = parse_tiled_scan(tiles_file(), "some/scan.json");
    REQUIRE(tiled.tiles.size() == 2);
    CHECK(tiled.common.geometry.detector.axis_column == 141.5);
    const Scan &first = tiled.tiles[0].scan, &second = tiled.tiles[1].scan;
    CHECK(first.images.projections == ImageNames{"tile-0/*.tif"});
    CHECK(second.images.projections == ImageNames{"tile-1/*.tif"});
    CHECK(std::get<ImageNames>(*first.images.open) == ImageNames{"open/*.tif"});
    CHECK(std::get<ImageNames>(*second.images.open) == ImageNames{"open-1/*.tif"});
    CHECK(std::get<ImageNames>(*second.images.dark) == ImageNames{"dark/*.tif"});
    CHECK(first.images.defects.empty());
    CHECK(second.images.defects == ImageNames{"bad-1.tif"});
    CHECK(second.images.saturation == 65535);
    CHECK(first.folder() == "some");
    CHECK(second.folder() == "some");
    // Pixel c of the tile is pixel c + 92.5 of the whole, so the axis falls on 141.5 - 92.5.
    CHECK(second.geometry.detector.axis_column == 49);
    CHECK(second.geometry.detector.midplane_row == 42.5);
    CHECK(tiled.tiles[1].part_raised_mm == 0);
    CHECK(second.geometry.angles_rad[1] == doctest::Approx(radians(330)));
  }

  TEST_CASE("sides beyond which another tile or height sees on") {
    const auto sides = [](const nlohmann::json& file, std::size_t tile) {
      const Sides s = continued_sides(parse_tiled_scan(file, "scan.json"), tile);
      return std::vector<bool>{s.left, s.right, s.top, s.bottom};
    };
    nlohmann::json file = tiles_file();
    CHECK(sides(file, 0) == std::vector<bool>{false, true, false, false});
    CHECK(sides(file, 1) == std::vector<bool>{true, false, false, false});
    file["tiles"][1]["row_shift_px"] = -74;  // row 0 of tile 1 is row -74 of tile 0, so tile 1 sees on above it
    CHECK(sides(file, 0) == std::vector<bool>{false, true, true, false});
    CHECK(sides(file, 1) == std::vector<bool>{true, false, false, true});
    // Raised by 3 mm, 60 rows of 0.05 mm at the axis, the part shows what lay below.
    file["tiles"][1] = {{"column_shift_px", 0}, {"part_raised_mm", 3}};
    CHECK(sides(file, 0) == std::vector<bool>{false, false, false, true});
    CHECK(sides(file, 1) == std::vector<bool>{false, false, true, false});
  }

  TEST_CASE("what is written is read back") {
    const TiledScan tiled = parse_tiled_scan(tiles_file(), "some/scan.json");
    const auto written = to_json(tiled);
    const TiledScan again = parse_tiled_scan(nlohmann::json::parse(written.dump()), "some/scan.json");
    CHECK(to_json(again).dump() == written.dump());
    CHECK(again.tiles[1].scan.geometry.detector.axis_column == 49);
    CHECK(again.tiles[1].own_views);
    CHECK(again.tiles[1].part_raised_mm == 0);
  }

  TEST_CASE("views are matched by angle modulo a turn, within a hundredth of a step") {
    nlohmann::json file = tiles_file();
    TiledScan tiled = parse_tiled_scan(file, "scan.json");
    // 360, 330, .. 30 against 0, 30, .. 330.
    CHECK(views_at_same_angles(tiled.tiles[0].scan, tiled.tiles[1].scan) ==
          std::vector<int>{0, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1});
    file["tiles"][1]["views"]["first_deg"] = 359.8;
    tiled = parse_tiled_scan(file, "scan.json");
    CHECK(views_at_same_angles(tiled.tiles[0].scan, tiled.tiles[1].scan)[1] == 11);
    file["tiles"][1]["views"]["first_deg"] = 359.5;
    tiled = parse_tiled_scan(file, "scan.json");
    CHECK_HOLDS(message_of([&] { views_at_same_angles(tiled.tiles[0].scan, tiled.tiles[1].scan); }),
                "scan.json: tiles[1]: views: none at");
    file["tiles"][1]["views"] = {{"count", 13}, {"arc_deg", 360}};
    tiled = parse_tiled_scan(file, "scan.json");
    CHECK_HOLDS(message_of([&] { views_at_same_angles(tiled.tiles[0].scan, tiled.tiles[1].scan); }),
                "scan.json: tiles[1]: views.count: 13; must be that of the first tile, 12");
  }

  TEST_CASE("bad tiles are told with file and field and value and what must hold") {
    struct Case {
      const char *pointer, *value, *message;
    };
    const Case cases[] = {
        {"/tiles", "[]", "scan.json: tiles: []; must hold at least one tile"},
        {"/tiles", "5", "tiles: 5; must be a list of objects"},
        {"/tiles/1/column_shift_px", "\"x\"", "tiles[1].column_shift_px: \"x\"; must be a number"},
        {"/tiles/1/column_shift_px", "2e6", "tiles[1].column_shift_px: 2000000.0; must lie within 1000000 pixels"},
        {"/tiles/1/row_shift", "3", "tiles[1].row_shift: unknown key"},
        {"/tiles/1/images/kind", "\"corrected\"", "scan.json: tiles[1]: images.dark"},
        {"/tiles/1/images/projections", "[]", "scan.json: tiles[1]: images.projections"},
        {"/tiles/1/views/count", "0", "scan.json: tiles[1]: views.count: 0"},
        {"/detector/axis_column", "\"left\"", "detector.axis_column: \"left\"; must be a number"},
        {"/detector/rows", "0", "scan.json: detector.rows: 0"},
    };
    for (const Case& c : cases) {
      CAPTURE(c.pointer);
      nlohmann::json file = tiles_file();
      file[nlohmann::json::json_pointer(c.pointer)] = nlohmann::json::parse(c.value);
      CHECK_HOLDS(message_of([&] { parse_tiled_scan(file, "scan.json"); }), c.message);
    }
  }

  TEST_CASE("a command that reads one detector position says what to do first") {
    const std::string message = message_of([] { parse_scan(tiles_file(), "scan.json"); });
    CHECK_HOLDS(message, "scan.json: tiles: the scan is in detector tiles; must be stitched into one first");
    CHECK_HOLDS(message, "rayloom stitch scan.json -o wide");
  }
}
