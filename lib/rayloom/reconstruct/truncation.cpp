#include "rayloom/reconstruct/truncation.h"

#include <algorithm>
#include <cmath>
#include <memory>

#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr double in_part = 0.03;  // of the greatest line integral: an end above stands in the part
constexpr int most_looked_at = 36;

int columns_of_end(int columns) {
  return std::min(columns, std::max(3, columns / 50));
}

/// Mean of neighbouring samples, and how far noise may lift it.
struct EndLevel {
  double mean = 0, noise = 0;
};

EndLevel level_of(std::span<const float> samples) {
  EndLevel level;
  double squares = 0;
  for (std::size_t i = 0; i < samples.size(); ++i) {
    level.mean += double(samples[i]) / double(samples.size());
    if (i > 0) squares += std::pow(double(samples[i]) - double(samples[i - 1]), 2);
  }
  // Differences of neighbours hold the noise twice and little of a slope.
  if (samples.size() > 1) level.noise = std::sqrt(squares / (2 * double(samples.size() - 1) * double(samples.size())));
  return level;
}

int columns_of_line(int columns) {
  return std::min(columns, std::max(3, columns / 15));
}

/// A line through a row's outermost columns.
struct EndLine {
  double mean = 0, level = 0,
         slope = 0;  ///< Value in their middle and at the last column; change from column to column.

  /// @param row  Running outwards.
  explicit EndLine(std::span<const float> row) {
    const int columns = int(row.size()), used = columns_of_line(columns);
    double moment = 0, square = 0;
    for (int i = 0; i < used; ++i) {
      const double x = i - (used - 1) / 2.0, value = double(row[std::size_t(columns - used + i)]);
      mean += value / used;
      moment += x * value;
      square += x * x;
    }
    slope = square > 0 ? moment / square : 0;
    level = mean + slope * (used - 1) / 2.0;
  }

  /// How far the part goes on, were it an ellipse about the view's middle: p = m sqrt(R^2 - u^2) has p / -p' =
  /// (R^2 - u^2) / u. At most the view's own width.
  double columns_to_go(double view_columns) const {
    const double u = view_columns / 2;
    if (!(slope < 0) || !(level > 0)) return view_columns;
    return std::min(view_columns, std::sqrt(u * u - u * level / slope) - u);
  }
};

struct RowLook {
  EndLevel left, right;
  double left_to_go = 0, right_to_go = 0, greatest = 0;
};

RowLook look_at(std::span<const float> row, double view_columns) {
  const std::size_t end = std::size_t(columns_of_end(int(row.size())));
  RowLook look{level_of(row.first(end)), level_of(row.last(end))};
  const std::vector<float> turned(row.rbegin(), row.rend());
  look.left_to_go = EndLine(turned).columns_to_go(view_columns);
  look.right_to_go = EndLine(row).columns_to_go(view_columns);
  for (std::size_t c = 0; c + end <= row.size(); c += end)
    look.greatest = std::max(look.greatest, level_of(row.subspan(c, end)).mean);
  return look;
}

/// `count` of `total` things, evenly spread, or all of them.
std::vector<int> spread(int total, int count) {
  std::vector<int> chosen;
  for (int i = 0; i < std::min(total, count); ++i)
    chosen.push_back(int(std::int64_t(i) * total / std::min(total, count)));
  return chosen;
}

double smooth_step(double x) {
  x = std::clamp(x, 0.0, 1.0);
  return x * x * (3 - 2 * x);
}

}  // namespace

