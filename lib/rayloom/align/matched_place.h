/// @file
/// The detector's axis column and roll from all rays at once, by reconstructing and projecting again.
#pragma once
#include <Eigen/Core>

#include "rayloom/align/opposite_rays.h"

namespace rayloom {

/// The best place near the one where it began.
struct MatchedPlace {
  DetectorPlace place;
  /// axis_column (pixels), roll (rad): of noise, and of what stands still while the part turns.
  Eigen::Matrix2d covariance = Eigen::Matrix2d::Zero();
  bool converged = false;
};

/// Where reconstruction is exact, or nearly so, and the part's width is in view, what is left over of the views at the
/// true place is noise, and Gauss-Newton leads there. Of a cone beam only rows near the midplane are used.
/// @param start  Within a pixel and a degree or so; pixels of `full`.
/// @return Not converged without a full turn (parallel beam: half a turn), with a displaced detector or few rows, or if
///         the part sticks out at the sides.
/// @par Source  See MatchedViews.
MatchedPlace match_place(const Geometry& full, const ProjectionSource& source, const DetectorPlace& start, int threads,
                         const Hooks& hooks);

}  // namespace rayloom
