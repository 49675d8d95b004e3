#include "rayloom/align/bead_shadows.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "rayloom/prepare/median.h"

namespace rayloom {

namespace {

constexpr int widest = 6;               // a bead is narrower than this part of the view
constexpr double least_height = 0.1;    // of the highest peak of the view ..
constexpr double least_over_noise = 8;  // .. and standard deviations of a pixel
constexpr int least_area = 5;           // pixels above half the height
constexpr double most_oblong = 1.7;     // ratio of a region's second moments: a cone of 25 degrees makes 1.22 of a ball
constexpr double least_compact = 0.85;  // area over that of the ellipse with the region's second moments
constexpr double most_uneven = 0.04;    // of the height: RMS of the ring about its plane
constexpr double least_ring = 0.5;      // of the ring that other shadows must leave

/// Least (or largest) of the 2 reach + 1 samples about each place of a line, by van Herk's blocks.
/// @par Source  van Herk 1992, Pattern Recognition Letters 13:517-521 (from memory)
template <class Pick>
void sliding(float* first, int count, std::ptrdiff_t stride, int reach, const Pick& pick, std::vector<float>& work) {
  const int window = 2 * reach + 1, padded = (count + 2 * reach + window - 1) / window * window;
  work.resize(std::size_t(3 * padded));
  float *line = work.data(), *before = line + padded, *after = before + padded;
  for (int i = 0; i < padded; ++i)
    line[i] = first[std::clamp(i - reach, 0, count - 1) * stride];
  for (int i = 0; i < padded; ++i)
    before[i] = i % window == 0 ? line[i] : pick(before[i - 1], line[i]);
  for (int i = padded - 1; i >= 0; --i)
    after[i] = i % window == window - 1 ? line[i] : pick(after[i + 1], line[i]);
  for (int i = 0; i < count; ++i)
    first[i * stride] = pick(after[i], before[i + window - 1]);
}

/// An image as its size and samples.
struct Plane {
  int rows, columns;
  std::vector<float> samples;
  float& at(int r, int c) { return samples[std::size_t(r) * std::size_t(columns) + std::size_t(c)]; }
  float at(int r, int c) const { return samples[std::size_t(r) * std::size_t(columns) + std::size_t(c)]; }
};

Plane smoothed(std::span<const float> view, int rows, int columns) {
  Plane lines{rows, columns, std::vector<float>(view.begin(), view.end())}, out = lines;
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      out.at(r, c) = (lines.at(r, std::max(c - 1, 0)) + lines.at(r, c) + lines.at(r, std::min(c + 1, columns - 1))) / 3;
  lines = out;
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      out.at(r, c) = (lines.at(std::max(r - 1, 0), c) + lines.at(r, c) + lines.at(std::min(r + 1, rows - 1), c)) / 3;
  return out;
}

/// What is left above an opening with a square.
Plane above_ground(std::span<const float> view, int rows, int columns) {
  Plane top = smoothed(view, rows, columns), ground = top;
  const int reach = std::max(3, columns / widest / 2);
  std::vector<float> work;
  const auto pass = [&](const auto& pick) {
    for (int r = 0; r < rows; ++r)
      sliding(&ground.at(r, 0), columns, 1, reach, pick, work);
    for (int c = 0; c < columns; ++c)
      sliding(&ground.at(0, c), rows, columns, reach, pick, work);
  };
  pass([](float a, float b) { return std::min(a, b); });
  pass([](float a, float b) { return std::max(a, b); });
  for (std::size_t i = 0; i < top.samples.size(); ++i)
    top.samples[i] -= ground.samples[i];
  return top;
}

/// Standard deviation of a pixel, from differences of neighbours (1.4826 x median absolute value, over sqrt 2).
double pixel_noise(std::span<const float> view, int rows, int columns) {
  std::vector<float> differences;
  for (int r = 0; r < rows; ++r)
    for (int c = 1; c < columns; c += 2) {
      const std::size_t i = std::size_t(r) * std::size_t(columns) + std::size_t(c);
      differences.push_back(std::abs(view[i] - view[i - 1]));
    }
  return differences.empty() ? 0 : 1.4826 * double(middle_of(differences)) / std::sqrt(2);
}

double reach_of(const BeadShadow& shadow) {
  return shadow_reach * shadow.radius_px;
}

/// Puts centre, moments and `clear` right. @param others  Those that the ring may meet: it leaves them out.
void refine(std::span<const float> view, int rows, int columns, double noise, std::span<const BeadShadow> others,
            BeadShadow& shadow) {
  const double disc = reach_of(shadow) + 2, ring = disc + std::max(2.0, 0.3 * shadow.radius_px);
  shadow.clear = false;
  const auto others_at = [&](double row, double column) {
    return std::any_of(others.begin(), others.end(), [&](const BeadShadow& other) {
      return distance_px({row, column}, other.centre) < reach_of(other) + 1;
    });
  };
  for (int pass = 0; pass < 5; ++pass) {
    const DetectorPosition at = shadow.centre;
    const int top = int(std::ceil(at.row - ring)), bottom = int(std::floor(at.row + ring));
    const int left = int(std::ceil(at.column - ring)), right = int(std::floor(at.column + ring));
    if (top < 0 || bottom >= rows || left < 0 || right >= columns) return;
    const auto each = [&](double from, double to, const auto& take) {
      for (int r = top; r <= bottom; ++r)
        for (int c = left; c <= right; ++c) {
          const double y = r - at.row, x = c - at.column, d2 = x * x + y * y;
          if (d2 > from * std::abs(from) && d2 <= to * to && !(from > 0 && others_at(r, c)))
            take(Eigen::Vector3d(1, x, y), double(view[std::size_t(r) * std::size_t(columns) + std::size_t(c)]));
        }
    };
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right_side = Eigen::Vector3d::Zero();
    each(disc, ring, [&](const Eigen::Vector3d& place, double value) {
      normal += place * place.transpose();
      right_side += place * value;
    });
    if (normal(0, 0) < least_ring * pi * (ring * ring - disc * disc)) return;
    const Eigen::Vector3d ground = normal.ldlt().solve(right_side);
    double squares = 0;
    each(disc, ring,
         [&](const Eigen::Vector3d& place, double value) { squares += std::pow(value - place.dot(ground), 2); });
    double mass = 0, mean_x = 0, mean_y = 0, xx = 0, yy = 0, peak = 0;
    int middle = 0;
    each(-1, disc, [&](const Eigen::Vector3d& place, double value) {
      const double over = value - place.dot(ground), x = place[1], y = place[2];
      mass += over;
      mean_x += over * x;
      mean_y += over * y;
      xx += over * x * x;
      yy += over * y * y;
      if (x * x + y * y <= 1.5) {
        peak += over;
        ++middle;
      }
    });
    if (!(mass > 0) || middle == 0) return;
    mean_x /= mass;
    mean_y /= mass;
    if (std::hypot(mean_x, mean_y) > disc / 2) return;
    shadow.centre = {at.row + mean_y, at.column + mean_x};
    shadow.height = peak / middle;
    shadow.size_px2 = mass;
    shadow.column_spread_px2 = xx / mass - mean_x * mean_x - 1.0 / 12;
    shadow.row_spread_px2 = yy / mass - mean_y * mean_y - 1.0 / 12;
    const double uneven = std::sqrt(squares / std::max(normal(0, 0) - 3, 1.0));
    shadow.clear = uneven <= std::max(2 * noise, most_uneven * shadow.height);
  }
  shadow.clear = shadow.clear && shadow.column_spread_px2 > 0 && shadow.row_spread_px2 > 0;
}

/// The region about a peak above half its height, if it is round.
class Regions {
 public:
  explicit Regions(const Plane& top) : top_(top), taken_(top.samples.size(), 0) {}

