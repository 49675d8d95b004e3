// Exact values of the Feldkamp-Davis-Kress reconstruction, derived in closed form: the algorithm's own error away from
// the midplane is known, so what a correct implementation must give is known too, not only what the part is.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numeric>

#include "rayloom/reconstruct/reconstruct.h"

using namespace rayloom;

namespace {

/// Circular scan with a square field of view of `width` at the axis, magnified twice.
Geometry circular_scan(double D, double width, int pixels, int views) {
  Geometry g;
  g.beam = Beam::cone;
  g.sod_mm = D;
  g.sdd_mm = 2 * D;
  g.detector.columns = g.detector.rows = pixels;
  g.detector.column_pitch_mm = g.detector.row_pitch_mm = 2 * width / pixels;
  g.detector.axis_column = g.detector.midplane_row = (pixels - 1) / 2.0;
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(2 * pi * i / views);
  return g;
}

/// Chord of a spheroid of revolution about the axis (semi-axes a, a, c; centre z0) along the ray from (0, D, 0) through
/// the point (u, v) of the plane through the axis.
double spheroid_chord(double D, double a, double c, double z0, double u, double v) {
  const double length = std::sqrt(D * D + u * u + v * v);
  // Origin and direction in the frame where the spheroid is the unit ball.
  const double ox = 0, oy = D / a, oz = -z0 / c, ex = u / (a * length), ey = -D / (a * length), ez = v / (c * length);
  const double al = ex * ex + ey * ey + ez * ez, be = ox * ex + oy * ey + oz * ez, ga = ox * ox + oy * oy + oz * oz - 1;
  const double root = be * be - al * ga;
  return root > 0 ? 2 * std::sqrt(root) / al : 0;
}

/// One view, area-averaged over n x n parts of each pixel, served for every angle: the spheroid does not change as it
/// turns.
std::vector<float> averaged_view(const Geometry& g, double a, double c, double z0, int n) {
  const int pixels = g.detector.columns;
  const double pitch = g.virtual_column_pitch_mm();
  std::vector<float> view(std::size_t(pixels) * std::size_t(pixels));
#pragma omp parallel for
  for (int r = 0; r < pixels; ++r)
    for (int col = 0; col < pixels; ++col) {
      double sum = 0;
      for (int i = 0; i < n; ++i)
        for (int j = 0; j < n; ++j) {
          const double u = (col - g.detector.axis_column + (j + 0.5) / n - 0.5) * pitch;
          const double v = (g.detector.midplane_row - r - (i + 0.5) / n + 0.5) * pitch;
          sum += spheroid_chord(g.sod_mm, a, c, z0, u, v);
        }
      view[std::size_t(r) * std::size_t(pixels) + std::size_t(col)] = float(sum / (n * n));
    }
  return view;
}

ProjectionSource same_in_every_view(const Geometry& g, const std::vector<float>& view) {
  const std::size_t width = std::size_t(g.detector.columns);
  return {[&view, width](int, int views, int row, int rows, std::span<float> out) {
            for (int v = 0; v < views; ++v)
              std::copy_n(view.begin() + std::ptrdiff_t(std::size_t(row) * width), std::size_t(rows) * width,
                          out.begin() + std::ptrdiff_t(std::size_t(v) * std::size_t(rows) * width));
          },
          ProjectionSource::Stored::by_view};
}

std::vector<float> run(const Geometry& g, const ProjectionSource& source, const GridRequest& request,
                       Grid* used = nullptr) {
  const ReconstructOptions options;
  const auto plan = plan_reconstruction(g, request, options);
  std::vector<float> volume;
  reconstruct(g, source, plan, options,
              [&](int, std::span<const float> slice) { volume.insert(volume.end(), slice.begin(), slice.end()); });
  if (used) *used = plan.grid;
  return volume;
}

/// f_FDK of the unit-density centred ball at (r, z), by the trapezoidal rule over the turn, which converges
/// geometrically.
double exact_ball(double D, double r, double z) {
  const int steps = 720;
  double sum = 0;
  for (int i = 0; i < steps; ++i) {
    const double b = 2 * pi * i / steps, X = D - r * std::cos(b), y = r * std::sin(b);
    sum += X * (X * X + z * z - y * y) / (std::sqrt(X * X + z * z) * std::pow(X * X + y * y + z * z, 2));
  }
  return D * D * sum / steps;
}

}  // namespace

