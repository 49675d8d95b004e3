#include "rayloom/simulate/project_volume.h"

#include <array>
#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

/// One direction of the volume's index space along a ray.
struct Axis {
  int size;
  std::ptrdiff_t stride;  // of the samples
  double from, step;      // index at the ray's origin, and per mm along it
};

/// Narrows [low, high] to where -1 < at + slope n < size: farther out every neighbour of the sample is 0.
void keep_inside(double at, double slope, int size, double& low, double& high) {
  if (slope == 0) {
    if (!(at > -1 && at < size)) high = -1;  // low is never below 0
    return;
  }
  const double a = (-1 - at) / slope, b = (size - at) / slope;
  low = std::max(low, std::min(a, b));
  high = std::min(high, std::max(a, b));
}

/// The two neighbours of a fractional index, those outside with weight 0.
struct Neighbours {
  std::ptrdiff_t first, second;  // offsets
  float first_weight, second_weight;

  Neighbours(const Axis& axis, double index) {
    const double floor = std::floor(index);
    const int i = int(floor);
    const float fraction = float(index - floor);
    const bool has_first = i >= 0 && i < axis.size, has_second = i >= -1 && i < axis.size - 1;
    first = has_first ? i * axis.stride : 0;
    second = has_second ? (i + 1) * axis.stride : 0;
    first_weight = has_first ? 1 - fraction : 0;
    second_weight = has_second ? fraction : 0;
  }
};

}  // namespace

double line_integral(const Volume& volume, const Ray& ray) {
  const Grid& grid = volume.grid;
  const Vec3 &o = ray.origin, &d = ray.direction;
  const double voxel = grid.voxel_mm;
  const std::array<Axis, 3> axes = {
      Axis{grid.nx, 1, grid.column_of(o.x()), d.x() / voxel},
      Axis{grid.ny, grid.nx, grid.row_of(o.y()), -d.y() / voxel},
      Axis{grid.nz, std::ptrdiff_t(grid.nx) * grid.ny, grid.slice_of(o.z()), d.z() / voxel}};
  std::size_t steepest = 0;
  for (const std::size_t i : {1U, 2U})
    if (std::abs(axes[i].step) > std::abs(axes[steepest].step)) steepest = i;
  const Axis &along = axes[steepest], &a = axes[(steepest + 1) % 3], &b = axes[(steepest + 2) % 3];

  // In plane n the ray has gone (n - along.from) / along.step.
  const double a_slope = a.step / along.step, a_at = a.from - along.from * a_slope;
  const double b_slope = b.step / along.step, b_at = b.from - along.from * b_slope;
  double low = 0, high = along.size - 1;
  keep_inside(a_at, a_slope, a.size, low, high);
  keep_inside(b_at, b_slope, b.size, low, high);

  if (low > high) return 0;  // also where a nearly level ray makes `low` too large for an int

  double sum = 0;
  for (int n = int(std::ceil(low)); n <= high; ++n) {
    const Neighbours at_a(a, a_at + n * a_slope), at_b(b, b_at + n * b_slope);
    const float* plane = volume.samples.data() + n * along.stride;
    sum += at_b.first_weight * (at_a.first_weight * plane[at_a.first + at_b.first] +
                                at_a.second_weight * plane[at_a.second + at_b.first]) +
           at_b.second_weight * (at_a.first_weight * plane[at_a.first + at_b.second] +
                                 at_a.second_weight * plane[at_a.second + at_b.second]);
  }
  return sum / std::abs(along.step);
}

void project_volume(const Volume& volume, const Geometry& geometry, double angle_rad, std::span<float> view) {
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  if (view.size() != std::size_t(rows) * std::size_t(columns))
    throw InvalidOption("view: " + std::to_string(view.size()) + " samples; must be rows x columns, " +
                        std::to_string(rows) + " x " + std::to_string(columns));
#pragma omp parallel for collapse(2) schedule(dynamic, 64)
  for (int row = 0; row < rows; ++row)
    for (int column = 0; column < columns; ++column)
      view[std::size_t(row) * std::size_t(columns) + std::size_t(column)] =
          float(line_integral(volume, ray_to(geometry, angle_rad, {double(row), double(column)})));
}

}  // namespace rayloom
