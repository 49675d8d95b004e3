// Simulation: exact projections in ray-solid tests a second, the voxel projector in samples a second; one core each.
#include <omp.h>

#include <cmath>
#include <random>

#include "bench.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom::bench {

namespace {

constexpr int solids = 20, edge = 256;

/// A cone beam on `edge` x `edge` pixels; `field_mm` wide on the axis.
Geometry view_of(double field_mm) {
  Geometry g;
  g.beam = Beam::cone;
  g.sod_mm = 400;
  g.sdd_mm = 800;
  g.detector = {.columns = edge,
                .rows = edge,
                .column_pitch_mm = 2 * field_mm / edge,
                .row_pitch_mm = 2 * field_mm / edge,
                .axis_column = (edge - 1) / 2.0,
                .midplane_row = (edge - 1) / 2.0};
  g.angles_rad = {radians(11)};
  return g;
}

/// Balls that overlap, each adding; the integral is the sum of the chords.
void time_phantom(benchmark::State& state) {
  Phantom phantom;
  phantom.substances.push_back({0.01, "", 0});
  std::mt19937 random(3);
  std::uniform_real_distribution<double> place(-25, 25), size(5, 20);
  for (int i = 0; i < solids; ++i) {
    Solid& ball = phantom.solids.emplace_back();
    ball.centre_mm = Vec3(place(random), place(random), place(random));
    ball.semi_axes_mm = Vec3::Constant(size(random));
  }
  const Geometry g = view_of(90);
  std::vector<float> view(std::size_t(edge) * edge);
  const auto attenuation = phantom.attenuations();
  const auto run = [&] { project_phantom(phantom, attenuation, g, g.angles_rad[0], {}, view); };
  const int threads = omp_get_max_threads();
  omp_set_num_threads(1);
  run();
  for (int n = 0; n < 200; ++n) {
    const int row = int(random() % edge), column = int(random() % edge);
    const Ray ray = ray_to(g, g.angles_rad[0], {double(row), double(column)});
    double sum = 0;
    for (const Solid& ball : phantom.solids) {
      const Vec3 from = ray.origin - ball.centre_mm;
      const double b = from.dot(ray.direction), r = ball.semi_axes_mm.x();
      sum += 2 * std::sqrt(std::max(0.0, b * b - from.squaredNorm() + r * r)) * attenuation[0];
    }
    if (std::abs(view[std::size_t(row * edge + column)] - sum) > 1e-5)
      return wrong(state, "the line integral is wrong");
  }
  time(state, double(edge) * edge * solids, run);
  omp_set_num_threads(threads);
}

/// A volume linear in x, y and z, every ray from its first plane to its last, where the projector is exact.
void time_volume(benchmark::State& state) {
  Volume volume(Grid{edge, edge, edge, 0.5, Vec3::Zero()});
  const auto value = [](double x, double y, double z) { return 0.02 + 1e-4 * x - 2e-4 * y + 5e-5 * z; };
  for (int k = 0; k < edge; ++k)
    for (int j = 0; j < edge; ++j)
      for (int i = 0; i < edge; ++i)
        volume.samples[(std::size_t(k) * edge + std::size_t(j)) * edge + std::size_t(i)] =
            float(value(volume.grid.x_mm(i), volume.grid.y_mm(j), volume.grid.z_mm(k)));
  const Geometry g = view_of(60);
  std::vector<float> view(std::size_t(edge) * edge);
  const auto run = [&] { project_volume(volume, g, g.angles_rad[0], view); };
  const int threads = omp_get_max_threads();
  omp_set_num_threads(1);
  run();
  for (const int pixel : {0, 1000, 33000, edge * edge - 1}) {
    const Ray ray = ray_to(g, g.angles_rad[0], {double(pixel / edge), double(pixel % edge)});
    // Planes of constant y lie across; `edge` of them, each standing for one voxel's length of path.
    const double path = volume.grid.voxel_mm * edge / std::abs(ray.direction.y());
    const double middle = -ray.origin.y() / ray.direction.y();
    const Vec3 centre = ray.origin + middle * ray.direction;
    if (std::abs(view[std::size_t(pixel)] - path * value(centre.x(), centre.y(), centre.z())) > 1e-4)
      return wrong(state, "the projection is wrong");
  }
  time(state, double(edge) * edge * edge, run);
  omp_set_num_threads(threads);
}

}  // namespace

void add_simulate() {
  benchmark::RegisterBenchmark("simulate/phantom_20_solids/exact/1", time_phantom)->UseRealTime();
  benchmark::RegisterBenchmark("simulate/volume_samples/linear/1", time_volume)->UseRealTime();
}

}  // namespace rayloom::bench
