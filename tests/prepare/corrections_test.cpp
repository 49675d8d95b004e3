#include "rayloom/prepare/corrections.h"

#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;
using test::TemporaryFolder;
using Json = nlohmann::json;

namespace {

constexpr double rounding = 16 * 0x1p-24;  // of float: some quotients, differences and a logarithm

/// One row of two pixels, three views.
Scan scan_in(const TemporaryFolder& folder, Json images) {
  images["projections"] = "view*.tif";
  return parse_scan({{"rayloom_scan", 1},
                     {"beam", "parallel"},
                     {"detector", {{"columns", 2}, {"rows", 1}, {"column_pitch_mm", 1}}},
                     {"views", {{"count", 3}, {"arc_deg", 180}}},
                     {"images", images}},
                    folder / "scan.json");
}

}  // namespace

TEST_SUITE("corrections by hand") {
  // signal(i) = (1 - lag) T(i) + lag signal(i - 1), before the first view the open beam; dark 100, open 1100.
  TEST_CASE("lag is taken off in any order of reading") {
    const TemporaryFolder folder;
    const double lag = 0.2, truth[3][2] = {{0.5, 1}, {0.25, 0.125}, {1, 0.01}};
    double signal[2] = {1, 1};
    for (int view = 0; view < 3; ++view) {
      std::vector<float> stored;
      for (int c = 0; c < 2; ++c) {
        signal[c] = (1 - lag) * truth[view][c] + lag * signal[c];
        stored.push_back(float(100 + 1000 * signal[c]));
      }
      write_tiff(folder / ("view" + std::to_string(view) + ".tif"), 1, 2, stored, SampleType::float32);
    }
    const LineIntegrals lines(scan_in(folder, {{"kind", "counts"}, {"dark", 100}, {"open", 1100}}), {}, {.lag = lag});
    std::vector<float> all(6), one(2);
    lines.read(0, 3, 0, 1, all);
    for (int view : {2, 0, 1}) {
      lines.read(view, 1, 0, 1, one);
      for (int c = 0; c < 2; ++c) {
        CHECK(one[std::size_t(c)] == all[std::size_t(2 * view + c)]);
        CHECK(std::abs(std::exp(-one[std::size_t(c)]) - truth[view][c]) < rounding);
      }
    }
  }

  TEST_CASE("scatter is taken off the transmission of every kind") {
    const TemporaryFolder folder;
    for (int view = 0; view < 3; ++view)
      write_tiff(folder / ("view" + std::to_string(view) + ".tif"), 1, 2, std::vector<float>{0.55F, 0.15F},
                 SampleType::float32);
    for (const Json& images : {Json{{"kind", "transmission"}}, Json{{"kind", "counts"}, {"dark", 0}, {"open", 1}},
                               Json{{"kind", "corrected"}, {"open_level", 1}}}) {
      const LineIntegrals lines(scan_in(folder, images), {}, {.scatter = 0.05});
      std::vector<float> values(2);
      lines.read(1, 1, 0, 1, values);
      CHECK(std::abs(values[0] - std::log(2.0)) < rounding);
      CHECK(std::abs(values[1] - std::log(10.0)) < 10 * rounding);
    }
  }

  TEST_CASE("what does not fit is refused by name") {
    const TemporaryFolder folder;
    const Scan counts = scan_in(folder, {{"kind", "counts"}, {"dark", 0}, {"open", 1}});
    const Scan lines = scan_in(folder, {{"kind", "line_integrals"}});
    CHECK(message_of<InvalidOption>([&] { Corrections{.lag = 0.95}.validate(counts); }) ==
          "lag: 0.95; must be a share from 0 to 0.9");
    CHECK(message_of<InvalidOption>([&] { Corrections{.scatter = std::nan("")}.validate(counts); }) ==
          "scatter: nan; must be a share from 0 to 0.9");
    CHECK(message_of<InvalidOption>([&] { Corrections{.lag = 0.1}.validate(lines); }) ==
          "lag: the images are line_integrals; must be counts for this correction");
    CHECK(message_of<InvalidOption>([&] { Corrections{.scatter = 0.1}.validate(lines); }) ==
          "scatter: the images are line_integrals; must be counts, corrected or transmission for this correction");
  }

  TEST_CASE("volume.json names only what is corrected") {
    CHECK(to_json(Corrections{}).dump() == "{}");
    CHECK(to_json(Corrections{.lag = 0.25, .scatter = 0.5}).dump() == R"({"lag":0.25,"scatter":0.5})");
  }
}
