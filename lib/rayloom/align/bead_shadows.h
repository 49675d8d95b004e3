/// @file
/// Shadows of dense balls in one view, and their centres to a fraction of a pixel.
#pragma once
#include <cmath>
#include <span>
#include <vector>

#include "rayloom/geometry/geometry.h"

namespace rayloom {

/// How far a shadow reaches at most, of its radius: it is an ellipse, its place not quite known.
inline constexpr double shadow_reach = 1.1;

inline double distance_px(const DetectorPosition& a, const DetectorPosition& b) {
  return std::hypot(a.row - b.row, a.column - b.column);
}

/// What a ball leaves in a view.
struct BeadShadow {
  DetectorPosition centre{};                         ///< Centroid of the line integrals above the surroundings.
  double radius_px = 0;                              ///< Of the ball's shadow, from the width at half its height.
  double column_spread_px2 = 0, row_spread_px2 = 0;  ///< Second central moments, a pixel's own 1/12 taken off.
  /// What grows as the distance shrinks, squared: the sum of the line integrals above the surroundings.
  double size_px2 = 0;
  double height = 0;   ///< Line integral above the surroundings, at the middle.
  bool clear = false;  ///< It stands alone on an even ground, within the view: its centre can be trusted.
};

/// Finds small round shadows that stand out of their surroundings. What is wider than a sixth of the view is ground
/// (taken off by an opening, an erosion and a dilation with a square); of what is left, each peak's region above half
/// its height must be compact and round. The centroid is taken over a disc that holds the shadow, above the plane
/// through a ring about it without what other shadows take of the ring: beads on a line may be as near as two pixels
/// and a fifth of a radius from rim to rim.
/// @param view  rows x columns line integrals.
std::vector<BeadShadow> find_bead_shadows(std::span<const float> view, int rows, int columns);

}  // namespace rayloom
