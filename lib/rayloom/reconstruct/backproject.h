/// @file
/// Back-projection kernels: a batch of filtered views into a slab of the volume.
///
/// With the detector parallel to the axis, one column (x, y) of voxels and one view share the detector column and the
/// weight, and the height on the detector is linear in z. So z runs fastest in the slab and upwards fastest in the
/// views.
#pragma once
#include "rayloom/fft.h"
#include "rayloom/geometry/grid.h"

namespace rayloom {

/// Some slices of a volume while they are being summed: samples[(j nx + i) stride + (k - first_slice)].
struct Slab {
  Grid grid;  ///< Of the whole volume.
  int first_slice = 0, slices = 0;
  std::size_t stride = 0;  ///< `slices` rounded up to 16.
  double radius_mm = 0;    ///< Columns of voxels farther from the axis stay 0.
  AlignedVector<float> samples;

  Slab(const Grid& grid, int first_slice, int slices, double radius_mm);
  static std::size_t bytes(const Grid& grid, int slices);
};

/// Filtered views as the kernels read them: samples[(view (columns) + column + 1) stride + (line - first_line)], column
/// from -1 to N.
struct ViewBatch {
  int views = 0;       ///< In use, at most `capacity`.
  int columns = 0;     ///< N + 2.
  int first_line = 0;  ///< Cone: detector rows counted upwards from the lowest, may be negative. Otherwise: slices.
  int lines = 0;
  std::size_t stride =
      0;  ///< `lines` rounded up to an odd multiple of 16, so that columns fall on different cache sets.
  std::vector<double> angles_rad;
  AlignedVector<float> samples;

  static constexpr int capacity = 16;  ///< Views a batch; fixed, so that the order of summation is.

  ViewBatch(int columns_in, int first_line, int lines);
  static std::size_t bytes(int columns_in, int lines);
  float* column(int view, int index) {
    return samples.data() + (std::size_t(view) * std::size_t(columns) + std::size_t(index)) * stride;
  }
  const float* column(int view, int index) const { return const_cast<ViewBatch*>(this)->column(view, index); }
};

/// Lines of the filtered views that slices [first_slice, +slices) read over the whole cylinder, first and last
/// inclusive. Cone beam: detector rows counted upwards, not limited to those that exist. Otherwise: the slices
/// themselves.
std::pair<int, int> lines_needed(const Geometry& geometry, const Grid& grid, double radius_mm, int first_slice,
                                 int slices);

/// Adds a batch to a slab: for each voxel within the radius, linear (stack) or bilinear (cone) interpolation times 1
/// (parallel), (D/depth)^2 (flat) or (D/distance)^2 (arc).
/// @param geometry  Of the ideal detector, as the batch was filtered.
void backproject(const Geometry& geometry, const ViewBatch& batch, Slab& slab, int threads);

}  // namespace rayloom
