/// @file
/// The projections as they really lie there: a whole scan, one with holes or broken off, or a few trial views.
#pragma once
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "rayloom/scan/view_reader.h"

namespace rayloom {

/// Finds out which views of a scan there are, and reads them. Const methods may be called from several threads at once.
///
/// Where each file is an image and the names count, the number tells the view:
///
///     number = (view + base) stride,  stride: greatest common divisor of the steps (1 for up to 8 images);
///     base: 0, or 1 if the numbers begin with 1 or end with views.count; if neither fits, the first is view 0
///
/// Otherwise image i is view i. With angles listed and as many images as angles it is so, too.
class ViewInventory {
 public:
  struct Unreadable {
    std::string file, why;
  };

  /// Opens what can be opened. @throws BadInput if nothing matches, no image can be read, or sizes differ from each
  /// other or from the detector.
  explicit ViewInventory(const Scan& scan);

  int planned() const { return planned_; }           ///< Views that the scan file tells.
  int images() const { return int(views_.size()); }  ///< Readable images.
  const std::vector<int>& views() const {
    return views_;
  }  ///< View of each image, rising; may reach beyond
     ///< `planned` - 1.
  const std::vector<Unreadable>& unreadable() const { return unreadable_; }
  std::vector<std::filesystem::path> files() const { return series_->files(); }  ///< Of the readable images.
  bool numbered() const { return numbered_; }                                    ///< Whether file names told the views.

  /// Upright stored values (after scale and offset) of images [first, +count), as [image][row][column].
  /// @throws BadInput for damaged files, NaN or infinite samples, naming file, row and column.
  void read(int first, int count, std::span<float> samples) const;
  /// Says that images [first, +count), as far as there are such, will be read soon; see ImageSeries::expect.
  void expect(int first, int count) const;
  std::string name_of(int image) const;

 private:
  int planned_;
  bool numbered_ = false, sinograms_;
  std::unique_ptr<ImageSeries> series_;
  std::vector<int> views_;
  std::vector<Unreadable> unreadable_;
};

}  // namespace rayloom
