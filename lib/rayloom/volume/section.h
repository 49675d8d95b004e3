/// @file
/// Plane sections of a volume along its axes.
#pragma once
#include "rayloom/scan/image.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

/// Axial: x right, y up. xz: x right, z up. yz: y right, z up.
enum class Plane { xy, xz, yz };

/// The section through `at_mm` (z, y or x by plane), linearly interpolated between the two nearest layers of voxels.
/// @throws InvalidOption if `at_mm` lies outside the volume, naming the allowed range.
Image section(const StoredVolume& volume, Plane plane, double at_mm);

}  // namespace rayloom
