/// @file
/// Shadows of balls whose places are nearly known, measured again by fitting what a ball must cast there.
#pragma once
#include <optional>
#include <span>
#include <vector>

#include "rayloom/align/bead_shadows.h"

namespace rayloom {

/// A ball in the part frame.
struct Ball {
  Vec3 middle_mm = Vec3::Zero();
  double radius_mm = 0;
};

/// The source's perpendicular on the detector.
struct DetectorFoot {
  DetectorPosition at{};  ///< Where it meets the detector.
  double height_mm = 0;   ///< Its length.
  explicit DetectorFoot(const Geometry& geometry);
};

/// What a measured ball adds to its shadow.
struct BallShadow {
  BeadShadow shadow;  ///< `centre`: projection of the middle. `size_px2`: area of the shadow. Spreads: 0.
  double misfit = 0;  ///< Of the pixels about the fit, weighted as below; noise, if there is nothing but the ball.
};

/// Fits to each ball's surroundings
///
///     p = g(u, v) - ln mean over the pixel of exp(-m chord),
///
/// chord: that of the ray in the ball; g: a ground of second order. Place and radius of the shadow, m and g are free,
/// so that neither a holder that the ball displaces nor a soft rise of the ground counts for its size. Pixels weigh
/// exp(-p), as photons do. The chord being the ball's own, neither the ellipse of its shadow nor its edge within a
/// pixel moves the centre or the size: for 20 000 photons and radius 3.5 pixels the Cramer-Rao bound is 0.0036 pixels
/// and 0.10 % of the radius, when a centroid and a sum leave 0.012 and, as a radius, 0.25 %. Pixels that another ball
/// of `balls` shades are left out.
/// @param view      rows x columns line integrals. @param geometry  Cone beam.
/// @param balls     Places to within about a radius, radii to within a third.
/// @return One a ball; nothing where it comes too near to another or the border, or where no ball fits.
std::vector<std::optional<BallShadow>> measure_balls(std::span<const float> view, const Geometry& geometry,
                                                     double angle_rad, std::span<const Ball> balls);

}  // namespace rayloom
