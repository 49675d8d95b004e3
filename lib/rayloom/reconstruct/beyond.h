/// @file
/// What the filter sees beyond the ends of measured rows, where the part sticks out of the view.
#pragma once
#include <functional>
#include <span>

namespace rayloom {

/// Writes what lies beyond one row of the ideal detector. @param row  Fractional where slices lie between rows.
/// @param measured  The row. @param left  Columns before it, outermost first. @param right  Columns after it.
using RowEnds =
    std::function<void(double row, std::span<const float> measured, std::span<float> left, std::span<float> right)>;

/// What lies beyond all rows of a scan.
struct Beyond {
  int columns = 0;  ///< On each side; 0: rows end as they are measured.
  /// Called for the rows [first_row, last_row] of a view, from several threads at once.
  std::function<RowEnds(int view, int first_row, int last_row)> of_view;
  std::size_t thread_bytes = 0;  ///< What a RowEnds holds.
};

}  // namespace rayloom
