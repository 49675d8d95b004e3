#include "rayloom/prepare/beam_levels.h"

#include <algorithm>
#include <cmath>

namespace rayloom {

namespace {

constexpr int pieces_a_side = 8;
constexpr double alike = 0.98, least_level = 0.8, most_level = 1.25;

float median(std::vector<float> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The good samples of each piece of the border that has any.
std::vector<std::vector<float>> border_pieces(const Image& view, const std::vector<char>& bad) {
  std::vector<std::vector<float>> pieces;
  const auto add = [&](int first_row, int rows, int first_column, int columns) {
    std::vector<float> samples;
    for (int r = first_row; r < first_row + rows; ++r)
      for (int c = first_column; c < first_column + columns; ++c)
        if (!bad[std::size_t(r) * std::size_t(view.columns) + std::size_t(c)]) samples.push_back(view.at(r, c));
    if (!samples.empty()) pieces.push_back(std::move(samples));
  };
  const int high = std::max(1, view.rows / 50), wide = std::max(1, view.columns / 50);
  const int down = std::min(pieces_a_side, view.rows), across = std::min(pieces_a_side, view.columns);
  for (int i = 0; i < down; ++i) {
    const int first = view.rows * i / down, end = view.rows * (i + 1) / down;
    add(first, end - first, 0, wide);
    add(first, end - first, view.columns - wide, wide);
  }
  if (view.rows == 1) return pieces;
  for (int i = 0; i < across; ++i) {
    const int first = view.columns * i / across, end = view.columns * (i + 1) / across;
    add(0, high, first, end - first);
    add(view.rows - high, high, first, end - first);
  }
  return pieces;
}

}  // namespace

std::optional<double> part_free_level(const Image& transmission, const std::vector<char>& bad) {
  const auto pieces = border_pieces(transmission, bad);
  if (pieces.empty()) return {};
  std::vector<float> levels;
  for (const auto& piece : pieces)
    levels.push_back(median(piece));
  const float brightest = *std::max_element(levels.begin(), levels.end());
  std::vector<float> air;
  std::size_t free = 0;
  for (std::size_t i = 0; i < pieces.size(); ++i)
    if (levels[i] >= alike * brightest) {
      ++free;
      air.insert(air.end(), pieces[i].begin(), pieces[i].end());
    }
  if (8 * free < pieces.size()) return {};

  const float middle = median(air);
  std::vector<float> deviations;
  for (const float sample : air)
    deviations.push_back(std::abs(sample - middle));
  const double reach = std::max(3 * 1.4826 * median(deviations), 0.01 * std::abs(middle));
  double sum = 0, count = 0;
  for (const float sample : air)
    if (std::abs(sample - middle) <= reach) {
      sum += sample;
      count += 1;
    }
  const double level = sum / count;
  if (!(level >= least_level && level <= most_level)) return {};
  return level;
}

std::vector<double> without_gaps(const std::vector<std::optional<double>>& levels, std::string& problem) {
  const int views = int(levels.size());
  std::vector<double> filled(levels.size());
  int lacking = 0, first = 0, before = -1;
  for (int i = 0; i < views; ++i) {
    if (levels[std::size_t(i)]) {
      filled[std::size_t(i)] = *levels[std::size_t(i)];
      before = i;
      continue;
    }
    if (lacking++ == 0) first = i;
    int after = i;
    while (after < views && !levels[std::size_t(after)])
      ++after;
    const double low = before < 0 ? 0 : *levels[std::size_t(before)],
                 high = after == views ? low : *levels[std::size_t(after)];
    filled[std::size_t(i)] = before < 0 ? high : low + (high - low) * (i - before) / (after - before);
  }
  problem.clear();
  if (lacking == 0) return filled;
  problem = "the part leaves no border free in " + std::to_string(lacking) + " of " + std::to_string(views) +
            (lacking == 1 ? " views, view " : " views, the first is view ") + std::to_string(first);
  if (2 * lacking <= views) {
    problem += "; the beam's level is taken from the views beside " + std::string(lacking == 1 ? "it" : "them");
    return filled;
  }
  problem += "; drift of the beam is not corrected";
  return {};
}

}  // namespace rayloom
