#include "rayloom/scan/image_series.h"

#include <fcntl.h>
#include <glob.h>
#include <unistd.h>

#include <Eigen/Core>
#include <algorithm>
#include <bit>
#include <cassert>
#include <charconv>
#include <cmath>
#include <cstring>
#include <fstream>
#include <limits>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/characters.h"
#include "rayloom/scan/tiff_handle.h"

namespace rayloom {

namespace fs = std::filesystem;
using Sample = Headerless::Sample;

namespace {

/// More than any detector has; keeps a damaged header from asking for all memory.
constexpr std::uint64_t most_samples = std::uint64_t{1} << 31;
constexpr std::uint64_t most_tile_bytes = std::uint64_t{1} << 30;

// ---- Samples to float32

/// Stored bytes of `count` samples to scale * stored + offset.
struct Conversion {
  Sample sample;
  bool swap_bytes;
  double scale, offset;

  void operator()(const unsigned char* from, std::size_t count, float* to) const {
    switch (sample) {
      case Sample::uint8:
        return run<std::uint8_t>(from, count, to);
      case Sample::uint16:
        return run<std::uint16_t>(from, count, to);
      case Sample::uint32:
        return run<std::uint32_t>(from, count, to);
      case Sample::int8:
        return run<std::int8_t>(from, count, to);
      case Sample::int16:
        return run<std::int16_t>(from, count, to);
      case Sample::int32:
        return run<std::int32_t>(from, count, to);
      case Sample::float16:
        return run<Eigen::half>(from, count, to);
      case Sample::float32:
        return run<float>(from, count, to);
      case Sample::float64:
        return run<double>(from, count, to);
    }
  }

  /// Whether whatever is stored becomes a finite number.
  bool always_finite() const {
    const bool integers = sample != Sample::float16 && sample != Sample::float32 && sample != Sample::float64;
    return integers && std::abs(scale) * 0x1p32 + std::abs(offset) < double(std::numeric_limits<float>::max());
  }

 private:
  template <class T>
  void run(const unsigned char* from, std::size_t count, float* to) const {
    if (scale == 1 && offset == 0 && !swap_bytes) {  // most scans; twice as quick
      for (std::size_t i = 0; i < count; ++i) {
        T value;
        std::memcpy(&value, from + i * sizeof(T), sizeof(T));
        to[i] = float(value);
      }
      return;
    }
    for (std::size_t i = 0; i < count; ++i, from += sizeof(T)) {
      unsigned char bytes[sizeof(T)];
      std::memcpy(bytes, from, sizeof(T));
      if (swap_bytes) std::reverse(bytes, bytes + sizeof(T));
      T value;
      std::memcpy(&value, bytes, sizeof(T));
      to[i] = float(scale * double(value) + offset);
    }
  }
};

// ---- What a page holds

struct PageSize {
  int rows, columns;
  Sample sample;
  bool operator==(const PageSize&) const = default;
};

std::string shown(const PageSize& page) {
  return std::to_string(page.columns) + " x " + std::to_string(page.rows) + " pixels of " + to_string(page.sample);
}

[[noreturn]] void fail(const std::string& name, const std::string& what, const std::string& hint = {}) {
  throw BadInput(name + ": " + what, hint);
}

[[noreturn]] void fail_tiff(const std::string& name, const TiffHandle& tiff) {
  fail(name, "cannot be read as TIFF: " + (tiff.error().empty() ? "it holds no image" : tiff.error()));
}

Sample sample_of(TIFF* tiff, const std::string& name) {
  std::uint16_t bits = 1, format = SAMPLEFORMAT_UINT, channels = 1, photometric = PHOTOMETRIC_MINISBLACK;
  TIFFGetFieldDefaulted(tiff, TIFFTAG_BITSPERSAMPLE, &bits);
  TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLEFORMAT, &format);
  TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLESPERPIXEL, &channels);
  TIFFGetField(tiff, TIFFTAG_PHOTOMETRIC, &photometric);
  if (channels != 1)
    fail(name, std::to_string(channels) + " channels a pixel; must be 1 (grey)", "export the images as grey values");
  if (photometric != PHOTOMETRIC_MINISBLACK && photometric != PHOTOMETRIC_MINISWHITE)
    fail(name,
         "photometric interpretation " + std::to_string(photometric) +
             "; must be grey: 0 (0 is white) or 1 (0 is black)",
         "export the images as grey values");