  bool peak(int row, int column) const {
    if (taken_[index(row, column)]) return false;
    for (int r = std::max(row - 1, 0); r <= std::min(row + 1, top_.rows - 1); ++r)
      for (int c = std::max(column - 1, 0); c <= std::min(column + 1, top_.columns - 1); ++c)
        if (top_.at(r, c) > top_.at(row, column)) return false;
    return true;
  }

  /// Takes the region, so that no other peak has it. @return False if it is not a bead's.
  bool take(int row, int column, BeadShadow& shadow) {
    const float half = top_.at(row, column) / 2;
    std::vector<std::pair<int, int>> region{{row, column}};
    taken_[index(row, column)] = 1;
    double sum_r = 0, sum_c = 0, rr = 0, cc = 0, rc = 0;
    for (std::size_t i = 0; i < region.size(); ++i) {
      const auto [r, c] = region[i];
      sum_r += r;
      sum_c += c;
      rr += double(r) * r;
      cc += double(c) * c;
      rc += double(r) * c;
      const std::pair<int, int> neighbours[] = {{r - 1, c}, {r + 1, c}, {r, c - 1}, {r, c + 1}};
      for (const auto& next : neighbours) {
        if (next.first < 0 || next.first >= top_.rows || next.second < 0 || next.second >= top_.columns) continue;
        const std::size_t at = index(next.first, next.second);
        if (taken_[at] || !(top_.samples[at] > half)) continue;
        taken_[at] = 1;
        region.push_back(next);
      }
    }
    const double area = double(region.size());
    if (area < least_area) return false;
    shadow.centre = {sum_r / area, sum_c / area};
    // Second moments of pixels as squares.
    rr = rr / area - std::pow(shadow.centre.row, 2) + 1.0 / 12;
    cc = cc / area - std::pow(shadow.centre.column, 2) + 1.0 / 12;
    rc = rc / area - shadow.centre.row * shadow.centre.column;
    const double mean = (rr + cc) / 2, apart = std::hypot((rr - cc) / 2, rc);
    if (mean + apart > most_oblong * (mean - apart)) return false;
    if (area < least_compact * 4 * pi * std::sqrt((mean + apart) * (mean - apart))) return false;
    shadow.radius_px = std::sqrt(area / pi) / std::sqrt(0.75);  // a chord is half as long at sqrt(3/4) of the radius
    return true;
  }

