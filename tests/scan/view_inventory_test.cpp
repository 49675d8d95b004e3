// Which views are there, whatever is missing.
#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "rayloom/scan/view_inventory.h"
#include "scan/support.h"

using namespace rayloom;

namespace {

Scan scan_in(const test::TemporaryFolder& folder, int views, const nlohmann::json& more = {}) {
  nlohmann::json json = {{"rayloom_scan", 1},
                         {"beam", "parallel"},
                         {"detector", {{"columns", 4}, {"rows", 3}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                         {"views", {{"count", views}, {"arc_deg", 360}}},
                         {"images", {{"projections", "v_*.tif"}, {"kind", "transmission"}}}};
  if (!more.is_null()) json.merge_patch(more);
  return parse_scan(json, folder / "scan.json");
}

void write_views(const test::TemporaryFolder& folder, const std::vector<int>& numbers) {
  for (const int number : numbers)
    test::write_samples(folder / test::numbered("v_", number, ".tif"), 3, 4, test::marked(3, 4, number % 60));
}

std::vector<int> from_to(int first, int end, int step = 1) {
  std::vector<int> numbers;
  for (int i = first; i < end; i += step)
    numbers.push_back(i);
  return numbers;
}

}  // namespace

TEST_SUITE("views that are there") {
  TEST_CASE("file numbers tell the views") {
    std::vector<int> holed = from_to(0, 30);
    holed.erase(holed.begin() + 7);
    std::vector<int> from_one = from_to(1, 31), holed_from_one = from_one, holed_views = holed;
    holed_from_one.erase(holed_from_one.begin() + 7);
    struct Case {
      const char* what;
      std::vector<int> numbers, views;
      int planned;
    };
    for (const Case& one :
         {Case{"whole", from_to(0, 30), from_to(0, 30), 30}, Case{"whole from 1", from_one, from_to(0, 30), 30},
          Case{"one missing", holed, holed_views, 30}, Case{"one missing from 1", holed_from_one, holed_views, 30},
          Case{"broken off", from_to(0, 21), from_to(0, 21), 30},
          Case{"broken off from 1", from_to(1, 21), from_to(0, 20), 30},
          Case{"first two missing", from_to(2, 30), from_to(2, 30), 30},
          Case{"one too many", from_to(0, 31), from_to(0, 31), 30},
          Case{"counted in degrees", from_to(0, 360, 12), from_to(0, 30), 30},
          Case{"begun late", from_to(500, 530), from_to(0, 30), 30},
          Case{"four trial views", {0, 8, 15, 22}, {0, 8, 15, 22}, 30},
          Case{"trial views of their own", {0, 1, 2, 3}, {0, 1, 2, 3}, 30}, Case{"one trial view", {0}, {0}, 30},
          Case{"times, not views",
               {1000, 21013, 41027, 61042, 81005, 101019, 121030, 141044, 161050, 181061},
               from_to(0, 10),
               10}}) {
      CAPTURE(one.what);
      const test::TemporaryFolder folder;
      write_views(folder, one.numbers);
      const ViewInventory inventory(scan_in(folder, one.planned));
      CHECK(inventory.views() == one.views);
      CHECK(inventory.planned() == one.planned);
      CHECK(inventory.unreadable().empty());
      std::vector<float> samples(12);
      inventory.read(inventory.images() - 1, 1, samples);
      CHECK(samples[5] == test::marked(3, 4, one.numbers.back() % 60)[5]);
    }
  }

  TEST_CASE("listed angles go with the images one by one") {
    const test::TemporaryFolder folder;
    write_views(folder, {3, 5, 6, 10});
    const Scan scan =
        scan_in(folder, 4, {{"views", {{"count", 4}, {"arc_deg", nullptr}, {"angles_deg", {0, 9, 20, 31}}}}});
    CHECK(ViewInventory(scan).views() == from_to(0, 4));
    CHECK(!ViewInventory(scan).numbered());
  }

  TEST_CASE("a file cut short is told and left out") {
    const test::TemporaryFolder folder;
    write_views(folder, from_to(0, 20));
    test::put_bytes(folder / "v_19.tif", test::bytes_in(folder / "v_19.tif").substr(0, 60));
    const ViewInventory inventory(scan_in(folder, 30));
    CHECK(inventory.images() == 19);
    REQUIRE(inventory.unreadable().size() == 1);
    CHECK_HOLDS(inventory.unreadable()[0].file, "v_19.tif");
    CHECK(!inventory.unreadable()[0].why.empty());
  }

  TEST_CASE("rows of sinograms are views") {
    const test::TemporaryFolder folder;
    for (int row = 0; row < 3; ++row)
      test::write_samples(folder / test::numbered("v_", row, ".tif"), 5, 4, test::marked(5, 4, row));
    const ViewInventory inventory(scan_in(folder, 9, {{"images", {{"layout", "sinograms"}}}}));
    CHECK(inventory.views() == from_to(0, 5));
    std::vector<float> samples(24);
    inventory.read(1, 2, samples);
    CHECK(samples[4 + 3] == 1000 + 16 * 1 + 3);       // view 1, row 1, column 3
    CHECK(samples[12 + 8 + 2] == 2000 + 16 * 2 + 2);  // view 2, row 2, column 2
  }

  TEST_CASE("what is no scan at all is refused by name") {
    const test::TemporaryFolder folder;
    CHECK_HOLDS(test::message_of([&] { ViewInventory inventory(scan_in(folder, 5)); }), "images.projections");
    test::put_bytes(folder / "v_0.tif", "no image");
    CHECK_HOLDS(test::message_of([&] { ViewInventory inventory(scan_in(folder, 5)); }), "v_0.tif");
    test::write_samples(folder / "v_0.tif", 3, 5, std::vector<std::uint16_t>(15));
    CHECK_HOLDS(test::message_of([&] { ViewInventory inventory(scan_in(folder, 5)); }), "5 x 3");
  }

  TEST_CASE("exposures come one by one and average to the mean image") {
    const test::TemporaryFolder folder;
    for (int i = 0; i < 3; ++i)
      test::write_samples(folder / test::numbered("dark_", i, ".tif"), 3, 4, test::marked(3, 4, i));
    Scan scan = scan_in(folder, 5);
    std::vector<float> seen;
    for_each_exposure(scan, {"dark_*.tif"}, "images.dark", [&](const Image& one) { seen.push_back(one.at(2, 1)); });
    CHECK(seen == std::vector<float>{33, 1033, 2033});
    CHECK(mean_image(scan, ImageNames{"dark_*.tif"}, "images.dark").at(2, 1) == 1033);
    scan.images.sinograms = true;  // three rows of three exposures
    seen.clear();
    for_each_exposure(scan, {"dark_*.tif"}, "images.dark", [&](const Image& one) { seen.push_back(one.at(2, 1)); });
    CHECK(seen == std::vector<float>{2001, 2017, 2033});
  }
}
