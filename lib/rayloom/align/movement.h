/// @file
/// How the part moved on the table while it was scanned, from the scan itself.
#pragma once
#include <array>
#include <string>
#include <vector>

#include "rayloom/align/align.h"

namespace rayloom {

/// What is assumed of a movement, so that few numbers tell it.
enum class MovedBy {
  step,  ///< All at once before some view.
  ramp   ///< Evenly from nothing at the first view to the whole way at the end of the scan.
};
std::string to_string(MovedBy course);

/// A movement as found.
struct FoundMovement {
  MovedBy course = MovedBy::step;
  std::array<Estimate, 3> by_mm;         ///< The whole way along x, y and z of the part frame, mm.
  int view = 0;                          ///< Step: the first view in the new place.
  Estimate axis_column;                  ///< Found with it, since a moved part pretends another axis.
  double misfit_before = 0, misfit = 0;  ///< RMS of what rays through the volume leave over, still and moved; 0
                                         ///< if nothing was tried.
  bool seen = false;                     ///< The way along some axis exceeds its uncertainty and 0.05 pixel.
  std::vector<Vec3> part_moved_mm;       ///< For Geometry::part_moved_mm. Ways that are not determined count as 0.
};

/// Why `find_movement` can determine nothing of scans with this geometry, "the views make no full turn"; empty if it
/// can.
std::string why_no_movement(const Geometry& geometry);

/// Finds the movement whose volume, projected again, agrees best with the views: for trial movements the views are made
/// small, reconstructed with the movement in the geometry and projected along the same rays, and Gauss-Newton lessens
/// the differences over the whole way and the axis column. A step's view is searched for. A shift that all views share
/// cannot be seen and is left out: the part counts as it lay in the first view. Nothing is determined without a full
/// turn of at least 48 views that hold the part's width, nor with a displaced detector; nothing along z with fewer than
/// 8 rows.
/// @par Source  After projection matching in electron microscopy and nanotomography: Dengler 1989, Ultramicroscopy
///              30:337-348; Gursoy et al. 2017, Sci. Rep. 7:11818 (both from memory). There each view is moved as an
///              image; here few numbers move the part in the geometry, which serves cone beams.
/// @param geometry  Axis and turns as known, see `align`; the axis may be wrong by some pixels.
/// @throws InvalidOption for an invalid geometry or one that holds a movement, Cancelled, and what `source` throws.
FoundMovement find_movement(const Geometry& geometry, const ProjectionSource& source, MovedBy course,
                            const AlignOptions& options = {}, const Hooks& hooks = {});

}  // namespace rayloom
