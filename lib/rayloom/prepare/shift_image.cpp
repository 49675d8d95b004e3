#include "rayloom/prepare/shift_image.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <vector>

#include "rayloom/sinc_taps.h"

namespace rayloom {

void sample_shifted(std::span<const float> image, int image_rows, int image_columns, double first_row,
                    double first_column, int rows, int columns, std::span<float> out) {
  assert(image.size() == std::size_t(image_rows) * std::size_t(image_columns));
  assert(out.size() == std::size_t(rows) * std::size_t(columns));
  const int row0 = int(std::floor(first_row)), column0 = int(std::floor(first_column));
  const auto along_rows = sinc_taps(first_row - row0), along_columns = sinc_taps(first_column - column0);
  const bool between_rows = first_row != row0, between_columns = first_column != column0;
  const std::size_t width = std::size_t(columns), wide = width + 5;
  std::vector<float> line(static_cast<std::size_t>(image_columns)), padded(wide);
  for (int r = 0; r < rows; ++r) {
    const auto source = [&](int row) {
      return &image[std::size_t(std::clamp(row0 + r + row, 0, image_rows - 1)) * std::size_t(image_columns)];
    };
    const float* from = source(0);
    if (between_rows) {
      std::fill(line.begin(), line.end(), 0.0F);
      for (int i = 0; i < 6; ++i) {
        const float* tap_row = source(i - 2);
        for (std::size_t c = 0; c < line.size(); ++c)
          line[c] += along_rows[std::size_t(i)] * tap_row[c];
      }
      from = line.data();
    }
    for (std::size_t c = 0; c < wide; ++c)
      padded[c] = from[std::clamp(column0 + int(c) - 2, 0, image_columns - 1)];
    float* to = &out[std::size_t(r) * width];
    for (std::size_t c = 0; c < width; ++c) {
      if (!between_columns) {
        to[c] = padded[c + 2];
        continue;
      }
      float sum = 0;
      for (std::size_t i = 0; i < 6; ++i)
        sum += along_columns[i] * padded[c + i];
      to[c] = sum;
    }
  }
}

}  // namespace rayloom