  struct Known {
    int format, bits;
    Sample sample;
  };
  constexpr Known known[] = {{SAMPLEFORMAT_UINT, 8, Sample::uint8},      {SAMPLEFORMAT_UINT, 16, Sample::uint16},
                             {SAMPLEFORMAT_UINT, 32, Sample::uint32},    {SAMPLEFORMAT_INT, 8, Sample::int8},
                             {SAMPLEFORMAT_INT, 16, Sample::int16},      {SAMPLEFORMAT_INT, 32, Sample::int32},
                             {SAMPLEFORMAT_IEEEFP, 16, Sample::float16}, {SAMPLEFORMAT_IEEEFP, 32, Sample::float32},
                             {SAMPLEFORMAT_IEEEFP, 64, Sample::float64}};
  const int read_as = format == SAMPLEFORMAT_VOID ? SAMPLEFORMAT_UINT : format;  // TIFF 6.0: 4 is 'undefined'
  for (const auto& entry : known)
    if (entry.format == read_as && entry.bits == bits) return entry.sample;
  const std::string format_name = read_as == SAMPLEFORMAT_UINT     ? "unsigned integer"
                                  : read_as == SAMPLEFORMAT_INT    ? "signed integer"
                                  : read_as == SAMPLEFORMAT_IEEEFP ? "float"
                                                                   : "complex";
  fail(name, std::to_string(bits) + "-bit " + format_name +
                 " samples; must be 8-, 16- or 32-bit integers or 16-, 32- or 64-bit floats");
}

PageSize page_size(TIFF* tiff, const std::string& name) {
  std::uint32_t columns = 0, rows = 0;
  TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &columns);
  TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &rows);
  if (columns < 1 || rows < 1 || std::uint64_t(columns) * rows > most_samples)
    fail(name, std::to_string(columns) + " x " + std::to_string(rows) + " pixels; must be from 1 to 2^31 in all");
  if (TIFFIsTiled(tiff) != 0 && std::uint64_t(TIFFTileSize64(tiff)) > most_tile_bytes)
    fail(name, "tiles of " + std::to_string(TIFFTileSize64(tiff)) + " bytes; must be at most 1 GiB");
  return {int(rows), int(columns), sample_of(tiff, name)};
}

/// That every strip or tile lies within the file.
void require_whole(TIFF* tiff, const std::string& name, std::uintmax_t file_bytes) {
  const bool tiled = TIFFIsTiled(tiff) != 0;
  const std::uint32_t blocks = tiled ? TIFFNumberOfTiles(tiff) : TIFFNumberOfStrips(tiff);
  for (std::uint32_t i = 0; i < blocks; ++i) {
    const std::uint64_t offset = TIFFGetStrileOffset(tiff, i), bytes = TIFFGetStrileByteCount(tiff, i);
    if (bytes == 0 || offset > file_bytes || bytes > file_bytes - offset)
      fail(name, "truncated: " + std::string(tiled ? "tile " : "strip ") + std::to_string(i + 1) + " of " +
                     std::to_string(blocks) + " (" + std::to_string(bytes) + " bytes from byte " +
                     std::to_string(offset) + ") does not lie within the file's " + std::to_string(file_bytes) +
                     " bytes");
  }
}

// ---- Reading part of a stored image

struct Rectangle {
  int row, column, rows, columns;
};

