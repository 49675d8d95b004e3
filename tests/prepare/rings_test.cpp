#include "rayloom/prepare/rings.h"

#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;
using test::TemporaryFolder;
using Json = nlohmann::json;

namespace {

constexpr int rows = 5, columns = 90, views = 130;

Geometry scan_of() {
  Geometry g;
  g.detector = {columns, rows, 1, 1, 40.3, 2};
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(2 * pi * i / views);
  return g;
}

/// A value for each sample, [view][row][column]: a disk off the axis, and stripes of its own in each row.
std::vector<float> lines_of(const Geometry& g) {
  std::vector<float> lines;
  std::mt19937 random(11);
  std::normal_distribution<float> normal(0, 0.002F);
  for (int view = 0; view < views; ++view)
    for (int row = 0; row < rows; ++row)
      for (int c = 0; c < columns; ++c) {
        const double t = c - 40.3 - 9 * std::cos(g.angles_rad[std::size_t(view)] + row);
        const double chord = 2 * std::sqrt(std::max(0.0, 900 - t * t)) * 0.02;
        const double stripe = c == 20 + 7 * row ? 0.05 : c / 2 == 5 + row ? 0.03 * view / views : 0;
        lines.push_back(float(chord + stripe) + normal(random));
      }
  return lines;
}

ReadLines reader(const std::vector<float>& lines) {
  return [&lines](int view, int view_count, int row, int row_count, std::span<float> out) {
    REQUIRE(out.size() == std::size_t(view_count) * std::size_t(row_count) * columns);
    for (int v = 0; v < view_count; ++v)
      for (int r = 0; r < row_count; ++r)
        std::copy_n(&lines[std::size_t(((view + v) * rows + row + r) * columns)], columns,
                    &out[std::size_t((v * row_count + r) * columns)]);
  };
}

}  // namespace

