/// @file
/// The geometry and the beads' places that lead to the shadows seen.
#pragma once
#include <Eigen/Core>
#include <array>
#include <span>
#include <vector>

#include "rayloom/align/bead_tracks.h"

namespace rayloom {

/// The parameters, in this order everywhere.
enum BeadParameter : int {
  axis_column,
  midplane_row,
  roll_rad,
  tilt_rad,
  slant_rad,
  log_sdd,
  log_sod,
  bead_parameters
};

/// Where the beads' places begin in the covariance: after the parameters and the common size.
inline constexpr int first_place = bead_parameters + 1;

using BeadParameters = std::array<double, bead_parameters>;

BeadParameters parameters_of(const Geometry& geometry);
Geometry with_parameters(Geometry geometry, const BeadParameters& values);

/// One bead as fitted.
struct FittedBead {
  BeadTrack track;
  Vec3 position_mm = Vec3::Zero();         ///< In the part frame, at the geometry's SOD.
  std::vector<double> weight;              ///< One a shadow, 0 to 1; 0: an outlier.
  std::vector<DetectorPosition> residual;  ///< Seen less predicted, pixels.
  double deviation_px = 0;                 ///< Of its shadows' centres, robust.
  double size_residual = 0;                ///< ln of its shadows' size at the source's distance, less the common one.
  double size_weight = 1;
};

struct BeadFit {
  Geometry geometry;
  std::vector<FittedBead> beads;
  Eigen::MatrixXd covariance;  ///< Of the parameters adjusted (others zero), then as `first_place` says.
  double size_deviation = 0;   ///< Of size_residual: how far the beads are alike.
  double deviation_px = 0;     ///< Median of the beads'.
};

/// Between the middles of two beads, by their places in the list.
struct KnownDistance {
  std::size_t a = 0, b = 0;
  double mm = 0;
};

/// Least squares over all shadows for the parameters with `adjust` set and all beads' places, by Levenberg's and
/// Marquardt's method, with Tukey's weights against outliers. All lengths in the part scale with SOD, which no
/// shadow tells: adjust it only where a distance is known. A shadow's centroid lies farther from the foot F of the
/// source's perpendicular on the detector than the projection of the ball's middle:
///
///     shift = 8 s (P - F) / (h^2 + |P - S|^2),   s: second moment of the shadow along one direction,
///
/// h the perpendicular's length, S the source. It follows from the chord profile by the map of the plane across the ray
/// onto the detector, y -> L y/(cos a - y sin a) with its area element ~ (1 - y tan a)^-3, to second order in y: the
/// centroid moves by (L/cos a) 4 tan a <y^2>.
///
/// Centres alone do not tell the tilt of a detector that is neither rolled nor slanted: the map (x, y, z) -> (x, y, b
/// z) / (1 + k z) of the part keeps every orbit a circle about the axis, and with b = 1/cos(tilt), k = tan(tilt)/SOD
/// the tilted detector sees of one what the upright detector sees of the other. The shadows' sizes do: the
/// area of a ball's shadow, and what its line integrals sum to, are C L^2/(D^2 cos a), D its distance from the source.
/// Beads count as alike as far as they turn out to be: a bead's mean of ln(size D^2 cos a/L^2) differs from ln C by a
/// deviation that is estimated. Tracks that
/// turn out to lie at one place are joined; tracks that fit no bead are left out, and longer tracks come first, all
/// unless distances are given: then tracks are taken as they are, since distances name them. The covariance counts
/// neighbouring views' errors as far as they hang together.
/// @param tracks  At least one, of at least 3 shadows.
/// @par Source  Noo, Clackdoyle, Mennessier, White & Roney 2000, Phys. Med. Biol. 45:3489-3508 (geometry from the
/// orbits of balls); Smekal, Kachelriess, Stepina & Kalender 2004, Med. Phys. 31:3242-3266 (detector turns); Marquardt
/// 1963; Beaton & Tukey 1974 (weights). (all from memory)
BeadFit fit_beads(const Geometry& start, std::vector<BeadTrack> tracks, const std::array<bool, bead_parameters>& adjust,
                  std::span<const KnownDistance> distances = {});

/// Where the same shadows lead with other values of what is not fitted.
struct MovedFit {
  BeadParameters values{};
  std::vector<Vec3> positions;
};

/// Fits once more with `fit`'s weights, from `start`, whose parameters without `adjust` set are held.
MovedFit moved_fit(const BeadFit& fit, const Geometry& start, const std::array<bool, bead_parameters>& adjust,
                   std::span<const KnownDistance> distances = {});

}  // namespace rayloom
