// A scan of the views that are there.
#include "rayloom/scan/present_views.h"

#include <doctest/doctest.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/scan/view_reader.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;

namespace {

Scan scan_in(const test::TemporaryFolder& folder, int views, const nlohmann::json& more = {}) {
  nlohmann::json json = {{"rayloom_scan", 1},
                         {"beam", "parallel"},
                         {"detector", {{"columns", 4}, {"rows", 3}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                         {"views", {{"count", views}, {"arc_deg", 180}}},
                         {"images", {{"projections", "v_*.tif"}, {"kind", "transmission"}}}};
  if (!more.is_null()) json.merge_patch(more);
  return parse_scan(json, folder / "scan.json");
}

/// View i holds i everywhere.
void write_views(const test::TemporaryFolder& folder, const std::vector<int>& numbers) {
  for (const int number : numbers)
    test::write_samples(folder / test::numbered("v_", number, ".tif"), 3, 4, std::vector<float>(12, float(number)));
}

/// Which views the scan reads, and that its angles are theirs of `planned` views over 180 degrees.
std::vector<int> views_read(const Scan& scan, int planned) {
  const ViewReader reader(scan);
  std::vector<int> views;
  std::vector<float> samples(12);
  for (int i = 0; i < int(scan.geometry.angles_rad.size()); ++i) {
    reader.read(i, 1, 0, 3, samples);
    views.push_back(int(samples[0]));
    CHECK(std::abs(degrees(scan.geometry.angles_rad[std::size_t(i)]) - 180.0 * views.back() / planned) < 1e-12);
    if (!scan.view_times.empty())
      CHECK(std::abs(scan.view_times[std::size_t(i)] - (views.back() + 0.5) / planned) < 1e-6);
  }
  return views;
}

struct Said {
  std::vector<std::string> warnings;
  Hooks hooks() {
    Hooks result;
    result.warning = [this](const std::string& message) {
      warnings.push_back(message.substr(message.find("images.projections")));
    };
    return result;
  }
};

}  // namespace

TEST_SUITE("scans of the views that are there") {
  TEST_CASE("broken off and with holes and whole") {
    for (const std::vector<int>& numbers :
         {std::vector<int>{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}, std::vector<int>{0, 1, 2, 3, 6, 7, 8, 9, 10, 15}}) {
      const test::TemporaryFolder folder;
      write_views(folder, numbers);
      Said said;
      const PresentViews present = present_views(scan_in(folder, 16), said.hooks());
      CHECK(present.planned == 16);
      CHECK(present.views == numbers);
      CHECK(views_read(present.scan, 16) == numbers);
      REQUIRE(said.warnings.size() == 1);
      const bool holes = numbers[4] == 6;
      CHECK(said.warnings[0] ==
            std::string("images.projections: ") +
                (holes ? "10 of 16 views are there: 0 to 3, 6 to 10, 15; the noise is 1.26"
                       : "12 of 16 views are there: 0 to 11; the noise is 1.15") +
                " times that of the whole scan, and the largest gap between views 56.25 degrees instead of 11.25");
      // It is described as a scan of its own.
      CHECK(views_read(parse_scan(to_json(present.scan), folder / "scan.json"), 16) == numbers);
      const std::string refusal = message_of([&] { ViewReader(scan_in(folder, 16)); });
      CHECK(refusal.find("reconstruct --use-what-is-there goes on with those present") != std::string::npos);
    }
    const test::TemporaryFolder folder;
    write_views(folder, {0, 1, 2});
    Said said;
    const PresentViews whole = present_views(scan_in(folder, 3), said.hooks());
    CHECK(said.warnings.empty());
    CHECK(to_json(whole.scan) == to_json(scan_in(folder, 3)));
  }

  TEST_CASE("lost at both ends: numbers count from 0 and that is said") {
    const std::vector<int> numbers = {2, 3, 4, 5, 6, 9, 10, 11, 12, 13};
    const test::TemporaryFolder folder;
    write_views(folder, numbers);
    Said said;
    CHECK(present_views(scan_in(folder, 16), said.hooks()).views == numbers);
    REQUIRE(said.warnings.size() == 2);
    CHECK(said.warnings[0].find("the files' numbers are taken to count from 0") != std::string::npos);
  }

  TEST_CASE("a file cut short is left out and so are images beyond the last view") {
    const test::TemporaryFolder folder;
    write_views(folder, {0, 1, 2, 3, 4, 5, 6, 7, 8, 9});
    std::filesystem::resize_file(folder / test::numbered("v_", 9, ".tif"), 100);
    const std::string refusal = message_of([&] { ViewReader(scan_in(folder, 12)); });
    CHECK(refusal.find("reconstruct --use-what-is-there") != std::string::npos);
    Said said;
    CHECK(views_read(present_views(scan_in(folder, 12), said.hooks()).scan, 12) ==
          std::vector<int>{0, 1, 2, 3, 4, 5, 6, 7, 8});
    REQUIRE(said.warnings.size() == 2);
    CHECK(said.warnings[0].find("left out, since it cannot be read") != std::string::npos);

    said.warnings.clear();
    std::filesystem::remove(folder / test::numbered("v_", 9, ".tif"));
    CHECK(views_read(present_views(scan_in(folder, 8), said.hooks()).scan, 8) ==
          std::vector<int>{0, 1, 2, 3, 4, 5, 6, 7});
    REQUIRE(said.warnings.size() == 1);
    CHECK(said.warnings[0] == "images.projections: 1 image beyond the last of 8 views, left out");
  }

  TEST_CASE("sinograms that broke off and levels one a view") {
    const test::TemporaryFolder folder;
    for (int row = 0; row < 3; ++row) {
      std::vector<float> sinogram;
      for (int view = 0; view < 5; ++view)
        sinogram.insert(sinogram.end(), 4, float(view));
      test::write_samples(folder / test::numbered("v_", row, ".tif"), 5, 4, sinogram);
    }
    Said said;
    const Scan scan = scan_in(
        folder, 7,
        {{"images", {{"layout", "sinograms"}, {"kind", "corrected"}, {"open_level", {10, 11, 12, 13, 14, 15, 16}}}}});
    const PresentViews present = present_views(scan, said.hooks());
    CHECK(views_read(present.scan, 7) == std::vector<int>{0, 1, 2, 3, 4});
    CHECK(present.scan.images.open_level == std::vector<double>{10, 11, 12, 13, 14});
  }
}
