#include "rayloom/simulate/project_volume.h"

#include <doctest/doctest.h>

#include <omp.h>
#include <Eigen/Geometry>

#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/simulate/project_phantom.h"

using namespace rayloom;

namespace {

constexpr double float_step = 0x1p-24;  // relative rounding error of float

Geometry geometry_of(Beam beam, int columns, int rows, double pitch_mm) {
  Geometry geometry;
  geometry.beam = beam;
  if (beam != Beam::parallel) {
    geometry.sod_mm = 90;
    geometry.sdd_mm = 150;
  }
  geometry.detector = {columns, rows, pitch_mm, pitch_mm, (columns - 1) / 2.0 + 0.3, (rows - 1) / 2.0 - 0.4};
  geometry.angles_rad = {0};
  return geometry;
}

const std::vector<double> angles = {0.0, 0.31, radians(45), 1.2, radians(90), 2.5, radians(180), 4.0, 5.9};

/// Sampled at the voxels' centres.
Volume sampled(const Grid& grid, const std::function<double(const Vec3&)>& f) {
  Volume volume(grid);
  for (int k = 0; k < grid.nz; ++k)
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i)
        volume.at(i, j, k) = float(f(grid.centre_of(i, j, k)));
  return volume;
}

/// Calls check(projected value, ray) for every pixel of views at all angles.
void for_each_ray(const Volume& volume, const Geometry& geometry,
                  const std::function<void(double value, const Ray& ray)>& check) {
  const Detector& detector = geometry.detector;
  std::vector<float> view(std::size_t(detector.rows) * std::size_t(detector.columns), -1);
  for (const double angle : angles) {
    project_volume(volume, geometry, angle, view);
    for (int r = 0; r < detector.rows; ++r)
      for (int c = 0; c < detector.columns; ++c)
        check(view[std::size_t(r * detector.columns + c)], ray_to(geometry, angle, {double(r), double(c)}));
  }
}

int steepest_axis(const Vec3& direction) {
  int axis = 0;
  direction.cwiseAbs().maxCoeff(&axis);
  return axis;
}

/// Where the ray crosses the block |x - centre| <= half_mm along its steepest axis, if it does so at least `inside_mm`
/// from the block's other sides. Returns the middle of the crossing and its length (0: it does not).
std::pair<Vec3, double> crossing(const Ray& ray, const Vec3& centre_mm, const Vec3& half_mm, double inside_mm) {
  const int m = steepest_axis(ray.direction);
  const double middle = (centre_mm[m] - ray.origin[m]) / ray.direction[m];
  const double half = half_mm[m] / std::abs(ray.direction[m]);
  for (const double s : {middle - half, middle + half}) {
    const Vec3 off = (ray.origin + s * ray.direction - centre_mm).cwiseAbs() - half_mm;
    for (int axis = 0; axis < 3; ++axis)
      if (axis != m && off[axis] > -inside_mm) return {Vec3::Zero(), 0};
  }
  return {ray.origin + middle * ray.direction, 2 * half};
}

/// Bound of the projection's error for a solid of value 1 given by voxels that are right (0 or 1) unless the surface
/// is within `fuzzy_mm` of their centre. A sample differs from the solid only within fuzzy + sqrt(2) voxel of the
/// surface, the reach of its four neighbours. The ray spends `shell_mm` there in at most two pieces, so at most
/// shell/step + 2 samples are wrong, by at most 1 each; and the solid's chord differs from step x (number of planes in
/// it) by at most one step.
double solid_bound(double shell_mm, double step_mm) {
  return shell_mm + 3 * step_mm;
}

double ball_chord(double radius, double distance) {
  return distance < radius ? 2 * std::sqrt(radius * radius - distance * distance) : 0;
}

double distance_to(const Ray& ray, const Vec3& point) {
  return (point - ray.origin).cross(ray.direction).norm();
}

}  // namespace

