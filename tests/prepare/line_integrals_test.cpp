#include "rayloom/prepare/line_integrals.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>
#include <thread>

#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;
using test::TemporaryFolder;
using Json = nlohmann::json;

namespace {

constexpr double rounding = 4 * 0x1p-24;  // a quotient and a logarithm in float, relative or absolute up to 1

/// A parallel-beam scan in a folder of its own.
struct ScanFolder {
  TemporaryFolder folder;
  int views, rows, columns;

  ScanFolder(int views_, int rows_, int columns_) : views(views_), rows(rows_), columns(columns_) {}

  void put(const std::string& name, std::vector<float> samples, SampleType type = SampleType::float32,
           int height = 0) const {
    std::filesystem::create_directories((folder / name).parent_path());
    if (height == 0) height = rows;
    if (samples.size() == 1) samples.assign(std::size_t(height * columns), samples[0]);
    write_tiff(folder / name, height, columns, samples, type);
  }
  void put_view(int view, const std::vector<float>& samples, SampleType type = SampleType::float32) const {
    put("projections/view_" + std::to_string(view) + ".tif", samples, type);
  }
  Scan scan(Json images) const {
    if (!images.contains("projections")) images["projections"] = "projections/*.tif";
    return parse_scan(
        {{"rayloom_scan", 1},
         {"beam", "parallel"},
         {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
         {"views", {{"count", views}, {"arc_deg", 180}}},
         {"images", images}},
        folder / "scan.json");
  }
};

/// All of a scan.
std::vector<float> all_of(const LineIntegrals& integrals, const ScanFolder& in) {
  std::vector<float> values(std::size_t(in.views * in.rows * in.columns));
  integrals.read(0, in.views, 0, in.rows, values);
  return values;
}

void check_values(const std::vector<float>& values, const std::vector<double>& expected) {
  REQUIRE(values.size() == expected.size());
  for (std::size_t i = 0; i < values.size(); ++i) {
    CAPTURE(i);
    CHECK(std::abs(values[i] - expected[i]) <= rounding * std::max(1.0, std::abs(expected[i])));
  }
}

/// Collects warnings.
struct Warnings {
  std::vector<std::string> said;
  Hooks hooks() {
    Hooks result;
    result.warning = [this](const std::string& message) { said.push_back(message); };
    return result;
  }
};

/// A scan of kind counts with random samples, dark, open, open_after, defects (one a lone pixel, two side by side at
/// the edge, a whole row) and a dead pixel.
struct BusyScan : ScanFolder {
  Scan described;
  BusyScan() : ScanFolder(5, 9, 11) {
    std::mt19937 random(42);
    std::uniform_real_distribution<float> uniform(0, 1);
    const auto noise = [&](float low, float high) {
      std::vector<float> samples(99);
      for (float& sample : samples)
        sample = std::round(low + (high - low) * uniform(random));
      return samples;
    };
    for (int view = 0; view < views; ++view)
      put_view(view, noise(90, 1300), SampleType::uint16);
    put("dark.tif", noise(90, 110), SampleType::uint16);
    put("after.tif", noise(900, 1000), SampleType::uint16);
    auto open = noise(900, 1000);
    open[8 * 11 + 5] = 20;  // dead
    put("open.tif", open, SampleType::uint16);
    std::vector<float> defects(99, 0);
    defects[2 * 11 + 4] = defects[3 * 11] = defects[3 * 11 + 1] = 255;
    for (std::size_t column = 0; column < 11; ++column)
      defects[6 * 11 + column] = 1;
    put("defects.tif", defects, SampleType::uint8);
    described = scan({{"kind", "counts"},
                      {"dark", "dark.tif"},
                      {"open", "open.tif"},
                      {"open_after", "after.tif"},
                      {"defects", "defects.tif"},
                      {"saturation", 1200}});
  }
};

}  // namespace

TEST_SUITE("every kind of image: values by hand") {
  TEST_CASE("counts with dark and open images") {
    const ScanFolder in(1, 2, 2);
    in.put_view(0, {600, 350, 1100, 225}, SampleType::uint16);
    in.put("dark/a.tif", {90, 90, 100, 200}, SampleType::uint16);  // the mean counts: 100, 100, 100, 200
    in.put("dark/b.tif", {110, 110, 100, 200}, SampleType::uint16);
    in.put("open.tif", {1100, 1100, 1100, 300}, SampleType::uint16);
    const LineIntegrals integrals(in.scan({{"kind", "counts"}, {"dark", "dark/*.tif"}, {"open", "open.tif"}}));
    check_values(all_of(integrals, in), {std::log(2.0), std::log(4.0), 0, std::log(4.0)});
    CHECK(integrals.counts().samples == 4);
    CHECK(integrals.counts().non_positive == 0);
    CHECK(integrals.counts().saturated == 0);
    CHECK(integrals.air_levels().empty());
  }

  TEST_CASE("the open beam drifts from open to open_after over the scan") {
    // Two views, at a quarter and three quarters of the time: open - dark = 1000 + {1/4, 3/4} 1000.
    const ScanFolder in(2, 1, 1);
    in.put_view(0, {725}, SampleType::uint16);
    in.put_view(1, {1850}, SampleType::uint16);
    const LineIntegrals integrals(in.scan({{"kind", "counts"}, {"dark", 100}, {"open", 1100}, {"open_after", 2100}}));
    check_values(all_of(integrals, in), {std::log(1250 / 625.0), 0});
  }

  TEST_CASE("dark may be absent with a warning") {
    const ScanFolder in(1, 1, 2);
    in.put_view(0, {500, 250}, SampleType::uint16);
    Warnings warnings;
    const LineIntegrals integrals(in.scan({{"kind", "counts"}, {"open", 1000}}), warnings.hooks());
    check_values(all_of(integrals, in), {std::log(2.0), std::log(4.0)});
    REQUIRE(warnings.said.size() == 1);
    CHECK(warnings.said[0].find("scan.json: images.dark: absent; taken as 0") != std::string::npos);
  }

  TEST_CASE("scale and offset come before dark and open and saturation") {
    // Real = 2 stored + 10: 110, 510; saturation 250 stored is 510 real.
    const ScanFolder in(1, 1, 2);
    in.put_view(0, {50, 250}, SampleType::uint8);
    const LineIntegrals integrals(
        in.scan({{"kind", "counts"}, {"dark", 10}, {"open", 1010}, {"scale", 2}, {"offset", 10}, {"saturation", 250}}));
    check_values(all_of(integrals, in), {std::log(10.0), std::log(2.0)});
    CHECK(integrals.counts().saturated == 1);
  }

  TEST_CASE("a negative scale turns saturation round") {
    // Real = 255 - stored: what is stored at or above 5 is at or below 250 as a real value.
    const ScanFolder in(1, 1, 3);
    in.put_view(0, {4, 5, 6}, SampleType::uint8);
    const LineIntegrals integrals(
        in.scan({{"kind", "transmission"}, {"scale", -1}, {"offset", 255}, {"saturation", 5}}));
    all_of(integrals, in);
    CHECK(integrals.counts().saturated == 2);
  }

  TEST_CASE("corrected with one level and with one a view") {
    const ScanFolder in(2, 1, 2);
    in.put_view(0, {200, 50});
    in.put_view(1, {400, 100});
    const LineIntegrals one(in.scan({{"kind", "corrected"}, {"open_level", 200}}));
    check_values(all_of(one, in), {0, std::log(4.0), -std::log(2.0), std::log(2.0)});
    CHECK(one.air_levels() == std::vector<double>{200, 200});
    const LineIntegrals listed(in.scan({{"kind", "corrected"}, {"open_level", {200, 400}}}));
    check_values(all_of(listed, in), {0, std::log(4.0), 0, std::log(4.0)});
    CHECK(listed.air_levels() == std::vector<double>{200, 400});
  }

  TEST_CASE("transmission and line integrals") {
    const ScanFolder in(1, 1, 3);
    in.put_view(0, {1, 0.5, 0.125});
    check_values(all_of(LineIntegrals(in.scan({{"kind", "transmission"}})), in), {0, std::log(2.0), std::log(8.0)});
    check_values(all_of(LineIntegrals(in.scan({{"kind", "line_integrals"}})), in), {1, 0.5, 0.125});
    in.put_view(0, {-1, 0, 7});
    const LineIntegrals as_they_are(in.scan({{"kind", "line_integrals"}}));
    check_values(all_of(as_they_are, in), {-1, 0, 7});
    CHECK(as_they_are.counts().non_positive == 0);
  }
}

TEST_SUITE("what had to be mended") {
  TEST_CASE("signals of zero and below take the least transmission and are counted") {
    const ScanFolder in(1, 1, 5);
    in.put_view(0, {100, 90, 1100, 100.005F, 101});  // transmissions 0, -0.01, 1, 5e-6, 1e-3
    const LineIntegrals counts(in.scan({{"kind", "counts"}, {"dark", 100}, {"open", 1100}}));
    const double most = 11.512925464970229;  // ln 1e5
    check_values(all_of(counts, in), {most, most, 0, most, std::log(1000.0)});
    CHECK(counts.counts().non_positive == 3);
    CHECK(counts.counts().samples == 5);

    in.put_view(0, {0, -1, 1, 5e-6F, 1e-3F});
    const LineIntegrals transmission(in.scan({{"kind", "transmission"}}));
    check_values(all_of(transmission, in), {most, most, 0, most, std::log(1000.0)});
    CHECK(transmission.counts().non_positive == 3);
  }

  TEST_CASE("saturated samples are used and counted") {
    const ScanFolder in(1, 1, 3);
    in.put_view(0, {65535, 65534, 1000}, SampleType::uint16);
    const LineIntegrals integrals(in.scan({{"kind", "counts"}, {"dark", 0}, {"open", 65535}, {"saturation", 65535}}));
    CHECK(all_of(integrals, in)[0] == 0);
    CHECK(integrals.counts().saturated == 1);
  }

  TEST_CASE("a sample counts once however often it is read") {
    const BusyScan in;
    const LineIntegrals integrals(in.described);
    CHECK(integrals.counts().samples == 0);
    std::vector<float> row(11);
    integrals.read(2, 1, 0, 1, row);
    CHECK(integrals.counts().samples == 11);
    integrals.read(2, 1, 0, 1, row);
    CHECK(integrals.counts().samples == 11);
    all_of(integrals, in);
    const PrepareCounts once = integrals.counts();
    all_of(integrals, in);
    CHECK(once.samples == 5 * (99 - 14 - 1));  // without 14 defects and 1 dead pixel
    CHECK(integrals.counts().samples == once.samples);
    CHECK(integrals.counts().saturated == once.saturated);
    CHECK(integrals.counts().non_positive == once.non_positive);
    CHECK(once.saturated > 0);
    CHECK(once.non_positive > 0);
    CHECK(once.defects == 14);
    CHECK(once.dead == 1);
  }

  TEST_CASE("bad pixels take no part in what is counted") {
    const ScanFolder in(1, 2, 3);
    in.put_view(0, {0.5, 0, 0.125, 0.5, 0.5, 0.5});  // 0 would be raised and counted if it were good
    in.put("defects.tif", {0, 1, 0, 0, 0, 0}, SampleType::uint8);
    const LineIntegrals integrals(in.scan({{"kind", "transmission"}, {"defects", "defects.tif"}}));
    const double one = std::log(2.0);
    check_values(all_of(integrals, in), {one, 2 * one, 3 * one, one, one, one});
    CHECK(integrals.counts().non_positive == 0);
    CHECK(integrals.counts().samples == 5);
  }

  TEST_CASE("dead pixels are replaced and reported") {
    const ScanFolder in(1, 2, 3);
    in.put_view(0, {600, 350, 225, 600, 600, 600}, SampleType::uint16);
    in.put("open.tif", {1100, 100, 1100, 1100, 1100, 1100}, SampleType::uint16);
    in.put("after.tif", {1100, 1100, 1100, 90, 1100, 1100}, SampleType::uint16);
    Warnings warnings;
    const LineIntegrals integrals(
        in.scan({{"kind", "counts"}, {"dark", 100}, {"open", "open.tif"}, {"open_after", "after.tif"}}),
        warnings.hooks());
    check_values(all_of(integrals, in),
                 {std::log(2.0), std::log(4.0), std::log(8.0), std::log(2.0), std::log(2.0), std::log(2.0)});
    CHECK(integrals.counts().dead == 2);
    CHECK(integrals.counts().defects == 0);
    REQUIRE(warnings.said.size() == 1);
    CHECK(warnings.said[0].find("images.open: not above the dark image at 2 pixels, the first at row 0, column 1") !=
          std::string::npos);
  }

  TEST_CASE("dark and open exchanged are refused with file and place and values") {
    const ScanFolder in(1, 2, 2);
    in.put_view(0, {600}, SampleType::uint16);
    in.put("dark.tif", {1100, 1100, 1100, 100}, SampleType::uint16);
    in.put("open.tif", {1200, 100, 100, 90}, SampleType::uint16);
    const std::string message = message_of([&] {
      LineIntegrals(in.scan({{"kind", "counts"}, {"dark", "dark.tif"}, {"open", "open.tif"}}));
    });
    CHECK(message.find("scan.json: images.open: \"open.tif\": not above images.dark (\"dark.tif\") at 3 of 4 pixels, "
                       "first at row 0, column 1 (open 100, dark 1100); must be above it\nhint: ") !=
          std::string::npos);
  }

  TEST_CASE("a detector without a good pixel in any direction is refused") {
    const ScanFolder in(1, 2, 3);
    in.put_view(0, {0.5});
    in.put("defects.tif", {1, 1, 1, 1, 1, 0}, SampleType::uint8);
    const std::string message = message_of([&] {
      LineIntegrals(in.scan({{"kind", "transmission"}, {"defects", "defects.tif"}}));
    });
    CHECK(message.find("scan.json: images.defects: the pixel at row 0, column 0") != std::string::npos);
  }
}

TEST_SUITE("blocks and bands") {
  TEST_CASE("any block of views and band of rows equals the whole") {
    const BusyScan in;
    const LineIntegrals integrals(in.described);
    const std::vector<float> whole = all_of(integrals, in);
    for (int view = 0; view < in.views; ++view)
      for (int count = 1; view + count <= in.views; count += 2)
        for (int row = 0; row < in.rows; ++row)
          for (int rows = 1; row + rows <= in.rows; ++rows) {
            std::vector<float> part(std::size_t(count * rows * in.columns));
            integrals.read(view, count, row, rows, part);
            std::vector<float> expected;
            for (int v = view; v < view + count; ++v) {
              const auto from = whole.begin() + (v * in.rows + row) * in.columns;
              expected.insert(expected.end(), from, from + rows * in.columns);
            }
            REQUIRE(part == expected);
          }
  }

  TEST_CASE("the same from several threads at once") {
    const BusyScan in;
    const LineIntegrals integrals(in.described), alone(in.described);
    const std::vector<float> whole = all_of(alone, in);
    std::vector<std::vector<float>> results(4);
    std::vector<std::thread> threads;
    for (auto& result : results)
      threads.emplace_back([&] {
        for (int i = 0; i < 10; ++i)
          result = all_of(integrals, in);
      });
    for (auto& thread : threads)
      thread.join();
    for (const auto& result : results)
      CHECK(result == whole);
    CHECK(integrals.counts().samples == alone.counts().samples);
    CHECK(integrals.counts().non_positive == alone.counts().non_positive);
    CHECK(integrals.counts().saturated == alone.counts().saturated);
  }

  TEST_CASE("sinograms hold the same scan as views") {
    const ScanFolder in(3, 2, 4);
    std::vector<float> samples(24);
    for (std::size_t i = 0; i < 24; ++i)
      samples[i] = float(200 + 37 * i);
    for (int view = 0; view < 3; ++view)
      in.put_view(view, {samples.begin() + view * 8, samples.begin() + view * 8 + 8}, SampleType::uint16);
    in.put("open.tif", {2000, 2010, 2020, 2030, 2040, 2050, 2060, 2070}, SampleType::uint16);
    for (int row = 0; row < 2; ++row) {
      std::vector<float> sinogram;
      for (int view = 0; view < 3; ++view)
        for (int c = 0; c < 4; ++c)
          sinogram.push_back(samples[std::size_t(view * 8 + row * 4 + c)]);
      in.put("sinograms/row_" + std::to_string(row) + ".tif", sinogram, SampleType::uint16, 3);
      std::vector<float> open;
      for (int c = 0; c < 4; ++c)
        open.push_back(float(2000 + 40 * row + 10 * c));
      in.put("open-sinograms/row_" + std::to_string(row) + ".tif", open, SampleType::uint16, 1);
    }
    const LineIntegrals views(in.scan({{"kind", "counts"}, {"dark", 100}, {"open", "open.tif"}}));
    const LineIntegrals sinograms(in.scan({{"kind", "counts"},
                                           {"dark", 100},
                                           {"open", "open-sinograms/*.tif"},
                                           {"projections", "sinograms/*.tif"},
                                           {"layout", "sinograms"}}));
    CHECK(all_of(views, in) == all_of(sinograms, in));
  }

  TEST_CASE("views and rows that do not fit are refused") {
    const BusyScan in;
    const LineIntegrals integrals(in.described);
    std::vector<float> row(11);
    CHECK_THROWS_AS(integrals.read(0, 1, 0, 2, row), InvalidOption);
    CHECK_THROWS_AS(integrals.read(5, 1, 0, 1, row), InvalidOption);
    CHECK_THROWS_AS(integrals.read(0, 1, 9, 1, row), InvalidOption);
    CHECK_THROWS_AS(integrals.read(-1, 1, 0, 1, row), InvalidOption);
  }
}

TEST_SUITE("air level from the border") {
  /// A dark part of level 0.1 where `inside` says, air with this noise elsewhere.
  Image view_of(int rows, int columns, double air, double noise, const std::function<bool(int, int)>& inside) {
    std::mt19937 random(9);
    std::normal_distribution<double> normal(air, noise);
    Image view(rows, columns);
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c)
        view.at(r, c) = float(inside(r, c) ? 0.1 * normal(random) : normal(random));
    return view;
  }

