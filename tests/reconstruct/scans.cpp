// Whole reconstructions in memory: every kind of scan of one phantom gives the same picture, the phantom's.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/reconstruct/resample.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/sinc_taps.h"
#include "support/projections.h"

using namespace rayloom;

namespace {

/// Ellipsoids without any symmetry within 40 mm of the axis; `tall` ones stand for slices that are all alike.
Phantom part(double height_mm) {
  Phantom phantom;
  const auto add = [&](Vec3 centre, Vec3 axes, double turn_deg, double value) {
    Solid solid;
    solid.centre_mm = centre;
    solid.semi_axes_mm = axes;
    solid.rotation_rad = {radians(turn_deg), 0, 0};
    if (height_mm > 0) {
      solid.shape = Solid::Shape::cylinder;
      solid.length_mm = height_mm;
      solid.centre_mm.z() = 0;
    }
    solid.substance = phantom.substances.size();
    phantom.substances.push_back({value, "", 0});
    phantom.solids.push_back(solid);
  };
  add({2, -1, 0}, {34, 28, 24}, 20, 0.020);
  add({12, 9, 6}, {9, 6, 6}, -30, 0.010);
  add({-14, 4, -5}, {6, 11, 7}, 10, -0.008);
  add({3, -15, 4}, {5, 5, 5}, 0, 0.015);
  return phantom;
}

/// Shepp & Logan's head, contrasts raised, 40 mm high, in slices that are all alike.
Phantom shepp_logan() {
  Phantom phantom = read_phantom(RAYLOOM_SOURCE_DIR "/phantoms/shepp_logan_contrast_raised.json");
  const double scale = 40 / phantom.extent().radius_mm;
  for (Solid& solid : phantom.solids) {
    solid.shape = Solid::Shape::cylinder;
    solid.length_mm = 200;
    solid.centre_mm *= scale;
    solid.centre_mm.z() = 0;
    solid.semi_axes_mm *= scale;
  }
  return phantom;
}

Geometry scan_of(Beam beam, double arc_deg, int views, int columns = 200, int rows = 1) {
  Geometry g;
  g.beam = beam;
  if (beam != Beam::parallel) {
    g.sod_mm = 250;
    g.sdd_mm = 500;
  }
  const double pitch = 0.5 * g.magnification();
  g.detector = {columns, rows, pitch, pitch, (columns - 1) / 2.0, (rows - 1) / 2.0};
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(radians(17 + arc_deg * i / views));
  return g;
}

std::vector<float> rebuild(const Geometry& g, std::span<const float> data, const GridRequest& request,
                           const ReconstructOptions& options = {}) {
  const auto plan = plan_reconstruction(g, request, options);
  std::vector<float> volume;
  reconstruct(g, from_memory(g, data), plan, options,
              [&](int, std::span<const float> slice) { volume.insert(volume.end(), slice.begin(), slice.end()); });
  return volume;
}

constexpr double voxel = 0.5;
const GridRequest plane{.voxel_mm = voxel, .size = {{150, 150, 1}}};

/// Voxels of the part's surroundings that have no surface within `clear` voxels in their slice, and the part's value
/// there.
std::vector<std::pair<std::size_t, double>> clear_voxels(const Grid& grid, const Phantom& phantom, double clear) {
  const auto mu = phantom.attenuations();
  const Tracer tracer(phantom);
  std::vector<std::pair<std::size_t, double>> voxels;
  std::size_t at = 0;
  for (int k = 0; k < grid.nz; ++k)
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i, ++at) {
        const Vec3 p = grid.centre_of(i, j, k);
        if (p.head<2>().norm() > 40) continue;
        const double value = tracer.value_at(p, mu);
        bool uniform = true;
        for (int n = 0; n < 16 && uniform; ++n) {
          const double a = 2 * pi * n / 16;
          const Vec3 beside = clear * grid.voxel_mm * Vec3(std::cos(a), std::sin(a), 0);
          uniform = tracer.value_at(p + beside, mu) == value;
        }
        if (uniform) voxels.emplace_back(at, value);
      }
  return voxels;
}

