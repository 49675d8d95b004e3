/// @file
/// The views of a scan: even, listed, repeated or uneven, in either sense, a closed turn or an open arc, and what each
/// weighs.
#pragma once
#include <span>
#include <vector>

#include "rayloom/geometry/grid.h"

namespace rayloom {

/// What the angles of a scan amount to.
///
/// Angles count modulo `period` (360 deg; 180 deg for parallel beam without displacement). If the largest gap exceeds
/// max(5 deg, 10 median gaps) the scan is open there: an end view counts half the median gap on the open side.
/// Otherwise the turn is closed. A view weighs half the gap to each neighbour; views at the same angle share one weight
/// equally.
struct ViewSet {
  double period_rad = 0;
  bool closed = false;
  double start_rad = 0;                ///< Open: where the covered arc begins. Closed: the first angle in order.
  double arc_rad = 0;                  ///< Covered arc: the sum of the weights; `period_rad` when closed.
  std::vector<double> weight_rad;      ///< One a view, in the order given.
  std::vector<double> from_start_rad;  ///< Angle past `start_rad`, in [0, period), one a view.
  std::size_t distinct = 0;            ///< Number of different angles.
};

/// @param angles_rad  At least one, finite.  @param period_rad  2 pi, or pi.
ViewSet view_set(std::span<const double> angles_rad, double period_rad);

/// Coverage when the user leaves it to the program: displaced if the turn is closed over 360 deg and the axis lies more
/// than 10 % of the detector's width off its middle.
Coverage automatic_coverage(const Geometry& geometry);

/// The set of views as reconstruction counts them: modulo 180 deg for parallel beam unless displaced, else modulo 360
/// deg.
ViewSet view_set(const Geometry& geometry, Coverage coverage);

}  // namespace rayloom
