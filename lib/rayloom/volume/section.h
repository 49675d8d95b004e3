/// @file
/// Plane sections of a volume along its axes.
#pragma once
#include <string>

#include "rayloom/scan/image.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

/// xy: x right, y up. xz: x right, z up. yz: y right, z up.
enum class Plane { xy, xz, yz };
std::string to_string(Plane plane);

/// Name of the axis across the plane, 'z', 'y' or 'x', along which `at_mm` counts; then of those to the right and up.
struct PlaneAxes {
  char across, right, up;
};
PlaneAxes axes_of(Plane plane);

/// The section through `at_mm` (z, y or x by plane) in 1/mm, linearly interpolated between the two nearest layers of
/// voxels; between the outermost layer's centre and its outer face that layer counts.
/// @throws InvalidOption if `at_mm` lies beyond the outer faces, naming the allowed range; BadInput.
Image section(const StoredVolume& volume, Plane plane, double at_mm);

}  // namespace rayloom