TEST_SUITE("volume projector: exact where linear interpolation is") {
  // Planes of centres stand for a voxel's thickness each: the sum of a linear function over them is its mean over the
  // block (half a voxel beyond the outermost planes) times the path: value at the middle of the crossing x length.
  // Rounding: the samples, the two weights of each direction and the result are floats, each off by at most float_step
  // of the largest value, and the fraction's own rounding moves the sample by less than that: 8 float_step f_max
  // length.
  const auto linear = [](const Vec3& p) { return 0.5 + 0.011 * p.x() - 0.017 * p.y() + 0.023 * p.z(); };

  TEST_CASE("a volume linear in x y z gives the value at the middle times the length") {
    const Grid grid{40, 34, 30, 0.5, {1.2, -0.7, 0.4}};
    const Volume volume = sampled(grid, linear);
    const Vec3 half = Vec3(grid.nx, grid.ny, grid.nz) * grid.voxel_mm / 2;
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      Geometry geometry = geometry_of(beam, 50, 24, beam == Beam::parallel ? 0.45 : 0.7);
      if (beam == Beam::cone) geometry.detector.roll_rad = 0.05, geometry.detector.tilt_rad = -0.1;
      int crossings = 0;
      double worst = 0;
      for_each_ray(volume, geometry, [&](double value, const Ray& ray) {
        const auto [middle, length] = crossing(ray, grid.centre_mm, half, grid.voxel_mm / 2);
        if (length == 0) return;
        ++crossings;
        worst = std::max(worst, std::abs(value - linear(middle) * length) / length);
      });
      CHECK(crossings > 1000);
      CHECK(worst <= 8 * float_step * 1.3);
    }
  }

  TEST_CASE("rays steeper than 45 degrees step from slice to slice") {
    const Grid grid{40, 34, 20, 0.5, {0, 20, 30}};
    const Volume volume = sampled(grid, linear);
    const Vec3 half = Vec3(grid.nx, grid.ny, grid.nz) * grid.voxel_mm / 2;
    Geometry geometry = geometry_of(Beam::cone, 60, 100, 0.5);
    geometry.sod_mm = 10;
    geometry.sdd_mm = 30;
    geometry.detector.midplane_row = 120;  // the detector stands above the mid-plane
    std::vector<float> view(6000);
    project_volume(volume, geometry, radians(180), view);  // the source looks along +y
    int steep = 0;
    for (int r = 0; r < 100; ++r)
      for (int c = 0; c < 60; ++c) {
        const Ray ray = ray_to(geometry, radians(180), {double(r), double(c)});
        const auto [middle, length] = crossing(ray, grid.centre_mm, half, grid.voxel_mm / 2);
        if (length == 0 || steepest_axis(ray.direction) != 2) continue;
        ++steep;
        CHECK(std::abs(view[std::size_t(r * 60 + c)] - linear(middle) * length) <= 8 * float_step * 2.0 * length);
      }
    CHECK(steep > 20);
  }

  TEST_CASE("a box that ends on voxel faces has its exact chord") {
    // A ray through two opposite faces, half a voxel and more from the edges, only meets samples that are exactly the
    // box's value, one in each plane: rounding alone remains, one float and the samples' weights.
    const Grid grid{32, 32, 32, 0.5, Vec3::Zero()};
    const Vec3 half(5.5, 4.5, 6);  // whole voxels
    const Volume volume =
        sampled(grid, [&](const Vec3& p) { return (p.cwiseAbs() - half).maxCoeff() < 0 ? 0.25 : 0.0; });
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      const Geometry geometry = geometry_of(beam, 50, 20, beam == Beam::parallel ? 0.35 : 0.6);
      int crossings = 0;
      for_each_ray(volume, geometry, [&](double value, const Ray& ray) {
        const auto [middle, length] = crossing(ray, Vec3::Zero(), half, 0.5 * grid.voxel_mm);
        if (length == 0) return;
        ++crossings;
        CHECK(std::abs(value - 0.25 * length) <= 4 * float_step * 0.25 * length);
      });
      CHECK(crossings > 500);
    }
  }

  TEST_CASE("rows of fan and parallel beam are linear between slices") {
    const Grid grid{12, 12, 5, 0.5, Vec3::Zero()};
    std::mt19937 random(7);
    std::uniform_real_distribution<double> uniform(0, 1);
    const Volume volume = sampled(grid, [&](const Vec3&) { return uniform(random); });
    for (const Beam beam : {Beam::parallel, Beam::fan}) {
      Geometry geometry = geometry_of(beam, 20, 25, 0.4);
      geometry.detector.row_pitch_mm = grid.voxel_mm / 4;  // rows 2, 6, 10, .. are the slices 5 - 1, 3, ..
      geometry.detector.midplane_row = 10;
      for (const double angle : angles) {
        std::vector<float> view(500);
        project_volume(volume, geometry, angle, view);
        const auto at = [&](int row, int c) {
          return row < 0 || row > 24 ? 0.0 : double(view[std::size_t(row * 20 + c)]);
        };
        for (int row = 0; row < 25; ++row)
          for (int c = 0; c < 20; ++c) {
            // Slices lie at rows 2, 6, .. 18; rows -2 and 22 lie one voxel beyond the last and hold 0.
            const int above = (row + 2) / 4 * 4 - 2, part = row - above;
            const double expected = ((4 - part) * at(above, c) + part * at(above + 4, c)) / 4;
            CHECK(std::abs(at(row, c) - expected) <= 8 * float_step * 12);
          }
        CHECK(*std::max_element(view.begin() + 22 * 20, view.end()) == 0);
        CHECK(view[10 * 20 + 10] > 0.5);
      }
    }
  }

  TEST_CASE("parallel projections conserve mass") {
    // A voxel's share of p(t) is a hat of half width w = voxel cos(a), a the angle to the steepest axis, and height
    // voxel / cos(a). Sampled at w/4, whatever the phase, a hat sums to its integral (its transform sinc^2 is 0 at all
    // multiples of 4/w): sum of p x pitch = mass of the slice. Rounding: half a float_step a sample, 24 samples a ray.
    const Grid grid{24, 20, 3, 0.7, {0.3, -0.2, 0}};
    std::mt19937 random(11);
    std::uniform_real_distribution<double> uniform(0, 1);
    const Volume volume = sampled(grid, [&](const Vec3&) { return uniform(random); });
    for (const double angle : angles) {
      const double w = grid.voxel_mm * std::max(std::abs(std::cos(angle)), std::abs(std::sin(angle)));
      Geometry geometry = geometry_of(Beam::parallel, 240, 3, w / 4);
      geometry.detector.row_pitch_mm = grid.voxel_mm;
      geometry.detector.midplane_row = 1;
      std::vector<float> view(720);
      project_volume(volume, geometry, angle, view);
      for (int row = 0; row < 3; ++row) {
        double mass = 0, sum = 0;
        for (const float value : volume.slice(2 - row))
          mass += value * grid.voxel_mm * grid.voxel_mm;
        for (int c = 0; c < 240; ++c)
          sum += view[std::size_t(row * 240 + c)] * w / 4;
        CHECK(std::abs(sum - mass) <= 4 * float_step * mass);
      }
    }
  }
}