double worst_error(const std::vector<float>& volume, const std::vector<std::pair<std::size_t, double>>& voxels) {
  double worst = 0;
  for (const auto& [at, value] : voxels)
    worst = std::max(worst, std::abs(double(volume[at]) - value));
  return worst;
}

double rms_error(const std::vector<float>& volume, const std::vector<std::pair<std::size_t, double>>& voxels) {
  double sum = 0;
  for (const auto& [at, value] : voxels)
    sum += std::pow(double(volume[at]) - value, 2);
  return std::sqrt(sum / double(voxels.size()));
}

double rms_difference(const std::vector<float>& a, const std::vector<float>& b) {
  REQUIRE(a.size() == b.size());
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += std::pow(double(a[i]) - b[i], 2);
  return std::sqrt(sum / double(a.size()));
}

/// Filtered back-projection as the textbook writes it, in double precision and without a line of the library: parallel
/// rays over 180 degrees, spatial convolution with the ramp kernel, linear interpolation (Kak & Slaney 1988, ch. 3).
std::vector<float> textbook(const Geometry& g, const std::vector<float>& data, const Grid& grid) {
  const int n = g.detector.columns;
  const double t = g.detector.column_pitch_mm;
  std::vector<double> sum(grid.voxels());
  for (std::size_t v = 0; v < g.angles_rad.size(); ++v) {
    std::vector<double> q(std::size_t(n) + 1);
    for (int i = 0; i < n; ++i)
      for (int k = 0; k < n; ++k) {
        const int lag = i - k;
        const double h = lag == 0 ? 1 / (4 * t * t) : lag % 2 == 0 ? 0 : -1 / (pi * pi * t * t * lag * lag);
        q[std::size_t(i)] += t * h * data[v * std::size_t(n) + std::size_t(k)];
      }
    const double c = std::cos(g.angles_rad[v]), s = std::sin(g.angles_rad[v]);
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i) {
        const double at = (grid.x_mm(i) * c + grid.y_mm(j) * s) / t + g.detector.axis_column;
        const int k = std::clamp(int(std::floor(at)), 0, n - 1);
        sum[std::size_t(j * grid.nx + i)] += (1 - (at - k)) * q[std::size_t(k)] + (at - k) * q[std::size_t(k) + 1];
      }
  }
  std::vector<float> slice(sum.size());
  for (std::size_t i = 0; i < sum.size(); ++i)
    slice[i] = float(sum[i] * pi / double(g.angles_rad.size()));
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i)
      if (std::hypot(grid.x_mm(i), grid.y_mm(j)) > n * t / 2) slice[std::size_t(j * grid.nx + i)] = 0;  // not in view
  return slice;
}

struct Kind {
  std::string name;
  Geometry g;
};

