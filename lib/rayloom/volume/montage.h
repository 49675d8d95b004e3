/// @file
/// Images side by side with a caption under each, to compare by eye.
#pragma once
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

struct MontageImage {
  Image image;
  std::vector<std::string> captions;  ///< Lines under it, ASCII.
};

/// Writes `images`, all of one size, `across` in a row, as an 8-bit grey PNG. All are shown in one grey window, from
/// the 0.1 to the 99.9 percentile of them together, which the last line names with `unit`. Small images are enlarged to
/// 256 pixels; large ones are shrunk to at most 1024, by means over squares.
/// @throws InvalidOption if there is no image, `across` is below 1 or sizes differ; CannotWrite.
void write_montage(const std::filesystem::path& file, std::span<const MontageImage> images, int across,
                   const std::string& unit);

}  // namespace rayloom