TEST_SUITE("volume projector: discretised objects") {
  TEST_CASE("a Gaussian blob within the error of linear interpolation") {
    // Line integral of exp(-r^2/(2 s^2)) at distance d from the centre: s sqrt(2 pi) exp(-d^2/(2 s^2)). Linear
    // interpolation over a spacing h is off by at most h^2/8 max|f''| in each of two directions, and
    // |f''| <= f (1 + a^2/s^2)/s^2; over a cell the maximum exceeds the value at the sample by less than a quarter here
    // (h = s/6). Along the ray the sum over planes is spectrally exact (its first alias, exp(-2 pi^2 (s/h)^2), is 0).
    const double s = 3;
    const Grid grid{72, 72, 72, 0.5, {0.4, -0.3, 0.2}};
    const Vec3 centre(0.55, 0.15, -0.35);
    const auto blob = [&](const Vec3& p) { return std::exp(-(p - centre).squaredNorm() / (2 * s * s)); };
    const Volume volume = sampled(grid, blob);
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      const Geometry geometry = geometry_of(beam, 20, 16, beam == Beam::parallel ? 1.1 : 1.8);
      double worst = 0, most = 0;
      for_each_ray(volume, geometry, [&](double value, const Ray& ray) {
        const double exact = s * std::sqrt(2 * pi) * std::exp(-std::pow(distance_to(ray, centre) / s, 2) / 2);
        const int m = steepest_axis(ray.direction);
        const double nearest = (centre - ray.origin).dot(ray.direction);
        double bound = 1e-6 * exact + 2e-6;  // float, and what lies outside the grid, 5.7 s from the centre
        for (double t = -6 * s; t < 6 * s; t += 0.1) {
          const Vec3 p = ray.origin + (nearest + t) * ray.direction;
          const Vec3 q = (p - centre) / s;
          for (int axis = 0; axis < 3; ++axis)
            if (axis != m)
              bound += 1.25 * 0.1 * grid.voxel_mm * grid.voxel_mm / 8 * blob(p) * (1 + q[axis] * q[axis]) / (s * s);
        }
        worst = std::max(worst, std::abs(value - exact) / bound);
        most = std::max(most, exact);
      });
      CHECK(worst <= 1);
      CHECK(most > 7);
    }
  }

  TEST_CASE("a ball of point-sampled voxels within the bound of its shell") {
    const double radius = 10;
    const Grid grid{56, 56, 56, 0.4, Vec3::Zero()};
    const Vec3 centre(0.3, -0.2, 0.1);
    const Volume volume = sampled(grid, [&](const Vec3& p) { return (p - centre).norm() <= radius ? 1.0 : 0.0; });
    const double reach = std::sqrt(2.0) * grid.voxel_mm;
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      const Geometry geometry = geometry_of(beam, 40, 30, beam == Beam::parallel ? 0.55 : 0.9);
      double mean_error = 0, rays = 0;
      for_each_ray(volume, geometry, [&](double value, const Ray& ray) {
        const double d = distance_to(ray, centre), exact = ball_chord(radius, d);
        const double shell = ball_chord(radius + reach, d) - ball_chord(radius - reach, d);
        const double step = grid.voxel_mm / ray.direction.cwiseAbs().maxCoeff();
        CHECK(std::abs(value - exact) <= solid_bound(shell, step));
        if (d < 0.8 * radius) {
          mean_error += value - exact;
          rays += 1;
        }
      });
      // Voxels' errors at the surface have no preferred sign: over thousands of rays little of one voxel's path is
      // left.
      CHECK(std::abs(mean_error / rays) <= 0.1 * grid.voxel_mm);
    }
  }

  TEST_CASE("a rasterised phantom agrees with the phantom's own projections") {
    // The bound above for each of two balls, times its jump in attenuation. Voxels are means over 3 x 3 x 3 points, off
    // within sqrt(3)/2 voxel of a surface, which widens the shell.
    const auto ball = [](const Vec3& centre, double radius, std::size_t substance, Solid::Mode mode) {
      Solid solid;
      solid.centre_mm = centre;
      solid.semi_axes_mm = {radius, radius, radius};
      solid.substance = substance;
      solid.mode = mode;
      return solid;
    };
    Phantom phantom;
    phantom.substances = {Substance{0.03, {}, 0}, Substance{0.1, {}, 0}};
    phantom.solids = {ball({0.5, -0.4, 0.2}, 9, 0, Solid::Mode::add), ball({2, -3, 1}, 3, 1, Solid::Mode::replace)};
    const auto attenuation = phantom.attenuations();
    const Grid grid{52, 52, 52, 0.4, Vec3::Zero()};
    Volume volume(grid);
    for (int k = 0; k < grid.nz; ++k)
      rasterise_slice(phantom, attenuation, grid, k, 3, volume.slice(k));

    const double reach = (std::sqrt(2.0) + std::sqrt(3.0) / 2) * grid.voxel_mm;
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      const Geometry geometry = geometry_of(beam, 40, 30, beam == Beam::parallel ? 0.5 : 0.8);
      std::vector<float> exact(1200), projected(1200);
      for (const double angle : angles) {
        project_phantom(phantom, attenuation, geometry, angle, {}, exact);
        project_volume(volume, geometry, angle, projected);
        double error = 0, inner = 0;
        for (int r = 0; r < 30; ++r)
          for (int c = 0; c < 40; ++c) {
            const std::size_t i = std::size_t(r * 40 + c);
            const Ray ray = ray_to(geometry, angle, {double(r), double(c)});
            const double step = grid.voxel_mm / ray.direction.cwiseAbs().maxCoeff();
            double bound = 0;
            for (const auto& [solid, jump] : {std::pair{0, 0.03}, std::pair{1, 0.07}}) {
              const auto& b = phantom.solids[std::size_t(solid)];
              const double d = distance_to(ray, b.centre_mm), radius = b.semi_axes_mm.x();
              bound += jump * solid_bound(ball_chord(radius + reach, d) - ball_chord(radius - reach, d), step);
            }
            CHECK(std::abs(projected[i] - exact[i]) <= bound);
            if (distance_to(ray, {0.5, -0.4, 0.2}) < 7) {
              error += projected[i] - exact[i];
              inner += 1;
            }
          }
        CHECK(inner > 100);
        CHECK(std::abs(error / inner) <= 0.1 * grid.voxel_mm * 0.1);  // a tenth of a voxel's path, as above
      }
    }
  }
}

