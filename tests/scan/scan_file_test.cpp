#include "rayloom/scan/scan_file.h"

#include <nlohmann/json.hpp>

#include "rayloom/json_fields.h"
#include "scan/support.h"

using namespace rayloom;
using namespace rayloom::test;
using nlohmann::json;

namespace {

/// The scan file that the documentation shows, less its tiles.
json documented() {
  return json::parse(R"({
    "rayloom_scan": 1,
    "title": "free text", "notes": { "operator": "any strings" },
    "beam": "cone",
    "source_to_object_mm": 200.0,
    "source_to_detector_mm": 800.0,
    "source": { "voltage_kv": 120, "current_ma": 0.2, "focal_spot_mm": 0.005,
                "filters": [ { "material": "Cu", "thickness_mm": 0.5 } ] },
    "detector": { "columns": 512, "rows": 400, "column_pitch_mm": 0.2, "row_pitch_mm": 0.3,
                  "axis_column": 250.25, "midplane_row": 198.5,
                  "roll_deg": 1.5, "tilt_deg": -0.1, "slant_deg": 0.7, "shape": "flat" },
    "views": { "count": 720, "first_deg": 10.0, "arc_deg": -360.0 },
    "images": { "projections": "projections/*.tif", "kind": "counts",
                "dark": "dark/*.tif", "open": ["open/*.tif", "more.tif"], "open_after": 60000,
                "defects": "defects.tif", "return_view": "return.tif", "saturation": 65535,
                "scale": 2.0, "offset": -1.0, "layout": "sinograms",
                "turned_deg": 90, "mirrored": true,
                "headerless": { "sample": "uint16", "byte_order": "big", "skip_bytes": 16 } }
  })");
}

json parallel() {
  return json::parse(R"({ "rayloom_scan": 1, "beam": "parallel",
    "detector": { "columns": 100, "rows": 1, "column_pitch_mm": 0.5 },
    "views": { "count": 4, "step_deg": 1.5 },
    "images": { "projections": "s.tif", "kind": "line_integrals" } })");
}

/// `value` with the field at `pointer` set to the JSON `text`, or removed if "-".
json changed(json value, const std::string& pointer, const std::string& text) {
  const json::json_pointer at(pointer);
  if (text == "-")
    value.at(at.parent_pointer()).erase(at.back());
  else
    value[at] = json::parse(text);
  return value;
}

std::string refusal(const json& value) {
  return message_of([&] { parse_scan(value, "some/scan.json"); });
}

}  // namespace