/// Scans that all hold the part of 40 mm in view, with the same virtual pixel and angles about as dense.
std::vector<Kind> kinds_of_scan() {
  std::vector<Kind> kinds = {{"parallel, half turn", scan_of(Beam::parallel, 180, 240)},
                             {"parallel, full turn", scan_of(Beam::parallel, 360, 480)},
                             {"parallel, 270 degrees", scan_of(Beam::parallel, 270, 360)},
                             {"fan, full turn", scan_of(Beam::fan, 360, 480)},
                             {"fan, full turn backwards", scan_of(Beam::fan, -360, 480)},
                             {"fan, short scan", scan_of(Beam::fan, 204, 272)},
                             {"fan, short scan backwards", scan_of(Beam::fan, -204, 272)},
                             {"fan, over-scan", scan_of(Beam::fan, 291, 388)}};
  Kind arc{"arc, full turn", scan_of(Beam::fan, 360, 480)};
  arc.g.detector.shape = DetectorShape::arc;
  kinds.push_back(arc);
  arc.name = "arc, short scan";
  arc.g.angles_rad = scan_of(Beam::fan, 204, 272).angles_rad;
  kinds.push_back(arc);
  for (const double axis : {99.5, 30.2})
    for (const Beam beam : {Beam::fan, Beam::parallel}) {
      Kind shifted{"displaced, axis on " + std::to_string(int(axis)), scan_of(beam, 360, 480, 130)};
      shifted.g.detector.axis_column = axis;
      kinds.push_back(shifted);
    }
  Kind uneven{"fan, uneven steps", scan_of(Beam::fan, 360, 480)};
  for (std::size_t i = 0; i < uneven.g.angles_rad.size(); ++i)
    uneven.g.angles_rad[i] += 0.004 * std::sin(12.9898 * double(i));
  kinds.push_back(uneven);
  Kind slanted{"fan, slanted detector", scan_of(Beam::fan, 360, 480)};
  slanted.g.detector.slant_rad = 0.1;
  kinds.push_back(slanted);
  kinds.push_back({"cone, mid-plane", scan_of(Beam::cone, 360, 480, 200, 3)});
  Kind displaced_cone{"cone, displaced", scan_of(Beam::cone, 360, 480, 130, 3)};
  displaced_cone.g.detector.axis_column = 30.2;
  kinds.push_back(displaced_cone);
  return kinds;
}

}  // namespace

