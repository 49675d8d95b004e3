#include "rayloom/scan/checksum.h"

#include <zlib.h>

#include <algorithm>
#include <fstream>

#include "rayloom/errors.h"
#include "rayloom/scan/image_series.h"

namespace rayloom {

FilesChecksum checksum(std::span<const std::filesystem::path> files) {
  FilesChecksum sum;
  std::vector<char> block(std::size_t(1) << 20);
  uLong crc = crc32(0, nullptr, 0);
  for (const auto& file : files) {
    std::ifstream stream(file, std::ios::binary);
    if (!stream) throw BadInput(file.string() + ": cannot be read");
    while (stream) {
      stream.read(block.data(), std::streamsize(block.size()));
      const auto got = std::size_t(stream.gcount());
      crc = crc32_z(crc, reinterpret_cast<const Bytef*>(block.data()), got);
      sum.bytes += got;
    }
    if (stream.bad()) throw BadInput(file.string() + ": cannot be read");
    ++sum.files;
  }
  sum.crc32 = std::uint32_t(crc);
  return sum;
}

std::vector<std::filesystem::path> image_files(const Scan& scan, const ImageNames& names) {
  std::vector<std::filesystem::path> files;
  for (const std::string& name : names) {
    const auto found = find_files(scan.folder(), name);
    if (found.empty()) throw BadInput((scan.folder() / name).string() + ": no such file");
    for (const auto& file : found)
      if (std::find(files.begin(), files.end(), file) == files.end()) files.push_back(file);
  }
  return files;
}

}  // namespace rayloom
