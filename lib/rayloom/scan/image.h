/// @file
/// One image in memory.
#pragma once
#include <vector>

namespace rayloom {

/// rows x columns samples, row 0 on top.
struct Image {
  int rows = 0, columns = 0;
  std::vector<float> samples;

  Image() = default;
  Image(int rows_, int columns_, float value = 0)
      : rows(rows_), columns(columns_), samples(std::size_t(rows_) * std::size_t(columns_), value) {}
  float& at(int row, int column) { return samples[std::size_t(row) * std::size_t(columns) + std::size_t(column)]; }
  float at(int row, int column) const { return samples[std::size_t(row) * std::size_t(columns) + std::size_t(column)]; }
};

}  // namespace rayloom
