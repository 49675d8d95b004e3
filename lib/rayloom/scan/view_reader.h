/// @file
/// The stream of views: upright raw samples of a scan by blocks of views and bands of rows, whatever the layout on
/// disk.
#pragma once
#include <optional>
#include <span>

#include "rayloom/scan/image_series.h"

namespace rayloom {

/// Reads the projections of one scan. Const methods may be called from several threads at once.
class ViewReader {
 public:
  /// Opens the series and checks count and size against the scan's views and detector.
  /// @throws BadInput naming file or field, value and what must hold.
  explicit ViewReader(const Scan& scan);

  /// Stored values (after scale and offset) of views [first_view, +view_count), rows [first_row, +row_count), as
  /// [view][row][column]. @throws BadInput for damaged files, NaN or infinite samples, naming file, row and column.
  void read(int first_view, int view_count, int first_row, int row_count, std::span<float> samples) const;

  /// File that holds (view, row), for messages.
  std::string name_of(int view, int row) const;

  const ImageSeries& series() const { return series_; }

 private:
  ImageSeries series_;
  bool sinograms_;
  int views_, rows_, columns_;
};

/// Mean over the exposures of dark or open images (a number fills the image), upright, rows x columns.
/// @param field  "images.dark" and the like, for messages.
Image mean_image(const Scan& scan, const Level& level, const std::string& field);

/// The defect map or return view: one image of rows x columns.
Image single_image(const Scan& scan, const ImageNames& names, const std::string& field);

}  // namespace rayloom
