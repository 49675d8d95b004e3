/// @file
/// Single samples of single views that radiation hitting the sensor itself made far too bright.
#pragma once
#include <cstdint>
#include <span>
#include <vector>

namespace rayloom {

/// Noise of a sample by its level, learned from some views: of the good pixels at each level, what they deviate by from
/// the mean of their left and right neighbours (1.4826 median absolute deviations, over sqrt(1.5) for the three's
/// noise). Where the part's own structure shows in it, it is only larger.
class NoiseByLevel {
 public:
  /// Of every nth row, a third of the samples. @param bad  One a pixel; these and their neighbours do not count.
  void add(std::span<const float> view, int rows, int columns, const std::vector<char>& bad, int nth_row = 1);
  /// To be called once after the last view.
  void finish();
  /// Standard deviation at this level, in its unit.
  float at(float level) const;
  /// The level that 1 in 20 samples exceed: the unattenuated beam, more or less.
  float bright() const { return bright_; }

 private:
  static constexpr int levels = 24;  ///< Equally wide in the square root of the level, as Poisson noise is.
  int index_of(float level) const;

  std::vector<float> level_, deviation_;  ///< Of the samples, until `finish`.
  float bright_ = 0;
  std::vector<float> noise_;
};

/// A spike and what takes its place.
struct SpikeMend {
  int view;
  std::uint32_t pixel;
  float value;
};

/// Finds the spikes of a view. A good sample I is one if it exceeds the greatest of its neighbours (8 in the view, 9 in
/// the view before and 9 in the next, as far as there are such and they are good) by more than each of
///
///     5 standard deviations of noise at its neighbours' level
///     1/50 of the bright level
///     3 times what that greatest exceeds their median by (so that holes seen end-on, and other fine detail that is
///       blurred over its neighbours, stays), unless it is 1.25 times the bright level, as no part can be
///
/// The part's own edges stay, since their bright side has bright neighbours; a spike on the dark side of a strong edge
/// stays, too. It is replaced by the mean of the two opposite neighbours that agree best, in the view or in time. Of
/// normal noise alone, one sample in 10^9 (one row) to 10^11 exceeds its neighbours so far.
/// @param before, view, after  Three views of `bad`'s size, in one unit and of gains made equal; empty where the scan
///                             ends.
/// @param found                Spikes are added, in the order of pixels.
void find_spikes(std::span<const float> before, std::span<const float> view, std::span<const float> after, int rows,
                 int columns, const std::vector<char>& bad, const NoiseByLevel& noise, int view_number,
                 std::vector<SpikeMend>& found);

}  // namespace rayloom
