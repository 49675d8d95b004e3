/// @file
/// A series of equally large images on disk: TIFF pages or headerless files, read by bands of rows.
#pragma once
#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "rayloom/scan/image.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// How stored images become upright ones.
struct ImageStorage {
  int turned_deg = 0;     ///< Turn the stored image clockwise by 0, 90, 180 or 270 degrees ..
  bool mirrored = false;  ///< .. then flip its columns.
  std::optional<Headerless> headerless = {};
  int headerless_rows = 0, headerless_columns = 0;  ///< Stored size of headerless images.
  double scale = 1, offset = 0;                     ///< Sample = scale * stored + offset.
};

/// Whether the last run of digits in the file names may skip numbers.
enum class Holes { refuse, allow };

/// Images in the order of `names`: a pattern's files in natural order of their whole names, pages of a file in order
/// (pages marked as reduced copies are left out). TIFF (TIFF 6.0, BigTIFF) of one channel with 8-, 16- or 32-bit
/// integer or 16-, 32- or 64-bit float samples, strips or tiles, every compression that libtiff reads; stored values
/// count as they are, whether 0 is black or white, and the Orientation tag is not applied (`turned_deg` and `mirrored`
/// are). Samples come as float32 after scale and offset, put upright. Const methods may be called from several threads
/// at once.
class ImageSeries {
 public:
  /// Opens every file and checks that size and sample type agree and that the samples lie within the file.
  /// @param folder  Where relative names start.
  /// @throws BadInput for a pattern that matches nothing, a missing, truncated or unreadable file, a hole in the
  /// numbering of a pattern's files, an unsupported sample type, sizes that differ ("1 of 720 images differs").
  ImageSeries(const std::filesystem::path& folder, const ImageNames& names, const ImageStorage& storage,
              Holes holes = Holes::refuse);

  std::size_t count() const { return pages_.size(); }
  int rows() const;  ///< Of the upright image.
  int columns() const;
  Headerless::Sample sample() const { return sample_; }

  /// Rows [first_row, first_row + row_count) of image `index`, row-major into `samples` (row_count x columns). Only the
  /// strips or tiles that hold them are decoded; a turn by 90 or 270 degrees needs all strips.
  /// @throws BadInput naming the file if it is damaged or not what it was, or holds a sample that is not finite (with
  /// its row and column in the upright image).
  void read_rows(std::size_t index, int first_row, int row_count, std::span<float> samples) const;
  Image read(std::size_t index) const;
  /// Says that the image will be read soon, so that a disk can fetch it meanwhile. Never fails; does nothing for pages
  /// of a file with several.
  void expect(std::size_t index) const;

  std::string name_of(std::size_t index) const;  ///< File, and page if it has several, for messages.
  std::vector<std::filesystem::path> files() const;

 private:
  struct Page {
    std::filesystem::path file;
    std::uint64_t directory_offset;  // where a TIFF's page begins; 0 for headerless files
    int number, pages;               // 1-based
  };
  std::vector<Page> pages_;
  ImageStorage storage_;
  int stored_rows_ = 0, stored_columns_ = 0;
  Headerless::Sample sample_ = Headerless::Sample::uint8;
};

/// Files that match a glob ('*', '?', '[..]' in the file name and in folders), in natural order; a name without these
/// is itself. Hidden files only match a pattern that begins with a dot.
/// @throws BadInput if there is none, or a plain name is a folder.
std::vector<std::filesystem::path> find_files(const std::filesystem::path& folder, const std::string& pattern);

/// Compares names with runs of digits taken as numbers: view_9 before view_10.
bool natural_less(std::string_view a, std::string_view b);

}  // namespace rayloom
