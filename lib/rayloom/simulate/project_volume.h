/// @file
/// Projections of voxel volumes: a ray-driven projector with linear interpolation.
#pragma once
#include <span>

#include "rayloom/geometry/geometry.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

/// Integral of `volume` along the whole line, without unit, and 0 outside the volume: in every plane of voxel centres
/// across the ray's steepest axis one bilinear sample, times the path between planes,
///
///     p = voxel / max(|d_x|, |d_y|, |d_z|)  sum over planes of f(where the ray meets the plane).
///
/// The sum is exact where f is linear in x, y and z and the ray enters and leaves by the outermost planes.
/// @par Source  Joseph 1982, IEEE Trans. Med. Imaging 1(3):192-196.
double line_integral(const Volume& volume, const Ray& ray);

/// The same along many rays, on one thread; quickest where neighbours in the list are neighbours in space.
/// @param integrals  One a ray, overwritten.
void line_integrals(const Volume& volume, std::span<const Ray> rays, std::span<float> integrals);

/// With x and z exchanged. z is then the quickest in memory, and rays one above the other meet neighbours.
Volume laid_down(const Volume& volume);
Ray laid_down(const Ray& ray);

/// Line integrals of one view, each along the ray to its pixel's centre. For fan and parallel beam each detector row
/// passes through the volume at its own height, linear between slices. Pixels run in parallel; the result does not
/// depend on the number of threads.
/// @param view  rows x columns, row-major, overwritten. @throws InvalidOption if it has another size.
void project_volume(const Volume& volume, const Geometry& geometry, const Pose& pose, std::span<float> view);

}  // namespace rayloom
