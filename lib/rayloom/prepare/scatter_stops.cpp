#include "rayloom/prepare/scatter_stops.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

constexpr float shadow_limit = 0.7F;
constexpr std::size_t least_pixels = 9;
constexpr std::size_t largest_share = 50;  // of the detector, 1/50

/// For each shadow pixel how many layers deep it lies in its shadow, from 1; 0 elsewhere.
std::vector<int> depths(std::vector<char> shadow, int rows, int columns) {
  std::vector<int> depth(shadow.size());
  for (int layer = 1; std::ranges::count(shadow, char(true)) > 0; ++layer) {
    std::vector<char> inner(shadow.size());
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c) {
        const auto p = std::size_t(r) * std::size_t(columns) + std::size_t(c);
        if (!shadow[p]) continue;
        depth[p] = layer;
        bool all = rows == 1 || (r > 0 && r + 1 < rows);
        all = all && c > 0 && c + 1 < columns;
        for (int y = std::max(r - 1, 0); y <= std::min(r + 1, rows - 1) && all; ++y)
          for (int x = c - 1; x <= c + 1; ++x)
            all = all && shadow[std::size_t(y) * std::size_t(columns) + std::size_t(x)];
        inner[p] = all;
      }
    shadow = std::move(inner);
  }
  return depth;
}

/// The shadows, each as its pixels.
std::vector<std::vector<std::size_t>> groups(std::vector<char> shadow, int rows, int columns) {
  std::vector<std::vector<std::size_t>> found;
  for (std::size_t start = 0; start < shadow.size(); ++start) {
    if (!shadow[start]) continue;
    std::vector<std::size_t> pixels = {start};
    shadow[start] = false;
    for (std::size_t i = 0; i < pixels.size(); ++i) {
      const int r = int(pixels[i] / std::size_t(columns)), c = int(pixels[i] % std::size_t(columns));
      for (int y = std::max(r - 1, 0); y <= std::min(r + 1, rows - 1); ++y)
        for (int x = std::max(c - 1, 0); x <= std::min(c + 1, columns - 1); ++x) {
          const auto p = std::size_t(y) * std::size_t(columns) + std::size_t(x);
          if (!shadow[p]) continue;
          shadow[p] = false;
          pixels.push_back(p);
        }
    }
    found.push_back(std::move(pixels));
  }
  return found;
}

/// 1, x, y, x^2, x y, y^2 of coordinates from -1 to 1, as far as there are terms.
Eigen::VectorXd terms_at(double row, double column, int rows, int columns, int terms) {
  const double y = rows > 1 ? 2 * row / (rows - 1) - 1 : 0, x = columns > 1 ? 2 * column / (columns - 1) - 1 : 0;
  Eigen::VectorXd all(6);
  all << 1, x, y, x * x, x * y, y * y;
  return all.head(terms);
}

}  // namespace

MeasuredScatter scatter_from_stops(const Image& with_stops, const Image& without, const std::vector<char>& bad,
                                   const std::string& file) {
  const int rows = with_stops.rows, columns = with_stops.columns;
  const std::size_t pixels = with_stops.samples.size(), width = std::size_t(columns);
  std::vector<char> shadow(pixels);
  for (std::size_t p = 0; p < pixels; ++p)
    shadow[p] = !bad[p] && with_stops.samples[p] < shadow_limit * without.samples[p];
  const std::vector<int> depth = depths(shadow, rows, columns);

  MeasuredScatter result{{}, SmoothImage(rows, columns), 0};
  for (const auto& group : groups(shadow, rows, columns)) {
    if (group.size() < least_pixels || group.size() * largest_share > pixels) continue;
    int deepest = 0;
    for (const std::size_t p : group)
      deepest = std::max(deepest, depth[p]);
    if (deepest < 2) continue;  // all edge
    const int inner = std::max(2, deepest / 2 + 1);
    double row = 0, column = 0, sum = 0, count = 0;
    for (const std::size_t p : group) {
      if (depth[p] < inner) continue;
      const std::size_t at_row = p / width;
      row += double(at_row);
      column += double(p % width);
      sum += with_stops.samples[p];
      count += 1;
    }
    result.stops.push_back({row / count, column / count, sum / count});
  }
  if (result.stops.empty())
    throw BadInput(file +
                       ": no shadow of a stop found: nowhere a group of 9 pixels or more, at most 1/50 of the "
                       "detector, is below 0.7 times the first view",
                   "the image must show the part as the first view does, with small opaque stops between it and the "
                   "source");

  const int stops = int(result.stops.size()), terms = stops < 4 ? 1 : stops < 9 ? 3 : 6;
  Eigen::MatrixXd equations(stops, terms);
  Eigen::VectorXd values(stops);
  for (int i = 0; i < stops; ++i) {
    const MeasuredScatter::Stop& stop = result.stops[std::size_t(i)];
    equations.row(i) = terms_at(stop.row, stop.column, rows, columns, terms).transpose();
    values[i] = stop.scatter;
  }
  // Of least norm where the stops' places do not tell all terms, as when they stand in one row.
  const Eigen::VectorXd fit = equations.completeOrthogonalDecomposition().solve(values);
  result.deviation_rms = std::sqrt((equations * fit - values).squaredNorm() / stops);
  for (int block = 0; block < result.scatter.blocks(); ++block) {
    const auto [row, column] = result.scatter.centre_of(block);
    result.scatter[block] = float(std::max(terms_at(row, column, rows, columns, terms).dot(fit), 0.0));
  }
  return result;
}

}  // namespace rayloom
