/// @file
/// From a rolled, tilted or slanted detector to the ideal one, parallel to the axis, so that one back-projection kernel
/// serves all.
#pragma once
#include <array>
#include <span>
#include <utility>
#include <vector>

#include "rayloom/geometry/geometry.h"

namespace rayloom {

/// The detector that a turned one is resampled onto: the same pixels through the same source point, unturned.
Geometry ideal_geometry(const Geometry& geometry);

/// Resamples views of a turned detector onto the ideal one. Both lie in planes through the same rays, so the map is a
/// homography, the same in every view and exact for every circular orbit; values between pixels come from a separable
/// six-tap sinc under a Kaiser window, its weights normalised to 1. Beyond the turned detector its nearest pixel
/// counts.
///
/// Loss: a wave of f cycles a pixel is kept within 0.6 % up to f = 0.25 wherever it is read; half-way between pixels
/// 83 % of it is left at f = 0.35, 34 % at 0.45 and nothing at Nyquist. A slope is read within 0.011 pixel of its
/// place.
class Resampler {
 public:
  /// @param geometry  Of the turned detector.
  explicit Resampler(const Geometry& geometry);

  /// Rows [first, last] of the turned detector that rows [first_row, first_row + row_count) of the ideal one draw on.
  std::pair<int, int> rows_needed(int first_row, int row_count) const;

  /// @param turned     (last - first + 1) x columns samples, from rows_needed.
  /// @param ideal      row_count x columns, overwritten.
  void run(std::span<const float> turned, int turned_first_row, int first_row, int row_count,
           std::span<float> ideal) const;

  /// Where the centre of an ideal pixel falls on the turned detector.
  DetectorPosition turned_position(double row, double column) const;

 private:
  int rows_, columns_;
  std::array<double, 9> map_;  // homography from ideal (column, row, 1) to turned (column, row, 1)
};

}  // namespace rayloom
