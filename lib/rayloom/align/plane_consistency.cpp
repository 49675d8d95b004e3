#include "rayloom/align/plane_consistency.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "rayloom/align/shared_by_views.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr double steepest = 0.5;      // rows a column
constexpr double slope_pixels = 0.7;  // between neighbouring slopes at the detector's edge
constexpr double air = 0.02;          // of the view's greatest value: what counts as air where a line leaves
constexpr int border = 2;             // pixels either side over which that is averaged
constexpr double margin = 2;          // rows beside a line that must leave through air too
constexpr int image_passes = 1;       // smoothing of the views; more blurs lines that lie alike unlike each other
constexpr int plane_passes = 4;       // and along the planes of a pair, which both views share: harmless
// Partners of a view: nearly opposite ones know the roll best, as their lines lean the other way; nearer ones add
// mostly what sampling gets wrong.
constexpr double nearest_partner = 2 * pi / 3, partner_step = pi / 15;
constexpr int partners = 6;
constexpr double half_part = 0.4;        // of the columns: where planes a row apart are a row apart
constexpr double line_cluster_rows = 4;  // lines as near as that share interpolation and fixed patterns
constexpr std::size_t fewest_clusters = 12;
constexpr double noisy = 0.1;  // measure above which the derivatives are too much noise's

/// Where a view's edges show air.
struct Edges {
  std::vector<bool> left, right;  ///< By row.
  /// Air in columns [0, left_of) and (right_of, end) of the first and last rows.
  std::array<int, 2> left_of{}, right_of{};
};

double mean_of(const float* view, int rows, int columns, int row, int column) {
  double sum = 0;
  int count = 0;
  for (int r = std::max(row - border, 0); r <= std::min(row + border, rows - 1); ++r)
    for (int c = std::max(column - border, 0); c <= std::min(column + border, columns - 1); ++c, ++count)
      sum += double(view[std::ptrdiff_t(r) * columns + c]);
  return sum / count;
}

}  // namespace

PlaneConsistency::Seen PlaneConsistency::seen(const Line& line, const DetectorPlace& place) const {
  const Detector& d = geometry_.detector;
  const double cosine = std::cos(place.roll_rad), sine = std::sin(place.roll_rad);
  const double along = cosine + line.slope * sine;
  Seen seen{};
  seen.slope = (line.slope * cosine - sine) / along;
  seen.offset_mm = line.offset_mm / along;
  seen.rows_per_column = -seen.slope * d.column_pitch_mm / d.row_pitch_mm;
  seen.row =
      d.midplane_row -
      (seen.offset_mm + seen.slope * (start_.axis_column - place.axis_column) * d.column_pitch_mm) / d.row_pitch_mm;
  return seen;
}

std::optional<PlaneConsistency::Value> PlaneConsistency::at(const Line& line, const DetectorPlace& place) const {
  const Detector& d = geometry_.detector;
  const Seen s = seen(line, place);
  const float* table = &tables_[std::size_t(line.view) * std::size_t(slopes_) * std::size_t(d.rows)];
  const auto g = sample_at(table, slopes_, d.rows, {s.rows_per_column / slope_step_ + (slopes_ - 1) / 2.0, s.row});
  if (!g) return {};
  const double D2 = geometry_.sdd_mm * geometry_.sdd_mm, t = s.slope, a = s.offset_mm;
  const double weight = 1 + t * t + a * a / D2;
  const double t_by_roll = -(1 + t * t), a_by_roll = -a * t;
  const double shift = (start_.axis_column - place.axis_column) * d.column_pitch_mm;
  const double row_by_roll = -(a_by_roll + t_by_roll * shift) / d.row_pitch_mm;
  const double slope_by_roll = -t_by_roll * d.column_pitch_mm / d.row_pitch_mm / slope_step_;
  return Value{weight * g->value, weight * (g->by_column * row_by_roll + g->by_row * slope_by_roll) +
                                      (2 * t * t_by_roll + 2 * a * a_by_roll / D2) * g->value};
}

