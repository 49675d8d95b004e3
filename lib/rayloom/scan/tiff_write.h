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

/// Writes one image. Integers are rounded and clamped. The file appears whole (temporary name, then renamed).
/// @throws CannotWrite.
void write_tiff(const std::filesystem::path& file, int rows, int columns, std::span<const float> samples,
                SampleType type, const TiffTags& tags = {});

/// Pages of one BigTIFF, written in order under a temporary name that `finish` renames; removed if never finished.
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
