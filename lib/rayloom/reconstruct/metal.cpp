#include "rayloom/reconstruct/metal.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <string>

#include "rayloom/parallel.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom {

namespace {

constexpr std::size_t most_voxels = std::size_t{1} << 27;

/// A voxel above the threshold, of one slice.
struct Voxel {
  std::uint32_t pixel;  // j nx + i
  float value;
};

/// Voxels above the threshold slice by slice, kept as long as there is room for them, but always counted.
class FoundVoxels {
 public:
  FoundVoxels(const Grid& grid, double above_per_mm, std::size_t room)
      : grid_(grid), above_per_mm_(above_per_mm), room_(room), slices_(std::size_t(grid.nz)) {}

  void add(int k, std::span<const float> slice) {
    const auto above = [this](float value) { return double(value) > above_per_mm_; };
    const std::size_t here = std::size_t(std::ranges::count_if(slice, above));
    count_ += here;
    if (bytes() > room_) return;
    std::vector<Voxel>& voxels = slices_[std::size_t(k)];
    voxels.reserve(here);
    for (std::size_t pixel = 0; pixel < slice.size(); ++pixel)
      if (above(slice[pixel])) voxels.push_back({std::uint32_t(pixel), slice[pixel]});
  }

  std::size_t count() const { return count_; }
  std::size_t bytes() const { return count_ * sizeof(Voxel); }

  /// Calls `work(i, j, k, value)` for each.
  template <class Work>
  void each(const Work& work) const {
    for (int k = 0; k < grid_.nz; ++k)
      for (const Voxel& voxel : slices_[std::size_t(k)])
        work(int(voxel.pixel) % grid_.nx, int(voxel.pixel) / grid_.nx, k, voxel.value);
  }

 private:
  const Grid& grid_;
  double above_per_mm_;
  std::size_t room_, count_ = 0;
  std::vector<std::vector<Voxel>> slices_;
};

/// Median of the values of voxels above the threshold that lies half way between it and the surroundings.
double median_value(const FoundVoxels& found, double surrounding) {
  std::vector<float> values;
  values.reserve(found.count());
  found.each([&](int, int, int, float value) { values.push_back(value); });
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

struct Box {
  Grid grid;
  std::array<int, 3> first;  // voxel of the whole grid
};

/// What just holds all of `found` that has a share, with a margin of one voxel, but none where there is but one slice.
template <class Share>
Box box_about(const FoundVoxels& found, const Grid& whole, const Share& share_of) {
  std::array<int, 3> low = {whole.nx, whole.ny, whole.nz}, high = {-1, -1, -1};
  found.each([&](int i, int j, int k, float value) {
    if (share_of(value) == 0) return;
    const std::array<int, 3> at = {i, j, k};
    for (std::size_t axis = 0; axis < 3; ++axis) {
      low[axis] = std::min(low[axis], at[axis]);
      high[axis] = std::max(high[axis], at[axis]);
    }
  });
  const int above = whole.nz > 1 ? 1 : 0;
  return {{high[0] - low[0] + 3, high[1] - low[1] + 3, high[2] - low[2] + 1 + 2 * above, whole.voxel_mm,
           whole.centre_of((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, (low[2] + high[2]) / 2.0)},
          {low[0] - 1, low[1] - 1, low[2] - above}};
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
  const std::size_t budget = options.memory_bytes.value_or(default_memory());
  first_options.memory_bytes = budget;
  int bin = 1;
  ReconstructPlan plan = plan_reconstruction(geometry, {}, first_options);
  while (plan.grid.voxels() > most_voxels)
    plan = plan_reconstruction(binned(geometry, ++bin), {}, first_options);
  // While it is reconstructed, what is found has the room that the slabs leave; afterwards, all of it.
  first_options.memory_bytes = std::max(plan.least_bytes, budget / 2);
  plan = plan_reconstruction(binned(geometry, bin), {}, first_options);
  FoundVoxels found(plan.grid, threshold.above_per_mm, budget - plan.memory_bytes);
  const auto require_room = [&](std::size_t beside) {
    require_memory(
        budget, std::max(plan.memory_bytes, options.reserved_bytes + beside) + found.bytes(),
        "to hold the metal that a first reconstruction shows in " + std::to_string(found.count()) + " voxels",
        "a higher threshold finds less; fewer detector pixels (--bin) make larger voxels");
  };
  Hooks as_first = hooks;
  as_first.progress = [&](const std::string&, double fraction) { hooks.report("looking for metal", fraction); };
  reconstruct(
      binned(geometry, bin), binned(geometry, source, bin), plan, first_options,
      [&](int k, std::span<const float> slice) { found.add(k, slice); }, as_first);
  if (found.count() == 0) return {};

  require_room(found.count() * sizeof(float));
  const double median = median_value(found, threshold.surrounding_per_mm.value_or(0));
  const auto share_of = [&](float value) {
    if (!threshold.surrounding_per_mm) return 1.0;
    const double way = (double(value) - *threshold.surrounding_per_mm) / (median - *threshold.surrounding_per_mm);
    return std::clamp(2 * way - 0.5, 0.0, 1.0);
  };
  const auto [box, corner] = box_about(found, plan.grid, share_of);
  require_room(box.voxels() * sizeof(float));
  Metal metal{Volume(box), median, 0};
  found.each([&, &corner = corner](int i, int j, int k, float value) {
    if (const double share = share_of(value); share > 0)
      metal.share.at(i - corner[0], j - corner[1], k - corner[2]) = float(share);
  });

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