/// `conversion` of the rectangle's samples into `to`, row-major.
void read_tiff(TiffHandle& handle, const std::string& name, const PageSize& size, const Rectangle& part,
               const Conversion& conversion, float* to) {
  TIFF* tiff = handle.get();
  const bool tiled = TIFFIsTiled(tiff) != 0;
  std::uint32_t block_columns = std::uint32_t(size.columns), block_rows = std::uint32_t(size.rows);
  if (tiled) {
    TIFFGetField(tiff, TIFFTAG_TILEWIDTH, &block_columns);
    TIFFGetField(tiff, TIFFTAG_TILELENGTH, &block_rows);
  } else {
    TIFFGetFieldDefaulted(tiff, TIFFTAG_ROWSPERSTRIP, &block_rows);
    block_rows = std::min(block_rows, std::uint32_t(size.rows));  // the tag may say "all": 2^32 - 1
  }
  if (block_columns < 1 || block_rows < 1) fail(name, "tiles or strips of no size");

  const std::size_t sample_bytes = bytes_of(size.sample);
  std::vector<unsigned char> block(std::size_t(block_columns) * block_rows * sample_bytes);
  for (std::uint32_t top = std::uint32_t(part.row) / block_rows * block_rows; top < std::uint32_t(part.row + part.rows);
       top += block_rows)
    for (std::uint32_t left = std::uint32_t(part.column) / block_columns * block_columns;
         left < std::uint32_t(part.column + part.columns); left += block_columns) {
      const std::size_t held_rows = tiled ? block_rows : std::min(block_rows, std::uint32_t(size.rows) - top);
      const auto bytes = tmsize_t(held_rows * block_columns * sample_bytes);
      const tmsize_t got = tiled
                               ? TIFFReadEncodedTile(tiff, TIFFComputeTile(tiff, left, top, 0, 0), block.data(), bytes)
                               : TIFFReadEncodedStrip(tiff, TIFFComputeStrip(tiff, top, 0), block.data(), bytes);
      if (got != bytes || !handle.error().empty())
        fail(name, "rows from " + std::to_string(top) +
                       " on cannot be read: " + (handle.error().empty() ? "data missing" : handle.error()));

      const int from_row = std::max(part.row, int(top)), to_row = std::min(part.row + part.rows, int(top + held_rows));
      const int from_column = std::max(part.column, int(left));
      const int to_column = std::min(part.column + part.columns, int(left + block_columns));
      for (int row = from_row; row < to_row; ++row)
        conversion(
            &block[(std::size_t(row - int(top)) * block_columns + std::size_t(from_column - int(left))) * sample_bytes],
            std::size_t(to_column - from_column),
            to + std::size_t(row - part.row) * std::size_t(part.columns) + (from_column - part.column));
    }
}

void read_headerless(const fs::path& file, std::uintmax_t skip_bytes, const PageSize& size, const Rectangle& part,
                     const Conversion& conversion, float* to) {
  std::ifstream stream(file, std::ios::binary);
  const std::size_t sample_bytes = bytes_of(size.sample);
  const bool whole_rows = part.columns == size.columns;  // one run of bytes
  const int runs = whole_rows ? 1 : part.rows;
  const std::size_t count = std::size_t(part.columns) * std::size_t(whole_rows ? part.rows : 1);
  std::vector<unsigned char> bytes(count * sample_bytes);
  for (int run = 0; run < runs; ++run) {
    const std::size_t first = std::size_t(part.row + run) * std::size_t(size.columns) + std::size_t(part.column);
    stream.seekg(std::streamoff(skip_bytes + first * sample_bytes));
    stream.read(reinterpret_cast<char*>(bytes.data()), std::streamsize(bytes.size()));
    if (!stream) fail(file.string(), "cannot be read from row " + std::to_string(part.row + run) + " on");
    conversion(bytes.data(), count, to + std::size_t(run) * count);
  }
}

/// Asks the system to fetch a file, or only its two ends, where a TIFF's directories are, without waiting for it.
enum class Wanted { whole, ends };
void ask_for(const fs::path& path, Wanted wanted) {
  constexpr off_t end_bytes = 4096;
  const int file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (file < 0) return;  // reading it will say why
  ::posix_fadvise(file, 0, wanted == Wanted::whole ? 0 : end_bytes, POSIX_FADV_WILLNEED);
  if (wanted == Wanted::ends) {
    const off_t bytes = ::lseek(file, 0, SEEK_END);
    ::posix_fadvise(file, std::max(bytes - end_bytes, off_t{0}), end_bytes, POSIX_FADV_WILLNEED);
  }
  ::close(file);
}

// ---- Names

