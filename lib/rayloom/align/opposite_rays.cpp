#include "rayloom/align/opposite_rays.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <span>

#include "rayloom/align/shared_by_views.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr int most_lines = 24;      // of rows compared
constexpr int view_clusters = 24;   // for the covariance
constexpr int cluster_places = 16;  // smoothing and interpolation reach about as far ..
constexpr int cluster_rows = 3;     // .. and down the rows
constexpr double significant = 5;   // deviations of what chance would tell
constexpr double in_common = 0.6;   // correlation of neighbours that noise does not give: three deviations of 24
constexpr double half_pixel = 0.5;  // step of the numerical derivatives, pixels
constexpr double roll_step = 1e-3;  // rad

double wrapped(double angle) {
  const double rest = std::fmod(angle, 2 * pi);
  return rest < 0 ? rest + 2 * pi : rest;
}

/// Where the ray through (u, v) of the unturned detector is seen.
DetectorPosition seen_at(const Geometry& geometry, double u, double v) {
  const ViewFrame frame(0);
  if (geometry.beam == Beam::cone)
    return project(geometry, 0, -geometry.sod_mm * frame.n + geometry.sdd_mm * frame.n + u * frame.e_u + v * frame.e_v);
  Vec3 point = u * frame.e_u + v * frame.e_v;
  if (geometry.beam == Beam::fan) point += (geometry.sdd_mm - geometry.sod_mm) * frame.n;
  return project(geometry, 0, point);
}

/// What neighbours have in common of the places that single clusters of views want, in deviations.
/// @param scores  Of each cluster, place of the axis (first) times weight.
double wander(std::span<const Eigen::Vector2d> scores, std::span<const double> weights) {
  double together = 0, each = 0, pairs = 0, squares = 0;
  for (std::size_t i = 0; i < scores.size(); ++i) {
    each += scores[i][0] * scores[i][0];
    squares += weights[i] * weights[i];
    if (i == 0) continue;
    together += scores[i - 1][0] * scores[i][0];
    pairs += weights[i - 1] * weights[i];
  }
  if (!(pairs > 0) || !(together / pairs > in_common * each / squares)) return 0;
  return std::sqrt(together / pairs);
}

}  // namespace

OppositeRays::OppositeRays(const ViewStack& stack, int threads) : stack_(stack), threads_(threads) {
  const Geometry& geometry = stack.geometry;
  const Detector& d = geometry.detector;
  const int views = stack.views();

  order_.resize(std::size_t(views));
  std::iota(order_.begin(), order_.end(), 0);
  std::vector<double> angle;
  for (const double a : geometry.angles_rad)
    angle.push_back(wrapped(a));
  std::stable_sort(order_.begin(), order_.end(),
                   [&](int a, int b) { return angle[std::size_t(a)] < angle[std::size_t(b)]; });
  for (const int view : order_)
    sorted_.push_back(angle[std::size_t(view)]);
  std::vector<double> gaps;
  for (std::size_t i = 0; i + 1 < sorted_.size(); ++i)
    if (const double gap = sorted_[i + 1] - sorted_[i]; gap > 1e-9) gaps.push_back(gap);
  if (gaps.empty()) return;
  std::nth_element(gaps.begin(), gaps.begin() + std::ptrdiff_t(gaps.size() / 2), gaps.end());
  step_ = gaps[gaps.size() / 2];
  longest_gap_ = 3 * step_;

  reach_ = d.columns - 1;
  const auto add_side = [&](int view, int from, int to) {
    const std::size_t before = opposites_.size();
    bool found = false;
    for (int k = -reach_; k <= reach_; ++k) {
      Opposite other;
      if (k != 0 && k >= from && k <= to) {
        const double fan = geometry.beam == Beam::parallel ? 0 : std::atan(k * d.column_pitch_mm / geometry.sdd_mm);
        other = opposite(angle[std::size_t(view)] + pi + 2 * fan);
      }
      found = found || other.first >= 0;
      opposites_.push_back(other);
    }
    if (found)
      sides_.push_back({view, from, to});
    else
      opposites_.resize(before);
  };
  for (const int view : order_)  // u > 0: each pair once
    add_side(view, 1, reach_);
  if (geometry.beam != Beam::parallel || !sides_.empty()) return;
  seam_only_ = true;
  longest_gap_ = 0;  // from here on the ends are carried on
  for (const int view : order_)
    add_side(view, -reach_, reach_);
}

