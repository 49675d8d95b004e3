#include "rayloom/align/level_rays.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom {

namespace {

constexpr int most_voxels_across = 256;  // finer ones cost time, and noise would show
const char* const step = "making rays level";

Volume volume_of(const ViewStack& stack, int threads, const Hooks& hooks) {
  const Geometry& geometry = stack.geometry;
  ReconstructOptions options;
  options.filter = {Window::hann, 1.0};
  options.method = Method::direct;
  options.threads = threads;
  const double radius_mm = field_of_view(geometry, automatic_coverage(geometry)).radius_mm;
  const double voxel_mm = std::max(geometry.virtual_column_pitch_mm(), 2 * radius_mm / most_voxels_across);
  const auto plan = plan_reconstruction(geometry, grid_of_rays(geometry, radius_mm, voxel_mm, 1), options);
  Volume volume(plan.grid);
  reconstruct(geometry, from_memory(geometry, stack.samples), plan, options,
              [&](int k, std::span<const float> slice) { std::ranges::copy(slice, volume.slice(k).begin()); },
              {.progress = [&](const std::string&, double part) { hooks.report(step, 0.5 * part); },
               .warning = {},
               .cancelled = hooks.cancelled});
  return volume;
}

/// Parallel to the midplane, through the point of `ray` nearest to the axis.
Ray levelled(const Ray& ray) {
  const auto across = ray.direction.head<2>();
  const double along = -ray.origin.head<2>().dot(across) / across.squaredNorm();
  return {ray.origin + along * ray.direction, Vec3(ray.direction.x(), ray.direction.y(), 0).normalized()};
}

}  // namespace

void make_rays_level(ViewStack& stack, const std::vector<bool>& views, int threads, const Hooks& hooks) {
  const Volume volume = laid_down(volume_of(stack, threads, hooks));
  const Geometry& geometry = stack.geometry;
  const Detector& d = geometry.detector;
  // Lines that are compared cross these rows.
  const double farthest = std::max(d.axis_column, d.columns - 1 - d.axis_column);
  const double reach = many_lines * geometry.sdd_mm / d.row_pitch_mm + farthest * std::abs(std::sin(d.roll_rad)) + 3;
  const int first = std::clamp(int(d.midplane_row - reach), 0, d.rows - 1),
            last = std::clamp(int(d.midplane_row + reach), 0, d.rows - 1);
  parallel_for(stack.views(), threads, [&](int view, int) {
    if (!views[std::size_t(view)]) return;
    if (hooks.stop()) throw Cancelled("stopped");
    const ViewRays rays(geometry, geometry.pose(std::size_t(view)));
    std::vector<Ray> cone, level;
    const auto count = static_cast<std::size_t>(last + 1 - first);
    std::vector<float> through_cone(count), through_level(count);
    for (int c = 0; c < d.columns; ++c) {
      cone.clear();
      level.clear();
      for (int r = first; r <= last; ++r) {
        const Ray ray = rays.to({double(r), double(c)});
        cone.push_back(laid_down(ray));
        level.push_back(laid_down(levelled(ray)));
      }
      line_integrals(volume, cone, through_cone);
      line_integrals(volume, level, through_level);
      for (std::size_t i = 0; i < count; ++i)
        stack.view(view)[(first + std::ptrdiff_t(i)) * d.columns + c] -= through_cone[i] - through_level[i];
    }
  });
  hooks.report(step, 1);
}

}  // namespace rayloom
