#include "rayloom/reconstruct/metal.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
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

/// First and last voxel along x, y and z.
struct Extent {
  std::array<int, 3> low = {1 << 30, 1 << 30, 1 << 30}, high = {-1, -1, -1};

  void widen(const std::array<int, 3>& at) {
    for (std::size_t axis = 0; axis < 3; ++axis) {
      low[axis] = std::min(low[axis], at[axis]);
      high[axis] = std::max(high[axis], at[axis]);
    }
  }
  /// The voxel of the whole grid that the box begins with.
  std::array<int, 3> corner(const Grid& whole) const { return {low[0] - 1, low[1] - 1, low[2] - above(whole)}; }
  /// With a margin of one voxel, but none where there is but one slice.
  Grid box(const Grid& whole) const {
    return {high[0] - low[0] + 3, high[1] - low[1] + 3, high[2] - low[2] + 1 + 2 * above(whole), whole.voxel_mm,
            whole.centre_of((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, (low[2] + high[2]) / 2.0)};
  }

 private:
  static int above(const Grid& whole) { return whole.nz > 1 ? 1 : 0; }
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
    std::vector<Voxel>& voxels = slices_[std::size_t(k)];
    const bool room = bytes() <= room_;
    if (room) voxels.reserve(here);
    for (std::size_t pixel = 0; pixel < slice.size(); ++pixel) {
      if (!above(slice[pixel])) continue;
      extent_.widen({int(pixel) % grid_.nx, int(pixel) / grid_.nx, k});
      if (room) voxels.push_back({std::uint32_t(pixel), slice[pixel]});
    }
  }

  std::size_t count() const { return count_; }
  std::size_t bytes() const { return count_ * sizeof(Voxel); }
  /// Whether there was room for all.
  bool all_kept() const { return bytes() <= room_; }
  /// Of the box about all of them.
  std::size_t box_bytes() const { return extent_.box(grid_).voxels() * sizeof(float); }

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
  Extent extent_;
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

/// Metal's length in mm along the ray to a pixel.
double length_in(const Metal& metal, const Geometry& geometry, int view, int row, int column) {
  return line_integral(metal.share, ray_to(geometry, geometry.pose(std::size_t(view)), {double(row), double(column)}));
}

}  // namespace

MetalSearch plan_metal_search(const Geometry& geometry, const ReconstructOptions& options) {
  const std::size_t budget = options.memory_bytes.value_or(default_memory());
  MetalSearch search{1, options, {}};
  search.options.part = {};  // all parts must find the same
  search.options.memory_bytes = std::numeric_limits<std::size_t>::max();
  search.plan = plan_reconstruction(geometry, {}, search.options);
  while (search.plan.grid.voxels() > most_voxels)
    search.plan = plan_reconstruction(binned(geometry, ++search.bin), {}, search.options);
  require_memory(budget, search.plan.least_bytes, "for one slice of the whole view, in which metal is looked for",
                 "fewer detector pixels (--bin) need less");
  // What is found has the room that the slabs leave.
  search.options.memory_bytes = std::max(search.plan.least_bytes, budget / 2);
  search.plan = plan_reconstruction(binned(geometry, search.bin), {}, search.options);
  return search;
}

std::optional<Metal> find_metal(const Geometry& geometry, const ProjectionSource& source,
                                const MetalThreshold& threshold, const ReconstructOptions& options, const Hooks& hooks,
                                std::size_t least_afterwards) {
  const std::size_t budget = options.memory_bytes.value_or(default_memory());
  const auto [bin, first_options, plan] = plan_metal_search(geometry, options);
  FoundVoxels found(plan.grid, threshold.above_per_mm, budget - plan.memory_bytes);
  Hooks as_first = hooks;
  as_first.progress = [&](const std::string&, double fraction) { hooks.report("looking for metal", fraction); };
  reconstruct(
      binned(geometry, bin), binned(geometry, source, bin), plan, first_options,
      [&](int k, std::span<const float> slice) { found.add(k, slice); }, as_first);
  if (found.count() == 0) return {};

  // Beside it: first the slabs, then all values or the box; of all that, only the box stays.
  const std::size_t beside = std::max(found.count() * sizeof(float), found.box_bytes());
  const std::size_t later =
      std::max(options.reserved_bytes + beside + found.bytes(), least_afterwards + found.box_bytes());
  if (!found.all_kept() || later > budget)
    require_memory(
        budget, std::max({plan.least_bytes + found.bytes(), 2 * found.bytes(), later}),
        "to hold the metal that a first reconstruction shows in " + std::to_string(found.count()) + " voxels",
        "a higher threshold finds less; fewer detector pixels (--bin) make larger voxels");
  const double median = median_value(found, threshold.surrounding_per_mm.value_or(0));
  const auto share_of = [&](float value) {
    if (!threshold.surrounding_per_mm) return 1.0;
    const double way = (double(value) - *threshold.surrounding_per_mm) / (median - *threshold.surrounding_per_mm);
    return std::clamp(2 * way - 0.5, 0.0, 1.0);
  };
  Extent extent;
  found.each([&](int i, int j, int k, float value) {
    if (share_of(value) > 0) extent.widen({i, j, k});
  });
  Metal metal{Volume(extent.box(plan.grid)), median, 0};
  const std::array<int, 3> corner = extent.corner(plan.grid);
  found.each([&](int i, int j, int k, float value) {
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