PlaneConsistency::PlaneConsistency(ViewStack stack, const DetectorPlace& start, int threads)
    : geometry_(stack.geometry), start_(start), threads_(threads) {
  smooth(stack, image_passes, threads);
  const Detector& d = geometry_.detector;
  const int rows = d.rows, columns = d.columns, views = stack.views();
  slope_step_ = slope_pixels / (0.5 * columns);
  slopes_ = 2 * int(std::ceil(steepest / slope_step_)) + 1;
  tables_.assign(std::size_t(views) * std::size_t(slopes_) * std::size_t(rows), 0.0F);
  const int middle = (slopes_ - 1) / 2;
  std::vector<Edges> edges(std::size_t(views), Edges{});
  const double D = geometry_.sdd_mm;
  const int pad = int(std::ceil(steepest * columns)) + rows + 4;  // rows of nothing around a column

  parallel_for(views, threads, [&](int i, int) {
    const float* view = stack.view(i);
    std::vector<float> upright(std::size_t(columns) * std::size_t(rows + 2 * pad), 0.0F);  // [column][row]
    float greatest = 0;
    for (int c = 0; c < columns; ++c)
      for (int r = 0; r < rows; ++r) {
        const double u = (c - start.axis_column) * d.column_pitch_mm, v = (r - d.midplane_row) * d.row_pitch_mm;
        const float value = view[std::ptrdiff_t(r) * columns + c];
        greatest = std::max(greatest, value);
        upright[std::size_t(c) * std::size_t(rows + 2 * pad) + std::size_t(pad + r)] =
            float(double(value) * D / std::sqrt(D * D + u * u + v * v));
      }
    // A line of fixed slope lies equally far between rows at all offsets.
    for (int s = 0; s < slopes_; ++s) {
      float* out = &tables_[(std::size_t(i) * std::size_t(slopes_) + std::size_t(s)) * std::size_t(rows)];
      const double slope = (s - middle) * slope_step_;
      for (int c = 0; c < columns; ++c) {
        const double down = slope * (c - start.axis_column);
        const int whole = int(std::floor(down));
        const double x = down - whole;
        if (whole < -pad + 2 || whole + 3 > pad) continue;
        // Derivative of cubic convolution (Keys 1981).
        const float k0 = float(((-3 * x + 4) * x - 1) / 2), k1 = float((9 * x - 10) * x / 2),
                    k2 = float(((-9 * x + 8) * x + 1) / 2), k3 = float((3 * x - 2) * x / 2);
        const float* in = &upright[std::size_t(c) * std::size_t(rows + 2 * pad) + std::size_t(pad + whole - 1)];
        for (int r = 0; r < rows; ++r)
          out[r] += k0 * in[r] + k1 * in[r + 1] + k2 * in[r + 2] + k3 * in[r + 3];
      }
    }
    Edges& e = edges[std::size_t(i)];
    const double limit = air * double(greatest);
    const auto is_air = [&](int row, int column) { return mean_of(view, rows, columns, row, column) < limit; };
    for (int r = 0; r < rows; ++r) {
      e.left.push_back(is_air(r, border));
      e.right.push_back(is_air(r, columns - 1 - border));
    }
    for (const int row : {border, rows - 1 - border}) {
      int from_left = 0, from_right = columns - 1;
      while (from_left < columns && is_air(row, from_left))
        ++from_left;
      while (from_right >= 0 && is_air(row, from_right))
        --from_right;
      e.left_of[row == border ? 0 : 1] = from_left;
      e.right_of[row == border ? 0 : 1] = from_right;
    }
  });

  // Whether all of the part along a line is seen.
  const auto leaves_through_air = [&](const Edges& e, double row, double slope, double column) {
    const bool left = column == 0;
    const double at = row + slope * (column - start.axis_column);
    for (const double beside : {-margin, 0.0, margin}) {
      const double there = at + beside;
      if (there >= 0 && there <= rows - 1) {
        if (!(left ? e.left : e.right)[std::size_t(std::lround(there))]) return false;
        continue;
      }
      const double exit = start.axis_column + ((there < 0 ? 0 : rows - 1) - row - beside) / slope;
      const std::size_t edge = there < 0 ? 0 : 1;
      if (left ? !(exit < e.left_of[edge]) : !(exit > e.right_of[edge])) return false;
    }
    return true;
  };
  const auto complete = [&](const Line& line) {
    const Seen s = seen(line, start_);
    if (!(s.row >= 2 && s.row <= rows - 3 && std::abs(s.rows_per_column) < steepest - 2 * slope_step_)) return false;
    const Edges& e = edges[std::size_t(line.view)];
    return leaves_through_air(e, s.row, s.rows_per_column, 0) &&
           leaves_through_air(e, s.row, s.rows_per_column, columns - 1);
  };

  const double half_width = half_part * columns * d.column_pitch_mm;
  const auto turn = [&](int from, int to) {
    return std::remainder(geometry_.angles_rad[std::size_t(to)] - geometry_.angles_rad[std::size_t(from)], 2 * pi);
  };
  int cells = 0;
  for (int p = 0; p < partners; ++p) {
    const double apart = nearest_partner + p * partner_step;
    // A plane at the angle atan(tau) to the midplane meets the detectors in v = tau (D cos(apart/2) -+ sin(apart/2) u).
    const double along = D * std::cos(apart / 2), across = std::sin(apart / 2);
    const double step = d.row_pitch_mm / (along + half_width * across);
    const double highest = rows * d.row_pitch_mm / std::max(along, 1e-9),
                 leaning = steepest * d.row_pitch_mm / d.column_pitch_mm / across;
    const int most = int(std::min(highest, leaning) / step);
    for (int k = -most; k <= most; ++k) {
      const int offset = int(std::floor(k * step * along / d.row_pitch_mm / line_cluster_rows)),
                lean = int(std::abs(k) * step * across * half_width / d.row_pitch_mm / line_cluster_rows);
      cell_cluster_.push_back(offset * (columns + rows) + lean);
    }
    for (int i = 0; i < views; ++i) {
      int partner = -1;
      double nearest = partner_step / 2;
      for (int j = 0; j < views; ++j)
        if (const double off = std::abs(std::remainder(turn(i, j) - apart, 2 * pi)); off < nearest) {
          nearest = off;
          partner = j;
        }
      if (partner < 0 || (p == partners - 1 && partner < i)) continue;  // opposite views, once
      const double half = turn(i, partner) / 2;
      for (int k = -most; k <= most; ++k) {
        const double offset = k * step * D * std::cos(half), slope = k * step * std::sin(half);
        const Pair pair{{i, offset, slope}, {partner, offset, -slope}, cells + k + most};
        if (complete(pair.first) && complete(pair.second)) pairs_.push_back(pair);
      }
    }
    cells += 2 * most + 1;
  }
  // Clusters numbered from 0.
  std::vector<int> known = cell_cluster_;
  std::sort(known.begin(), known.end());
  known.erase(std::unique(known.begin(), known.end()), known.end());
  for (int& cluster : cell_cluster_)
    cluster = int(std::lower_bound(known.begin(), known.end(), cluster) - known.begin());
  std::vector<bool> used(known.size(), false);
  for (const Pair& pair : pairs_)
    used[std::size_t(cell_cluster_[std::size_t(pair.cell)])] = true;
  clusters_ = std::size_t(std::count(used.begin(), used.end(), true));
  cluster_count_ = known.size();
}

