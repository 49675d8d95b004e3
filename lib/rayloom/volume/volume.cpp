#include "rayloom/volume/volume.h"

#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace fs = std::filesystem;

std::span<float> Volume::slice(int k) {
  return std::span(samples).subspan(index(0, 0, k), index(0, 0, 1));
}

std::span<const float> Volume::slice(int k) const {
  return std::span(samples).subspan(index(0, 0, k), index(0, 0, 1));
}

std::string to_string(VolumeFormat format) {
  return format == VolumeFormat::slices ? "slices" : format == VolumeFormat::bigtiff ? "bigtiff" : "raw";
}

VolumeFormat volume_format_from(const std::string& name) {
  for (const auto format : {VolumeFormat::slices, VolumeFormat::bigtiff, VolumeFormat::raw})
    if (name == to_string(format)) return format;
  throw InvalidOption("format: '" + name + "'; must be slices, bigtiff or raw");
}

void VolumeCoding::validate() const {
  if (type != SampleType::float32 && type != SampleType::uint16) throw InvalidOption("type: must be float32 or uint16");
  if (type == SampleType::uint16 &&
      !(low_per_mm < high_per_mm && std::isfinite(low_per_mm) && std::isfinite(high_per_mm)))
    throw InvalidOption("range: " + to_text(low_per_mm) + "," + to_text(high_per_mm) +
                        " 1/mm; the low value must be below the high one");
}

}  // namespace rayloom
