#include "rayloom/scan/tiff_write.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <limits>
#include <vector>

#include "rayloom/errors.h"
#include "rayloom/scan/tiff_handle.h"

namespace rayloom {

namespace {

std::size_t bytes_of(SampleType type) {
  switch (type) {
    case SampleType::uint8:
      return 1;
    case SampleType::uint16:
      return 2;
    case SampleType::float32:
      break;
  }
  return 4;
}

/// Rounds to the nearest whole number within the type; NaN becomes 0.
template <class T>
void pack_integers(std::span<const float> samples, unsigned char* to) {
  constexpr float top = float(std::numeric_limits<T>::max());
  for (std::size_t i = 0; i < samples.size(); ++i) {
    const float value = samples[i] > 0 ? std::min(samples[i], top) : 0.0F;
    const T sample = T(std::lround(value));
    std::memcpy(to + i * sizeof(T), &sample, sizeof(T));
  }
}

void pack(std::span<const float> samples, SampleType type, unsigned char* to) {
  if (type == SampleType::uint8)
    pack_integers<std::uint8_t>(samples, to);
  else if (type == SampleType::uint16)
    pack_integers<std::uint16_t>(samples, to);
  else
    std::memcpy(to, samples.data(), samples.size_bytes());
}

void require_size(int rows, int columns) {
  if (rows < 1 || columns < 1)
    throw InvalidOption("image: " + std::to_string(columns) + " x " + std::to_string(rows) +
                        " pixels; must be at least 1 x 1");
}

/// Writes strips and tags of one page. False: libtiff's handle knows why.
bool write_page(TIFF* tiff, int rows, int columns, std::span<const float> samples, SampleType type,
                const TiffTags& tags) {
  const std::size_t row_bytes = std::size_t(columns) * bytes_of(type);
  // Strips of about 64 KiB, so that a band of rows can be read without the rest.
  const int strip_rows = int(std::clamp<std::size_t>(65536 / row_bytes, 1, std::size_t(rows)));

  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, std::uint32_t(columns));
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, std::uint32_t(rows));
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 1);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, int(8 * bytes_of(type)));
  TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, type == SampleType::float32 ? SAMPLEFORMAT_IEEEFP : SAMPLEFORMAT_UINT);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_MINISBLACK);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_NONE);
  TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
  TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, std::uint32_t(strip_rows));
  TIFFSetField(tiff, TIFFTAG_SOFTWARE, "rayloom");
  if (!tags.description.empty()) TIFFSetField(tiff, TIFFTAG_IMAGEDESCRIPTION, tags.description.c_str());
  if (tags.pixel_mm > 0) {
    const double pixels_per_cm = 10 / tags.pixel_mm;
    TIFFSetField(tiff, TIFFTAG_RESOLUTIONUNIT, RESUNIT_CENTIMETER);
    TIFFSetField(tiff, TIFFTAG_XRESOLUTION, pixels_per_cm);
    TIFFSetField(tiff, TIFFTAG_YRESOLUTION, pixels_per_cm);
  }

  std::vector<unsigned char> strip(std::size_t(strip_rows) * row_bytes);
  for (int row = 0, index = 0; row < rows; row += strip_rows, ++index) {
    const std::size_t count = std::size_t(std::min(strip_rows, rows - row)) * std::size_t(columns);
    pack(samples.subspan(std::size_t(row) * std::size_t(columns), count), type, strip.data());
    const auto bytes = tmsize_t(count * bytes_of(type));
    if (TIFFWriteEncodedStrip(tiff, std::uint32_t(index), strip.data(), bytes) != bytes) return false;
  }
  return TIFFWriteDirectory(tiff) == 1;
}

/// A TIFF under a temporary name; removed by the destructor unless `finish` renamed it.
class TiffOutput {
 public:
  TiffOutput(const std::filesystem::path& file, int rows, int columns, SampleType type, TiffTags tags, const char* mode)
      : file_(file),
        temporary_(file.string() + ".partial"),
        rows_(rows),
        columns_(columns),
        type_(type),
        tags_(std::move(tags)),
        handle_(temporary_, mode) {
    if (handle_.get() == nullptr) fail(handle_.error());
  }
  ~TiffOutput() {
    if (handle_.get() == nullptr) return;
    handle_.close();
    std::error_code ignored;
    std::filesystem::remove(temporary_, ignored);
  }
  TiffOutput(const TiffOutput&) = delete;
  TiffOutput& operator=(const TiffOutput&) = delete;

  void append(std::span<const float> samples) {
    assert(handle_.get() != nullptr);
    const std::size_t pixels = std::size_t(rows_) * std::size_t(columns_);
    if (samples.size() != pixels)
      throw InvalidOption("samples: " + std::to_string(samples.size()) +
                          "; must be rows x columns = " + std::to_string(pixels));
    if (!write_page(handle_.get(), rows_, columns_, samples, type_, tags_)) fail(handle_.error());
  }

  void finish() {
    assert(handle_.get() != nullptr);
    if (TIFFFlush(handle_.get()) != 1 || !handle_.error().empty()) fail(handle_.error());
    std::error_code error;
    std::filesystem::rename(temporary_, file_, error);
    if (error) fail(error.message());
    handle_.close();
  }

 private:
  [[noreturn]] void fail(const std::string& why) const {
    throw CannotWrite(file_.string() + ": cannot be written: " + why,
                      "is the disk full, or the folder missing or read-only?");
  }

  std::filesystem::path file_, temporary_;
  int rows_, columns_;
  SampleType type_;
  TiffTags tags_;
  TiffHandle handle_;
};

}  // namespace

struct TiffStack::File : TiffOutput {
  using TiffOutput::TiffOutput;
};

void write_tiff(const std::filesystem::path& file, int rows, int columns, std::span<const float> samples,
                SampleType type, const TiffTags& tags) {
  require_size(rows, columns);
  // Classic TIFF has 32-bit offsets (TIFF 6.0, 1992); 16 MiB are ample for its directory.
  const bool big = samples.size() * bytes_of(type) > (std::size_t{1} << 32) - (std::size_t{1} << 24);
  TiffOutput out(file, rows, columns, type, tags, big ? "w8" : "w");
  out.append(samples);
  out.finish();
}

TiffStack::TiffStack(const std::filesystem::path& file, int rows, int columns, SampleType type, TiffTags tags) {
  require_size(rows, columns);
  out_ = std::make_unique<File>(file, rows, columns, type, std::move(tags), "w8");
}

TiffStack::~TiffStack() = default;

void TiffStack::append(std::span<const float> samples) {
  out_->append(samples);
}

void TiffStack::finish() {
  out_->finish();
}

}  // namespace rayloom
