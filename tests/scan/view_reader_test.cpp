#include "rayloom/scan/view_reader.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "scan/support.h"

namespace fs = std::filesystem;
using namespace rayloom;
using namespace rayloom::test;
using nlohmann::json;

namespace {

constexpr int views = 6, rows = 4, columns = 9;

/// The upright value of the scan that all these tests store in one way or another.
int value_at(int view, int row, int column) {
  return 1000 * view + 100 * row + column;
}

json description(const json& images) {
  return {{"rayloom_scan", 1},
          {"beam", "fan"},
          {"source_to_object_mm", 100},
          {"source_to_detector_mm", 200},
          {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
          {"views", {{"count", views}, {"arc_deg", 360}}},
          {"images", images}};
}

struct Fixture {
  TemporaryFolder folder;

  Scan scan(json images, const json& changes = json::object()) const {
    if (!images.contains("kind")) images["kind"] = "line_integrals";
    json value = description(images);
    value.merge_patch(changes);
    return parse_scan(value, folder / "scan.json");
  }
  /// One image a view.
  void store_views() const {
    for (int view = 0; view < views; ++view) {
      std::vector<std::uint16_t> samples;
      for (int row = 0; row < rows; ++row)
        for (int column = 0; column < columns; ++column)
          samples.push_back(std::uint16_t(value_at(view, row, column)));
      write_samples(folder / numbered("p/v", view, ".tif"), rows, columns, samples);
    }
  }
  /// One image a detector row, stored turned by 90 degrees anticlockwise and mirrored so that turned_deg 90 and
  /// mirrored make it upright: stored (r, c) is the upright sinogram's (c, r).
  void store_sinograms() const {
    for (int row = 0; row < rows; ++row) {
      std::vector<std::uint16_t> upright, stored;
      for (int view = 0; view < views; ++view)
        for (int column = 0; column < columns; ++column)
          upright.push_back(std::uint16_t(value_at(view, row, column)));
      for (int column = 0; column < columns; ++column)
        for (int view = 0; view < views; ++view)
          stored.push_back(std::uint16_t(value_at(view, row, column)));
      write_samples(folder / numbered("s/r", row, ".tif"), views, columns, upright);
      write_samples(folder / numbered("t/r", row, ".tif"), columns, views, stored);
      const auto raw = [&](const std::string& name, const std::vector<std::uint16_t>& samples) {
        fs::create_directories((folder / name).parent_path());
        put_bytes(folder / name, std::string(reinterpret_cast<const char*>(samples.data()), samples.size() * 2));
      };
      raw(numbered("h/r", row, ".raw"), upright);
      raw(numbered("i/r", row, ".raw"), stored);
    }
  }
};

void check_blocks(const ViewReader& reader) {
  int wrong = 0;
  for (int first_view = 0; first_view < views; ++first_view)
    for (int view_count = 1; first_view + view_count <= views; ++view_count)
      for (int first_row = 0; first_row < rows; ++first_row)
        for (int row_count = 1; first_row + row_count <= rows; ++row_count) {
          std::vector<float> block(std::size_t(view_count * row_count * columns));
          reader.read(first_view, view_count, first_row, row_count, block);
          std::size_t i = 0;
          for (int view = 0; view < view_count; ++view)
            for (int row = 0; row < row_count; ++row)
              for (int column = 0; column < columns; ++column)
                wrong += block[i++] != float(value_at(first_view + view, first_row + row, column));
        }
  CHECK(wrong == 0);
}

const json headerless = {{"sample", "uint16"}};

}  // namespace

TEST_SUITE("stream of views") {
  TEST_CASE_FIXTURE(Fixture, "any block of views and rows is the same from views and from sinograms") {
    store_views();
    store_sinograms();
    check_blocks(ViewReader(scan({{"projections", "p/*.tif"}})));
    check_blocks(ViewReader(scan({{"projections", "s/*.tif"}, {"layout", "sinograms"}})));
    check_blocks(ViewReader(
        scan({{"projections", "t/*.tif"}, {"layout", "sinograms"}, {"turned_deg", 90}, {"mirrored", true}})));
    check_blocks(ViewReader(scan({{"projections", "h/*.raw"}, {"layout", "sinograms"}, {"headerless", headerless}})));
    check_blocks(ViewReader(scan({{"projections", "i/*.raw"},
                                  {"layout", "sinograms"},
                                  {"headerless", headerless},
                                  {"turned_deg", 90},
                                  {"mirrored", true}})));
  }

  TEST_CASE_FIXTURE(Fixture, "the file that holds a view and row is named") {
    store_views();
    store_sinograms();
    CHECK_HOLDS(ViewReader(scan({{"projections", "p/*.tif"}})).name_of(5, 2), "p/v5.tif");
    CHECK_HOLDS(ViewReader(scan({{"projections", "s/*.tif"}, {"layout", "sinograms"}})).name_of(5, 2), "s/r2.tif");
  }

  TEST_CASE_FIXTURE(Fixture, "headerless views of a detector on its side") {
    // Stored 9 rows x 4 columns; a turn of 270 puts upright (r, c) at stored (c, 4 - 1 - r).
    for (int view = 0; view < views; ++view) {
      std::string bytes;
      for (int c = 0; c < columns; ++c)
        for (int r = rows - 1; r >= 0; --r) {
          const int value = value_at(view, r, c);
          bytes += {char(value >> 8), char(value & 0xff)};
        }
      put_bytes(folder / numbered("v", view, ".raw"), bytes);
    }
    check_blocks(ViewReader(scan({{"projections", "v*.raw"},
                                  {"turned_deg", 270},
                                  {"headerless", {{"sample", "uint16"}, {"byte_order", "big"}}}})));
  }

  TEST_CASE_FIXTURE(Fixture, "wrong counts are told with both counts") {
    store_views();
    store_sinograms();
    const auto refusal = [&](const json& images, const json& changes) {
      return message_of([&] { ViewReader{scan(images, changes)}; });
    };
    auto message = refusal({{"projections", "p/*.tif"}}, {{"views", {{"count", 7}}}});
    CHECK_HOLDS(message, "scan.json: images.projections: \"p/*.tif\": 6 images; must be one a view, views.count is 7");
    message = refusal({{"projections", "p/*.tif"}}, {{"views", {{"count", 5}}}});
    CHECK_HOLDS(message, "6 images; must be one a view, views.count is 5");
    CHECK_HOLDS(message, "images.return_view");
    const json sinograms = {{"projections", "s/*.tif"}, {"layout", "sinograms"}};
    CHECK_HOLDS(refusal(sinograms, {{"views", {{"count", 7}}}}),
                "images.projections: \"s/*.tif\": 6 rows in each sinogram; must be one a view, views.count is 7");
    CHECK_HOLDS(refusal(sinograms, {{"detector", {{"rows", 5}}}}),
                "4 sinograms; must be one a detector row, detector.rows is 5");
    CHECK_HOLDS(refusal(sinograms, {{"detector", {{"columns", 8}}}}),
                "sinograms of 9 x 6 pixels upright; must have detector.columns, 8");
    CHECK_HOLDS(refusal({{"projections", "p/*.tif"}}, {{"detector", {{"columns", 8}}}}),
                "9 x 4 pixels upright; must be detector.columns x detector.rows, 8 x 4");
    message = refusal({{"projections", "p/*.tif"}, {"turned_deg", 90}}, json::object());
    CHECK_HOLDS(message, "4 x 9 pixels upright; must be detector.columns x detector.rows, 9 x 4");
    CHECK_HOLDS(message, "images.turned_deg");
    CHECK_HOLDS(refusal({{"projections", "q/*.tif"}}, json::object()), "scan.json: images.projections: ");
    CHECK_HOLDS(refusal({{"projections", "q/*.tif"}}, json::object()), "q/*.tif: no file matches");
    Scan geometry_only = scan({{"projections", "p/*.tif"}});
    geometry_only.images = {};
    CHECK_HOLDS(message_of([&] { ViewReader{geometry_only}; }), "scan.json: images.projections: missing");
  }

  TEST_CASE_FIXTURE(Fixture, "holes are allowed where the angles are listed") {
    store_views();
    fs::remove(folder / "p/v3.tif");
    const json images = {{"projections", "p/*.tif"}};
    const auto message = message_of([&] { ViewReader{scan(images, {{"views", {{"count", 5}}}})}; });
    CHECK_HOLDS(message, "images.projections: ");
    CHECK_HOLDS(message, "p/v3.tif: missing: a hole in the numbering");
    json listed = description({{"projections", "p/*.tif"}, {"kind", "line_integrals"}});
    listed["views"] = {{"angles_deg", {0, 60, 120, 240, 300}}};
    const ViewReader reader(parse_scan(listed, folder / "scan.json"));
    std::vector<float> row(columns);
    reader.read(3, 1, 1, 1, row);
    CHECK(row[2] == float(value_at(4, 1, 2)));

    // A missing detector row is no matter of angles.
    store_sinograms();
    fs::remove(folder / "s/r2.tif");
    listed["views"] = {{"angles_deg", {0, 60, 120, 180, 240, 300}}};
    listed["detector"]["rows"] = 3;
    listed["images"] = {{"projections", "s/*.tif"}, {"kind", "line_integrals"}, {"layout", "sinograms"}};
    CHECK_HOLDS(message_of([&] { ViewReader{parse_scan(listed, folder / "scan.json")}; }), "s/r2.tif: missing");
  }
}

TEST_SUITE("dark and open images") {
  TEST_CASE_FIXTURE(Fixture, "a number fills the image as it is") {
    const Image image = mean_image(scan({{"projections", "x"}, {"scale", 3}}), 12.5, "images.dark");
    CHECK(image.rows == rows);
    CHECK(image.columns == columns);
    CHECK(image.samples == std::vector<float>(rows * columns, 12.5F));
  }

  TEST_CASE_FIXTURE(Fixture, "the mean over exposures is the same in both layouts") {
    // Exposure e of pixel (r, c) is value_at(e, r, c), so that the mean over 0..5 is value_at(2.5, r, c).
    store_views();
    store_sinograms();
    const auto check = [&](const Image& mean, double scale) {
      REQUIRE(mean.samples.size() == rows * columns);
      for (int row = 0; row < rows; ++row)
        for (int column = 0; column < columns; ++column)
          CHECK(mean.at(row, column) == float(scale * (2500 + 100 * row + column)));
    };
    check(mean_image(scan({{"projections", "x"}}), ImageNames{"p/*.tif"}, "images.open"), 1);
    check(mean_image(scan({{"projections", "x"}, {"scale", 2}}), ImageNames{"p/*.tif"}, "images.open"), 2);
    const json sinograms = {{"projections", "x"}, {"layout", "sinograms"}};
    check(mean_image(scan(sinograms), ImageNames{"s/*.tif"}, "images.open"), 1);
    json turned = sinograms;
    turned.update({{"turned_deg", 90}, {"mirrored", true}});
    check(mean_image(scan(turned), ImageNames{"t/*.tif"}, "images.open"), 1);
    turned["headerless"] = headerless;
    check(mean_image(scan(turned), ImageNames{"i/*.raw"}, "images.open"), 1);
    json plain = sinograms;
    plain["headerless"] = headerless;
    check(mean_image(scan(plain), ImageNames{"h/*.raw"}, "images.open"), 1);
  }

  TEST_CASE_FIXTURE(Fixture, "a lost exposure does no harm but another size does") {
    store_views();
    fs::remove(folder / "p/v3.tif");
    CHECK(mean_image(scan({{"projections", "x"}}), ImageNames{"p/*.tif"}, "images.dark").at(1, 1) == 2501);
    const auto refusal = [&](const json& images, const char* names, const json& changes) {
      return message_of([&] { mean_image(scan(images, changes), ImageNames{names}, "images.dark"); });
    };
    CHECK_HOLDS(
        refusal({{"projections", "x"}}, "p/*.tif", {{"detector", {{"rows", 3}}}}),
        "scan.json: images.dark: \"p/*.tif\": 9 x 4 pixels upright; must be detector.columns x detector.rows, 9 x 3");
    CHECK_HOLDS(refusal({{"projections", "x"}}, "absent.tif", json::object()), "scan.json: images.dark: ");
    CHECK_HOLDS(refusal({{"projections", "x"}}, "absent.tif", json::object()), "absent.tif: no such file");
    store_sinograms();
    const json sinograms = {{"projections", "x"}, {"layout", "sinograms"}};
    CHECK_HOLDS(refusal(sinograms, "s/*.tif", {{"detector", {{"rows", 3}}}}),
                "images.dark: \"s/*.tif\": 4 sinograms; must be");
    json raw = sinograms;
    raw["headerless"] = headerless;
    put_bytes(folder / "h/r2.raw", std::string(13, 'x'));
    CHECK_HOLDS(refusal(raw, "h/*.raw", json::object()), "h/r2.raw: 13 bytes; must be 108");
    put_bytes(folder / "h/r0.raw", "short");
    CHECK_HOLDS(refusal(raw, "h/*.raw", json::object()), "h/r0.raw: 5 bytes; must hold whole rows of 18 bytes");
  }
}

TEST_SUITE("single images") {
  TEST_CASE_FIXTURE(Fixture, "the defect map is 1 where the stored sample is not 0 whatever the scale") {
    std::vector<std::uint8_t> stored(rows * columns);
    stored[0 * columns + 1] = 255;
    stored[3 * columns + 8] = 1;
    write_samples(folder / "defects.tif", rows, columns, stored);
    const Image map = defect_map(
        scan({{"projections", "x"}, {"defects", "defects.tif"}, {"scale", 0.5}, {"offset", 7}, {"mirrored", true}}));
    for (int row = 0; row < rows; ++row)
      for (int column = 0; column < columns; ++column)
        CHECK(map.at(row, column) == ((row == 0 && column == 7) || (row == 3 && column == 0) ? 1 : 0));
    CHECK(defect_map(scan({{"projections", "x"}})).samples == std::vector<float>(rows * columns, 0));
  }

  TEST_CASE_FIXTURE(Fixture, "beside sinograms single images are upright images of the detector") {
    write_samples(folder / "back.tif", rows, columns, marked(rows, columns, 2));
    const Scan with_view = scan(
        {{"projections", "x"}, {"return_view", "back.tif"}, {"scale", 2}, {"layout", "sinograms"}, {"turned_deg", 90}});
    const auto image = return_view(with_view);
    REQUIRE(image);
    CHECK(image->at(3, 5) == 2 * (2000 + 3 * 16 + 5));
    CHECK(!return_view(scan({{"projections", "x"}})));
  }

  TEST_CASE_FIXTURE(Fixture, "one image of the detector's size must be there") {
    store_views();
    const auto refusal = [&](const char* name) {
      return message_of([&] { defect_map(scan({{"projections", "x"}, {"defects", name}})); });
    };
    CHECK_HOLDS(refusal("p/*.tif"), "scan.json: images.defects: \"p/*.tif\": 6 images; must be one");
    CHECK_HOLDS(refusal("absent.tif"), "scan.json: images.defects: ");
    write_samples(folder / "small.tif", 2, 2, marked(2, 2, 0));
    CHECK_HOLDS(refusal("small.tif"), "images.defects: \"small.tif\": 2 x 2 pixels upright; must be");
  }
}
