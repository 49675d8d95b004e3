/// @file
/// Back-projection kernels: a batch of filtered views into a slab of the volume.
///
/// With the detector parallel to the axis, one column (x, y) of voxels and one view share the detector column and the
/// weight, and the height on the detector is linear in z. So z runs fastest in the slab and upwards fastest in the
/// views.
#pragma once
#include <string>
#include <vector>

#include "rayloom/fft.h"
#include "rayloom/geometry/grid.h"

namespace rayloom {

/// Some slices of a volume while they are being summed: samples[(j nx + i) stride + (k - base_slice)].
struct Slab {
  Grid grid;  ///< Of the whole volume.
  int first_slice = 0, slices = 0;
  int base_slice = 0;  ///< `first_slice` rounded down to a multiple of 16, so that vectors meet the same slices always.
  std::size_t stride =
      0;  ///< A multiple of 16; but volumes of few slices are packed: base_slice = first_slice, stride = slices.
  double radius_mm = 0;  ///< Columns of voxels farther from the axis stay 0.
  UnsetVector<float> samples;
  AlignedVector<float> rows;  ///< Packed, parallel beam: what the kernel reads of a batch.

  /// All 0. @param threads  Clear the memory, which for large slabs takes as long as some of the views.
  Slab(Beam beam, const Grid& grid, int first_slice, int slices, double radius_mm, int threads = 1);
  float at(int i, int j, int k) const {
    return samples[(std::size_t(j) * std::size_t(grid.nx) + std::size_t(i)) * stride + std::size_t(k - base_slice)];
  }
  /// @param columns  Of the detector.
  static std::size_t bytes(Beam beam, const Grid& grid, int first_slice, int slices, int columns);
};

/// Filtered views as the kernels read them: samples[(view (columns) + column + 1) stride + (line - base_line)], column
/// from -1 to N.
struct ViewBatch {
  int capacity = 0;    ///< Room for so many views.
  int views = 0;       ///< In use.
  int columns = 0;     ///< N + 2.
  int first_line = 0;  ///< Cone: detector rows counted upwards from the lowest, may be negative. Otherwise: slices.
  int lines = 0;
  int base_line = 0;       ///< `first_line` rounded down to a multiple of 16.
  std::size_t stride = 0;  ///< An odd multiple of 16, so that columns fall on different cache sets.
  std::vector<Pose> poses;
  AlignedVector<float> samples;

  ViewBatch(Beam beam, int columns_in, int first_line, int lines);
  static std::size_t bytes(Beam beam, int columns_in, int first_line, int lines);
  /// Views a batch; fixed for a beam, so that the order of summation is.
  static int capacity_of(Beam beam);
  /// Of line `first_line` in a column; the lines follow it.
  float* column(int view, int index) {
    return samples.data() + (std::size_t(view) * std::size_t(columns) + std::size_t(index)) * stride +
           std::size_t(first_line - base_line);
  }
  const float* column(int view, int index) const { return const_cast<ViewBatch*>(this)->column(view, index); }
};

/// Lines of the filtered views that slices [first_slice, +slices) read over the whole cylinder, first and last
/// inclusive. Cone beam: detector rows counted upwards, not limited to those that exist. Otherwise: the slices
/// themselves.
std::pair<int, int> lines_needed(const Geometry& geometry, const Grid& grid, double radius_mm, int first_slice,
                                 int slices);

/// Adds a batch to a slab: for each voxel within the radius, where the pose of the view puts it, linear (stack) or
/// bilinear (cone) interpolation times 1 (parallel), (D/depth)^2 (flat) or (D/distance)^2 (arc).
/// @param geometry  Of the ideal detector, as the batch was filtered.
/// @throws InvalidOption as kernel_name.
void backproject(const Geometry& geometry, const ViewBatch& batch, Slab& slab, int threads);

/// The instruction set whose kernels run: the best that the processor has of avx512, avx2 and portable, or the one that
/// the environment variable RAYLOOM_KERNELS names. Each is within 1e-5 of double precision, relative RMS.
/// @throws InvalidOption if that variable names none that runs here.
std::string kernel_name();

/// All that run here, best first.
std::vector<std::string> kernel_names();

}  // namespace rayloom
