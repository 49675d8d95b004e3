#include "rayloom/prepare/beam_levels.h"
#include "rayloom/prepare/median.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace rayloom {

namespace {

constexpr int pieces_a_side = 8;
constexpr double least_level = 0.8, most_level = 1.25;
constexpr float unlike_level = 0.02F, unlike_shaped = 0.05F, least_reach = 0.01F;

/// The good pixels of each piece of the border that has any.
std::vector<std::vector<std::size_t>> border_pieces(const Image& view, const std::vector<char>& bad) {
  std::vector<std::vector<std::size_t>> pieces;
  const auto add = [&](int first_row, int rows, int first_column, int columns) {
    std::vector<std::size_t> pixels;
    for (int r = first_row; r < first_row + rows; ++r)
      for (int c = first_column; c < first_column + columns; ++c)
        if (const auto p = std::size_t(r) * std::size_t(view.columns) + std::size_t(c); !bad[p]) pixels.push_back(p);
    if (!pixels.empty()) pieces.push_back(std::move(pixels));
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

/// Part-free pixels, and the standard deviation of their samples; none if there is no such border.
struct FreeBorder {
  std::vector<std::size_t> pixels;
  double deviation = 0;
};

FreeBorder free_border(const Image& view, const std::vector<char>& bad, float unlike) {
  const auto pieces = border_pieces(view, bad);
  std::vector<float> levels;
  const auto samples_of = [&](const std::vector<std::size_t>& pixels) {
    std::vector<float> samples;
    for (const std::size_t p : pixels)
      samples.push_back(view.samples[p]);
    return samples;
  };
  for (const auto& piece : pieces)
    levels.push_back(median(samples_of(piece)));
  FreeBorder border;
  if (pieces.empty()) return border;
  const float brightest = *std::max_element(levels.begin(), levels.end());
  std::vector<std::size_t> air;
  std::size_t free = 0;
  for (std::size_t i = 0; i < pieces.size(); ++i)
    if (levels[i] >= (1 - unlike) * brightest) {
      ++free;
      air.insert(air.end(), pieces[i].begin(), pieces[i].end());
    }
  if (8 * free < pieces.size()) return border;

  const std::vector<float> samples = samples_of(air);
  const float middle = median(samples);
  std::vector<float> deviations;
  for (const float sample : samples)
    deviations.push_back(std::abs(sample - middle));
  border.deviation = 1.4826 * median(deviations);
  const double reach = std::max(3 * border.deviation, double(std::max(unlike, least_reach)) * std::abs(middle));
  for (std::size_t i = 0; i < air.size(); ++i)
    if (std::abs(samples[i] - middle) <= reach) border.pixels.push_back(air[i]);
  return border;
}

}  // namespace

std::optional<ViewBeam> beam_of(const Image& transmission, const std::vector<char>& bad, const BeamShapes& shapes,
                                const SmoothImage& scatter) {
  const FreeBorder border = free_border(transmission, bad, shapes.count() > 0 ? unlike_shaped : unlike_level);
  if (border.pixels.empty()) return {};
  const int n = 1 + shapes.count();
  Eigen::MatrixXd squares = Eigen::MatrixXd::Zero(n, n);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(n), row(n);
  for (const std::size_t p : border.pixels) {
    const int r = int(p / std::size_t(transmission.columns)), c = int(p % std::size_t(transmission.columns));
    row[0] = 1 + double(scatter.at(r, c));
    for (int k = 1; k < n; ++k)
      row[k] = shapes.shapes[std::size_t(k - 1)].at(r, c);
    squares += row * row.transpose();
    right += row * double(transmission.samples[p]);
  }
  for (int k = 1; k < n; ++k)
    squares(k, k) += std::pow(border.deviation / (3 * shapes.spread[std::size_t(k - 1)]), 2);
  const Eigen::VectorXd solution = squares.ldlt().solve(right);
  ViewBeam beam;
  beam.level = solution[0];
  for (int k = 1; k < n; ++k)
    beam.weights.push_back(solution[k]);
  if (!(beam.level >= least_level && beam.level <= most_level)) return {};
  return beam;
}

std::vector<ViewBeam> without_gaps(const std::vector<std::optional<ViewBeam>>& beams, std::string& problem) {
  const int views = int(beams.size());
  std::vector<ViewBeam> filled(beams.size());
  int lacking = 0, first = 0, before = -1;
  for (int i = 0; i < views; ++i) {
    if (beams[std::size_t(i)]) {
      filled[std::size_t(i)] = *beams[std::size_t(i)];
      before = i;
      continue;
    }
    if (lacking++ == 0) first = i;
    int after = i;
    while (after < views && !beams[std::size_t(after)])
      ++after;
    if (before < 0 && after == views) continue;
    const ViewBeam& low = *beams[std::size_t(before < 0 ? after : before)];
    const ViewBeam& high = *beams[std::size_t(after == views ? before : after)];
    const double share = before < 0 || after == views ? 0 : double(i - before) / (after - before);
    ViewBeam& beam = filled[std::size_t(i)];
    beam = low;
    beam.level += share * (high.level - low.level);
    for (std::size_t k = 0; k < beam.weights.size(); ++k)
      beam.weights[k] += share * (high.weights[k] - low.weights[k]);
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
