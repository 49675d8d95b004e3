#include "rayloom/align/sharpness.h"

#include <Eigen/QR>
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

namespace rayloom {

namespace {

constexpr int most_slices = 4;
constexpr int subsets = 4;      // of views, for the uncertainty
constexpr double edge = 0.05;   // of the greatest mean line integral
constexpr int least_side = 24;  // voxels of a slice along a side
constexpr double used = 0.8;    // of the radius that every trial sees
constexpr int trials = 4;       // on either side of the middle one

/// True if the part sticks out of the view: means of the outermost columns above `edge` of the greatest column's.
bool truncated(const ViewStack& stack) {
  const Detector& d = stack.geometry.detector;
  std::vector<double> mean(std::size_t(d.columns), 0.0);
  for (std::size_t i = 0; i < stack.samples.size(); ++i)
    mean[i % mean.size()] += double(stack.samples[i]);
  return std::max(mean.front(), mean.back()) > edge * *std::max_element(mean.begin(), mean.end());
}

/// Rows whose columns vary most, averaged over views.
std::vector<int> busiest_rows(const ViewStack& stack) {
  const int rows = stack.geometry.detector.rows, columns = stack.geometry.detector.columns;
  std::vector<double> variation(std::size_t(rows), 0.0);
  for (int i = 0; i < stack.views(); ++i)
    for (int r = 0; r < rows; ++r) {
      const float* row = stack.view(i) + std::ptrdiff_t(r) * columns;
      for (int c = 0; c + 1 < columns; ++c)
        variation[std::size_t(r)] += std::abs(double(row[c + 1]) - double(row[c]));
    }
  std::vector<int> order(static_cast<std::size_t>(rows));
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(),
                   [&](int a, int b) { return variation[std::size_t(a)] > variation[std::size_t(b)]; });
  order.resize(std::size_t(std::min(rows, most_slices)));
  return order;
}

/// Sum of gradient magnitudes of a slice, within a circle.
double roughness_of(const std::vector<float>& slice, int n, double radius) {
  const auto at = [&](int j, int i) { return double(slice[std::size_t(j) * std::size_t(n) + std::size_t(i)]); };
  double sum = 0;
  for (int j = 1; j + 1 < n; ++j)
    for (int i = 1; i + 1 < n; ++i)
      if (std::hypot(i - (n - 1) / 2.0, j - (n - 1) / 2.0) <= radius - 1)
        sum += std::hypot(at(j, i + 1) - at(j, i - 1), at(j + 1, i) - at(j - 1, i));
  return sum;
}

/// Appends a row that falls to 0 by a cosine over `wider` columns more on each side, so that a part that sticks out of
/// the view makes no bright rim.
void append_widened(const float* row, int columns, int wider, std::vector<float>& rows) {
  for (int c = -wider; c < columns + wider; ++c) {
    const int nearest = std::clamp(c, 0, columns - 1), past = std::abs(c - nearest);
    const double share = past == 0 ? 1 : (1 + std::cos(pi * past / (wider + 1))) / 2;
    rows.push_back(row[nearest] * float(share));
  }
}

/// Place of the least value of the parabola through `values` about their least one, in steps from the first; nothing if
/// that is at an end.
std::optional<double> parabola_minimum(const std::vector<double>& values) {
  const int least = int(std::min_element(values.begin(), values.end()) - values.begin());
  if (least == 0 || least + 1 == int(values.size())) return {};
  const int from = std::max(least - 2, 0), to = std::min(least + 2, int(values.size()) - 1);
  Eigen::MatrixXd basis(to - from + 1, 3);
  Eigen::VectorXd value(to - from + 1);
  for (int i = from; i <= to; ++i) {
    basis.row(i - from) << 1, i - least, (i - least) * (i - least);
    value[i - from] = values[std::size_t(i)];
  }
  const Eigen::Vector3d fit = basis.colPivHouseholderQr().solve(value);
  if (!(fit[2] > 0)) return {};
  return least - fit[1] / (2 * fit[2]);
}

}  // namespace

SharpestAxis sharpest_axis(const ViewStack& stack, double start, double reach, int threads) {
  const Detector& d = stack.geometry.detector;
  const double radius = used * (std::min(start, d.columns - 1 - start) - reach);
  const int n = int(2 * radius);
  if (truncated(stack) || n < least_side || stack.views() < 8 * subsets) return {};

  ReconstructOptions options;
  options.filter = {Window::hann, 1.0};
  options.coverage = Coverage::symmetric;
  options.method = Method::direct;
  options.threads = threads;
  const std::vector<int> rows = busiest_rows(stack);
  const int wider = d.columns / 2;
  const double step = reach / trials;
  std::vector<double> whole(std::size_t(2 * trials + 1), 0.0);
  std::array<std::vector<double>, subsets> part;
  part.fill(whole);
  for (int trial = -trials; trial <= trials; ++trial)
    for (const int row : rows) {
      std::vector<float> sum(std::size_t(n) * std::size_t(n), 0.0F);
      for (int subset = 0; subset < subsets; ++subset) {
        Geometry geometry = stack.geometry;
        geometry.detector.rows = 1;
        geometry.detector.midplane_row = 0;
        geometry.detector.columns = d.columns + 2 * wider;
        geometry.detector.axis_column = start + trial * step + wider;
        geometry.angles_rad.clear();
        std::vector<float> sinogram;
        for (int i = subset; i < stack.views(); i += subsets) {
          geometry.angles_rad.push_back(stack.geometry.angles_rad[std::size_t(i)]);
          append_widened(stack.view(i) + std::ptrdiff_t(row) * d.columns, d.columns, wider, sinogram);
        }
        const auto plan = plan_reconstruction(geometry, {.size = {{n, n, 1}}}, options);
        reconstruct(geometry, from_memory(geometry, sinogram), plan, options, [&](int, std::span<const float> slice) {
          const std::vector<float> values(slice.begin(), slice.end());
          part[std::size_t(subset)][std::size_t(trial + trials)] += roughness_of(values, n, radius);
          for (std::size_t i = 0; i < sum.size(); ++i)
            sum[i] += values[i] / subsets;
        });
      }
      whole[std::size_t(trial + trials)] += roughness_of(sum, n, radius);
    }

  SharpestAxis result;
  const auto least = parabola_minimum(whole);
  if (!least) return result;
  result.axis_column = start + (*least - trials) * step;
  double mean = 0, squares = 0;
  std::array<double, subsets> of{};
  for (int subset = 0; subset < subsets; ++subset) {
    const auto place = parabola_minimum(part[std::size_t(subset)]);
    if (!place) return result;
    of[std::size_t(subset)] = *place * step;
    mean += *place * step / subsets;
  }
  for (const double place : of)
    squares += (place - mean) * (place - mean);
  result.deviation = std::sqrt(squares / (subsets * (subsets - 1)));
  result.found = true;
  return result;
}

}  // namespace rayloom
