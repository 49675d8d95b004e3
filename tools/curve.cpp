#include "curve.h"

#include <algorithm>
#include <cmath>

#include "rayloom/volume/picture.h"

namespace rayloom::tools {

void write_curve(const std::filesystem::path& file, const std::vector<double>& values, const CurveLabels& labels) {
  if (values.empty()) return;
  const auto [lowest, highest] = std::minmax_element(values.begin(), values.end());
  const double room = std::max(0.05 * (*highest - *lowest), 1e-3 * std::max(std::abs(*highest), 1e-3));
  const double low = *lowest - room, high = *highest + room;
  const int rows = 240, columns = 600, count = int(values.size());
  Image plot(rows, columns, float(high));
  const auto row_of = [&](int column) {
    const double at = count > 1 ? double(column) * (count - 1) / (columns - 1) : 0;
    const int i = std::min(int(at), std::max(count - 2, 0)), next = std::min(i + 1, count - 1);
    const double value = values[std::size_t(i)] + (at - i) * (values[std::size_t(next)] - values[std::size_t(i)]);
    return std::clamp(int(std::lround((high - value) / (high - low) * (rows - 1))), 0, rows - 1);
  };
  for (int c = 0; c < columns; ++c) {
    const int from = row_of(std::max(c - 1, 0)), to = row_of(c);
    for (int r = std::min(from, to); r <= std::max(from, to); ++r)
      plot.at(r, c) = float(low);
  }
  write_picture(file, plot,
                {.low = low, .high = high, .unit = labels.unit, .title = labels.title, .right = labels.along});
}

}  // namespace rayloom::tools
