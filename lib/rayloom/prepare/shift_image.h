/// @file
/// An image sampled on a grid moved by a fraction of a pixel.
#pragma once
#include <span>

namespace rayloom {

/// out(r, c) = image(first_row + r, first_column + c), r < rows, c < columns, between pixels by six-tap windowed sinc
/// (see sinc_taps) along columns and rows, whole pixels exactly as they are; beyond the image its nearest pixel counts.
/// @param image  image_rows x image_columns.  @param out  rows x columns, overwritten.
void sample_shifted(std::span<const float> image, int image_rows, int image_columns, double first_row,
                    double first_column, int rows, int columns, std::span<float> out);

}  // namespace rayloom
