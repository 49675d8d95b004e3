#include <algorithm>
#include <cmath>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/prepare/median.h"

namespace rayloom {

namespace {

std::vector<float> band(const Image& view, int first_row, int rows, int first_column, int columns) {
  std::vector<float> samples;
  for (int row = first_row; row < first_row + rows; ++row)
    for (int column = first_column; column < first_column + columns; ++column)
      samples.push_back(view.at(row, column));
  return samples;
}

}  // namespace

double border_level(const Image& view) {
  const int height = std::max(1, view.rows / 50), width = std::max(1, view.columns / 50);
  const std::vector<float> bands[] = {
      band(view, 0, view.rows, 0, width), band(view, 0, view.rows, view.columns - width, width),
      band(view, 0, height, 0, view.columns), band(view, view.rows - height, height, 0, view.columns)};
  float brightest = median(bands[0]);
  for (const auto& samples : bands)
    brightest = std::max(brightest, median(samples));
  std::vector<float> air;
  for (const auto& samples : bands)
    if (median(samples) >= 0.98F * brightest) air.insert(air.end(), samples.begin(), samples.end());

  const float middle = median(air);
  std::vector<float> deviations;
  for (const float sample : air)
    deviations.push_back(std::abs(sample - middle));
  // 1.4826 median absolute deviations are one standard deviation of normal noise (Hampel 1974; common practice).
  const double reach = std::max(3 * 1.4826 * median(deviations), 0.01 * std::abs(middle));
  double sum = 0, count = 0;
  for (const float sample : air)
    if (std::abs(sample - middle) <= reach) {
      sum += sample;
      count += 1;
    }
  return sum / count;
}

}  // namespace rayloom
