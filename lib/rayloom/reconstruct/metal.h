/// @file
/// Metal in a part: where it is, and what its rays are corrected to.
#pragma once
#include <memory>
#include <optional>

#include "rayloom/hooks.h"
#include "rayloom/prepare/two_materials.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

/// How metal shows in a first reconstruction.
struct MetalThreshold {
  double above_per_mm = 0;  ///< Less is never metal.
  /// What surrounds it. With it, the surface is taken where the value lies half way between this and the metal's own
  /// median, and voxels there hold a share of metal, rising from a quarter of the way to three quarters. Without it,
  /// every voxel above `above_per_mm` is all metal.
  std::optional<double> surrounding_per_mm{};
};

/// Metal found.
struct Metal {
  Volume share;             ///< 0 to 1 in a box that just holds it, with a margin of one voxel.
  double value_per_mm = 0;  ///< Median of what the first reconstruction shows.
  double most_mm = 0;       ///< The longest way through it: of its rays in every view.

  std::size_t bytes() const { return share.samples.size() * sizeof(float); }
};

/// How the first reconstruction is made, in which metal is looked for: of all that is in view, with pixels binned until
/// the volume has at most 2^27 voxels (512^3), whatever the memory.
struct MetalSearch {
  int bin = 1;
  ReconstructOptions options;
  ReconstructPlan plan;
};

/// @throws InvalidOption as require_memory.
MetalSearch plan_metal_search(const Geometry& geometry, const ReconstructOptions& options);

/// First reconstruction of all that is in view, of which only the metal is kept, streaming slice by slice.
/// @param least_afterwards  Memory in bytes that is needed beside the metal in what follows.
/// @return Nothing if there is no metal.
/// @throws InvalidOption as require_memory, also if what is found does not fit; Cancelled; and what `source` throws.
std::optional<Metal> find_metal(const Geometry& geometry, const ProjectionSource& source,
                                const MetalThreshold& threshold, const ReconstructOptions& options,
                                const Hooks& hooks = {}, std::size_t least_afterwards = 0);

/// The line integrals of `source`, not yet corrected for hardening, as one energy would show them: the metal's length
/// in each ray by projection (project_volume.h), then `map`. Keeps both.
ProjectionSource without_hardening(const Geometry& geometry, const ProjectionSource& source,
                                   const std::shared_ptr<const Metal>& metal,
                                   const std::shared_ptr<const TwoMaterials>& map);

/// The line integrals of `source`, where rays meet metal replaced by a straight line along the row between those beside
/// it (at the detector's edge by the one beside it). What lies beside metal is then guessed, not measured.
/// @par Source  Kalender, Hebel & Ebersberger 1987, Radiology 164(2):576-577 (from memory).
ProjectionSource without_metal(const Geometry& geometry, const ProjectionSource& source,
                               const std::shared_ptr<const Metal>& metal);

/// Puts the metal's value where at least half of a voxel of slice k is metal.
void put_metal_back(const Metal& metal, const Grid& grid, int k, std::span<float> slice);

}  // namespace rayloom
