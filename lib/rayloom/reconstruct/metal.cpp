#include "rayloom/reconstruct/metal.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "rayloom/parallel.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom {

namespace {

constexpr std::size_t most_voxels = std::size_t{1} << 27;

struct Voxel {
  int i, j, k;
  float value;
};

/// Median of the values of voxels above the threshold that lies half way between it and the surroundings.
double median_value(const std::vector<Voxel>& voxels, double surrounding) {
  std::vector<float> values;
  for (const Voxel& voxel : voxels)
    values.push_back(voxel.value);
  std::sort(values.begin(), values.end());
  auto first = values.begin();
  double median = 0;
  for (int turn = 0; turn < 50; ++turn) {  // the threshold rises until it no longer moves
    median = double(first[(values.end() - first) / 2]);
    const auto next = std::lower_bound(first, values.end(), float((surrounding + median) / 2));
    if (next == first || next == values.end()) break;
    first = next;
  }
  return median;
}

/// Metal's length in mm along the ray to a pixel.
double length_in(const Metal& metal, const Geometry& geometry, int view, int row, int column) {
  return line_integral(metal.share, ray_to(geometry, geometry.pose(std::size_t(view)), {double(row), double(column)}));
}

}  // namespace

std::optional<Metal> find_metal(const Geometry& geometry, const ProjectionSource& source,
                                const MetalThreshold& threshold, const ReconstructOptions& options,
                                const Hooks& hooks) {
  ReconstructOptions first_options = options;
  first_options.part = {};  // all parts must find the same
  int bin = 1;
  ReconstructPlan plan = plan_reconstruction(geometry, {}, first_options);
  while (plan.grid.voxels() > most_voxels)
    plan = plan_reconstruction(binned(geometry, ++bin), {}, first_options);
  std::vector<Voxel> found;
  Hooks as_first = hooks;
  as_first.progress = [&](const std::string&, double fraction) { hooks.report("looking for metal", fraction); };
  reconstruct(
      binned(geometry, bin), binned(geometry, source, bin), plan, first_options,
      [&](int k, std::span<const float> slice) {
        for (int j = 0; j < plan.grid.ny; ++j)
          for (int i = 0; i < plan.grid.nx; ++i)
            if (const float value = slice[std::size_t(j) * std::size_t(plan.grid.nx) + std::size_t(i)];
                double(value) > threshold.above_per_mm)
              found.push_back({i, j, k, value});
      },
      as_first);
  if (found.empty()) return {};

  const double median = median_value(found, threshold.surrounding_per_mm.value_or(0));
  const auto share_of = [&](float value) {
    if (!threshold.surrounding_per_mm) return 1.0;
    const double way = (double(value) - *threshold.surrounding_per_mm) / (median - *threshold.surrounding_per_mm);
    return std::clamp(2 * way - 0.5, 0.0, 1.0);
  };
  std::erase_if(found, [&](const Voxel& voxel) { return share_of(voxel.value) == 0; });
  std::array<int, 3> low = {found[0].i, found[0].j, found[0].k}, high = low;
  for (const Voxel& voxel : found)
    for (std::size_t axis = 0; axis < 3; ++axis) {
      const int at = axis == 0 ? voxel.i : axis == 1 ? voxel.j : voxel.k;
      low[axis] = std::min(low[axis], at);
      high[axis] = std::max(high[axis], at);
    }
  // A box with a margin of one voxel, but none where there is but one slice.
  const Grid& whole = plan.grid;
  const int above = whole.nz > 1 ? 1 : 0;
  Grid box{high[0] - low[0] + 3, high[1] - low[1] + 3, high[2] - low[2] + 1 + 2 * above, whole.voxel_mm,
           whole.centre_of((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, (low[2] + high[2]) / 2.0)};
  Metal metal{Volume(box), median, 0};
  for (const Voxel& voxel : found)
    metal.share.at(voxel.i - low[0] + 1, voxel.j - low[1] + 1, voxel.k - low[2] + above) = float(share_of(voxel.value));

  // The longest way is looked for in every pixel of up to 90 views.
  const Geometry few = every(binned(geometry, bin), std::max(1, int(geometry.angles_rad.size()) / 90));
  std::vector<float> view(std::size_t(few.detector.rows) * std::size_t(few.detector.columns));
  for (std::size_t i = 0; i < few.angles_rad.size(); ++i) {
    project_volume(metal.share, few, few.pose(i), view);
    metal.most_mm = std::max(metal.most_mm, double(*std::max_element(view.begin(), view.end())));
  }
  return metal;
}

ProjectionSource without_hardening(const Geometry& geometry, const ProjectionSource& source,
                                   const std::shared_ptr<const Metal>& metal,
                                   const std::shared_ptr<const TwoMaterials>& map) {
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            source.read(first_view, view_count, first_row, row_count, out);
            float* p = out.data();
            for (int v = 0; v < view_count; ++v)
              for (int r = 0; r < row_count; ++r)
                for (int c = 0; c < geometry.detector.columns; ++c, ++p)
                  *p = float((*map)(double(*p), length_in(*metal, geometry, first_view + v, first_row + r, c)));
          },
          source.stored};
}

ProjectionSource without_metal(const Geometry& geometry, const ProjectionSource& source,
                               const std::shared_ptr<const Metal>& metal) {
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            source.read(first_view, view_count, first_row, row_count, out);
            const int columns = geometry.detector.columns;
            for (int v = 0; v < view_count; ++v)
              for (int r = 0; r < row_count; ++r) {
                float* row = out.data() + (std::ptrdiff_t(v) * row_count + r) * columns;
                int last = -1;  // the last column whose ray meets no metal
                for (int c = 0; c <= columns; ++c) {
                  if (c < columns && length_in(*metal, geometry, first_view + v, first_row + r, c) > 0) continue;
                  for (int hidden = last + 1; hidden < c; ++hidden) {
                    const int left = last < 0 ? c : last, right = c == columns ? last : c;
                    if (left == columns || right < 0) break;  // metal all along
                    const float share = left == right ? 0 : float(hidden - left) / float(right - left);
                    row[hidden] = row[left] + share * (row[right] - row[left]);
                  }
                  last = c;
                }
              }
          },
          source.stored};
}

void put_metal_back(const Metal& metal, const Grid& grid, int k, std::span<float> slice) {
  const Grid& box = metal.share.grid;
  const int at_k = int(std::lround(box.slice_of(grid.z_mm(k))));
  if (at_k < 0 || at_k >= box.nz) return;
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i) {
      const int at_i = int(std::lround(box.column_of(grid.x_mm(i)))), at_j = int(std::lround(box.row_of(grid.y_mm(j))));
      if (at_i < 0 || at_i >= box.nx || at_j < 0 || at_j >= box.ny) continue;
      if (metal.share.at(at_i, at_j, at_k) >= 0.5F)
        slice[std::size_t(j) * std::size_t(grid.nx) + std::size_t(i)] = float(metal.value_per_mm);
    }
}

}  // namespace rayloom