/// A file name cut around the last run of digits before its extension.
struct NumberedName {
  std::string before, digits, after;
  explicit NumberedName(const fs::path& file) : before(file.string()) {
    const std::string extension = file.extension().string(), stem = file.stem().string();
    const std::size_t stem_start = before.size() - extension.size() - stem.size();
    std::size_t end = before.size() - extension.size();
    while (end > stem_start && !is_digit(before[end - 1]))
      --end;
    std::size_t start = end;
    while (start > stem_start && is_digit(before[start - 1]))
      --start;
    digits = before.substr(start, end - start);
    after = before.substr(end);
    before.resize(start);
  }
  std::optional<std::uint64_t> number() const {
    std::uint64_t value = 0;
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    return error == std::errc{} && !digits.empty() ? std::optional(value) : std::nullopt;
  }
};

void require_no_holes(const std::vector<fs::path>& files) {
  for (std::size_t i = 1; i < files.size(); ++i) {
    const NumberedName last(files[i - 1]), next(files[i]);
    const auto from = last.number(), to = next.number();
    if (!from || !to || last.before != next.before || last.after != next.after || *to <= *from + 1) continue;
    std::string missing = std::to_string(*from + 1);
    if (missing.size() < last.digits.size()) missing.insert(0, last.digits.size() - missing.size(), '0');
    fail(last.before + missing + last.after,
         "missing: a hole in the numbering between " + files[i - 1].filename().string() + " and " +
             files[i].filename().string() + "; numbers must rise by 1",
         "restore the file, or list the angles of the views that exist");
  }
}

}  // namespace

bool natural_less(std::string_view a, std::string_view b) {
  std::size_t i = 0, j = 0;
  const auto run = [](std::string_view text, std::size_t& at) {
    while (at < text.size() && text[at] == '0')
      ++at;
    const std::size_t start = at;
    while (at < text.size() && is_digit(text[at]))
      ++at;
    return text.substr(start, at - start);
  };
  while (i < a.size() && j < b.size()) {
    if (is_digit(a[i]) && is_digit(b[j])) {
      const std::string_view x = run(a, i), y = run(b, j);
      if (x.size() != y.size()) return x.size() < y.size();
      if (x != y) return x < y;
    } else {
      if (a[i] != b[j]) return static_cast<unsigned char>(a[i]) < static_cast<unsigned char>(b[j]);
      ++i;
      ++j;
    }
  }
  const std::size_t left_a = a.size() - i, left_b = b.size() - j;
  return left_a != left_b ? left_a < left_b : a < b;  // the latter tells 01 from 1
}

std::vector<fs::path> find_files(const fs::path& folder, const std::string& pattern) {
  const fs::path plain = folder / pattern;
  std::error_code ignored;
  if (fs::exists(plain, ignored)) {
    if (fs::is_directory(plain, ignored))
      fail(plain.string(), "is a folder; must be a file or a pattern", "perhaps '" + pattern + "/*.tif'");
    return {plain};
  }
  if (pattern.find_first_of("*?[") == std::string::npos) fail(plain.string(), "no such file");

  // Only the user's part is a pattern: the folder's own special characters stand for themselves.
  std::string escaped;
  if (fs::path(pattern).is_relative() && !folder.empty())
    for (const char c : folder.string() + "/") {
      if (std::string_view("*?[]\\").find(c) != std::string_view::npos) escaped += '\\';
      escaped += c;
    }
  glob_t found{};
  const int result = ::glob((escaped + pattern).c_str(), GLOB_NOSORT, nullptr, &found);
  std::vector<fs::path> files;
  for (std::size_t i = 0; result == 0 && i < found.gl_pathc; ++i)
    if (fs::is_regular_file(found.gl_pathv[i], ignored)) files.emplace_back(found.gl_pathv[i]);
  ::globfree(&found);
  if (files.empty()) fail(plain.string(), "no file matches this pattern");
  std::sort(files.begin(), files.end(),
            [](const fs::path& a, const fs::path& b) { return natural_less(a.native(), b.native()); });
  return files;
}