TEST_SUITE("one part, every kind of scan") {
  // The bound is what sampling allows: the error that the textbook's loop makes on the parallel scan of the same part
  // with the same pixels. The kinds of scan sample the part alike, not identically, so half as much again is allowed. A
  // wrong weight or sign costs several times the bound; errors of the geometry show in the thin pin below.
  TEST_CASE("each agrees with the part as well as the textbook does") {
    for (const Phantom& phantom : {part(200), shepp_logan()}) {
      const bool head = phantom.solids.size() > 4;
      CAPTURE(head);
      const Grid grid{150, 150, 1, voxel, Vec3::Zero()};
      const Geometry reference = scan_of(Beam::parallel, 180, 240);
      const auto data = test::project(reference, phantom, 2);
      const auto expected = textbook(reference, data, grid);
      const auto clear3 = clear_voxels(grid, phantom, 3), clear10 = clear_voxels(grid, phantom, head ? 6 : 10);
      REQUIRE(clear10.size() > 1000);
      const double worst3 = worst_error(expected, clear3), worst10 = worst_error(expected, clear10);
      // The oracle itself: streaks of 240 views are some per cent of the strongest edge, the body's or the skull's.
      CHECK(worst10 < 0.05 * phantom.attenuations()[0]);
      // In float32 the library's own parallel scan is the textbook's to rounding, 1e-5 of the density.
      // Half a pixel short of the detector's edge, beyond which the textbook's loop has nothing to interpolate.
      const auto ours = rebuild(reference, data, plane);
      double largest = 0;
      for (std::size_t i = 0; i < ours.size(); ++i)
        if (std::hypot(grid.x_mm(int(i % 150)), grid.y_mm(int(i / 150))) < 49.7)
          largest = std::max(largest, std::abs(double(ours[i]) - expected[i]));
      CHECK(largest < 1e-5 * phantom.attenuations()[0]);
      // `reconstruct` takes gridding by itself, so it must be as accurate.
      const auto gridded = rebuild(reference, data, plane, {.method = Method::gridding});
      // Beside an edge it rings more; 1.51 times beside the skull, whether 3 x 3 or 6 x 6 rays make a pixel's mean.
      CHECK(worst_error(gridded, clear3) < 1.6 * worst3);
      CHECK(worst_error(gridded, clear10) < 1.5 * worst10);
      CHECK(rms_error(gridded, clear3) < rms_error(expected, clear3));
      CHECK(rms_error(gridded, clear10) < rms_error(expected, clear10));
      for (const Kind& kind : kinds_of_scan()) {
        CAPTURE(kind.name);
        const auto slice = rebuild(kind.g, test::project(kind.g, phantom, 2), plane);
        CHECK(worst_error(slice, clear3) < 1.5 * worst3);
        CHECK(worst_error(slice, clear10) < 1.5 * worst10);
      }
    }
  }

  // Errors of the geometry, which a full turn hides amid large smooth parts, spread a thin pin far from the axis: half
  // a pixel of the axis costs a fifth of its height. The reference is the textbook's loop; kinds of scan sample the pin
  // alike, but not at the same places, which moves its height by up to 4 % (interpolation keeps 0.90 to 1 of a wave
  // of the pin's width, depending on where it is read) and its centre by a twentieth of a pixel.
  TEST_CASE("each shows a thin pin where it is and as high as the textbook does") {
    Phantom pin;
    Solid solid;
    solid.shape = Solid::Shape::cylinder;
    solid.centre_mm = Vec3(30.13, 9.87, 0);
    solid.semi_axes_mm = Vec3(0.6, 0.6, 0);
    solid.length_mm = 200;
    pin.substances.push_back({0.1, "", 0});
    pin.solids.push_back(solid);
    const GridRequest around{.voxel_mm = 0.2, .size = {{30, 30, 1}}, .centre_mm = Vec3(30, 10, 0)};
    const Grid grid{30, 30, 1, 0.2, Vec3(30, 10, 0)};
    const auto look = [&](const std::vector<float>& slice) {
      const double highest = *std::max_element(slice.begin(), slice.end());
      double mass = 0, x = 0, y = 0;
      for (std::size_t at = 0; at < slice.size(); ++at)
        if (slice[at] > 0.3 * highest) {
          mass += slice[at];
          x += slice[at] * grid.x_mm(int(at % 30));
          y += slice[at] * grid.y_mm(int(at / 30));
        }
      return Vec3(x / mass, y / mass, highest);
    };
    const Geometry reference = scan_of(Beam::parallel, 180, 240);
    const double height = look(textbook(reference, test::project(reference, pin, 2), grid)).z();
    for (const Kind& kind : kinds_of_scan()) {
      CAPTURE(kind.name);
      const Vec3 seen = look(rebuild(kind.g, test::project(kind.g, pin, 2), around));
      CHECK(std::abs(seen.z() / height - 1) < 0.05);
      CHECK(std::hypot(seen.x() - 30.13, seen.y() - 9.87) < 0.05 * 0.5);
    }
  }

  TEST_CASE("the mid-plane of a cone is a fan") {
    const Phantom phantom = part(200);
    const Geometry cone = scan_of(Beam::cone, 360, 90, 200, 3), fan = scan_of(Beam::fan, 360, 90);
    auto data = test::project(fan, phantom, 2);
    std::vector<float> rows;
    for (std::size_t v = 0; v < 90; ++v)
      for (int r = 0; r < 3; ++r)
        rows.insert(rows.end(), data.begin() + std::ptrdiff_t(v * 200), data.begin() + std::ptrdiff_t(v * 200 + 200));
    CHECK(rms_difference(rebuild(cone, rows, plane), rebuild(fan, data, plane)) < 1e-8);
  }

  // Sums of 1440 floats in another order: rounding grows as sqrt(1440) 2^-24 of the largest partial sum, below 1e-5 of
  // the density.
  TEST_CASE("views listed three times or shuffled give the same volume") {
    const Phantom phantom = part(200);
    const Geometry once = scan_of(Beam::fan, 360, 120);
    const auto data = test::project(once, phantom, 2);
    const auto expected = rebuild(once, data, plane);
    std::vector<std::size_t> order;
    for (int copy = 0; copy < 3; ++copy)
      for (std::size_t v = 0; v < 120; ++v)
        order.push_back(v);
    std::mt19937 random(3);
    std::shuffle(order.begin(), order.end(), random);
    Geometry thrice = once;
    thrice.angles_rad.clear();
    std::vector<float> all;
    for (const std::size_t v : order) {
      thrice.angles_rad.push_back(once.angles_rad[v]);
      all.insert(all.end(), data.begin() + std::ptrdiff_t(v * 200), data.begin() + std::ptrdiff_t(v * 200 + 200));
    }
    CHECK(rms_difference(rebuild(thrice, all, plane), expected) < 2e-7);
  }

  TEST_CASE("threads and memory do not change a byte") {
    const Phantom phantom = part(0);
    for (const Beam beam : {Beam::cone, Beam::fan, Beam::parallel}) {
      const Geometry g = scan_of(beam, 360, 40, 96, 90);
      const auto data = test::project(g, phantom, 2);
      const GridRequest request{.voxel_mm = 0.47, .size = {{60, 50, 77}}, .centre_mm = Vec3(1, 2, 3)};
      const auto whole = rebuild(g, data, request, {.threads = 1});
      CHECK(whole == rebuild(g, data, request, {.threads = 3}));
      const std::size_t needed = plan_reconstruction(g, request, {.threads = 2}).memory_bytes;
      for (const std::size_t share : {8, 6}) {
        const ReconstructOptions less{.memory_bytes = needed * share / 10, .threads = 2};
        CHECK(plan_reconstruction(g, request, less).slabs.size() > 1);
        CHECK(whole == rebuild(g, data, request, less));
      }
    }
  }
}

