/// @file
/// The whole geometry of a cone-beam scan from a scan of small dense balls on a light holder.
#pragma once
#include <optional>
#include <vector>

#include "rayloom/align/align.h"
#include "rayloom/align/bead_fit.h"

namespace rayloom {

struct BeadOptions {
  /// Between the middles of the two beads farthest apart, of those found.
  std::optional<double> farthest_mm{};
  /// Between others, which are counted from the top (greatest z) as found, the first being 0. Without any distance SOD
  /// is not determined; beads that are not alike leave the tilt to several, at different heights.
  std::vector<KnownDistance> distances{};
  std::optional<int> threads{};  ///< Default: all that OpenMP offers.
};

/// What the beads tell. Shadows fix the detector against source and axis up to a common scale: with the pitch known
/// that is everything but SOD, since a scan of twice the SOD with all beads twice as far from the axis looks the same.
struct BeadAlignment {
  Estimate axis_column, midplane_row;      ///< Columns and rows.
  Estimate roll_deg, tilt_deg, slant_deg;  ///< Degrees.
  Estimate sdd_mm, sod_mm;                 ///< Millimetres.
  KnownDistance farthest;                  ///< The two beads farthest apart, with the SOD in `geometry`.
  double alike = 0;                        ///< Relative deviation of the area of the beads' shadows.
  double rms_px = 0;                       ///< Of one coordinate of a shadow's centre, outliers left out.
  Geometry geometry;                       ///< As given, with what was found.
  std::vector<FittedBead> beads;           ///< From the top; in pixels of the scan; places with the found SOD.
};

/// Finds axis_column, midplane_row, roll, tilt, slant, SDD and, if a distance is given, SOD of a cone-beam scan of
/// beads. Beads are found by themselves (find_bead_shadows), followed from view to view (join_tracks), and their orbits
/// fitted together (fit_beads); then each is measured again where it must be seen (measure_balls) and all fitted once
/// more. Where shadows overlap, touch the view's border or lie on uneven ground they are left
/// out. What the beads do not determine (see `Estimate::reason`) stays as given, and the rest is fitted for that value;
/// its uncertainty counts how far that may be off (LeftOpen). Warns of distances from source to object or detector that
/// differ from the given ones by more than a tenth.
/// Columns are averaged to 512 to 1023 if there are more, and of more than 1440 views every nth is used.
/// @throws InvalidOption for an invalid geometry, another beam than cone, a distance not above 0 or of a bead that
/// is not there, or distances that contradict each other; BadInput if fewer
/// than two beads are found, or if no bead turns about an axis as the angles say; Cancelled, and what `source` throws.
BeadAlignment align_by_beads(const Geometry& geometry, const ProjectionSource& source, const BeadOptions& options = {},
                             const Hooks& hooks = {});

}  // namespace rayloom
