/// @file
/// The true geometry of a scan from the scan itself: where the rotation axis falls on the detector, and the
/// detector's roll.
#pragma once
#include <string>
#include <vector>

#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// A geometry parameter as found, or why it was not.
struct Estimate {
  bool determined = false;
  double value = 0;
  double uncertainty = 0;  ///< Three standard deviations; value +- uncertainty holds in at least 90 of 100 scans.
  std::string reason;      ///< Why the scan does not determine it; empty if it does.
};

/// The measure as a function of axis_column, other parameters as found. 0: rays agree; 1: they have nothing in common.
struct MeasurePoint {
  double axis_column, measure;
};

struct Alignment {
  Estimate axis_column;              ///< Column.
  std::optional<Estimate> roll_deg;  ///< Degrees; absent where there is none to find: fan beams, single rows.
  double axis_wanders = 0;  ///< Columns (RMS) by which views disagree on it as a part that moved has them do; else 0.
  std::string measure;      ///< What was made consistent, and by whom it was published.
  std::vector<MeasurePoint> curve;
};

struct AlignOptions {
  std::optional<int> threads{};  ///< Default: all that OpenMP offers.
};

/// @throws InvalidOption if the geometry says that the part moved.
void require_unmoved(const Geometry& geometry);

/// Finds axis_column, and the roll of parallel and cone beams. Of a cone beam the midplane and the rows beside it are
/// used: the midplane is a fan, whose opposite rays are exact, and what the cone adds on one side of it is taken off on
/// the other. Where the turn is full (parallel beam: half) and the part's width in view, projections of the volume then
/// tell axis and roll better (`matched_place.h`), and planes through two sources the roll of a cone beam, short scans
/// too (`plane_consistency.h`; not of a tilted or slanted detector). Given values are not trusted: the axis is looked
/// for within a quarter of the width about the detector's middle, the roll within 3 degrees of the given one. Reads
/// some rows of every view once, and more rows of up to 180 or 360 views again; columns are averaged to 512 to 1023 if
/// there are more, and of more than 2880 views every nth is used.
/// @throws InvalidOption for an invalid geometry, Cancelled, and what `source` throws.
Alignment align(const Geometry& geometry, const ProjectionSource& source, const AlignOptions& options = {},
                const Hooks& hooks = {});

}  // namespace rayloom