TEST_SUITE("ring offsets") {
  // Over nothing, jumps are found exactly. The price on the size of offsets, with a reach of L = 100 columns, lowers a
  // stripe w wide and all around by a share w/(2 L) of it; where that is alike all around, it is taken off again, to
  // within its fall over 30 columns, a share 30/L of it.
  TEST_CASE("stripes over nothing come back with their drift") {
    Geometry g = scan_of();
    for (const int width : {1, 3, 15}) {
      const double offset = 0.05, drift = -0.02;  // at the middle of the scan, and from there to its end
      std::vector<float> lines(std::size_t(views * rows * columns));
      for (int view = 0; view < views; ++view)
        for (int c = 60; c < 60 + width; ++c)
          lines[std::size_t((view * rows + 3) * columns + c)] = float(offset + drift * ((2.0 * view + 1) / views - 1));
      const RingOffsets found = find_rings(g, reader(lines), {});
      for (int row = 0; row < rows; ++row)
        for (int c = 0; c < columns; ++c) {
          const bool there = row == 3 && c >= 60 && c < 60 + width;
          const double share = 0.5 * width / 100 * 0.3 + 1e-5;
          CAPTURE(width);
          CAPTURE(c);
          CHECK(std::abs(found.middle.at(row, c) - (there ? offset : 0)) < (row == 3 ? share * offset : 1e-12));
          CHECK(std::abs(found.drift.at(row, c) - (there ? drift : 0)) < (row == 3 ? -share * drift : 1e-12));
        }
      for (const int view : {0, 77, views - 1}) {
        std::vector<float> line(columns);
        found.subtract(view, 3, line);
        for (int c = 0; c < columns; ++c)
          CHECK(line[std::size_t(c)] ==
                doctest::Approx(-(found.middle.at(3, c) + found.drift.at(3, c) * ((2.0 * view + 1) / views - 1))));
      }
    }
  }

  TEST_CASE("bands of rows and threads and the order of reading do not change a bit") {
    const Geometry g = scan_of();
    const auto lines = lines_of(g);
    for (const RingMethod method : {RingMethod::differences, RingMethod::sorting}) {
      const RingOffsets whole = find_rings(g, reader(lines), {.method = method});
      CHECK(*std::max_element(whole.middle.samples.begin(), whole.middle.samples.end()) > 0.02F);
      for (const RingSearch& search : {RingSearch{.method = method, .memory_bytes = 0, .threads = 2},
                                       RingSearch{.method = method, .memory_bytes = 2 * 99 * 90 * 4, .threads = 3},
                                       RingSearch{.method = method, .by_row = true, .memory_bytes = 1, .threads = 2},
                                       RingSearch{.method = method, .by_row = true, .threads = 4}}) {
        const RingOffsets found = find_rings(g, reader(lines), search);
        CHECK(found.middle.samples == whole.middle.samples);
        CHECK(found.drift.samples == whole.drift.samples);
      }
    }
  }

  TEST_CASE("it stops when told so and reports how far it is") {
    const Geometry g = scan_of();
    const auto lines = lines_of(g);
    double last = 0;
    Hooks hooks;
    hooks.progress = [&](const std::string& step, double fraction) {
      CHECK(step == "ring offsets");
      CHECK(fraction > last);
      last = fraction;
    };
    find_rings(g, reader(lines), {.memory_bytes = 0}, hooks);
    CHECK(last == doctest::Approx(1));
    hooks = {};
    hooks.cancelled = [] { return true; };
    CHECK(message_of<Cancelled>([&] { find_rings(g, reader(lines), {}, hooks); }) ==
          "stopped while finding the ring offsets");
  }

  TEST_CASE("line integrals come without them in any blocks and count samples once") {
    const TemporaryFolder folder;
    const Geometry g = scan_of();
    const auto lines = lines_of(g);
    for (int view = 0; view < views; ++view)
      write_tiff(folder / (std::to_string(view) + ".tif"), rows, columns,
                 std::span(lines).subspan(std::size_t(view * rows * columns), rows * columns), SampleType::float32);
    const Scan scan = parse_scan(
        {{"rayloom_scan", 1},
         {"beam", "parallel"},
         {"detector",
          {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}, {"axis_column", 40.3}}},
         {"views", {{"count", views}, {"arc_deg", 360}}},
         {"images", {{"projections", "*.tif"}, {"kind", "line_integrals"}}}},
        folder / "scan.json");
    const LineIntegrals plain(scan);
    for (const RingMethod method : {RingMethod::differences, RingMethod::sorting}) {
      const LineIntegrals integrals(scan, {}, {.rings = method});
      CHECK(integrals.counts().samples == 0);
      std::vector<float> all(lines.size()), before(lines.size()), some(std::size_t(7 * 2 * columns));
      plain.read(0, views, 0, rows, before);
      integrals.read(0, views, 0, rows, all);
      CHECK(integrals.counts().samples == lines.size());
      const RingOffsets offsets = find_rings(scan.geometry, reader(lines), {.method = method});
      for (int line = 0; line < views * rows; ++line)
        offsets.subtract(line / rows, line % rows, std::span(before).subspan(std::size_t(line * columns), columns));
      CHECK(all == before);
      integrals.read(40, 7, 2, 2, some);
      for (int v = 0; v < 7; ++v)
        CHECK(std::equal(&some[std::size_t(v * 2 * columns)], &some[std::size_t((v + 1) * 2 * columns - 1)],
                         &all[std::size_t(((40 + v) * rows + 2) * columns)]));
    }
  }

  TEST_CASE("the method and its parameters are told and too few views refused") {
    CHECK(to_json(RingMethod::differences).dump() ==
          R"({"method":"differences","groups_of_views":96,"window_of_jumps_px":7,"window_of_offsets_px":61,)"
          R"("reach_px":[2.5,100.0],"window_of_mirror_px":9})");
    CHECK(to_json(RingMethod::sorting).dump() ==
          R"({"method":"sorting","groups_of_views":96,"window_px":31,"window_of_mirror_px":9})");
    const Scan scan = parse_scan({{"rayloom_scan", 1},
                                  {"beam", "parallel"},
                                  {"detector", {{"columns", 9}, {"rows", 1}, {"column_pitch_mm", 1}}},
                                  {"views", {{"count", 31}, {"arc_deg", 180}}},
                                  {"images", {{"projections", "*.tif"}, {"kind", "line_integrals"}}}},
                                 "scan.json");
    CHECK(message_of<InvalidOption>([&] { Corrections{.rings = RingMethod::sorting}.validate(scan); }) ==
          "rings: the scan has 31 views; must have at least 32 for this correction");
  }
}