void PlaneConsistency::smooth_runs(std::vector<double>& values, int passes) const {
  const auto together = [&](std::size_t i, std::size_t j) {
    return pairs_[i].first.view == pairs_[j].first.view && pairs_[i].cell + 1 == pairs_[j].cell;
  };
  std::vector<double> line;
  for (std::size_t from = 0; from < pairs_.size();) {
    std::size_t to = from + 1;
    while (to < pairs_.size() && together(to - 1, to))
      ++to;
    for (int pass = 0; pass < passes; ++pass) {
      line.assign(values.begin() + std::ptrdiff_t(from), values.begin() + std::ptrdiff_t(to));
      for (std::size_t i = 0; i < line.size(); ++i)
        values[from + i] = (line[i > 0 ? i - 1 : 0] + 2 * line[i] + line[std::min(i + 1, line.size() - 1)]) / 4;
    }
    from = to;
  }
}

double PlaneConsistency::measure(const DetectorPlace& place) const {
  double squares = 0, all = 0;
  for (const Pair& pair : pairs_)
    if (const auto a = at(pair.first, place), b = at(pair.second, place); a && b) {
      squares += std::pow(a->value - b->value, 2);
      all += std::pow(a->value, 2) + std::pow(b->value, 2);
    }
  return all > 0 ? squares / all : 1;
}

PlaneFit PlaneConsistency::fit() const {
  PlaneFit result;
  result.roll_rad = start_.roll_rad;
  if (clusters_ < fewest_clusters) return result;
  const std::size_t views = geometry_.angles_rad.size();
  for (int iteration = 0; iteration < 20; ++iteration) {
    const DetectorPlace place{start_.axis_column, result.roll_rad};
    std::vector<double> difference(pairs_.size(), NAN), slope(pairs_.size(), 0.0);
    parallel_for(int(pairs_.size() / 1024 + 1), threads_, [&](int block, int) {
      const std::size_t end = std::min(pairs_.size(), std::size_t(block + 1) * 1024);
      for (std::size_t i = std::size_t(block) * 1024; i < end; ++i)
        if (const auto a = at(pairs_[i].first, place), b = at(pairs_[i].second, place); a && b) {
          difference[i] = a->value - b->value;
          slope[i] = a->by_roll - b->by_roll;
        }
    });
    smooth_runs(difference, plane_passes);
    smooth_runs(slope, plane_passes);
    const auto shared = shared_by_views<2>(
        pairs_.size(), cell_cluster_.size(), [&](std::size_t i) { return std::size_t(pairs_[i].cell); },
        [&](std::size_t i) { return Eigen::Vector2d(difference[i], slope[i]); });

    double normal = 0, right = 0;
    std::vector<double> of_views(views, 0.0), of_clusters(cluster_count_, 0.0);
    for (std::size_t i = 0; i < pairs_.size(); ++i) {
      if (std::isnan(difference[i])) continue;
      const std::size_t cell = std::size_t(pairs_[i].cell);
      const double reduced = slope[i] - (1 - shared.kept) * shared.mean[cell][1];
      normal += slope[i] * reduced;
      const double score = reduced * difference[i];
      right += score;
      of_views[std::size_t(pairs_[i].first.view)] += score;
      of_views[std::size_t(pairs_[i].second.view)] += score;
      of_clusters[std::size_t(cell_cluster_[cell])] += score;
    }
    if (!(normal > 0)) return result;
    double scatter = 0;
    for (const double score : of_views)
      scatter += score * score;
    for (const double score : of_clusters)
      scatter += score * score;
    result.variance = scatter / (normal * normal);
    const double step = std::clamp(-right / normal, -0.01, 0.01);
    result.roll_rad += step;
    if (std::abs(result.roll_rad) > 0.2) return result;
    if (std::abs(step) < 1e-7) {
      result.converged = measure({start_.axis_column, result.roll_rad}) < noisy;
      break;
    }
  }
  return result;
}

}  // namespace rayloom