  TEST_CASE("a part amid air") {
    // 4 bands of 2 x 100 pixels: the mean has a standard error of 20/sqrt(800) = 0.7 and clipping at 3 standard
    // deviations keeps it within a few percent of that.
    const auto centre = [](int r, int c) { return std::hypot(r - 50, c - 50) < 30; };
    CHECK(std::abs(border_level(view_of(100, 100, 1000, 20, centre)) - 1000) <= 5 * 0.71);
    CHECK(border_level(view_of(100, 100, 1000, 0, centre)) == 1000);
  }

  TEST_CASE("a part that touches the bottom side or stands right across it") {
    for (const int half_width : {10, 40, 50}) {
      CAPTURE(half_width);
      const auto stand = [&](int r, int c) { return r > 60 && std::abs(c - 50) <= half_width; };
      // At least 2 x 60 of each side band are air: 5 standard errors 5 x 20/sqrt(240).
      CHECK(std::abs(border_level(view_of(100, 100, 1000, 20, stand)) - 1000) <= 5 * 20 / std::sqrt(240.0));
      CHECK(border_level(view_of(100, 100, 1000, 0, stand)) == 1000);
    }
  }

  TEST_CASE("a single row with a part in its middle") {
    for (const int width : {20, 90, 160}) {
      CAPTURE(width);
      const auto middle = [&](int, int c) { return std::abs(c - 100) < width / 2; };
      CHECK(border_level(view_of(1, 200, 500, 0, middle)) == 500);
      CHECK(std::abs(border_level(view_of(1, 200, 500, 5, middle)) - 500) <= 5 * 5 / std::sqrt(8.0));
    }
  }