TEST_SUITE("turned detectors") {
  TEST_CASE("every ray of the ideal detector meets the turned one where the map says") {
    struct Turn {
      Beam beam;
      int rows;
      double roll, tilt, slant;
    };
    for (const Turn& turn : {Turn{Beam::cone, 140, 5, -8, 12},
                             {Beam::cone, 1, 0, 0, 9},
                             {Beam::fan, 1, 0, 0, 9},
                             {Beam::fan, 1, 0, 0, -20},
                             {Beam::parallel, 140, -7, 0, 0}}) {
      Geometry g = scan_of(turn.beam, 360, 8, 200, turn.rows);
      g.detector.axis_column += 3.3;
      g.detector.midplane_row -= turn.beam == Beam::fan ? 0 : 2.2;
      const Geometry ideal = g;
      g.detector.roll_rad = radians(turn.roll);
      g.detector.tilt_rad = radians(turn.tilt);
      g.detector.slant_rad = radians(turn.slant);
      const Resampler resampler(g);
      double worst = 0;
      for (int row = 0; row < turn.rows; row += 10)
        for (int column = 0; column < 200; column += 7) {
          const Ray ray = ray_to(ideal, 0.3, {double(row), double(column)});
          const auto expected = project(g, 0.3, ray.origin + 400 * ray.direction);
          const auto found = resampler.turned_position(row, column);
          worst = std::max({worst, std::abs(found.row - expected.row), std::abs(found.column - expected.column)});
        }
      CAPTURE(turn.slant);
      CHECK(worst < 1e-8);  // pixels: rounding
    }
  }

  // The resampling states its loss: next to nothing below a quarter of the sampling frequency, so away from edges the
  // volume may be off by what sampling itself allows, measured on the ideal detector; half as much again, as for the
  // kinds of scan.
  TEST_CASE("rolled, tilted and slanted detectors see the same part") {
    const Phantom phantom = part(0);
    const Geometry ideal = scan_of(Beam::cone, 360, 120, 200, 140);
    const Grid grid{120, 120, 40, 0.625, Vec3(0, 0, 1)};
    const GridRequest request{.voxel_mm = 0.625, .size = {{120, 120, 40}}, .centre_mm = Vec3(0, 0, 1)};
    const auto expected = rebuild(ideal, test::project(ideal, phantom, 2), request);
    const auto clear = clear_voxels(grid, phantom, 6);
    const double allowed = worst_error(expected, clear);
    struct Turn {
      double roll, tilt, slant;
    };
    for (const Turn& turn : {Turn{5, 0, 0}, {0, 6, 0}, {0, 0, -7}, {-3, 4, 5}}) {
      Geometry turned = ideal;
      turned.detector.roll_rad = radians(turn.roll);
      turned.detector.tilt_rad = radians(turn.tilt);
      turned.detector.slant_rad = radians(turn.slant);
      CAPTURE(turn.roll);
      CAPTURE(turn.tilt);
      CAPTURE(turn.slant);
      const auto data = test::project(turned, phantom, 2);
      const auto found = rebuild(turned, data, request);
      CHECK(worst_error(found, clear) < 1.5 * allowed);
      // Treated as if it were ideal, the same scan must be clearly wrong, or this test shows nothing.
      const auto untreated = rebuild(ideal, data, request);
      CHECK(rms_difference(found, expected) < 0.3 * rms_difference(untreated, expected));
    }
  }

  TEST_CASE("the taps keep constants and slopes") {
    for (const double f : {0.0, 0.1, 0.1503, 0.25, 0.5, 0.8, 1.0}) {
      const auto taps = sinc_taps(f);
      CHECK(std::accumulate(taps.begin(), taps.end(), 0.0) == doctest::Approx(1).epsilon(1e-6));
      double first = 0, wave = 0;
      for (int i = 0; i < 6; ++i) {
        first += double(taps[std::size_t(i)]) * (i - 2);
        wave += double(taps[std::size_t(i)]) * std::cos(2 * pi * 0.25 * (i - 2 - f));
      }
      CHECK(std::abs(first - f) < 0.011);
      CHECK(std::abs(wave - 1) < 0.006);
    }
  }
}

