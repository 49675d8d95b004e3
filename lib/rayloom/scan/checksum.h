/// @file
/// Fingerprints of a scan's files, so that a result can be traced to what it came from.
#pragma once
#include <cstdint>
#include <filesystem>
#include <span>
#include <vector>

#include "rayloom/scan/scan_file.h"

namespace rayloom {

struct FilesChecksum {
  std::size_t files = 0;
  std::uintmax_t bytes = 0;
  std::uint32_t crc32 = 0;  ///< CRC-32 (ISO 3309, as in PNG) over the bytes looked at of all files in their order.
};

enum class BytesRead {
  all,
  excerpts  ///< The first, middle and last 4 KiB of each file, where it has more than 12: takes no time worth counting.
};

/// @throws BadInput if a file cannot be read.
FilesChecksum checksum(std::span<const std::filesystem::path> files, BytesRead which = BytesRead::all);

/// The files of an image entry in their order, each once. @throws BadInput for an empty glob.
std::vector<std::filesystem::path> image_files(const Scan& scan, const ImageNames& names);

}  // namespace rayloom
