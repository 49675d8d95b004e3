/// @file
/// Scattered rays, measured in the shadows of small opaque stops.
#pragma once
#include <string>
#include <vector>

#include "rayloom/prepare/beam_shapes.h"

namespace rayloom {

/// What the stops tell.
struct MeasuredScatter {
  struct Stop {
    double row, column;  ///< Centre of its shadow.
    double scatter;      ///< Transmission there: share of the open beam.
  };
  std::vector<Stop> stops;
  SmoothImage scatter;       ///< Share of the open beam.
  double deviation_rms = 0;  ///< Of the stops' values from `scatter`.
};

/// Scatter from one image with stops between source and part, which keep the primary beam from small places only, so
/// that what reaches their shadows is scatter (common practice). Shadows are groups of good pixels, 9 or more and at
/// most 1/50 of the detector, where the image is below 0.7 times the same view without stops; a shadow's value is the
/// mean over the inner half of its depth. Through the values goes a least-squares polynomial in row and column:
/// constant for up to 3 stops, a plane for up to 8, of second degree for more; below 0 it counts as 0.
/// @param with_stops, without  Transmissions at the same angle of the part. @param file  For messages.
/// @throws BadInput naming `file` if there is no such shadow.
MeasuredScatter scatter_from_stops(const Image& with_stops, const Image& without, const std::vector<char>& bad,
                                   const std::string& file);

}  // namespace rayloom
