/// @file
/// Projections of voxel volumes: a ray-driven projector with linear interpolation.
#pragma once
#include "rayloom/volume/volume.h"

namespace rayloom {

/// Line integrals of one view of `volume`, 0 outside it: one bilinear sample in every plane of voxel centres across the
/// ray's steepest axis, times the path between planes (Joseph 1982, IEEE Trans. Med. Imaging 1(3):192-196). For fan and
/// parallel beam each detector row passes through the volume at its own height, linear between slices.
/// @param view  rows x columns, row-major, overwritten.
void project_volume(const Volume& volume, const Geometry& geometry, double angle_rad, std::span<float> view);

}  // namespace rayloom
