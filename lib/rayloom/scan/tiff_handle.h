/// @file
/// An open TIFF whose errors are kept for a message instead of printed. Used inside the scan room.
#pragma once
#include <tiffio.h>

#include <filesystem>
#include <memory>
#include <string>

namespace rayloom {

/// Owns a libtiff handle. libtiff's warnings are dropped; its first error is kept.
class TiffHandle {
 public:
  /// @param mode  libtiff's. Whether it opened shows in `get()`.
  TiffHandle(const std::filesystem::path& file, const char* mode);

  TIFF* get() const { return tiff_.get(); }             ///< Null if it could not be opened.
  const std::string& error() const { return *error_; }  ///< First complaint of libtiff, empty if none.
  void close() { tiff_.reset(); }

 private:
  struct Close {
    void operator()(TIFF* tiff) const { TIFFClose(tiff); }
  };
  std::unique_ptr<std::string> error_;  // at an address that libtiff keeps; outlives the handle
  std::unique_ptr<TIFF, Close> tiff_;
};

}  // namespace rayloom