std::vector<bool> OppositeRays::views_compared() const {
  std::vector<bool> compared(order_.size(), false);
  for (const Side& side : sides_)
    compared[std::size_t(side.view)] = true;
  for (const Opposite& other : opposites_)
    if (other.first >= 0) compared[std::size_t(other.first)] = compared[std::size_t(other.second)] = true;
  return compared;
}

OppositeRays::Opposite OppositeRays::opposite(double angle_rad) const {
  const double at = wrapped(angle_rad);
  const std::size_t n = sorted_.size();
  const std::size_t after = std::size_t(std::upper_bound(sorted_.begin(), sorted_.end(), at + 1e-9) - sorted_.begin());
  const std::size_t a = (after + n - 1) % n, b = after % n;
  const double past = wrapped(at - sorted_[a] + 1e-9) - 1e-9, gap = wrapped(sorted_[b] - sorted_[a]);
  if (std::abs(past) < 1e-6 * step_) return {order_[a], order_[a], 1, 0};
  if (longest_gap_ > 0) {
    if (!(gap <= longest_gap_)) return {};
    return {order_[a], order_[b], 1 - past / gap, past / gap};
  }
  // One step past an end of the arc.
  const std::size_t before_a = (a + n - 1) % n, after_b = (b + 1) % n;
  const double ahead = gap - past;
  if (past <= 1.01 * step_) {
    const double last = wrapped(sorted_[a] - sorted_[before_a]);
    if (last > 1e-9) return {order_[a], order_[before_a], 1 + past / last, -past / last};
  }
  if (ahead <= 1.01 * step_) {
    const double first = wrapped(sorted_[after_b] - sorted_[b]);
    if (first > 1e-9) return {order_[b], order_[after_b], 1 + ahead / first, -ahead / first};
  }
  return {};
}

std::vector<double> OppositeRays::lines_mm(double steepest) const {
  const Geometry& geometry = stack_.geometry;
  const Detector& d = geometry.detector;
  std::vector<double> lines;
  if (geometry.beam == Beam::cone) {
    const int beside = int(steepest * geometry.sdd_mm / d.row_pitch_mm);
    const int step = std::max(1, (2 * beside + 1) / most_lines);
    for (int row = -beside / step; row <= beside / step; ++row)
      lines.push_back(row * step * d.row_pitch_mm);
  } else {
    const int count = std::min(d.rows, most_lines);
    for (int i = 0; i < count; ++i)
      lines.push_back((d.midplane_row - ((i + 0.5) * d.rows / count - 0.5)) * d.row_pitch_mm);
  }
  return lines;
}

std::vector<OppositeRays::Place> OppositeRays::places(const DetectorPlace& place,
                                                      const std::vector<double>& lines_mm) const {
  const auto at = [&](double axis_column, double roll_rad, double u, double v) {
    Geometry geometry = stack_.geometry;
    geometry.angles_rad.clear();
    geometry.detector.axis_column = axis_column;
    geometry.detector.roll_rad = roll_rad;
    return seen_at(geometry, u, v);
  };
  std::vector<Place> places;
  places.reserve(lines_mm.size() * std::size_t(2 * reach_ + 1));
  for (const double v : lines_mm)
    for (int k = -reach_; k <= reach_; ++k) {
      const double u = k * stack_.geometry.detector.column_pitch_mm;
      const auto slope = [&](double axis_step, double roll_step_rad) {
        const auto more = at(place.axis_column + axis_step, place.roll_rad + roll_step_rad, u, v);
        const auto less = at(place.axis_column - axis_step, place.roll_rad - roll_step_rad, u, v);
        const double width = 2 * (axis_step + roll_step_rad);
        return DetectorPosition{(more.row - less.row) / width, (more.column - less.column) / width};
      };
      places.push_back({at(place.axis_column, place.roll_rad, u, v), slope(half_pixel, 0), slope(0, roll_step)});
    }
  return places;
}

