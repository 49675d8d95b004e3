#include "rayloom/geometry/grid.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

void Grid::validate() const {
  for (const int size : {nx, ny, nz})
    if (size < 1) throw InvalidOption("size: " + std::to_string(size) + "; must be at least 1 voxel each way");
  if (!(voxel_mm > 0) || !std::isfinite(voxel_mm))
    throw InvalidOption("voxel: " + to_text(voxel_mm) + " mm; must be above 0");
  if (!centre_mm.allFinite()) throw InvalidOption("centre: must be three finite numbers");
}

FieldOfView field_of_view(const Geometry& geometry, Coverage coverage) {
  const Detector& d = geometry.detector;
  const double left = d.axis_column + 0.5, right = d.columns - 0.5 - d.axis_column;  // to the outer edges, pixels
  const double half =
      (coverage == Coverage::displaced ? std::max(left, right) : std::min(left, right)) * d.column_pitch_mm;

  FieldOfView field;
  if (geometry.beam == Beam::parallel)
    field.radius_mm = half;
  else
    field.radius_mm = geometry.sod_mm * std::sin(d.shape == DetectorShape::arc ? half / geometry.sdd_mm
                                                                               : std::atan(half / geometry.sdd_mm));
  field.radius_mm = std::max(field.radius_mm, 0.0);

  // Cone beam: the ray to the top row stands lowest over the cylinder where that is nearest the source.
  const double nearest = geometry.beam == Beam::cone ? (geometry.sod_mm - field.radius_mm) / geometry.sdd_mm : 1;
  field.z_high_mm = (d.midplane_row + 0.5) * d.row_pitch_mm;
  field.z_low_mm = (d.midplane_row + 0.5 - d.rows) * d.row_pitch_mm;
  // An edge on the far side of the midplane is met first where the cylinder is farthest.
  const double farthest = geometry.beam == Beam::cone ? (geometry.sod_mm + field.radius_mm) / geometry.sdd_mm : 1;
  field.z_high_mm *= field.z_high_mm >= 0 ? nearest : farthest;
  field.z_low_mm *= field.z_low_mm <= 0 ? nearest : farthest;

  // A part that moved: what stays within this cylinder wherever it lay.
  const MovedReach moved = geometry.moved_reach();
  field.radius_mm = std::max(field.radius_mm - moved.across_mm, 0.0);
  field.z_high_mm -= moved.z_high_mm;
  field.z_low_mm -= moved.z_low_mm;
  return field;
}

Grid default_grid(const Geometry& geometry, const FieldOfView& field) {
  Grid grid;
  grid.voxel_mm = geometry.virtual_column_pitch_mm();
  const double slack = 1e-6;  // voxels; keeps rounding from adding or losing a layer
  grid.nx = grid.ny = std::max(1, int(std::ceil(2 * field.radius_mm / grid.voxel_mm - slack)));
  grid.nz = geometry.detector.rows == 1
                ? 1
                : std::max(1, int(std::floor((field.z_high_mm - field.z_low_mm) / grid.voxel_mm + slack)));
  grid.centre_mm = {0, 0, (field.z_high_mm + field.z_low_mm) / 2};
  return grid;
}

}  // namespace rayloom
