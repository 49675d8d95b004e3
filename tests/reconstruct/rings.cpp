// What ring correction takes away from a volume, and what it leaves.
#include "rayloom/prepare/rings.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <random>

#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/simulate/project_phantom.h"
#include "support/projections.h"

using namespace rayloom;

namespace {

constexpr int columns = 200, views = 360;

/// Pixels of 1 mm at the axis. The axis falls beside the middle of a column, as it does in real scans.
Geometry scan_of(Beam beam, double arc_deg = 360, int rows = 1) {
  Geometry g;
  g.beam = beam;
  if (beam != Beam::parallel) {
    g.sod_mm = 500;
    g.sdd_mm = 1000;
  }
  const double pitch = g.magnification();
  g.detector = {columns, rows, pitch, pitch, 99.2, (rows - 1) / 2.0};
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(radians(5 + arc_deg * i / views));
  return g;
}

void add(Phantom& phantom, Vec3 centre, double radius, double value) {
  Solid solid;
  solid.shape = Solid::Shape::cylinder;
  solid.centre_mm = centre;
  solid.semi_axes_mm = {radius, radius, 1};
  solid.length_mm = 400;
  solid.substance = phantom.substances.size();
  phantom.substances.push_back({value, "", 0});
  phantom.solids.push_back(solid);
}

void add_block(Phantom& phantom, Vec3 centre, Vec3 size, double turn_deg, double value) {
  Solid solid;
  solid.shape = Solid::Shape::box;
  solid.centre_mm = centre;
  solid.size_mm = size;
  solid.rotation_rad = {radians(turn_deg), 0, 0};
  solid.substance = phantom.substances.size();
  phantom.substances.push_back({value, "", 0});
  phantom.solids.push_back(solid);
}

/// A round part a little off the axis with pins, bores and blocks: all that can look like a stripe for a while.
Phantom part() {
  Phantom phantom;
  add(phantom, {6, -4, 0}, 78, 0.010);
  add(phantom, {47, 8, 0}, 4, 0.030);
  add(phantom, {-24, 31, 0}, 6, -0.010);
  add(phantom, {-16, -39, 0}, 9, 0.010);
  add(phantom, {12, 6, 0}, 3, 0.020);
  add(phantom, {-55, -16, 0}, 2.4, 0.050);
  add_block(phantom, {31, -35, 0}, {24, 10, 400}, 23, 0.010);
  add_block(phantom, {-35, 4, 0}, {16, 16, 400}, 57, -0.010);
  return phantom;
}

ReadLines reader(const Geometry& g, const std::vector<float>& data) {
  return [&g, &data](int view, int view_count, int row, int row_count, std::span<float> out) {
    from_memory(g, data).read(view, view_count, row, row_count, out);
  };
}

std::vector<float> without_rings(const Geometry& g, const std::vector<float>& data, RingMethod method) {
  const RingOffsets offsets = find_rings(g, reader(g, data), {.method = method});
  std::vector<float> corrected = data;
  const std::size_t width = std::size_t(g.detector.columns);
  for (std::size_t line = 0; line < data.size() / width; ++line)
    offsets.subtract(int(line) / g.detector.rows, int(line) % g.detector.rows,
                     std::span(corrected).subspan(line * width, width));
  return corrected;
}

/// The middle slice.
std::vector<float> rebuild(const Geometry& g, std::span<const float> data) {
  const auto plan = plan_reconstruction(g, {.voxel_mm = 1, .size = {{180, 180, 1}}}, {});
  std::vector<float> volume;
  reconstruct(g, from_memory(g, data), plan, {},
              [&](int, std::span<const float> slice) { volume.assign(slice.begin(), slice.end()); });
  return volume;
}

double rms(const std::vector<float>& a, const std::vector<float>& b) {
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += std::pow(double(a[i]) - b[i], 2);
  return std::sqrt(sum / double(a.size()));
}

enum class Course { steady, drifting };
struct Stripe {
  int column, width;
  double offset;
};

void put(const Geometry& g, std::vector<float>& data, const std::vector<Stripe>& stripes, Course course) {
  const std::size_t width = std::size_t(g.detector.columns);
  for (std::size_t line = 0; line < data.size() / width; ++line) {
    const double time = (double(line / std::size_t(g.detector.rows)) + 0.5) / double(g.angles_rad.size());
    for (const Stripe& stripe : stripes)
      for (int c = stripe.column; c < stripe.column + stripe.width; ++c)
        data[line * width + std::size_t(c)] += float(stripe.offset * (course == Course::steady ? 1 : time));
  }
}

const std::vector<Stripe> narrow = {{31, 1, 0.05},  {50, 2, -0.04},  {70, 3, 0.03}, {117, 1, -0.05},
                                    {136, 2, 0.03}, {153, 3, -0.04}, {170, 1, 0.02}},
                          wide = {{28, 15, 0.03}, {62, 5, -0.04}, {117, 10, 0.03}, {149, 7, -0.02}};

std::vector<float> noise(const Geometry& g, double sigma, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<float> normal(0, float(sigma));
  std::vector<float> values(std::size_t(g.detector.columns) * std::size_t(g.detector.rows) * g.angles_rad.size());
  for (float& value : values)
    value = normal(random);
  return values;
}

/// Amplitude of rings in a volume: the RMS, over the whole slice, of its difference from that of the scan without
/// stripes. What a correction does to the part counts, too.
struct Amplitudes {
  double before, after;
};

Amplitudes ring_amplitudes(const Geometry& g, const std::vector<float>& ideal, const std::vector<Stripe>& stripes,
                           Course course, RingMethod method) {
  auto data = ideal;
  put(g, data, stripes, course);
  const auto truth = rebuild(g, ideal);
  return {rms(rebuild(g, data), truth), rms(rebuild(g, without_rings(g, data, method)), truth)};
}

/// The frequency, in cycles a pixel, at which the transfer function of the disk's edge is one half, after the steps of
/// ASTM E1695 (see published/mtf_test.cpp).
double half_frequency(const std::vector<float>& slice, const Grid& grid, double x, double y, double radius) {
  const double bin = 0.1, from = radius - 18;
  std::vector<double> sum(360), count(360);
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i) {
      const double place = (std::hypot(grid.x_mm(i) - x, grid.y_mm(j) - y) - from) / bin;
      if (place < 0 || place >= 360) continue;
      sum[std::size_t(place)] += slice[std::size_t(j * grid.nx + i)];
      count[std::size_t(place)] += 1;
    }
  const auto transfer = [&](double f) {
    std::complex<double> wave = 0;
    double whole = 0;
    for (std::size_t i = 1; i + 1 < sum.size(); ++i) {
      const double slope = sum[i + 1] / count[i + 1] - sum[i - 1] / count[i - 1];
      wave += slope * std::polar(1.0, -2 * pi * f * bin * double(i));
      whole += slope;
    }
    return std::abs(wave) / std::abs(whole);
  };
  double low = 0.05, high = 0.5;
  for (int step = 0; step < 40; ++step)
    (transfer((low + high) / 2) > 0.5 ? low : high) = (low + high) / 2;
  return low;
}

}  // namespace