TEST_SUITE("scan file") {
  TEST_CASE("every documented key arrives") {
    const Scan scan = parse_scan(documented(), "some/scan.json");
    CHECK(scan.folder() == "some");
    CHECK(scan.title == "free text");
    CHECK(scan.notes.at("operator") == "any strings");
    CHECK(scan.source.voltage_kv == 120);
    CHECK(scan.source.current_ma == 0.2);
    CHECK(scan.source.focal_spot_mm == 0.005);
    REQUIRE(scan.source.filters.size() == 1);
    CHECK(scan.source.filters[0].material == "Cu");
    CHECK(scan.source.filters[0].thickness_mm == 0.5);
    const Geometry& geometry = scan.geometry;
    CHECK(geometry.beam == Beam::cone);
    CHECK(geometry.sod_mm == 200);
    CHECK(geometry.sdd_mm == 800);
    CHECK(geometry.detector.columns == 512);
    CHECK(geometry.detector.rows == 400);
    CHECK(geometry.detector.column_pitch_mm == 0.2);
    CHECK(geometry.detector.row_pitch_mm == 0.3);
    CHECK(geometry.detector.axis_column == 250.25);
    CHECK(geometry.detector.midplane_row == 198.5);
    CHECK(geometry.detector.roll_rad == doctest::Approx(1.5 * 3.14159265358979 / 180));
    CHECK(geometry.detector.tilt_rad == doctest::Approx(-0.1 * 3.14159265358979 / 180));
    CHECK(geometry.detector.slant_rad == doctest::Approx(0.7 * 3.14159265358979 / 180));
    CHECK(geometry.detector.shape == DetectorShape::flat);
    REQUIRE(geometry.angles_rad.size() == 720);
    CHECK(geometry.angles_rad[0] == doctest::Approx(10 * 3.14159265358979 / 180));
    CHECK(geometry.angles_rad[719] == doctest::Approx((10 - 359.5) * 3.14159265358979 / 180));
    const ScanImages& images = scan.images;
    CHECK(images.projections == ImageNames{"projections/*.tif"});
    CHECK(images.kind == ImageKind::counts);
    CHECK(std::get<ImageNames>(*images.dark) == ImageNames{"dark/*.tif"});
    CHECK(std::get<ImageNames>(*images.open) == ImageNames{"open/*.tif", "more.tif"});
    CHECK(std::get<double>(*images.open_after) == 60000);
    CHECK(images.defects == ImageNames{"defects.tif"});
    CHECK(images.return_view == ImageNames{"return.tif"});
    CHECK(images.saturation == 65535);
    CHECK(images.scale == 2);
    CHECK(images.offset == -1);
    CHECK(images.sinograms);
    CHECK(images.turned_deg == 90);
    CHECK(images.mirrored);
    REQUIRE(images.headerless);
    CHECK(images.headerless->sample == Headerless::Sample::uint16);
    CHECK(images.headerless->big_endian);
    CHECK(images.headerless->skip_bytes == 16);
  }

  TEST_CASE("what may be left out has its documented default") {
    const Scan scan = parse_scan(parallel(), "scan.json");
    CHECK(scan.folder() == "");
    CHECK(scan.geometry.detector.axis_column == 49.5);
    CHECK(scan.geometry.detector.midplane_row == 0);
    CHECK(scan.geometry.detector.row_pitch_mm == 0.5);  // one row: that of the columns
    CHECK(!scan.geometry.detector.turned());
    CHECK(scan.geometry.angles_rad[3] == doctest::Approx(4.5 * 3.14159265358979 / 180));
    CHECK(scan.images.scale == 1);
    CHECK(scan.images.offset == 0);
    CHECK(!scan.images.sinograms);
    CHECK(scan.images.turned_deg == 0);
    CHECK(!scan.images.mirrored);
    CHECK(!scan.images.headerless);
    CHECK(!scan.images.saturation);
    json geometry_only = parallel();
    geometry_only.erase("images");
    CHECK(parse_scan(geometry_only, "scan.json").images.projections.empty());
  }

  TEST_CASE("angles listed in the file or in one beside it") {
    json value = parallel();
    value["views"] = json::parse(R"({ "angles_deg": [0, 90.5, -30] })");
    CHECK(parse_scan(value, "scan.json").views.count == 3);
    CHECK(parse_scan(value, "scan.json").geometry.angles_rad[1] == doctest::Approx(1.5795229730548683));

    TemporaryFolder folder;
    put_bytes(folder / "angles.txt", "# encoder\n 0.5\n\n+1e1 # second\r\n\t-20.25");
    value["views"] = json::parse(R"({ "angles_file": "angles.txt", "count": 3 })");
    const Scan scan = parse_scan(value, folder / "scan.json");
    REQUIRE(scan.geometry.angles_rad.size() == 3);
    CHECK(scan.geometry.angles_rad[0] == doctest::Approx(0.008726646259971648));
    CHECK(scan.geometry.angles_rad[1] == doctest::Approx(0.17453292519943295));
    CHECK(scan.geometry.angles_rad[2] == doctest::Approx(-0.3534291735288517));

    value["views"]["count"] = 4;
    const auto message = message_of([&] { parse_scan(value, folder / "scan.json"); });
    CHECK_HOLDS(message, "scan.json: views.count: 4; must be the number of angles in angles_file, 3");
    for (const char* bad : {"0,5", "1 2", "ten", "nan", "inf", "1e999", "+", "--1"}) {
      put_bytes(folder / "angles.txt", std::string("0\n") + bad + "\n");
      CHECK_HOLDS(message_of([&] { parse_scan(value, folder / "scan.json"); }),
                  std::string("angles.txt: line 2: '") + bad + "'; must be one angle in degrees");
    }
    put_bytes(folder / "angles.txt", "# none\n");
    CHECK_HOLDS(message_of([&] { parse_scan(value, folder / "scan.json"); }), "angles.txt: holds no angle");
    value["views"]["angles_file"] = "absent.txt";
    CHECK_HOLDS(message_of([&] { parse_scan(value, folder / "scan.json"); }), "absent.txt: cannot be read");
    value["views"]["angles_file"] = ".";
    CHECK_HOLDS(message_of([&] { parse_scan(value, folder / "scan.json"); }), "cannot be read");
  }

  TEST_CASE("reading what was written gives the same scan") {
    TemporaryFolder folder;
    put_bytes(folder / "angles.txt", "0\n1.1\n2.3\n");
    std::vector<json> cases = {documented(), parallel()};
    json value = documented();
    value["images"]["layout"] = "views";
    value["images"].erase("headerless");
    value["views"] = json::parse(R"({ "count": 7, "first_deg": 0.1, "step_deg": 0.3 })");
    cases.push_back(value);
    value = parallel();
    value["views"] = json::parse(R"({ "angles_deg": [0.1, 7.3, 359.9],
      "part_moved_mm": [[0.0, 0.0, 0.0], [0.1, -0.25, 1e-3], [0.2, -0.5, 2e-3]] })");
    value["images"] = json::parse(R"({ "projections": "s.tif", "kind": "corrected", "open_level": [1, 2.5, 3] })");
    cases.push_back(value);
    value["images"]["open_level"] = 60000.5;
    cases.push_back(value);
    value["images"]["open_level"] = "border";
    cases.push_back(value);
    value["views"] = json::parse(R"({ "angles_file": "angles.txt" })");
    cases.push_back(value);
    value = changed(changed(documented(), "/beam", "\"fan\""), "/detector/shape", "\"arc\"");
    for (const char* turn : {"roll_deg", "tilt_deg", "slant_deg"})
      value["detector"].erase(turn);
    cases.push_back(value);
    value.erase("images");
    cases.push_back(value);

    for (const auto& original : cases) {
      const Scan first = parse_scan(original, folder / "scan.json");
      write_scan(first, folder / "scan.json");
      const Scan second = read_scan(folder / "scan.json");
      // Nothing is lost or changed on the way: every given key is written with its value ..
      const json written = json::parse(bytes_in(folder / "scan.json"));
      const json given = original.flatten();
      for (const auto& [pointer, entry] : given.items()) {
        CAPTURE(std::string(pointer));
        const bool default_value = pointer == "/detector/shape" || pointer == "/images/layout";
        CHECK((default_value || written.flatten().value(pointer, json()) == entry));
      }
      // .. and what is read back is the same to the last bit.
      CHECK(to_json(first) == to_json(second));
      CHECK(first.geometry.angles_rad == second.geometry.angles_rad);
      CHECK(first.geometry.part_moved_mm == second.geometry.part_moved_mm);
      CHECK(first.geometry.part_moved_mm.size() == original["views"].value("part_moved_mm", json::array()).size());
      CHECK(first.geometry.detector.roll_rad == second.geometry.detector.roll_rad);
      CHECK(first.geometry.detector.tilt_rad == second.geometry.detector.tilt_rad);
      CHECK(first.geometry.detector.slant_rad == second.geometry.detector.slant_rad);
    }
  }

  TEST_CASE("keys are written in the order of the documentation") {
    std::string keys;
    const auto written = to_json(parse_scan(documented(), "scan.json"));
    for (const auto& item : written.items())
      keys += item.key() + " ";
    CHECK(keys ==
          "rayloom_scan title notes beam source_to_object_mm source_to_detector_mm source detector views images ");
  }

  TEST_CASE("a scan made in memory lists its angles") {
    Scan scan = parse_scan(parallel(), "scan.json");
    scan.views = {};
    scan.geometry.angles_rad = {radians(0.1), radians(33.3), radians(-120)};
    CHECK(to_json(scan)["views"].dump() == R"({"count":3,"angles_deg":[0.1,33.3,-120.0]})");
  }
}

