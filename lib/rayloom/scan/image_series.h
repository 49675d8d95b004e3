/// @file
/// A series of equally large images on disk: TIFF pages or headerless files, read by bands of rows.
#pragma once
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "rayloom/scan/image.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// How stored images become upright ones.
struct ImageStorage {
  int turned_deg = 0;
  bool mirrored = false;
  std::optional<Headerless> headerless;
  int headerless_rows = 0, headerless_columns = 0;  ///< Stored size of headerless images.
  double scale = 1, offset = 0;
};

/// Images in natural order of their whole names (runs of digits compared as numbers), pages of a file in order.
/// Samples come as float32 after scale and offset, put upright. Const methods may be called from several threads at
/// once.
class ImageSeries {
 public:
  /// Finds the files and reads the first page's size; each other file's size and type is checked when it is first read,
  /// and all by `check_all`.
  /// @param allow_holes  Whether the last run of digits may skip numbers.
  /// @throws BadInput for an empty glob, a missing or unreadable file, a hole in the numbering, an unsupported sample
  /// type.
  ImageSeries(const std::filesystem::path& folder, const ImageNames& names, const ImageStorage& storage,
              bool allow_holes = false);

  std::size_t count() const { return pages_.size(); }
  int rows() const;  ///< Of the upright image.
  int columns() const;

  /// Rows [first_row, first_row + row_count) of image `index`, row-major into `samples` (row_count x columns). Only the
  /// strips or tiles that hold them are read where the file allows it.
  /// @throws BadInput naming the file if it is truncated, of another size than the first, or holds NaN or infinity.
  void read_rows(std::size_t index, int first_row, int row_count, std::span<float> samples) const;
  Image read(std::size_t index) const;

  /// Opens every file and checks that size and type agree with the first. @throws BadInput: "1 of 720 files differs".
  void check_all() const;

  std::string name_of(std::size_t index) const;  ///< File, and page if it has several, for messages.
  std::vector<std::filesystem::path> files() const;

 private:
  struct Page {
    std::filesystem::path file;
    int directory;
    int pages;
  };
  std::vector<Page> pages_;
  ImageStorage storage_;
  int stored_rows_ = 0, stored_columns_ = 0;
};

/// Files that match a glob ('*', '?', '[..]' in the file name and in folders), in natural order.
std::vector<std::filesystem::path> find_files(const std::filesystem::path& folder, const std::string& pattern);

/// Compares names with runs of digits taken as numbers: view_9 before view_10.
bool natural_less(std::string_view a, std::string_view b);

}  // namespace rayloom
