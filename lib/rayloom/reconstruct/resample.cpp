#include "rayloom/reconstruct/resample.h"

#include <Eigen/LU>
#include <algorithm>
#include <cassert>
#include <cmath>

#include "rayloom/sinc_taps.h"

namespace rayloom {

Geometry ideal_geometry(const Geometry& geometry) {
  Geometry ideal = geometry;
  ideal.detector.roll_rad = ideal.detector.tilt_rad = ideal.detector.slant_rad = 0;
  return ideal;
}

Resampler::Resampler(const Geometry& geometry) : rows_(geometry.detector.rows), columns_(geometry.detector.columns) {
  // The map is projective: four points of the ideal detector and where their rays meet the turned one fix it. A fan's
  // rows do not magnify, which no projection does, so its single row is taken as the one in a cone's midplane.
  Geometry turned = geometry;
  if (turned.beam == Beam::fan) {
    turned.beam = Beam::cone;
    turned.detector.midplane_row = 0;
  }
  const Geometry ideal = ideal_geometry(turned);
  const double right = std::max(columns_ - 1, 1), low = std::max(rows_ - 1, 1);
  Eigen::Matrix<double, 8, 8> system;
  Eigen::Matrix<double, 8, 1> target;
  int line = 0;
  for (const auto& [row, column] : {std::pair{0.0, 0.0}, {0.0, right}, {low, 0.0}, {low, right}}) {
    const Ray ray = ray_to(ideal, 0, {row, column});
    const double reach = turned.beam == Beam::parallel ? 0 : turned.sdd_mm;
    const DetectorPosition at = project(turned, 0, ray.origin + reach * ray.direction);
    system.row(line) << column, row, 1, 0, 0, 0, -at.column * column, -at.column * row;
    target(line++) = at.column;
    system.row(line) << 0, 0, 0, column, row, 1, -at.row * column, -at.row * row;
    target(line++) = at.row;
  }
  const Eigen::Matrix<double, 8, 1> found = system.fullPivLu().solve(target);
  std::copy(found.begin(), found.end(), map_.begin());
  map_[8] = 1;
}

DetectorPosition Resampler::turned_position(double row, double column) const {
  const double scale = map_[6] * column + map_[7] * row + map_[8];
  return {(map_[3] * column + map_[4] * row + map_[5]) / scale, (map_[0] * column + map_[1] * row + map_[2]) / scale};
}

std::pair<int, int> Resampler::rows_needed(int first_row, int row_count) const {
  double least = rows_ - 1, most = 0;  // straight lines stay straight, so the corners of the band bound it
  for (const int row : {first_row, first_row + row_count - 1})
    for (const int column : {0, columns_ - 1}) {
      const double at = turned_position(row, column).row;
      least = std::min(least, at);
      most = std::max(most, at);
    }
  const auto inside = [this](double row) { return std::clamp(int(std::floor(row)), 0, rows_ - 1); };
  return {inside(least - 2), inside(most + 3)};
}

void Resampler::run(std::span<const float> turned, int turned_first_row, int first_row, int row_count,
                    std::span<float> ideal) const {
  const auto width = std::size_t(columns_);
  const int turned_rows = int(turned.size() / width);
  for (int r = 0; r < row_count; ++r)
    for (int c = 0; c < columns_; ++c) {
      // Positions count in the whole detector, so that a band gives the same bytes as the whole.
      const auto at = turned_position(first_row + r, c);
      const double row = std::clamp(at.row, 0.0, double(rows_ - 1)),
                   column = std::clamp(at.column, 0.0, double(columns_ - 1));
      const int row0 = int(row), column0 = int(column);
      const auto along_rows = sinc_taps(row - row0), along_columns = sinc_taps(column - column0);
      float value = 0;
      for (int i = 0; i < 6; ++i) {
        const int source = std::clamp(row0 + i - 2, 0, rows_ - 1) - turned_first_row;
        assert(source >= 0 && source < turned_rows);
        const float* line = turned.data() + std::size_t(source) * width;
        float sum = 0;
        for (int j = 0; j < 6; ++j)
          sum += along_columns[std::size_t(j)] * line[std::clamp(column0 + j - 2, 0, columns_ - 1)];
        value += along_rows[std::size_t(i)] * sum;
      }
      ideal[std::size_t(r) * width + std::size_t(c)] = value;
    }
  (void)turned_rows;
}

}  // namespace rayloom
