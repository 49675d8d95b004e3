/// @file
/// Bad pixels take what their good neighbours tell, edges kept.
#pragma once
#include <cstdint>
#include <functional>
#include <span>
#include <string>
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

/// Which good pixels stand in for each bad one. Our own rule, after edge-based line averaging (common practice for
/// missing lines of pictures):
///
///     line    value   m = a + (b - a) da/(da + db)   from the nearest good pixels a, b at da, db steps on both sides,
///             doubt   |a + da (a - a') - m| + |b + db (b - b') - m|   a', b': the next ones outwards, if good; else
///                     |a - b|. Of the lines across, down and along both diagonals the least doubtful counts.
///     corner  value   c = (N + S + E + W)/2 - (NE + NW + SE + SW)/4, the mean of N + W - NW and its like at all four
///             doubt   their range. Only where all 8 neighbours are good. Exact for f(row) + g(column).
///     result  both weighted with their inverse squared doubts
///
/// Lines more than twice as long as the shortest are left out; a pixel with good ones on one side only, wherever one
/// looks, takes the nearest.
class DefectMending {
 public:
  /// Where to look for good neighbours.
  enum class Reach {
    image,  ///< All around.
    row     ///< In the pixel's own row, if there is one: for sinograms, which are read row by row.
  };

  DefectMending() = default;
  /// @param bad  One a pixel, rows x columns. @throws BadInput, its message beginning with `field`, if a bad pixel has
  /// no good one in its row, column and diagonals.
  DefectMending(const std::vector<char>& bad, int rows, int columns, Reach reach, const std::string& field);

  struct Rows {
    int first, count;
  };
  /// The rows that mending [first, +count) reads.
  Rows needed(int first, int count) const;
  /// Replaces the bad pixels of rows [first, +count). @param view  Samples from row `top` on, at least those `needed`.
  void mend(std::span<float> view, int top, int first, int count) const;

 private:
  struct Line {
    std::uint32_t a, further_a, b, further_b;  ///< Pixels; further_a is a if there is none.
    float steps_a, steps_b;
  };
  struct Mend {
    std::uint32_t pixel, first_line, lines;
    bool corners;
  };
  void plan(const std::vector<char>& bad, std::size_t pixel, Reach reach, const std::string& field);
  template <class At>
  float value_of(const Mend& mend, const At& at) const;
  template <class Visit>
  void for_mends(int first, int count, const Visit& visit) const;

  int rows_ = 0, columns_ = 0;
  std::vector<Mend> mends_;  ///< In the order of pixels.
  std::vector<Line> lines_;
};

/// Where interpolation cannot mend: groups of bad pixels some of which have fewer than 5 good neighbours of 8 (see
/// `defect_groups`), with their count and the largest one's place, as a warning; empty if there are none.
std::string unmendable_groups(const std::vector<char>& bad, int rows, int columns);

}  // namespace rayloom
