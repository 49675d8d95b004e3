/// @file
/// From stored samples of any kind to line integrals.
#pragma once
#include <atomic>
#include <optional>
#include <span>

#include "rayloom/hooks.h"
#include "rayloom/scan/view_reader.h"

namespace rayloom {

/// What had to be mended on the way, over all samples read so far.
struct PrepareCounts {
  std::size_t samples = 0;
  std::size_t non_positive = 0;  ///< Clamped to the least positive signal.
  std::size_t saturated = 0;     ///< At or above `saturation`; used as they are, counted.
};

/// Line integrals of a scan by blocks of views and bands of rows. Const methods may be called from several threads at
/// once.
class LineIntegrals {
 public:
  /// Reads dark and open images; for `corrected` images with "border", the air level of every view.
  /// Warns of an absent dark image. @throws BadInput if open is not above dark somewhere, naming row and column.
  explicit LineIntegrals(const Scan& scan, const Hooks& hooks = {});

  /// Line integrals (no unit) of views [first_view, +view_count), rows [first_row, +row_count), as [view][row][column].
  void read(int first_view, int view_count, int first_row, int row_count, std::span<float> values) const;

  PrepareCounts counts() const;
  /// Air level of each view (corrected images), empty otherwise.
  const std::vector<double>& air_levels() const { return air_levels_; }

 private:
  Scan scan_;
  ViewReader reader_;
  Image dark_, gain_;  ///< gain = open - dark, kind counts only.
  std::vector<double> air_levels_;
  mutable std::atomic<std::size_t> samples_{0}, non_positive_{0}, saturated_{0};
};

/// Air level of one view from its part-free border: along each side a band of max(1, width/50) pixels; the mean over
/// the sides whose median lies within 2 % of the brightest side's.
double border_level(const Image& view);

}  // namespace rayloom
