/// @file
/// The voxel grid of a volume and the field of view that a scan can fill.
#pragma once
#include <array>

#include "rayloom/geometry/geometry.h"

namespace rayloom {

/// nx x ny x nz cubic voxels centred on `centre_mm`. Slice k rises with z; in a slice, columns i rise with x and rows j
/// run downwards from the largest y, so that an image of a slice shows x to the right and y up.
struct Grid {
  int nx = 0, ny = 0, nz = 0;
  double voxel_mm = 0;
  Vec3 centre_mm = Vec3::Zero();

  double x_mm(double i) const { return centre_mm.x() + (i - (nx - 1) / 2.0) * voxel_mm; }
  double y_mm(double j) const { return centre_mm.y() - (j - (ny - 1) / 2.0) * voxel_mm; }
  double z_mm(double k) const { return centre_mm.z() + (k - (nz - 1) / 2.0) * voxel_mm; }
  double column_of(double x_mm) const { return (x_mm - centre_mm.x()) / voxel_mm + (nx - 1) / 2.0; }
  double row_of(double y_mm) const { return (centre_mm.y() - y_mm) / voxel_mm + (ny - 1) / 2.0; }
  double slice_of(double z_mm) const { return (z_mm - centre_mm.z()) / voxel_mm + (nz - 1) / 2.0; }
  Vec3 centre_of(double i, double j, double k) const { return {x_mm(i), y_mm(j), z_mm(k)}; }
  std::size_t voxels() const { return std::size_t(nx) * std::size_t(ny) * std::size_t(nz); }

  /// @throws InvalidOption if a size is below 1 or the voxel is not above 0.
  void validate() const;
};

/// How the detector covers the part.
enum class Coverage {
  symmetric,  ///< The shorter side of the detector limits the field of view.
  displaced   ///< A full turn shows the longer side from both sides (half-beam scan).
};

/// What a scan can reconstruct: a cylinder about the axis, and the heights that every view sees throughout it.
struct FieldOfView {
  double radius_mm = 0;
  double z_low_mm = 0, z_high_mm = 0;
};

/// Radius SOD sin(half fan of the shorter side), of the longer side if displaced; half widths are to the pixels' outer
/// edges. For parallel beam the half width itself. Where the part moved, what some view does not see is not in it.
FieldOfView field_of_view(const Geometry& geometry, Coverage coverage);

/// The cylinder's bounding box: nx = ny to cover the diameter, nz within the heights (at least 1), voxel = virtual
/// pixel.
Grid default_grid(const Geometry& geometry, const FieldOfView& field);

}  // namespace rayloom
