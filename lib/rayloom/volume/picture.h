/// @file
/// Pictures for people: grey window, scale bar, axis marks, PNG.
#pragma once
#include <filesystem>
#include <optional>
#include <string>

#include "rayloom/scan/image.h"

namespace rayloom {

struct PictureOptions {
  std::optional<double> low, high;      ///< Values shown black and white; default: 0.1 and 99.9 percentiles.
  double pixel_mm = 0;                  ///< Above 0: draws a scale bar of a round length.
  std::string title;                    ///< One line over the picture, ASCII.
  std::string right, up;                ///< Names of the image's axes ("x", "z"), marked in the corner; empty for none.
  std::optional<double> vertical_line;  ///< Column at which a line is drawn (the rotation axis).
  std::optional<double> horizontal_line;
};

/// The window that `options` amounts to for this image.
std::pair<double, double> grey_window(const Image& image, const PictureOptions& options);

/// Writes an 8-bit PNG; small images are enlarged by a whole factor so that text can be read.
/// @throws CannotWrite.
void write_picture(const std::filesystem::path& file, const Image& image, const PictureOptions& options);

}  // namespace rayloom
