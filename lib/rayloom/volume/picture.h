/// @file
/// Pictures for people: grey window, scale bar, axis marks, PNG.
///
///     title
///     +---------------+
///     |               |   the image, each pixel a square of `factor` x `factor`
///     |  |            |
///     +--|------------+
///     up |__ right   |----| 5 mm
///     low [black to white] high unit
#pragma once
#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

/// A straight line over an image, in fractional pixels of the image.
struct PictureLine {
  double row_a, column_a, row_b, column_b;
};

struct PictureOptions {
  std::optional<double> low{}, high{};  ///< Values shown black and white; default: 0.1 and 99.9 percentiles.
  std::string unit{};                   ///< Of the values, after the window note.
  std::optional<double> pixel_mm{};     ///< Width of a pixel, > 0: draws a scale bar of a round length.
  std::string title{};                  ///< One line over the picture, ASCII; cut to the picture's width.
  /// Names of the image's axes ("x", "z"), marked in the corner by arrows; empty for none. Either `up` or `down`.
  std::string right{}, up{}, down{};
  std::optional<double> vertical_line{};    ///< Column at which a line is drawn from top to bottom (the rotation axis).
  std::optional<double> horizontal_line{};  ///< Row at which a line is drawn across.
  std::vector<PictureLine> lines{};         ///< Other lines.
};

/// The values shown black and white, low < high; a constant image's value lies in the middle. Samples that are not
/// finite do not count.
/// @throws InvalidOption unless low < high.
std::pair<double, double> grey_window(const Image& image, const PictureOptions& options);

/// Factor by which an image is enlarged: the least whole one that makes its longer side 512 pixels or more.
int enlargement(const Image& image);

/// The greatest of 1, 2 or 5 times a power of ten that does not exceed `most` (> 0).
double round_length(double most);

/// Writes an 8-bit grey PNG, under a temporary name that is renamed when whole. Small images are enlarged so that text
/// can be read; an image of one row is drawn as a band.
/// @throws InvalidOption for an empty image, a window without width or a pixel_mm not above 0; CannotWrite.
void write_picture(const std::filesystem::path& file, const Image& image, const PictureOptions& options);

}  // namespace rayloom
