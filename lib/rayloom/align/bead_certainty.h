/// @file
/// What a scan of beads determines, and how well: where beads leave a parameter open, it stays as given, and what else
/// is found is as uncertain as that makes it.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/align/bead_fit.h"
#include "rayloom/hooks.h"

namespace rayloom {

/// A fit of what the beads determine.
struct CertainFit {
  BeadFit fit;
  std::array<bool, bead_parameters> determined{};
  std::array<double, bead_parameters> uncertainty{};  ///< Three standard deviations, all told.
  std::array<std::string, bead_parameters> reasons;   ///< Why it is not determined.
};

/// Whether what is not determined counts as known, as it may on the way, or as off by what a detector put up by hand
/// and a ruler may leave: evenly within +-10 % of the view's width and height for the axis and the midplane, 3 degrees
/// for roll, tilt and slant, 3 % for distances.
enum class LeftOpen { taken_as_known, counted };

/// Fits; leaves what is less certain than 1 pixel, 0.5 degrees or 1 % as `given`, the least certain first. SOD is
/// left, too, without any distance.
///
/// What is left open is counted by fits with those parameters at every corner of the cube of one standard deviation
/// each, with the beads' weights as they are: the mean square of what that moves the others by. Slopes would not do:
/// with beads on the axis the roll moves by tilt times slant, of which nothing shows at an upright detector.
/// @param start  Nearer to the truth than `given`, if something is known of it.
/// @param bin  How many pixels of the scan make one here a side, for the words of the reasons.
/// @throws Cancelled.
CertainFit fit_what_is_determined(const Geometry& given, Geometry start, const std::vector<BeadTrack>& tracks,
                                  const std::vector<KnownDistance>& distances, LeftOpen left, int bin, int threads,
                                  const Hooks& hooks);

/// Two known distances that cannot both be right.
struct Contradiction {
  KnownDistance one, other;
  double implied_mm = 0, uncertainty_mm = 0;  ///< What `other` must be if `one` is right.
};

/// The pair of distances whose ratio is farthest from what the shadows say, if it is beyond three standard deviations
/// of that and 0.1 %, which is what a known distance must be good for.
/// @param shadows  Fitted without any distance.
std::optional<Contradiction> contradiction(const CertainFit& shadows, const std::vector<KnownDistance>& distances,
                                           int threads);

}  // namespace rayloom