ImageSeries::ImageSeries(const fs::path& folder, const ImageNames& names, const ImageStorage& storage, Holes holes)
    : storage_(storage) {
  std::vector<fs::path> files;
  for (const auto& name : names) {
    const auto found = find_files(folder, name);
    if (holes == Holes::refuse) require_no_holes(found);
    files.insert(files.end(), found.begin(), found.end());
  }

  std::optional<PageSize> first;
  std::size_t differing = 0, first_differing = 0;
  std::string difference;
  const auto add = [&](const Page& page, const PageSize& size) {
    pages_.push_back(page);
    if (!first) first = size;
    if (size != *first && differing++ == 0) {
      first_differing = pages_.size() - 1;
      difference = shown(size);
    }
  };

  constexpr std::size_t ahead = 16;  // files whose ends a disk fetches meanwhile
  for (std::size_t n = 0; n < files.size() + ahead; ++n) {
    if (n < files.size() && !storage.headerless) ask_for(files[n], Wanted::ends);
    if (n < ahead) continue;
    const fs::path& file = files[n - ahead];
    std::error_code error;
    const std::uintmax_t file_bytes = fs::file_size(file, error);
    if (error) fail(file.string(), "cannot be read: " + error.message());

    if (storage.headerless) {
      const PageSize size{storage.headerless_rows, storage.headerless_columns, storage.headerless->sample};
      const std::uintmax_t image_bytes =
          std::uintmax_t(size.rows) * std::uintmax_t(size.columns) * bytes_of(size.sample);
      if (file_bytes != storage.headerless->skip_bytes + image_bytes)
        fail(file.string(), std::to_string(file_bytes) + " bytes; must be " +
                                std::to_string(storage.headerless->skip_bytes + image_bytes) + ": " +
                                std::to_string(storage.headerless->skip_bytes) + " to skip and " + shown(size));
      if (!std::ifstream(file)) fail(file.string(), "cannot be opened for reading");
      add({file, 0, 1, 1}, size);
      continue;
    }

    TiffHandle handle(file, "rm");  // m: no memory map, so that a file cut short meanwhile is an error, not a crash
    TIFF* tiff = handle.get();
    if (tiff == nullptr) fail_tiff(file.string(), handle);
    const std::size_t first_page = pages_.size();
    for (;;) {
      std::uint32_t subfile = 0;
      TIFFGetField(tiff, TIFFTAG_SUBFILETYPE, &subfile);
      if ((subfile & FILETYPE_REDUCEDIMAGE) == 0) {
        const int number = int(pages_.size() - first_page) + 1;
        const std::string name = file.string() + (number > 1 ? ", page " + std::to_string(number) : "");
        const PageSize size = page_size(tiff, name);
        require_whole(tiff, name, file_bytes);
        add({file, TIFFCurrentDirOffset(tiff), number, 0}, size);
      }
      if (TIFFLastDirectory(tiff) != 0) break;
      if (TIFFReadDirectory(tiff) == 0) fail_tiff(file.string(), handle);
    }
    if (pages_.size() == first_page) fail_tiff(file.string(), handle);
    for (std::size_t i = first_page; i < pages_.size(); ++i)
      pages_[i].pages = int(pages_.size() - first_page);
  }

  if (differing > 0)
    fail(name_of(first_differing),
         difference + ", but " + pages_[0].file.filename().string() + " has " + shown(*first) +
             "; all images of a series must agree",
         std::to_string(differing) + " of " + std::to_string(pages_.size()) +
             (differing == 1 ? " images differs" : " images differ"));
  if (first) {
    stored_rows_ = first->rows;
    stored_columns_ = first->columns;
    sample_ = first->sample;
  }
}

int ImageSeries::rows() const {
  return storage_.turned_deg % 180 == 0 ? stored_rows_ : stored_columns_;
}

int ImageSeries::columns() const {
  return storage_.turned_deg % 180 == 0 ? stored_columns_ : stored_rows_;
}

std::string ImageSeries::name_of(std::size_t index) const {
  const Page& page = pages_[index];
  return page.file.string() +
         (page.pages > 1 ? ", page " + std::to_string(page.number) + " of " + std::to_string(page.pages) : "");
}