TEST_SUITE("ring correction") {
  // The factors asked for stand beside; what was measured: 32, 14, 11, 8 (parallel), and static over half a turn
  // 11, 11.
  TEST_CASE("rings of narrow stripes are at least 10 times weaker and of wide and drifting ones 5 times") {
    struct Row {
      const char* name;
      const std::vector<Stripe>* stripes;
      Course course;
      double factor;
    };
    const Row rows[] = {{"narrow", &narrow, Course::steady, 10},
                        {"wide", &wide, Course::steady, 5},
                        {"narrow and drifting", &narrow, Course::drifting, 5},
                        {"wide and drifting", &wide, Course::drifting, 5}};
    for (const auto& [beam, arc, count] : {std::tuple(Beam::parallel, 360.0, 1), std::tuple(Beam::parallel, 180.0, 1),
                                           std::tuple(Beam::fan, 360.0, 1), std::tuple(Beam::cone, 360.0, 3)}) {
      const Geometry g = scan_of(beam, arc, count);
      const auto ideal = test::project(g, part(), 2);
      for (const Row& row : rows) {
        if (arc < 270 && row.course == Course::drifting) continue;  // not told from the part over half a turn
        CAPTURE(to_string(beam));
        CAPTURE(arc);
        CAPTURE(row.name);
        const auto [before, after] = ring_amplitudes(g, ideal, *row.stripes, row.course, RingMethod::differences);
        CAPTURE(before / after);
        CHECK(before > row.factor * after);
      }
    }
  }

  TEST_CASE("the default is the better one of the two") {
    const Geometry g = scan_of(Beam::fan);
    const auto ideal = test::project(g, part(), 2);
    for (const Course course : {Course::steady, Course::drifting})
      for (const auto* stripes : {&narrow, &wide}) {
        const auto best = ring_amplitudes(g, ideal, *stripes, course, RingSearch{}.method);
        for (const RingMethod method : {RingMethod::differences, RingMethod::sorting}) {
          const double after = ring_amplitudes(g, ideal, *stripes, course, method).after;
          const std::string stripe = (stripes == &narrow ? ", narrow" : ", wide") +
                                     std::string(course == Course::steady ? "" : " and drifting");
          MESSAGE((to_string(method) + stripe + ": rings weaker by a factor of ") << best.before / after);
          CHECK(best.after <= after);
        }
      }
  }

  // Disks off the axis, nearly on it and on it, where the edge stands still on the detector.
  TEST_CASE("the frequency at which a disk's MTF is one half moves by less than 2 percent") {
    const Geometry g = scan_of(Beam::parallel);
    const double radius = 60.37;
    for (const auto& [x, y] : {std::pair(21.4, -7.2), std::pair(1.3, 0.4), std::pair(0.0, 0.0)}) {
      Phantom phantom;
      add(phantom, {x, y, 0}, radius, 0.01);
      const auto data = test::project(g, phantom, 2);
      const auto plan =
          plan_reconstruction(g, {.voxel_mm = 0.47, .size = {{340, 340, 1}}, .centre_mm = Vec3(x, y, 0)}, {});
      const auto half = [&](const std::vector<float>& lines) {
        std::vector<float> slice;
        reconstruct(g, from_memory(g, lines), plan, {},
                    [&](int, std::span<const float> values) { slice.assign(values.begin(), values.end()); });
        return half_frequency(slice, plan.grid, x, y, radius);
      };
      const double before = half(data), after = half(without_rings(g, data, RingMethod::differences));
      CAPTURE(x);
      CAPTURE(before);
      CAPTURE(after);
      CHECK(before > 0.2);
      CHECK(before < 0.45);
      CHECK(std::abs(after / before - 1) < 0.02);
    }
  }

  TEST_CASE("a scan without rings changes by less than half its noise") {
    for (const auto& [beam, arc, count] : {std::tuple(Beam::parallel, 360.0, 1), std::tuple(Beam::parallel, 180.0, 1),
                                           std::tuple(Beam::fan, 360.0, 1), std::tuple(Beam::cone, 360.0, 3)})
      for (const double sigma : {0.003, 0.03}) {
        const Geometry g = scan_of(beam, arc, count);
        const auto ideal = test::project(g, part(), 2);
        auto noisy = ideal;
        const auto added = noise(g, sigma, 7);
        for (std::size_t i = 0; i < noisy.size(); ++i)
          noisy[i] += added[i];
        const auto before = rebuild(g, noisy);
        const double change = rms(rebuild(g, without_rings(g, noisy, RingMethod::differences)), before),
                     noise_rms = rms(before, rebuild(g, ideal));
        CAPTURE(to_string(beam));
        CAPTURE(arc);
        CAPTURE(sigma);
        CAPTURE(change / noise_rms);
        CHECK(change < 0.5 * noise_rms);
      }
  }

  TEST_CASE("a pin on the axis loses less than 5 percent of its contrast") {
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone})
      for (const auto& [radius, value] :
           {std::pair(4.0, 0.01), std::pair(10.0, 0.01), std::pair(10.0, 0.002), std::pair(20.0, 0.01)}) {
        const Geometry g = scan_of(beam, 360, beam == Beam::cone ? 3 : 1);
        Phantom phantom = part();
        phantom.solids.resize(1);
        add(phantom, {0, 0, 0}, radius, value);
        const auto data = test::project(g, phantom, 2);
        const auto contrast = [&](const std::vector<float>& lines) {
          const auto slice = rebuild(g, lines);
          double pin = 0, around = 0;
          int pins = 0, others = 0;
          for (int j = 0; j < 180; ++j)
            for (int i = 0; i < 180; ++i) {
              const double r = std::hypot(i - 89.5, j - 89.5), v = double(slice[std::size_t(j * 180 + i)]);
              if (r < 0.7 * radius) {
                pin += v;
                ++pins;
              } else if (r > radius + 2 && r < radius + 8) {
                around += v;
                ++others;
              }
            }
          return pin / pins - around / others;
        };
        const double before = contrast(data), after = contrast(without_rings(g, data, RingMethod::differences));
        CAPTURE(to_string(beam));
        CAPTURE(radius);
        CAPTURE(value);
        CAPTURE(after / before);
        CHECK(after > 0.95 * before);
        CHECK(after < 1.05 * before);
      }
  }
}