OppositeMisfit OppositeRays::misfit(const DetectorPlace& place, int stride) const {
  const int rows = stack_.geometry.detector.rows, columns = stack_.geometry.detector.columns;
  const std::vector<double> heights = lines_mm(few_lines);
  const auto where = places(place, heights);
  struct Sums {
    double squares = 0, a = 0, b = 0, aa = 0, bb = 0;
    std::size_t pairs = 0;
  };
  std::vector<Sums> sums(sides_.size());
  parallel_for(int((sides_.size() + std::size_t(stride) - 1) / std::size_t(stride)), threads_, [&](int i, int) {
    const std::size_t s = std::size_t(i) * std::size_t(stride);
    const Side& side = sides_[s];
    Sums& sum = sums[s];
    for (int line = 0; line < int(heights.size()); ++line)
      for (int k = side.from; k <= side.to; ++k) {
        const Opposite& other = opposites_[s * std::size_t(2 * reach_ + 1) + std::size_t(k + reach_)];
        if (other.first < 0) continue;
        const auto here = sample_at(stack_.view(side.view), rows, columns, where[index(line, k)].at);
        if (!here) continue;
        const auto& there = where[index(line, -k)].at;
        const auto first = sample_at(stack_.view(other.first), rows, columns, there);
        const auto second = sample_at(stack_.view(other.second), rows, columns, there);
        if (!first || !second) continue;
        const double a = here->value, b = other.first_weight * first->value + other.second_weight * second->value;
        sum.squares += (a - b) * (a - b);
        sum.a += a;
        sum.b += b;
        sum.aa += a * a;
        sum.bb += b * b;
        ++sum.pairs;
      }
  });
  Sums all;
  for (const Sums& sum : sums) {
    all.squares += sum.squares;
    all.a += sum.a;
    all.b += sum.b;
    all.aa += sum.aa;
    all.bb += sum.bb;
    all.pairs += sum.pairs;
  }
  if (all.pairs == 0) return {};
  const double n = double(all.pairs);
  return {all.squares, all.aa - all.a * all.a / n + all.bb - all.b * all.b / n, all.pairs};
}