std::vector<fs::path> ImageSeries::files() const {
  std::vector<fs::path> files;
  for (const auto& page : pages_)
    if (page.number == 1) files.push_back(page.file);
  return files;
}

void ImageSeries::read_rows(std::size_t index, int first_row, int row_count, std::span<float> samples) const {
  const int width = columns();
  assert(index < pages_.size() && first_row >= 0 && row_count >= 0 && first_row + row_count <= rows());
  assert(samples.size() == std::size_t(row_count) * std::size_t(width));
  if (row_count == 0) return;

  // The stored part that holds these rows, and how to walk it: upright (r, c) is part[start + r row_step + c
  // column_step]. Turned clockwise by 90: upright (r, c) = stored (rows - 1 - c, r), and so on.
  Rectangle part{};
  std::ptrdiff_t start = 0, row_step = 0, column_step = 0;
  switch (storage_.turned_deg) {
    case 90:
      part = {0, first_row, stored_rows_, row_count};
      start = std::ptrdiff_t(stored_rows_ - 1) * row_count, row_step = 1, column_step = -row_count;
      break;
    case 180:
      part = {stored_rows_ - first_row - row_count, 0, row_count, stored_columns_};
      start = std::ptrdiff_t(row_count) * stored_columns_ - 1, row_step = -stored_columns_, column_step = -1;
      break;
    case 270:
      part = {0, stored_columns_ - first_row - row_count, stored_rows_, row_count};
      start = row_count - 1, row_step = -1, column_step = row_count;
      break;
    default:
      part = {first_row, 0, row_count, stored_columns_};
      row_step = stored_columns_, column_step = 1;
  }
  if (storage_.mirrored) {
    start += column_step * (width - 1);
    column_step = -column_step;
  }

  const Page& page = pages_[index];
  const PageSize size{stored_rows_, stored_columns_, sample_};
  const bool swap = storage_.headerless && storage_.headerless->big_endian != (std::endian::native == std::endian::big);
  const Conversion conversion{sample_, swap, storage_.scale, storage_.offset};
  const bool as_stored = row_step == width && column_step == 1;
  std::vector<float> stored(as_stored ? 0 : samples.size());
  float* target = as_stored ? samples.data() : stored.data();
  if (storage_.headerless) {
    read_headerless(page.file, storage_.headerless->skip_bytes, size, part, conversion, target);
  } else {
    TiffHandle handle(page.file, "rmh");  // h: header only, for the directory is chosen next
    if (handle.get() == nullptr || TIFFSetSubDirectory(handle.get(), page.directory_offset) == 0)
      fail_tiff(name_of(index), handle);
    if (page_size(handle.get(), name_of(index)) != size)
      fail(name_of(index), shown(page_size(handle.get(), name_of(index))) + ", but it had " + shown(size) +
                               " before; images must not change while they are read");
    read_tiff(handle, name_of(index), size, part, conversion, target);
  }
  if (!as_stored)
    for (int r = 0; r < row_count; ++r)
      for (int c = 0; c < width; ++c)
        samples[std::size_t(r) * std::size_t(width) + std::size_t(c)] =
            stored[std::size_t(start + r * row_step + c * column_step)];

  if (conversion.always_finite()) return;
  float probe = 0;  // becomes NaN by any sample that is not finite
#pragma omp simd reduction(+ : probe)
  for (std::size_t i = 0; i < samples.size(); ++i)
    probe += samples[i] * 0;
  if (std::isfinite(probe)) return;
  const auto bad = std::find_if(samples.begin(), samples.end(), [](float value) { return !std::isfinite(value); });
  if (bad != samples.end()) {
    const auto at = bad - samples.begin();
    fail(name_of(index), "row " + std::to_string(first_row + at / width) + ", column " + std::to_string(at % width) +
                             ": " + to_text(*bad) + "; samples must be finite numbers within float32's range");
  }
}

void ImageSeries::expect(std::size_t index) const {
  if (pages_[index].pages == 1) ask_for(pages_[index].file, Wanted::whole);
}

Image ImageSeries::read(std::size_t index) const {
  Image image(rows(), columns());
  read_rows(index, 0, image.rows, image.samples);
  return image;
}

}  // namespace rayloom