Truncation look_for_truncation(const Geometry& geometry, const ProjectionSource& source,
                               const ReconstructOptions& options) {
  const Detector& d = geometry.detector;
  const Coverage coverage = options.coverage.value_or(automatic_coverage(geometry));
  const bool left_is_short = d.axis_column < (d.columns - 1) / 2.0;
  const double longer_side = std::max(d.axis_column + 0.5, d.columns - 0.5 - d.axis_column);
  Truncation found;
  found.view_columns = coverage == Coverage::symmetric ? d.columns : 2 * longer_side;
  const int threads = thread_count(options.threads), views = int(geometry.angles_rad.size());
  const std::size_t width = std::size_t(d.columns);
  const bool by_row = source.stored == ProjectionSource::Stored::by_row;
  const std::vector<int> blocks = spread(by_row ? d.rows : views, most_looked_at);
  std::vector<std::vector<RowLook>> looks(blocks.size());
  parallel_for(int(blocks.size()), threads, [&](int i, int) {
    const int at = blocks[std::size_t(i)], rows = by_row ? views : d.rows;
    std::vector<float> samples(std::size_t(rows) * width);
    if (by_row)
      source.read(0, views, at, 1, samples);
    else
      source.read(at, 1, 0, d.rows, samples);
    for (int r = 0; r < rows; ++r)
      looks[std::size_t(i)].push_back(
          look_at(std::span(samples).subspan(std::size_t(r) * width, width), found.view_columns));
  });

  std::size_t left = 0, right = 0, all = 0;
  for (const auto& block : looks)
    for (const RowLook& look : block)
      found.greatest = std::max(found.greatest, look.greatest);
  const auto stands_in_part = [&](const EndLevel& end) {
    return end.mean > in_part * found.greatest && end.mean > 5 * end.noise;
  };
  std::vector<double> to_go;
  for (const auto& block : looks)
    for (const RowLook& look : block) {
      if (stands_in_part(look.left)) to_go.push_back(look.left_to_go);
      if (stands_in_part(look.right)) to_go.push_back(look.right_to_go);
      left += stands_in_part(look.left);
      right += stands_in_part(look.right);
      ++all;
    }
  if (!to_go.empty()) {
    const auto median = to_go.begin() + std::ptrdiff_t(to_go.size() / 2);
    std::nth_element(to_go.begin(), median, to_go.end());
    found.columns_to_go = *median;
  }
  if (coverage == Coverage::symmetric || !left_is_short) found.left_share = double(left) / double(all);
  if (coverage == Coverage::symmetric || left_is_short) found.right_share = double(right) / double(all);
  return found;
}

RowContinuation::RowContinuation(const Truncation& scan) : greatest_(scan.greatest) {
  const int used = columns_of_line(int(scan.view_columns));
  const double length = std::max(1.0, std::min(1.2 * scan.columns_to_go, 0.46 * scan.view_columns));
  const double root = 1.0 / 3, soon = scan.view_columns / 4, share_of_slope = 0.75;
  start_slope_ = -root / length;
  for (int j = 1; j <= int(std::ceil(scan.view_columns)); ++j) {
    fall_.push_back(float(std::cbrt(std::max(1 - j / length, 0.0))));
    bend_.push_back(float(share_of_slope * j * std::exp(-j / soon)));
    step_.push_back(float(std::exp(-2.0 * j / used)));
  }
}

void RowContinuation::run(std::span<const float> measured, std::span<float> beyond) const {
  const EndLine line(measured);
  const double slope = line.slope, level = line.level;
  const double share = greatest_ > 0 ? smooth_step((line.mean / greatest_ - in_part / 3) / (in_part * 2 / 3)) : 0;
  if (share == 0 || level <= 0) {
    std::fill(beyond.begin(), beyond.end(), 0.0F);
    return;
  }
  // The root's curve from the line's end; near it the row's own slope, and the way back to its last value, take part.
  const float fall = float(share * level), bend = float(share * (slope - level * start_slope_)),
              step = float(share * (double(measured.back()) - level));
  for (std::size_t j = 0; j < beyond.size(); ++j)
    beyond[j] = std::max(fall * fall_[j] + bend * bend_[j] + step * step_[j], 0.0F);
}

Beyond continued(const Geometry& geometry, const Truncation& truncation) {
  Beyond beyond;
  if (!truncation.any()) return beyond;
  const auto continuation = std::make_shared<const RowContinuation>(truncation);
  beyond.columns = continuation->columns();
  beyond.thread_bytes = std::size_t(geometry.detector.columns) * sizeof(float);
  const bool at_left = truncation.left_share > 0, at_right = truncation.right_share > 0;
  beyond.of_view = [=](int, int, int) -> RowEnds {
    return [=](double, std::span<const float> measured, std::span<float> left, std::span<float> right) {
      std::fill(left.begin(), left.end(), 0.0F);
      std::fill(right.begin(), right.end(), 0.0F);
      if (at_right) continuation->run(measured, right);
      if (!at_left) return;
      const std::vector<float> turned(measured.rbegin(), measured.rend());
      continuation->run(turned, left);
      std::reverse(left.begin(), left.end());
    };
  };
  return beyond;
}

}  // namespace rayloom