TEST_SUITE("bad scan files") {
  TEST_CASE("a shift of the part that is none is told with its view") {
    json value = parallel();
    value["views"]["part_moved_mm"] = json::parse("[[0, 0, 0], [1, 2], [0, 0, 0], [0, 0, 0]]");
    CHECK_HOLDS(refusal(value), "views.part_moved_mm: [1,2] for view 1; must be a list of [x, y, z] in mm");
    value["views"]["part_moved_mm"][1] = json::parse("[1, 2, \"3\"]");
    CHECK_HOLDS(refusal(value), "views.part_moved_mm: [1,2,\"3\"] for view 1; must be");
  }

  TEST_CASE("unknown keys are refused by name at every level with the nearest known") {
    struct Case {
      const char *pointer, *name, *hint;
    };
    for (const auto& [pointer, name, hint] :
         {Case{"/titel", "titel", "title"}, Case{"/source/voltage", "source.voltage", "voltage_kv"},
          Case{"/source/filters/0/thicknes_mm", "source.filters[0].thicknes_mm", "thickness_mm"},
          Case{"/detector/axis_colum", "detector.axis_colum", "axis_column"},
          Case{"/views/arc_degrees", "views.arc_degrees", "arc_deg"},
          Case{"/images/projection", "images.projection", "projections"},
          Case{"/images/headerless/skip_byte", "images.headerless.skip_byte", "skip_bytes"}}) {
      const auto message = refusal(changed(documented(), pointer, "1"));
      CHECK_HOLDS(message, std::string("some/scan.json: ") + name + ": unknown key");
      CHECK_HOLDS(message, std::string("did you mean '") + hint + "'?");
    }
  }

  TEST_CASE("each bad value is told with file and field and value and what must hold") {
    struct Case {
      const char *pointer, *value, *message;
    };
    const Case cases[] = {
        {"/views/part_moved_mm", "[[0, 0, 1]]", "views.part_moved_mm: 1 shifts; must be one a view, 720"},
        {"/views/part_moved_mm", "3", "views.part_moved_mm: 3; must be a list of [x, y, z] in mm, one a view"},
        {"/rayloom_scan", "2", "rayloom_scan: 2; must be 1"},
        {"/rayloom_scan", "-", "rayloom_scan: missing; must be 1"},
        {"/tiles", "[]", "tiles: the scan is in detector tiles; must be stitched into one first"},
        {"/title", "5", "title: 5; must be a text"},
        {"/notes", "\"x\"", "notes: \"x\"; must be an object"},
        {"/notes/operator", "3", "notes.operator: 3; must be a text"},
        {"/beam", "-", "beam: missing"},
        {"/beam", "\"helix\"", "beam: \"helix\"; must be \"parallel\", \"fan\" or \"cone\""},
        {"/beam", "\"parallel\"", "source_to_object_mm: 200.0; must be absent for a parallel beam"},
        {"/source_to_object_mm", "-", "source_to_object_mm: missing"},
        {"/source_to_object_mm", "0", "source_to_object_mm: 0; must be above 0"},
        {"/source_to_detector_mm", "\"800\"", "source_to_detector_mm: \"800\"; must be a number"},
        {"/source_to_detector_mm", "200", "source_to_detector_mm: 200; must be above source_to_object_mm (200)"},
        {"/source_to_detector_mm", "150", "source_to_detector_mm: 150; must be above source_to_object_mm (200)"},
        {"/source/voltage_kv", "-1", "source.voltage_kv: -1; must be above 0"},
        {"/source/filters", "{}", "source.filters: {}; must be a list"},
        {"/source/filters/0/thickness_mm", "-", "source.filters[0].thickness_mm: missing"},
        {"/detector", "-", "detector: missing"},
        {"/detector/columns", "0", "detector.columns: 0; must be from 1 to 1000000"},
        {"/detector/columns", "5000000000", "detector.columns: 5000000000; must be from 1 to"},
        {"/detector/rows", "2.5", "detector.rows: 2.5; must be a whole number"},
        {"/detector/column_pitch_mm", "0", "detector.column_pitch_mm: 0; must be above 0"},
        {"/detector/row_pitch_mm", "0", "detector.row_pitch_mm: 0; must be above 0"},
        {"/detector/row_pitch_mm", "-", "detector.row_pitch_mm: missing"},
        {"/detector/axis_column", "511.6", "detector.axis_column: 511.6; must lie on the detector, from -0.5 to 511.5"},
        {"/detector/axis_column", "-0.6", "detector.axis_column: -0.6; must lie on the detector"},
        {"/detector/axis_column", "null", "detector.axis_column: null; must be a number"},
        {"/detector/roll_deg", "75", "detector.roll_deg: 75; must lie within 60 degrees"},
        {"/detector/shape", "\"arc\"", "detector.shape: \"arc\" with beam \"cone\"; must be \"flat\""},
        {"/detector/shape", "\"round\"", "detector.shape: \"round\"; must be \"flat\" or \"arc\""},
        {"/views", "-", "views: missing"},
        {"/views/count", "-", "views.count: missing"},
        {"/views/count", "0", "views.count: 0; must be from 1"},
        {"/views/arc_deg", "-",
         "views: no angles; must give exactly one of arc_deg, step_deg, angles_deg, angles_file"},
        {"/views/step_deg", "1", "views: arc_deg and step_deg; must give exactly one of"},
        {"/views", "{ \"angles_deg\": [1, 2], \"count\": 3 }",
         "views.count: 3; must be the number of angles in angles_deg, 2"},
        {"/views", "{ \"angles_deg\": [1], \"first_deg\": 3 }",
         "views.first_deg: 3; must be absent where the angles are listed"},
        {"/views", "{ \"angles_deg\": [] }", "views.angles_deg: []; must hold at least one"},
        {"/views", "{ \"angles_deg\": [1, \"2\"] }", "views.angles_deg: [1,\"2\"]; must be a list of numbers"},
        {"/images/projections", "-", "images.projections: missing"},
        {"/images/projections", "\"\"", "images.projections: \"\"; must be a file name, a pattern"},
        {"/images/projections", "[]", "images.projections: []; must be a file name"},
        {"/images/projections", "[\"a\", 3]", "images.projections: [\"a\",3]; must be a file name"},
        {"/images/kind", "-", "images.kind: missing"},
        {"/images/kind", "\"raw\"",
         "images.kind: \"raw\"; must be \"counts\", \"corrected\", \"transmission\" or \"line_integrals\""},
        {"/images/kind", "\"transmission\"", "images.dark: \"dark/*.tif\"; must be absent: kind is \"transmission\""},
        {"/images/open", "-", "images.open: missing; kind \"counts\" needs open-beam images or a number"},
        {"/images/open", "0", "images.open: 0; must be above the dark level, 0"},
        {"/images/open_after", "-5", "images.open_after: -5; must be above the dark level, 0"},
        {"/images/dark", "true", "images.dark: true; must be a number, a file name"},
        {"/images/open_level", "5", "images.open_level: 5; must be absent: kind is \"counts\", only \"corrected\""},
        {"/images/saturation", "0", "images.saturation: 0; must be above 0"},
        {"/images/scale", "0", "images.scale: 0; must not be 0"},
        {"/images/offset", "\"a\"", "images.offset: \"a\"; must be a number"},
        {"/images/layout", "\"rows\"", "images.layout: \"rows\"; must be \"views\" or \"sinograms\""},
        {"/images/turned_deg", "45", "images.turned_deg: 45; must be 0, 90, 180 or 270"},
        {"/images/mirrored", "1", "images.mirrored: 1; must be true or false"},
        {"/images/headerless/sample", "\"u16\"", "images.headerless.sample: \"u16\"; must be \"uint8\", \"uint16\""},
        {"/images/headerless/sample", "-", "images.headerless.sample: missing"},
        {"/images/headerless/byte_order", "\"middle\"",
         "images.headerless.byte_order: \"middle\"; must be \"little\" or \"big\""},
        {"/images/headerless/skip_bytes", "-1", "images.headerless.skip_bytes: -1; must not be below 0"},
    };
    for (const auto& [pointer, value, message] : cases) {
      CAPTURE(std::string(pointer));
      CHECK_HOLDS(refusal(changed(documented(), pointer, value)), std::string("some/scan.json: ") + message);
    }
    json numbers = changed(documented(), "/images/dark", "300");
    CHECK_HOLDS(refusal(changed(numbers, "/images/open", "300")),
                "images.open: 300; must be above the dark level, 300");
    CHECK_HOLDS(refusal(json::parse("[1]")), "some/scan.json: the file: [1]; must be an object");
  }

  TEST_CASE("corrected images need the level of the open beam") {
    json value = parallel();
    value["images"] = json::parse(R"({ "projections": "a.tif", "kind": "corrected" })");
    CHECK_HOLDS(refusal(value), "images.open_level: missing; kind \"corrected\" needs");
    value["images"]["open_level"] = {1, 2, 3};
    CHECK_HOLDS(refusal(value), "images.open_level: [1,2,3]; must hold one number a view: it has 3, views.count is 4");
    value["images"]["open_level"] = {1, 2, 0, 4};
    CHECK_HOLDS(refusal(value), "images.open_level: [1,2,0,4]; must be above 0");
    value["images"]["open_level"] = "edge";
    CHECK_HOLDS(refusal(value), "images.open_level: \"edge\"; must be a number, a list of numbers, or \"border\"");
  }

  TEST_CASE("files that are absent or no JSON") {
    TemporaryFolder folder;
    CHECK_HOLDS(message_of([&] { read_scan(folder / "scan.json"); }), "scan.json: no such file");
    put_bytes(folder / "scan.json", "{ \"rayloom_scan\": 1,\n  \"beam\" }");
    CHECK_HOLDS(message_of([&] { read_scan(folder / "scan.json"); }), "scan.json: line 2, column");
    CHECK_HOLDS(message_of<CannotWrite>([&] { write_scan(parse_scan(parallel(), ""), folder / "absent/scan.json"); }),
                "absent/scan.json: cannot be written");
  }
}