OppositeFit OppositeRays::fit(const DetectorPlace& start, Adjust adjust, double steepest) const {
  const int rows = stack_.geometry.detector.rows, columns = stack_.geometry.detector.columns;
  const std::vector<double> heights = lines_mm(steepest);
  const std::size_t lines = heights.size(), width = std::size_t(2 * reach_ + 1), cells = lines * width;
  const bool with_roll = adjust == Adjust::axis_and_roll;
  // Difference of each pair and its derivatives, [side][line][k]; NaN where there is no pair.
  constexpr float none = std::numeric_limits<float>::quiet_NaN();
  std::vector<float> difference(sides_.size() * cells), by_axis(difference.size()), by_roll(difference.size());
  // What the view itself has in the derivatives; the rest is its opposite's.
  std::vector<float> own_axis(difference.size()), own_roll(difference.size());

  OppositeFit result;
  result.place = start;
  for (int iteration = 0; iteration < 12; ++iteration) {
    const auto where = places(result.place, heights);
    parallel_for(int(sides_.size()), threads_, [&](int s, int) {
      const Side& side = sides_[std::size_t(s)];
      const std::size_t origin = std::size_t(s) * cells;
      std::fill_n(difference.begin() + std::ptrdiff_t(origin), cells, none);
      for (int line = 0; line < int(lines); ++line)
        for (int k = side.from; k <= side.to; ++k) {
          const Opposite& other = opposites_[std::size_t(s) * width + std::size_t(k + reach_)];
          if (other.first < 0) continue;
          const Place &p = where[index(line, k)], &q = where[index(line, -k)];
          const auto here = sample_at(stack_.view(side.view), rows, columns, p.at);
          if (!here) continue;
          const auto first = sample_at(stack_.view(other.first), rows, columns, q.at);
          const auto second = sample_at(stack_.view(other.second), rows, columns, q.at);
          if (!first || !second) continue;
          const double w = other.first_weight, z = other.second_weight;
          const double across = w * first->by_column + z * second->by_column;
          const double down = w * first->by_row + z * second->by_row;
          const std::size_t i = origin + index(line, k);
          difference[i] = float(here->value - (w * first->value + z * second->value));
          own_axis[i] = float(here->by_column * p.by_axis.column + here->by_row * p.by_axis.row);
          by_axis[i] = own_axis[i] - float(across * q.by_axis.column + down * q.by_axis.row);
          if (!with_roll) continue;
          own_roll[i] = float(here->by_column * p.by_roll.column + here->by_row * p.by_roll.row);
          by_roll[i] = own_roll[i] - float(across * q.by_roll.column + down * q.by_roll.row);
        }
    });

    const auto shared = shared_by_views<5>(
        difference.size(), cells, [&](std::size_t i) { return i % cells; },
        [&](std::size_t i) {
          return Eigen::Vector<double, 5>{double(difference[i]), double(by_axis[i]), double(by_roll[i]),
                                          double(own_axis[i]), double(own_roll[i])};
        });
    const double kept = shared.freedom > 10 * double(cells) && !seam_only_ ? shared.kept : 1;

    // Derivatives of noise would make what the images tell look like more than it is, so that it is told from products
    // of the view's derivatives with its opposite's, whose noises are independent and whose halves of the whole are
    // alike. `by_chance`: variances, were all of it noise.
    Eigen::Matrix2d normal = Eigen::Matrix2d::Zero(), told = Eigen::Matrix2d::Zero();
    Eigen::Vector2d by_chance = Eigen::Vector2d::Zero();
    Eigen::Vector2d right = Eigen::Vector2d::Zero();
    std::vector<Eigen::Vector2d> of_views(std::size_t(view_clusters), Eigen::Vector2d::Zero());
    std::vector<double> axis_weights(std::size_t(view_clusters), 0.0);
    const std::size_t groups = width / cluster_places + 1;
    const double apart = lines > 1 ? std::abs(heights[1] - heights[0]) / stack_.geometry.detector.row_pitch_mm : 1;
    const std::size_t together = std::size_t(std::max(1.0, std::round(cluster_rows / apart)));
    std::vector<Eigen::Vector2d> of_places((lines / together + 1) * groups, Eigen::Vector2d::Zero());
    for (std::size_t i = 0; i < difference.size(); ++i) {
      if (std::isnan(difference[i])) continue;
      const std::size_t cell = i % cells, side = i / cells;
      const Eigen::Vector2d slope{double(by_axis[i]), double(by_roll[i])};
      const Eigen::Vector<double, 5>& mean = shared.mean[cell];
      const Eigen::Vector2d reduced = slope - (1 - kept) * mean.segment<2>(1);
      normal += slope * reduced.transpose();
      const Eigen::Vector2d own{double(own_axis[i]), double(own_roll[i])}, others = slope - own;
      const Eigen::Vector2d reduced_own = own - (1 - kept) * mean.segment<2>(3), reduced_others = reduced - reduced_own;
      const Eigen::Matrix2d of_pair = 2 * (own * reduced_others.transpose() + others * reduced_own.transpose());
      told += of_pair;
      by_chance += of_pair.diagonal().cwiseAbs2();
      const Eigen::Vector2d score = reduced * double(difference[i]);
      right += score;
      const std::size_t cluster = side * std::size_t(view_clusters) / sides_.size();
      of_views[cluster] += score;
      axis_weights[cluster] += slope[0] * reduced[0];
      of_places[cell / width / together * groups + (cell % width) / cluster_places] += score;
    }
    if (!with_roll) normal(1, 1) = 1;
    normal = ((normal + normal.transpose()) / 2).eval();
    if (!(normal.determinant() > 1e-12 * normal(0, 0) * normal(1, 1)) || !(normal(0, 0) > 0)) return result;
    const Eigen::Matrix2d inverse = normal.inverse();
    told = ((told + told.transpose()) / 2).eval();
    result.roll_told = with_roll && told(0, 0) > 0 &&
                       told(1, 1) - told(0, 1) * told(0, 1) / told(0, 0) > significant * std::sqrt(by_chance[1]);
    result.axis_per_roll = told(0, 0) > 0 ? told(0, 1) / told(0, 0) : 0;
    const bool axis_told = told(0, 0) > significant * std::sqrt(by_chance[0]);
    Eigen::Matrix2d scatter = Eigen::Matrix2d::Zero();
    if (sides_.size() >= 2 * std::size_t(view_clusters)) {
      for (const auto& score : of_views)
        scatter += score * score.transpose();
      result.axis_wanders = wander(of_views, axis_weights);
    }
    for (const auto& score : of_places)
      scatter += score * score.transpose();
    if (!result.roll_told) told(0, 1) = told(1, 0) = 0, told(1, 1) = normal(1, 1);
    const Eigen::Matrix2d spread = axis_told ? told.inverse().eval() : inverse;
    result.covariance = spread * scatter * spread;

    const Eigen::Vector2d step = -inverse * right;
    const double axis_step = std::clamp(step[0], -2.0, 2.0), turn = with_roll ? std::clamp(step[1], -0.02, 0.02) : 0;
    result.place.axis_column += axis_step;
    result.place.roll_rad += turn;
    if (std::abs(result.place.axis_column) > 2.0 * columns || std::abs(result.place.roll_rad) > 0.2) return result;
    if (std::abs(axis_step) < 1e-4 && std::abs(turn) < 1e-6) {
      result.converged = true;
      break;
    }
  }
  return result;
}

}  // namespace rayloom
