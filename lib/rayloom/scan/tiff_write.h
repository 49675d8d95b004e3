/// @file
/// Writing TIFF images: single files, and one BigTIFF of many pages streamed.
#pragma once
#include <filesystem>
#include <memory>
#include <span>
#include <string>

#include "rayloom/scan/image.h"

namespace rayloom {

enum class SampleType { uint8, uint16, float32 };

/// Tags beside the samples.
struct TiffTags {
  double pixel_mm = 0;      ///< X/YResolution in pixels per cm, if above 0.
  std::string description;  ///< ImageDescription.
};

/// Writes one uncompressed single-channel image (TIFF 6.0; BigTIFF if it would not fit in 4 GiB), 0 black, row 0 on
/// top. Integers are rounded and clamped, NaN becomes 0. The file appears whole (temporary name, then renamed).
/// @param samples  rows x columns.
/// @throws InvalidOption if a size is below 1 or `samples` has another one; CannotWrite.
void write_tiff(const std::filesystem::path& file, int rows, int columns, std::span<const float> samples,
                SampleType type, const TiffTags& tags = {});

/// Pages of one BigTIFF, written in order under a temporary name that `finish` renames; removed if never finished.
/// All members throw CannotWrite; the constructor and `append` throw InvalidOption for sizes as `write_tiff` does.
class TiffStack {
 public:
  TiffStack(const std::filesystem::path& file, int rows, int columns, SampleType type, TiffTags tags = {});
  ~TiffStack();
  TiffStack(const TiffStack&) = delete;
  TiffStack& operator=(const TiffStack&) = delete;
  void append(std::span<const float> samples);
  void finish();

 private:
  struct File;
  std::unique_ptr<File> out_;
};

}  // namespace rayloom
