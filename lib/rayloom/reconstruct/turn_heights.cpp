#include "rayloom/reconstruct/turn_heights.h"

#include <algorithm>
#include <cmath>

namespace rayloom {

namespace {

constexpr int cells_across = 16;
constexpr int least_slices = 8;           // compared
constexpr double least_variation = 0.05;  // along z (RMS) of what is there; a bar with scatter and noise shows 0.013
// Turns that show the same correlate with 0.93 and more, or 0.84 if flat discs lie off their planes.
constexpr double least_peak = 0.75;

using Slices = std::map<int, std::vector<float>>;

/// Correlation of a(cell, k) and b(cell, k + shift) over the slices that both have, without what all heights share.
/// NaN if there are fewer than `least`, or if they hardly change with the height.
double correlation(const Slices& a, const Slices& b, int shift, int least) {
  std::vector<double> sum_a, sum_b;
  int count = 0;
  double aa = 0, bb = 0, ab = 0;
  for (const auto& [k, of_a] : a) {
    const auto of_b = b.find(k + shift);
    if (of_b == b.end()) continue;
    ++count;
    sum_a.resize(of_a.size());
    sum_b.resize(of_a.size());
    for (std::size_t i = 0; i < of_a.size(); ++i) {
      const double x = double(of_a[i]), y = double(of_b->second[i]);
      sum_a[i] += x;
      sum_b[i] += y;
      aa += x * x;
      bb += y * y;
      ab += x * y;
    }
  }
  if (count < least) return NAN;
  const double all_a = aa, all_b = bb;
  for (std::size_t i = 0; i < sum_a.size(); ++i) {
    aa -= sum_a[i] * sum_a[i] / count;
    bb -= sum_b[i] * sum_b[i] / count;
    ab -= sum_a[i] * sum_b[i] / count;
  }
  const double least_share = least_variation * least_variation;
  return aa > least_share * all_a && bb > least_share * all_b ? ab / std::sqrt(aa * bb) : NAN;
}

/// Where the peak nearest to no shift lies, by a parabola through it and its neighbours. 0 if there is none.
/// @param r  Of shifts from -reach to reach.
double slices_off(std::span<const double> r) {
  const int reach = int(r.size() / 2);
  const auto at = [&](int s) { return r[std::size_t(s + reach)]; };
  for (int distance = 0; distance < reach; ++distance)
    for (const int s : {-distance, distance}) {
      const double before = at(s - 1), peak = at(s), after = at(s + 1);
      if (!(peak > least_peak && peak >= before && peak >= after)) continue;
      const double bend = before - 2 * peak + after;
      return s + (bend < 0 ? (before - after) / (2 * bend) : 0);
    }
  return 0;
}

}  // namespace

void TurnHeights::add(std::size_t turn, int k, std::span<const float> slice) {
  std::vector<float> sums(std::size_t(cells_across) * cells_across);
  std::vector<std::size_t> cell_of_column;
  for (int i = 0; i < grid_.nx; ++i)
    cell_of_column.push_back(std::size_t(i * cells_across / grid_.nx));
  const float* value = slice.data();
  for (int j = 0; j < grid_.ny; ++j) {
    float* row = &sums[std::size_t(j * cells_across / grid_.ny) * cells_across];
    for (const std::size_t cell : cell_of_column)
      row[cell] += *value++;
  }
  turns_[turn][k] = std::move(sums);
}

std::vector<HeightMismatch> TurnHeights::mismatches() const {
  std::vector<HeightMismatch> found;
  for (std::size_t a = 0; a < turns_.size(); ++a)
    for (std::size_t b = a + 1; b < turns_.size(); ++b) {
      const auto common =
          std::ranges::count_if(turns_[a], [&](const auto& slice) { return turns_[b].contains(slice.first); });
      if (common < least_slices) continue;
      std::vector<double> r(static_cast<std::size_t>(common / 2 * 2 + 1));
      const int reach = int(common / 2), least = std::max(least_slices, reach);
      for (int s = -reach; s <= reach; ++s)
        r[std::size_t(s + reach)] = correlation(turns_[a], turns_[b], s, least);
      if (const double off = slices_off(r); std::abs(off) > 1) found.push_back({a, b, off * grid_.voxel_mm});
    }
  return found;
}

}  // namespace rayloom
