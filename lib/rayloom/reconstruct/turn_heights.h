/// @file
/// Whether turns at several heights show the same part at the same heights where they overlap.
#pragma once
#include <map>
#include <span>
#include <vector>

#include "rayloom/geometry/grid.h"

namespace rayloom {

/// Two turns whose slices agree clearly better if those of `b` are moved.
struct HeightMismatch {
  std::size_t a = 0, b = 0;  ///< Turns.
  double off_mm = 0;         ///< What `a` shows at z, `b` shows at z + off_mm.
};

/// Takes slices of turns, each averaged to few cells, and compares them along z:
///
///     r(s) = correlation of a(cell, k) and b(cell, k + s), each less its mean over k
///
/// The peak nearest to s = 0 counts, since discs at even distances match as well one farther on. A part that does not
/// change along z shows none, and neither do heights off by more than half of the overlap. It costs a sum over the
/// voxels that several turns show.
class TurnHeights {
 public:
  TurnHeights(const Grid& grid, std::size_t turns) : grid_(grid), turns_(turns) {}
  /// @param slice  Slice k of the common grid as a turn alone shows it.
  void add(std::size_t turn, int k, std::span<const float> slice);
  std::vector<HeightMismatch> mismatches() const;

 private:
  Grid grid_;
  std::vector<std::map<int, std::vector<float>>> turns_;  ///< Cells of slices.
};

}  // namespace rayloom