 private:
  std::size_t index(int r, int c) const { return std::size_t(r) * std::size_t(top_.columns) + std::size_t(c); }
  const Plane& top_;
  std::vector<char> taken_;
};

}  // namespace

std::vector<BeadShadow> find_bead_shadows(std::span<const float> view, int rows, int columns) {
  const Plane top = above_ground(view, rows, columns);
  const double noise = pixel_noise(view, rows, columns);
  const float highest = *std::max_element(top.samples.begin(), top.samples.end());
  const double low = std::max(least_height * double(highest), least_over_noise * noise);
  std::vector<std::pair<float, std::size_t>> places;
  for (std::size_t i = 0; i < top.samples.size(); ++i)
    if (double(top.samples[i]) > low) places.emplace_back(-top.samples[i], i);
  std::sort(places.begin(), places.end());
  Regions regions(top);
  std::vector<BeadShadow> shadows;
  for (const auto& place : places) {
    const int row = int(place.second) / columns, column = int(place.second) % columns;
    BeadShadow shadow;
    if (!regions.peak(row, column) || !regions.take(row, column, shadow)) continue;
    shadows.push_back(shadow);
  }
  const std::vector<BeadShadow> rough = shadows;
  for (std::size_t i = 0; i < shadows.size(); ++i) {
    std::vector<BeadShadow> others;
    bool touched = false;
    for (std::size_t j = 0; j < rough.size(); ++j) {
      if (i == j) continue;
      const double apart = distance_px(rough[i].centre, rough[j].centre) - reach_of(rough[j]);
      if (apart < 1.5 * rough[i].radius_px + 6) others.push_back(rough[j]);
      touched = touched || apart < reach_of(rough[i]) + 2;
    }
    refine(view, rows, columns, noise, others, shadows[i]);
    // Where a disc reaches into another's shadow, its centre is not sure.
    if (touched) shadows[i].clear = false;
  }
  return shadows;
}

}  // namespace rayloom