TEST_SUITE("noise: derived, white noise through the kernel and linear interpolation") {
  // sigma_f = pi sigma / (t sqrt V) sqrt((2/3) S0 + (1/3) S1), S0 = sum h^2, S1 the lag-1 autocorrelation of the
  // kernel, averaged over the sub-pixel position. The estimate from K independent pixels is off by 1/sqrt(2 K) of
  // itself; neighbours are correlated over about two pixels, so K is a quarter of the pixels at least.
  TEST_CASE("standard deviation of a reconstruction of noise") {
    for (const Window window : {Window::ramp, Window::shepp_logan, Window::hann}) {
      const auto kernel = ramp_kernel({window, 1}, 512, 1);
      double s0 = 0, s1 = 0;
      for (std::size_t i = 0; i < kernel.size(); ++i) {
        s0 += kernel[i] * kernel[i];
        if (i + 1 < kernel.size()) s1 += kernel[i] * kernel[i + 1];
      }
      const int views = 300;
      Geometry g = scan_of(Beam::parallel, 180, views, 300);
      g.detector.column_pitch_mm = 1;
      std::mt19937 random(99);
      std::normal_distribution<float> normal;
      std::vector<float> data(std::size_t(views) * 300);
      for (float& value : data)
        value = normal(random);
      const auto slice = rebuild(g, data, {.voxel_mm = 1, .size = {{160, 160, 1}}, .centre_mm = Vec3(0.3, 0.4, 0)},
                                 {.filter = {window, 1}});
      double sum = 0;
      for (const float value : slice)
        sum += double(value) * value;
      const double measured = std::sqrt(sum / double(slice.size()));
      const double expected = pi / std::sqrt(double(views)) * std::sqrt(2.0 / 3 * s0 + 1.0 / 3 * s1);
      CAPTURE(to_string(window));
      CHECK(measured == doctest::Approx(expected).epsilon(4 / std::sqrt(2.0 * double(slice.size()) / 4)));
    }
  }
}

