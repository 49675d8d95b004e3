/// @file
/// The stream of views: upright raw samples of a scan by blocks of views and bands of rows, whatever the layout on
/// disk.
#pragma once
#include <functional>
#include <optional>
#include <span>

#include "rayloom/scan/image_series.h"

namespace rayloom {

/// Reads the projections of one scan. Const methods may be called from several threads at once.
class ViewReader {
 public:
  /// Opens the series and checks count and size against the scan's views and detector. Holes in the numbering are
  /// allowed only where the angles are listed and each image is a view.
  /// @throws BadInput naming file or field, value and what must hold.
  explicit ViewReader(const Scan& scan);

  /// Stored values (after scale and offset) of views [first_view, +view_count), rows [first_row, +row_count), as
  /// [view][row][column]. Each file is opened once per view, or (layout sinograms) once per row.
  /// @throws BadInput for damaged files, NaN or infinite samples, naming file, row and column.
  void read(int first_view, int view_count, int first_row, int row_count, std::span<float> samples) const;

  /// File that holds (view, row), for messages.
  std::string name_of(int view, int row) const;

  const ImageSeries& series() const { return series_; }

 private:
  ImageSeries series_;
  bool sinograms_;
  int columns_;
};

/// How the stored projections become upright.
ImageStorage projection_storage(const Scan& scan);

/// Calls `visit` with each exposure of dark or open images, upright, rows x columns, after scale and offset. In layout
/// sinograms, image k's rows are the exposures of detector row k.
/// @param field  "images.dark" and the like, for messages.
/// @throws BadInput as ViewReader does.
void for_each_exposure(const Scan& scan, const ImageNames& names, const std::string& field,
                       const std::function<void(const Image&)>& visit);

/// Mean over the exposures of dark or open images, upright, rows x columns, after scale and offset; a number fills the
/// image as it is. @throws BadInput as ViewReader does.
Image mean_image(const Scan& scan, const Level& level, const std::string& field);

/// The map of defects, rows x columns: 1 where the stored sample is not 0 (pixel bad), else 0; all 0 if the scan has
/// none. Like the return view always an image of the detector: in layout sinograms, whose `turned_deg` and `mirrored`
/// tell how the sinograms are stored, both are taken as upright.
Image defect_map(const Scan& scan);

/// One more image of the detector, stored as the return view is, after scale and offset.
/// @param field  For messages. @throws BadInput as ViewReader does.
Image image_beside(const Scan& scan, const std::string& field, const ImageNames& names);

/// The view at the first angle after the turn, after scale and offset; absent if the scan has none.
std::optional<Image> return_view(const Scan& scan);

}  // namespace rayloom