TEST_SUITE("settings") {
  TEST_CASE("they replace and add fields") {
    TemporaryFolder folder;
    put_bytes(folder / "scan.json", documented().dump());
    const Scan scan = read_scan(
        folder / "scan.json",
        {"detector.axis_column=254.2", "images.projections=other/*.tif", "images.open=[\"a.tif\",\"b.tif\"]",
         "title=x=y", "source.filters.0.material=Al", "source.filters.1={\"material\":\"Sn\",\"thickness_mm\":1}",
         "views={\"count\":3,\"step_deg\":2}", "notes.batch=\"42\"", "images.mirrored=false"});
    CHECK(scan.geometry.detector.axis_column == 254.2);
    CHECK(scan.images.projections == ImageNames{"other/*.tif"});
    CHECK(std::get<ImageNames>(*scan.images.open) == ImageNames{"a.tif", "b.tif"});
    CHECK(scan.title == "x=y");
    REQUIRE(scan.source.filters.size() == 2);
    CHECK(scan.source.filters[0].material == "Al");
    CHECK(scan.source.filters[1].material == "Sn");
    CHECK(scan.views.step_deg == 2);
    CHECK(scan.notes.at("batch") == "42");
    CHECK(!scan.images.mirrored);
  }

  TEST_CASE("they make objects that the file lacks") {
    TemporaryFolder folder;
    put_bytes(folder / "scan.json", parallel().dump());
    const Scan scan = read_scan(folder / "scan.json",
                                {"source.voltage_kv=90", "images.headerless.sample=float32", "detector.rows=1"});
    CHECK(scan.source.voltage_kv == 90);
    CHECK(scan.images.headerless->sample == Headerless::Sample::float32);
  }

  TEST_CASE("bad ones are told") {
    TemporaryFolder folder;
    put_bytes(folder / "scan.json", documented().dump());
    const auto option = [&](const std::string& setting) {
      return message_of<InvalidOption>([&] { read_scan(folder / "scan.json", {setting}); });
    };
    const auto input = [&](const std::string& setting) {
      return message_of([&] { read_scan(folder / "scan.json", {setting}); });
    };
    CHECK_HOLDS(option("detector.rows"), "setting 'detector.rows'; must be KEY=VALUE");
    CHECK_HOLDS(option("=3"), "setting '=3'; must be KEY=VALUE");
    CHECK_HOLDS(option("detector..rows=3"), "must not have an empty name between dots");
    CHECK_HOLDS(option("detector.=3"), "must not have an empty name between dots");
    CHECK_HOLDS(option("detector.rows.x=3"), "'detector.rows' is a single value");
    CHECK_HOLDS(option("source.filters.2=3"), "'2' must be a number from 0 to 1");
    CHECK_HOLDS(option("source.filters.x=3"), "'x' must be a number from 0 to 1");
    CHECK_HOLDS(input("detector.axis_colum=254"), "scan.json: detector.axis_colum: unknown key");
    CHECK_HOLDS(input("detector.axis_colum=254"), "did you mean 'axis_column'?");
    CHECK_HOLDS(input("detector.axis_column=left"), "detector.axis_column: \"left\"; must be a number");
    CHECK_HOLDS(input("detector.axis_column=nan"), "detector.axis_column: \"nan\"; must be a number");
    CHECK_HOLDS(input("detector.axis_column="), "detector.axis_column: \"\"; must be a number");
    CHECK_HOLDS(input("detector.axis_column=1e999"), "detector.axis_column: ");
  }
}
