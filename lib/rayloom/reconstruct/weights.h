/// @file
/// Redundancy weights: rays that a scan measures twice must count once.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/geometry/views.h"

namespace rayloom {

/// Weight of the ray at fan angle `gamma_rad` in the view `from_start_rad` past the start of an open arc of `arc_rad`.
/// With G = (arc - pi)/2, b = from_start, g = gamma:
///
///     sin^2(pi/4 b/(G - g))               0 <= b <= 2 (G - g)
///     1                                    between
///     sin^2(pi/4 (pi + 2G - b)/(G + g))   pi - 2g <= b <= pi + 2G
///
/// so that a ray and its conjugate (b + pi + 2g, -g) add up to 1. With G the half fan this is Parker's weight, with a
/// larger G Silver's for over-scans; where the arc falls short of pi + fan, rays without a conjugate weigh 1.
/// @par Source  Parker 1982, Med. Phys. 9(2):254-257; Silver 2000, Med. Phys. 27(4):773-774 (both from memory).
double short_scan_weight(double from_start_rad, double gamma_rad, double arc_rad);

/// Weight of the ray at distance `t_mm` from the axis on the plane through it, when the detector reaches only
/// `overlap_mm` past the axis on its shorter side (t < 0) and the turn is full: 0 for t <= -T, 1 for t >= T, between
/// them
///
///     1/2 [1 + sin(pi atan(t/D) / (2 atan(T/D)))]
///
/// so that w(t) + w(-t) = 1. `sod_mm` = D; 0 stands for parallel rays, where atan(x/D) becomes x.
/// @par Source  Wang 2002, Med. Phys. 29(7):1634-1636 (from memory).
double displaced_weight(double t_mm, double overlap_mm, double sod_mm);

/// "symmetric" or "displaced", for records.
std::string to_string(Coverage coverage);

/// How the views of one scan are counted.
struct Redundancy {
  Coverage coverage = Coverage::symmetric;
  ViewSet views;
  double needed_arc_rad = 0;   ///< 180 deg plus the full fan; 180 deg for parallel beam.
  double missing_arc_rad = 0;  ///< What an open arc lacks of that; 0 if nothing.
  std::string name;            ///< "full turn", "half turn", "short scan", "displaced detector", for records.
};

/// @param coverage  Empty: automatic. @throws InvalidOption for a displaced detector without a closed turn.
Redundancy redundancy(const Geometry& geometry, std::optional<Coverage> coverage);

/// Weights of every detector column in one view: angle step times redundancy, in rad. The sum over views of weight
/// times filtered projection is the volume; the 1/2 of doubly measured full turns is in it.
/// @param geometry  Of the ideal (unturned) detector.
/// @param beyond    Further columns on each side of it.
void column_weights(const Geometry& geometry, const Redundancy& redundancy, std::size_t view,
                    std::vector<float>& weights, int beyond = 0);

}  // namespace rayloom
