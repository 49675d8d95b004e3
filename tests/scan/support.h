/// @file
/// What the scan room's tests share: a folder of their own, messages of exceptions, TIFFs written by plain libtiff
/// calls.
#pragma once
#include <doctest/doctest.h>
#include <stdlib.h>
#include <tiffio.h>

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <type_traits>
#include <vector>

#include "rayloom/errors.h"

namespace rayloom::test {

/// A fresh folder that goes with its contents when the test ends.
class TemporaryFolder {
 public:
  TemporaryFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "rayloom-test-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  ~TemporaryFolder() { std::filesystem::remove_all(path_); }
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  const std::filesystem::path& path() const { return path_; }
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

/// Message and hint of the exception E that `call` throws; "" if it throws none.
template <class E = BadInput, class Call>
std::string message_of(Call&& call) {
  try {
    call();
  } catch (const E& problem) {
    return std::string(problem.what()) + (problem.hint().empty() ? "" : "\nhint: " + problem.hint());
  }
  return {};
}

inline std::string bytes_in(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

inline void put_bytes(const std::filesystem::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary) << bytes;
}

/// BEFORE number AFTER, as files of a series are named.
inline std::string numbered(std::string before, int number, const char* after) {
  return before.append(std::to_string(number)).append(after);
}

/// How a test's TIFF is to be stored.
struct Storage {
  const char* mode = "w";  ///< libtiff's: w8 BigTIFF, wl little-endian, wb big-endian
  int compression = COMPRESSION_NONE;
  int predictor = 0;
  int rows_per_strip = 8;
  int tile = 0;  ///< side of square tiles; 0: strips
  int photometric = PHOTOMETRIC_MINISBLACK;
  int channels = 1;
  std::uint32_t subfile = 0;
};

/// One page, its samples given as bytes of this machine.
inline void write_page(TIFF* tiff, int rows, int columns, int bits, int format, const void* samples,
                       const Storage& storage) {
  const std::size_t pixel = std::size_t(bits) / 8 * std::size_t(storage.channels);
  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, columns);
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, rows);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, bits);
  TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, format);
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, storage.channels);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, storage.photometric);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, storage.compression);
  if (storage.subfile != 0) TIFFSetField(tiff, TIFFTAG_SUBFILETYPE, storage.subfile);
  if (storage.predictor != 0) TIFFSetField(tiff, TIFFTAG_PREDICTOR, storage.predictor);
  if (storage.photometric == PHOTOMETRIC_PALETTE) {
    std::vector<std::uint16_t> ramp(256);
    TIFFSetField(tiff, TIFFTAG_COLORMAP, ramp.data(), ramp.data(), ramp.data());
  }
  const auto* from = static_cast<const char*>(samples);
  const auto copy = [&](std::vector<char>& block, int block_columns, int top, int left, int held_rows) {
    for (int r = 0; r < held_rows && top + r < rows; ++r)
      std::memcpy(&block[std::size_t(r) * std::size_t(block_columns) * pixel],
                  from + (std::size_t(top + r) * std::size_t(columns) + std::size_t(left)) * pixel,
                  std::size_t(std::min(block_columns, columns - left)) * pixel);
  };
  if (storage.tile > 0) {
    TIFFSetField(tiff, TIFFTAG_TILEWIDTH, storage.tile);
    TIFFSetField(tiff, TIFFTAG_TILELENGTH, storage.tile);
    for (int top = 0; top < rows; top += storage.tile)
      for (int left = 0; left < columns; left += storage.tile) {
        std::vector<char> block(std::size_t(storage.tile) * std::size_t(storage.tile) * pixel);
        copy(block, storage.tile, top, left, storage.tile);
        REQUIRE(TIFFWriteTile(tiff, block.data(), std::uint32_t(left), std::uint32_t(top), 0, 0) > 0);
      }
  } else {
    TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, storage.rows_per_strip);
    for (int top = 0, strip = 0; top < rows; top += storage.rows_per_strip, ++strip) {
      const int held = std::min(storage.rows_per_strip, rows - top);
      std::vector<char> block(std::size_t(held) * std::size_t(columns) * pixel);
      copy(block, columns, top, 0, held);
      REQUIRE(TIFFWriteEncodedStrip(tiff, std::uint32_t(strip), block.data(), tmsize_t(block.size())) > 0);
    }
  }
  REQUIRE(TIFFWriteDirectory(tiff) == 1);
}

inline void write_raw(const std::filesystem::path& file, int rows, int columns, int bits, int format,
                      const void* samples, const Storage& storage = {}) {
  std::filesystem::create_directories(file.parent_path());
  const auto handler = TIFFSetWarningHandler(nullptr);  // that Deflate's old number is old
  TIFF* tiff = TIFFOpen(file.c_str(), storage.mode);
  REQUIRE(tiff != nullptr);
  write_page(tiff, rows, columns, bits, format, samples, storage);
  TIFFClose(tiff);
  TIFFSetWarningHandler(handler);
}

template <class T>
void write_samples(const std::filesystem::path& file, int rows, int columns, const std::vector<T>& samples,
                   const Storage& storage = {}) {
  constexpr int format = std::is_floating_point_v<T> ? SAMPLEFORMAT_IEEEFP
                         : std::is_signed_v<T>       ? SAMPLEFORMAT_INT
                                                     : SAMPLEFORMAT_UINT;
  write_raw(file, rows, columns, int(8 * sizeof(T)), format, samples.data(), storage);
}

/// A uint16 image whose samples tell where they are: 1000 tag + 16 row + column (columns <= 16).
inline std::vector<std::uint16_t> marked(int rows, int columns, int tag) {
  std::vector<std::uint16_t> samples;
  for (int row = 0; row < rows; ++row)
    for (int column = 0; column < columns; ++column)
      samples.push_back(std::uint16_t(1000 * tag + 16 * row + column));
  return samples;
}

}  // namespace rayloom::test

/// That `text` holds `part`, showing both if not.
#define CHECK_HOLDS(text, part)                                     \
  do {                                                              \
    const std::string checked_text = (text), checked_part = (part); \
    INFO("message: ", checked_text, " must hold: ", checked_part);  \
    CHECK(checked_text.find(checked_part) != std::string::npos);    \
  } while (false)