TEST_SUITE("exact FDK values, derived; after Feldkamp, Davis & Kress 1984") {
  TEST_CASE("the oracle itself: values of the integral tabulated to five digits") {
    CHECK(exact_ball(3, 0.4, 0.4) == doctest::Approx(0.97277).epsilon(1e-5));
    CHECK(exact_ball(5, 0.6, 0.6) == doctest::Approx(0.97802).epsilon(1e-5));
    CHECK(exact_ball(3, 0, 0.5) == doctest::Approx(0.959735).epsilon(1e-6));
    CHECK(exact_ball(10, 0.8, 0) == doctest::Approx(1).epsilon(1e-9));
  }

  // Bounds: the agreement that an independent brute-force computation with the same sampling reaches (float32,
  // bilinear, 256 x 256 area-averaged pixels, 720 views): 1.2e-4 beyond 20 voxels under the surface and 4.4e-4 beyond
  // 8, at the worst of the three distances.
  TEST_CASE("inside the uniform ball") {
    for (const double D : {3.0, 5.0, 10.0}) {
      const Geometry g = circular_scan(D, 2.4, 256, 720);
      const auto view = averaged_view(g, 1, 1, 0, 16);
      const double voxel = g.virtual_column_pitch_mm();
      // A plane beside the axis and one above the midplane; the ball's symmetry makes them stand for the whole.
      for (const GridRequest& request :
           {GridRequest{.voxel_mm = voxel, .size = {{214, 1, 214}}, .centre_mm = Vec3(0, 0.1234, 0)},
            GridRequest{.voxel_mm = voxel, .size = {{214, 214, 1}}, .centre_mm = Vec3(0, 0, 0.4321)}}) {
        Grid grid;
        const auto volume = run(g, same_in_every_view(g, view), request, &grid);
        double worst20 = 0, worst8 = 0;
        std::size_t at = 0;
        for (int k = 0; k < grid.nz; ++k)
          for (int j = 0; j < grid.ny; ++j)
            for (int i = 0; i < grid.nx; ++i, ++at) {
              const Vec3 p = grid.centre_of(i, j, k);
              const double depth = (1 - p.norm()) / voxel;
              if (depth < 8) continue;
              const double error = std::abs(volume[at] - exact_ball(D, std::hypot(p.x(), p.y()), p.z()));
              worst8 = std::max(worst8, error);
              if (depth >= 20) worst20 = std::max(worst20, error);
            }
        MESSAGE("D = " << D << " R: largest error beyond 20 voxels " << worst20 << ", beyond 8 " << worst8);
        CHECK(worst20 < 2e-4);
        CHECK(worst8 < 6e-4);
      }
    }
  }

  // 8.1(a): on the axis f = D (D^2 + z z0 rho^2) / (D^2 + z^2 rho^2)^(3/2), rho = a/c.
  TEST_CASE("flat discs on the axis: at their centres") {
    const double D = 500, a = 80, c = 5, rho = a / c;
    const Geometry g = circular_scan(D, 200, 512, 360);
    for (const double z0 : {0.0, 30.0}) {
      const auto view = averaged_view(g, a, c, z0, 4);
      const double expected = D * (D * D + z0 * z0 * rho * rho) / std::pow(D * D + z0 * z0 * rho * rho, 1.5);
      CHECK(expected == doctest::Approx(z0 == 0 ? 1.0 : 0.721387).epsilon(1e-6));
      const auto volume =
          run(g, same_in_every_view(g, view), {.voxel_mm = 0.390625, .size = {{3, 3, 1}}, .centre_mm = Vec3(0, 0, z0)});
      // The centre lies 12.8 voxels under the flat faces, where sampled ramp filtering is good to about 1e-3 of the
      // density.
      CHECK(volume[4] == doctest::Approx(expected).epsilon(1e-3));
    }
  }

  // 8.1(c): integrals along lines parallel to the axis are exact, 2c on the axis (Feldkamp et al. 1984).
  TEST_CASE("the integral along the axis of an off-centre disc is its thickness") {
    const double D = 500, a = 80, c = 5, z0 = 60;
    const Geometry g = circular_scan(D, 240, 512, 360);
    const auto view = averaged_view(g, a, c, z0, 8);
    const double voxel = g.virtual_column_pitch_mm();
    Grid grid;
    const auto volume = run(g, same_in_every_view(g, view),
                            {.voxel_mm = voxel, .size = {{1, 1, 200}}, .centre_mm = Vec3(0, 0, 60)}, &grid);
    const double integral = std::accumulate(volume.begin(), volume.end(), 0.0) * voxel;
    MESSAGE("integral " << integral << " of 10");
    CHECK(integral == doctest::Approx(2 * c).epsilon(3e-3));
  }
}