  TEST_CASE("a truncated part leaves air on one side only") {
    const std::function<bool(int, int)> parts[] = {[](int, int c) { return c > 5; }, [](int, int c) { return c < 54; },
                                                   [](int r, int) { return r > 5; }, [](int r, int) { return r < 54; }};
    for (const auto& part : parts)
      CHECK(border_level(view_of(60, 60, 800, 0, part)) == 800);
  }

  TEST_CASE("each view of a scan gets its own with progress") {
    const ScanFolder in(7, 20, 30);
    std::vector<double> expected;
    for (int view = 0; view < 7; ++view) {
      expected.push_back(1000 + 10 * view);
      in.put_view(view, view_of(20, 30, expected.back(), 0, [](int r, int c) {
                          return std::hypot(r - 10, c - 15) < 6;
                        }).samples);
    }
    std::vector<double> progress;
    Hooks hooks;
    hooks.progress = [&](const std::string&, double fraction) { progress.push_back(fraction); };
    const LineIntegrals integrals(in.scan({{"kind", "corrected"}, {"open_level", "border"}}), hooks);
    CHECK(integrals.air_levels() == expected);
    REQUIRE(!progress.empty());
    CHECK(progress.back() == 1);
    CHECK(std::is_sorted(progress.begin(), progress.end()));
    const auto values = all_of(integrals, in);
    for (int view = 0; view < 7; ++view) {
      CHECK(values[std::size_t(view * 600)] == 0);
      CHECK(std::abs(values[std::size_t(view * 600 + 10 * 30 + 15)] - std::log(10.0)) < 1e-5);
    }

    hooks.cancelled = [] { return true; };
    CHECK_THROWS_AS(LineIntegrals(in.scan({{"kind", "corrected"}, {"open_level", "border"}}), hooks), Cancelled);
  }

  TEST_CASE("a view without light is refused by name") {
    const ScanFolder in(2, 4, 4);
    in.put_view(0, {100});
    in.put_view(1, {0});
    const std::string message = message_of([&] {
      LineIntegrals(in.scan({{"kind", "corrected"}, {"open_level", "border"}}));
    });
    CHECK(message.find("view_1.tif: view 1: border level 0; must be above 0") != std::string::npos);
  }
}
