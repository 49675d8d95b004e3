// The modulation transfer function of the algorithm, measured on a disk's edge after the steps of ASTM E1695 (7.1.1:
// distance of every pixel from the disk's centre, equal bins, edge response, its derivative, transform), against the
// derived closed form.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>

#include "rayloom/reconstruct/reconstruct.h"

using namespace rayloom;

namespace {

constexpr double radius = 100.37, disk_x = 31.4159,
                 disk_y = -27.1828;  // pixels; off the axis, so that aliases do not add in phase

/// One slice of a unit disk from 800 parallel views over 180 degrees, every pixel the exact mean of the chords across
/// it.
std::vector<float> disk_slice(const FilterOptions& filter, Method method, Grid& grid) {
  Geometry g;
  g.detector = {320, 1, 1, 1, 159.5, 0};
  std::vector<float> data;
  const auto area = [](double t) {  // under the chord 2 sqrt(R^2 - t^2) from 0 to t
    const double s = std::clamp(t, -radius, radius);
    return s * std::sqrt(radius * radius - s * s) + radius * radius * std::asin(s / radius);
  };
  for (int v = 0; v < 800; ++v) {
    const double b = pi * v / 800, centre = disk_x * std::cos(b) + disk_y * std::sin(b);
    g.angles_rad.push_back(b);
    for (int c = 0; c < 320; ++c) {
      const double t = c - 159.5 - centre;
      data.push_back(float(area(t + 0.5) - area(t - 0.5)));
    }
  }
  const ReconstructOptions options{.filter = filter, .method = method};
  const auto plan = plan_reconstruction(
      g, {.voxel_mm = 0.47, .size = {{520, 520, 1}}, .centre_mm = Vec3(disk_x, disk_y, 0)}, options);
  std::vector<float> slice;
  reconstruct(g, from_memory(g, data), plan, options,
              [&](int, std::span<const float> values) { slice.assign(values.begin(), values.end()); });
  grid = plan.grid;
  return slice;
}

double sinc(double x) {
  return std::sin(pi * x) / (pi * x);
}

/// Amplitude at f cycles a pixel of the edge's derivative, relative to f = 0.
double measured_mtf(const std::vector<double>& edge, double bin, double f) {
  std::complex<double> sum = 0;
  double zero = 0;
  for (std::size_t i = 1; i + 1 < edge.size(); ++i) {
    const double slope = edge[i + 1] - edge[i - 1];
    sum += slope * std::polar(1.0, -2 * pi * f * bin * double(i));
    zero += slope;
  }
  // The central difference over two bins and the mean over one have transforms of their own.
  return std::abs(sum) / std::abs(zero) / (sinc(2 * f * bin) * sinc(f * bin));
}

}  // namespace

TEST_SUITE("MTF after ASTM E1695; closed form window(f) sinc^2(f) sinc(f), derived") {
  TEST_CASE("within 0.01 for every window") {
    struct Row {
      Window window;
      double at[4];  // f = .1, .2, .3, .4 cycles a pixel, with the detector's aperture
    };
    for (const Row& row :
         {Row{Window::ramp, {.9517, .8187, .6325, .4335}}, Row{Window::shepp_logan, {.9361, .7659, .5429, .3281}},
          Row{Window::cosine, {.9051, .6623, .3718, .1340}}, Row{Window::hamming, {.8681, .5585, .2516, .0728}},
          Row{Window::hann, {.8608, .5358, .2185, .0414}}}) {
      CAPTURE(to_string(row.window));
      for (const Method method : {Method::direct, Method::gridding}) {
        CAPTURE(to_string(method));
        Grid grid;
        const auto slice = disk_slice({row.window, 1}, method, grid);
        const double bin = 0.1, from = radius - 18;
        std::vector<double> sum(360), count(360);
        for (int j = 0; j < grid.ny; ++j)
          for (int i = 0; i < grid.nx; ++i) {
            const double r = std::hypot(grid.x_mm(i) - disk_x, grid.y_mm(j) - disk_y);
            if (r < from || r >= from + bin * 360) continue;
            sum[std::size_t((r - from) / bin)] += slice[std::size_t(j * grid.nx + i)];
            count[std::size_t((r - from) / bin)] += 1;
          }
        for (std::size_t b = 0; b < sum.size(); ++b)
          sum[b] /= count[b];
        for (int k = 0; k < 4; ++k) {
          const double f = 0.1 * (k + 1), found = measured_mtf(sum, bin, f);
          CAPTURE(f);
          CHECK(std::abs(found - row.at[k]) < 0.01);
        }
      }
    }
  }
}
