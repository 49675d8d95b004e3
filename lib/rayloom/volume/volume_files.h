/// @file
/// Names of the files in a volume folder. Used inside the volume room.
#pragma once
#include <string>

namespace rayloom::volume_files {

inline constexpr const char* record = "volume.json";
inline constexpr const char* bigtiff = "volume.tif";
inline constexpr const char* raw = "volume.raw";
inline constexpr const char* nrrd_header = "volume.nhdr";
inline constexpr const char* slices = "slices";
inline constexpr const char* run_record = "run.json";     // while FOLDER.partial is worked on
inline constexpr const char* finished_log = "finished_";  // finished_HOST_PROCESS.log, one a run

/// slices/slice_0000.tif and on.
inline std::string slice(int k) {
  std::string digits = std::to_string(k);
  if (digits.size() < 4) digits.insert(0, 4 - digits.size(), '0');
  return std::string(slices) + "/slice_" + digits + ".tif";
}

}  // namespace rayloom::volume_files