TEST_SUITE("volume projector: the call") {
  TEST_CASE("the same for any number of threads") {
    const Grid grid{20, 20, 20, 0.5, Vec3::Zero()};
    std::mt19937 random(3);
    std::uniform_real_distribution<double> uniform(0, 1);
    const Volume volume = sampled(grid, [&](const Vec3&) { return uniform(random); });
    const Geometry geometry = geometry_of(Beam::cone, 33, 17, 0.6);
    std::vector<float> one(33 * 17), many(33 * 17, -1);
    const int threads = omp_get_max_threads();
    omp_set_num_threads(1);
    project_volume(volume, geometry, 0.7, one);
    omp_set_num_threads(5);
    project_volume(volume, geometry, 0.7, many);
    omp_set_num_threads(threads);
    CHECK(one == many);
  }

  // A band of rows begins its groups of rays elsewhere; slabs and parts must not change a byte.
  TEST_CASE("the same whichever rays are neighbours") {
    std::mt19937 random(5);
    std::uniform_real_distribution<double> value(0, 1);
    const Volume volume = sampled({40, 36, 30, 1.0, {2, -1, 0.5}}, [&](const Vec3&) { return value(random); });
    std::vector<Ray> rays;
    for (int i = 0; i < 200; ++i) {
      const double angle = 0.5 + 0.002 * i;
      rays.push_back({Vec3(-60 * std::cos(angle), -60 * std::sin(angle), 0.03 * i),
                      Vec3(std::cos(angle), std::sin(angle), 0.02).normalized()});
    }
    std::vector<float> all(rays.size());
    line_integrals(volume, rays, all);
    for (const std::size_t first : {1, 3, 16, 29}) {
      std::vector<float> rest(rays.size() - first);
      line_integrals(volume, std::span(rays).subspan(first), rest);
      CHECK(std::equal(rest.begin(), rest.end(), all.begin() + std::ptrdiff_t(first)));
    }
    for (std::size_t i = 0; i < rays.size(); ++i)
      CHECK(all[i] == float(line_integral(volume, rays[i])));
  }

  TEST_CASE("rays that miss give 0 and a single voxel is seen") {
    Volume volume(Grid{1, 1, 1, 2.0, Vec3::Zero()});
    volume.samples[0] = 3;
    const Geometry geometry = geometry_of(Beam::parallel, 1, 1, 1);
    std::vector<float> view(1, -1);
    Geometry centred = geometry;
    centred.detector.axis_column = centred.detector.midplane_row = 0;
    project_volume(volume, centred, 0, view);
    CHECK(view[0] == doctest::Approx(6));  // 3/mm over 2 mm
    centred.detector.axis_column = 2;      // t = -2 mm: a whole voxel from the centre
    project_volume(volume, centred, 0, view);
    CHECK(view[0] == 0);
  }

  TEST_CASE("a view of another size is refused") {
    const Volume volume(Grid{2, 2, 2, 1.0, Vec3::Zero()});
    std::vector<float> view(5);
    CHECK_THROWS_WITH_AS(project_volume(volume, geometry_of(Beam::parallel, 3, 2, 1), 0, view),
                         "view: 5 samples; must be rows x columns, 2 x 3", InvalidOption);
  }
}
