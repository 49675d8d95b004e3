#include "rayloom/prepare/scatter_stops.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;
using test::TemporaryFolder;

namespace {

constexpr int rows = 90, columns = 120;

double part(int r, int c) {
  return std::hypot(r - 45, c - 60) < 30 ? 0.15 : 1;
}

/// Stops of 5 x 5 pixels whose edges are half shadow, `across` times `down` of them.
double open_to_beam(int r, int c, int across, int down) {
  const double y = std::abs(std::fmod(r + 0.5, double(rows) / down) - rows / 2.0 / down),
               x = std::abs(std::fmod(c + 0.5, double(columns) / across) - columns / 2.0 / across);
  const double from = std::max(x, y);
  return from < 2 ? 0 : from < 3 ? 0.5 : 1;
}

Image image_of(const std::function<double(int, int)>& transmission) {
  Image image(rows, columns);
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      image.at(r, c) = float(transmission(r, c));
  return image;
}

double scatter(int r, int c) {
  const double y = (r - 45) / 90.0, x = (c - 60) / 120.0;
  return 0.05 * (1 - x * x - y * y) + 0.01 * x;
}

}  // namespace

TEST_SUITE("scatter from the shadows of stops") {
  TEST_CASE("a smooth fraction is found all over the detector") {
    const Image without = image_of([](int r, int c) { return part(r, c) + scatter(r, c); });
    const Image with = image_of([](int r, int c) { return part(r, c) * open_to_beam(r, c, 5, 4) + scatter(r, c); });
    auto bad = std::vector<char>(with.samples.size());
    const auto measured = scatter_from_stops(with, without, bad, "stops.tif");
    CHECK(measured.stops.size() == 20);
    CHECK(measured.deviation_rms < 1e-4);
    double worst = 0;
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c)
        worst = std::max(worst, std::abs(measured.scatter.at(r, c) - scatter(r, c)));
    // Second degree is fitted to itself. Between block centres, 1/12 of the width or height apart, a line leaves
    // 0.05 2 (1/12)^2/8 = 8.7e-5 in each direction; beyond the outer centres, half a block off, 3 times that.
    CHECK(worst < 2 * 3 * 8.7e-5);
  }

  TEST_CASE("few stops make a constant or a plane") {
    const auto measured = [](int across, int down, const std::function<double(int, int)>& s) {
      return scatter_from_stops(
          image_of([&](int r, int c) { return part(r, c) * open_to_beam(r, c, across, down) + s(r, c); }),
          image_of([&](int r, int c) { return part(r, c) + s(r, c); }), std::vector<char>(rows * columns), "stops.tif");
    };
    const auto flat = measured(1, 1, [](int, int) { return 0.04; });
    CHECK(flat.stops.size() == 1);
    CHECK(std::abs(flat.scatter.at(0, 0) - 0.04) < 1e-6);
    CHECK(std::abs(flat.stops[0].row - 44.5) < 1e-9);
    const auto plane = measured(2, 2, [](int r, int c) { return 0.02 + 0.0002 * r + 0.0001 * c; });
    CHECK(plane.stops.size() == 4);
    CHECK(std::abs(plane.scatter.at(3, 110) - (0.02 + 0.0006 + 0.011)) < 1e-6);
    const auto none = measured(2, 2, [](int, int) { return -0.01; });  // noise may read so
    CHECK(none.scatter.at(20, 20) == 0);
  }

  TEST_CASE("without shadows it is refused") {
    const Image view = image_of(part);
    CHECK(message_of<BadInput>([&] {
            scatter_from_stops(view, view, std::vector<char>(view.samples.size()), "stops.tif");
          }).find("stops.tif: no shadow of a stop found") == 0);
  }

  TEST_CASE("through line integrals of counts: with a bad pixel in a shadow and a beam that drifts") {
    const TemporaryFolder folder;
    const auto write = [&](const std::string& name, const std::function<double(int, int)>& counts) {
      write_tiff(folder / name, rows, columns, image_of(counts).samples, SampleType::float32);
    };
    std::vector<float> defects(rows * columns);
    defects[11 * columns + 11] = 1;
    write_tiff(folder / "defects.tif", rows, columns, defects, SampleType::uint8);
    write("stops.tif", [](int r, int c) {
      return r == 11 && c == 11 ? 5000 : 100 + 1000 * (part(r, c) * open_to_beam(r, c, 5, 4) + scatter(r, c));
    });
    for (int v = 0; v < 2; ++v)
      write("view" + std::to_string(v) + ".tif",
            [&](int r, int c) { return 100 + 1000 * (1 + 0.05 * v) * (part(r, c) + scatter(r, c)); });
    const Scan scan =
        parse_scan({{"rayloom_scan", 1},
                    {"beam", "parallel"},
                    {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                    {"views", {{"count", 2}, {"arc_deg", 180}}},
                    {"images",
                     {{"projections", "view*.tif"},
                      {"kind", "counts"},
                      {"dark", 100},
                      {"open", 1100},
                      {"defects", "defects.tif"}}}},
                   folder / "scan.json");
    const LineIntegrals lines(scan, {}, {.drift = true, .scatter_from = (folder / "stops.tif").string()});
    CHECK(lines.scatter_stops() == 20);
    std::vector<float> values(rows * columns);
    for (int v = 0; v < 2; ++v) {
      lines.read(v, 1, 0, rows, values);
      double worst = 0;
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c)
          worst = std::max(worst, std::abs(std::exp(-double(values[std::size_t(r * columns + c)])) - part(r, c)));
      CHECK(worst < 2 * 2 * 3 * 8.7e-5);  // as above, and the border's level by as much
    }
  }
}