TEST_SUITE("weight and filter together: closed form, derived") {
  // A uniform ball centred on the axis, inside its shadow: q = D^3 (D^2 + v^2 - u^2) / (pi sqrt(D^2 + v^2) (D^2 + u^2 +
  // v^2)^2).
  TEST_CASE("the filtered shadow of a ball") {
    Geometry g = scan_of(Beam::cone, 360, 1, 512, 512);
    g.sod_mm = 500;
    g.sdd_mm = 1000;
    g.detector.column_pitch_mm = g.detector.row_pitch_mm = 2;  // 1 mm on the axis
    Phantom ball;
    ball.substances.push_back({1.0, "", 0});
    Solid solid;
    solid.semi_axes_mm = {200.25, 200.25, 200.25};
    ball.solids.push_back(solid);
    g.angles_rad = {0};
    std::vector<float> view(512 * 512);
    project_phantom(ball, ball.attenuations(), g, 0, {4}, view);
    const auto source = from_memory(g, view);
    for (const double v : {0.5, 50.5, 99.5}) {
      const auto rows = filtered_rows(g, source, {}, 0, int(std::lround(255.5 - v)), 1);
      for (const double u : {-100.5, -49.5, 0.5, 50.5, 99.5}) {
        const double D = 500, U2 = D * D + u * u + v * v;
        const double q = D * D * D * (D * D + v * v - u * u) / (pi * std::sqrt(D * D + v * v) * U2 * U2);
        // As for the flat disc: 3e-4 of 1/pi from 50 pixels under the edge; the kernel is the full ramp.
        CHECK(std::abs(rows[std::size_t(std::lround(u + 255.5)) + 1] - q) < 3e-4 / pi);
      }
    }
  }
}

TEST_SUITE("requests that cannot be met") {
  const auto message = [](const Geometry& g, const GridRequest& request,
                          const ReconstructOptions& options) -> std::string {
    try {
      plan_reconstruction(g, request, options);
    } catch (const InvalidOption& error) {
      return error.what();
    }
    return "accepted";
  };

  TEST_CASE("each is named") {
    const Geometry g = scan_of(Beam::cone, 360, 90, 100, 80), open = scan_of(Beam::fan, 200, 90);
    CHECK(message(g, {}, {}) == "accepted");
    CHECK(message(g, {.size = {{10, 10, 10}}, .centre_mm = Vec3(100, 0, 0)}, {}).find("field of view") !=
          std::string::npos);
    CHECK(message(g, {.size = {{10, 10, 10}}, .centre_mm = Vec3(0, 0, 90)}, {}).find("spans z from") !=
          std::string::npos);
    CHECK(message(g, {.voxel_mm = -1}, {}).find("voxel: -1") != std::string::npos);
    CHECK(message(g, {.size = {{0, 1, 1}}}, {}).find("size: 0") != std::string::npos);
    CHECK(message(open, {.size = {{10, 10, 3}}}, {}).find("size: 3 slices") != std::string::npos);
    CHECK(message(g, {}, {.memory_bytes = 1000}).find("memory: 1000 bytes; must be at least") != std::string::npos);
    CHECK(message(g, {}, {.threads = 0}).find("threads: 0") != std::string::npos);
    CHECK(message(g, {}, {.filter = {Window::hann, 1.5}}).find("cutoff: 1.5") != std::string::npos);
    CHECK(message(open, {}, {.coverage = Coverage::displaced}).find("coverage: displaced") != std::string::npos);
    CHECK_THROWS_WITH_AS(binned(g, 200), doctest::Contains("bin: 200"), InvalidOption);
    CHECK_THROWS_WITH_AS(every(g, 0), doctest::Contains("every: 0"), InvalidOption);
  }

  TEST_CASE("an arc that is too short says by how much") {
    const auto short_by = [](double arc) {
      return degrees(plan_reconstruction(scan_of(Beam::fan, arc, 300), {}, {}).redundancy.missing_arc_rad);
    };
    const double fan = 2 * degrees(std::atan(50.0 / 250));
    CHECK(short_by(181 + fan) == 0);
    CHECK(short_by(150) == doctest::Approx(180 + fan - 150).epsilon(1e-9));
  }
}
