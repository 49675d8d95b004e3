#include "rayloom/scan/checksum.h"

#include <zlib.h>

#include <algorithm>
#include <fstream>

#include "rayloom/errors.h"
#include "rayloom/scan/image_series.h"

namespace rayloom {

FilesChecksum checksum(std::span<const std::filesystem::path> files, BytesRead which) {
  constexpr std::uintmax_t sample = 4096;
  FilesChecksum sum;
  std::vector<char> block(std::size_t(1) << 20);
  uLong crc = crc32(0, nullptr, 0);
  for (const auto& file : files) {
    std::ifstream stream(file, std::ios::binary);
    std::error_code error;
    const std::uintmax_t size = std::filesystem::file_size(file, error);
    if (!stream || error) throw BadInput(file.string() + ": cannot be read");
    const auto add = [&](std::uintmax_t first, std::uintmax_t count) {
      stream.seekg(std::streamoff(first));
      for (std::uintmax_t left = count; left > 0;) {
        const std::size_t piece = std::size_t(std::min<std::uintmax_t>(left, block.size()));
        if (!stream.read(block.data(), std::streamsize(piece))) throw BadInput(file.string() + ": cannot be read");
        crc = crc32_z(crc, reinterpret_cast<const Bytef*>(block.data()), piece);
        left -= piece;
      }
    };
    if (which == BytesRead::all || size <= 3 * sample) {
      add(0, size);
    } else {
      for (const std::uintmax_t first : {std::uintmax_t{0}, (size - sample) / 2, size - sample})
        add(first, sample);
    }
    sum.bytes += size;
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
