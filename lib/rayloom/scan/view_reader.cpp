#include "rayloom/scan/view_reader.h"

#include <algorithm>
#include <cassert>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

std::string size_text(int columns, int rows) {
  return std::to_string(columns) + " x " + std::to_string(rows);
}

/// `images.projections: "a.tif", "b.tif"` after the scan's file, for the start of a message.
std::string named(const Scan& scan, const std::string& field, const ImageNames& names) {
  std::string text = scan.file.string() + ": " + field + ":";
  for (std::size_t i = 0; i < std::min<std::size_t>(names.size(), 2); ++i)
    text += (i == 0 ? " \"" : ", \"") + names[i] + "\"";
  return text + (names.size() > 2 ? ", .." : "");
}

/// @param rows, columns  Size of the upright images, which headerless files do not tell.
void set_headerless_size(const Scan& scan, int rows, int columns, ImageStorage& storage) {
  storage.headerless = scan.images.headerless;
  const bool on_its_side = storage.turned_deg % 180 != 0;
  storage.headerless_rows = on_its_side ? columns : rows;
  storage.headerless_columns = on_its_side ? rows : columns;
}

ImageSeries open_series(const Scan& scan, const std::string& field, const ImageNames& names, ImageStorage storage,
                        int rows, int columns, Holes holes) {
  set_headerless_size(scan, rows, columns, storage);
  try {
    return {scan.folder(), names, storage, holes};
  } catch (const BadInput& problem) {
    throw BadInput(scan.file.string() + ": " + field + ": " + problem.what(), problem.hint());
  }
}

ImageStorage storage_of(const ScanImages& images) {
  ImageStorage storage;
  storage.turned_deg = images.turned_deg;
  storage.mirrored = images.mirrored;
  storage.scale = images.scale;
  storage.offset = images.offset;
  return storage;
}

void require_size(const Scan& scan, const ImageSeries& series, const std::string& field, const ImageNames& names) {
  const Detector& detector = scan.geometry.detector;
  if (series.columns() == detector.columns && series.rows() == detector.rows) return;
  const bool swapped = series.columns() == detector.rows && series.rows() == detector.columns;
  throw BadInput(named(scan, field, names) + ": " + size_text(series.columns(), series.rows()) +
                     " pixels upright; must be detector.columns x detector.rows, " +
                     size_text(detector.columns, detector.rows),
                 swapped ? "are the images on their side? see images.turned_deg" : "");
}

/// An image of the whole detector, whatever the layout of the projections.
Image detector_image(const Scan& scan, const std::string& field, const ImageNames& names, ImageStorage storage) {
  const Detector& detector = scan.geometry.detector;
  if (scan.images.sinograms) {
    storage.turned_deg = 0;
    storage.mirrored = false;
  }
  const auto series = open_series(scan, field, names, storage, detector.rows, detector.columns, Holes::allow);
  if (series.count() != 1)
    throw BadInput(named(scan, field, names) + ": " + std::to_string(series.count()) + " images; must be one");
  require_size(scan, series, field, names);
  return series.read(0);
}

/// Sinograms: one a detector row, as wide as the detector.
void require_sinograms(const Scan& scan, const ImageSeries& series, const std::string& field, const ImageNames& names) {
  const Detector& detector = scan.geometry.detector;
  if (series.count() != std::size_t(detector.rows))
    throw BadInput(named(scan, field, names) + ": " + std::to_string(series.count()) +
                   " sinograms; must be one a detector row, detector.rows is " + std::to_string(detector.rows));
  if (series.columns() != detector.columns)
    throw BadInput(named(scan, field, names) + ": sinograms of " + size_text(series.columns(), series.rows()) +
                       " pixels upright; must have detector.columns, " + std::to_string(detector.columns),
                   "rows of a sinogram are views, columns are detector columns");
}

constexpr const char* use_what_is_there =
    "if the scan broke off or lacks views, reconstruct --use-what-is-there goes on with those present";

void require_views(const Scan& scan, const ImageNames& names, std::size_t found, const std::string& what) {
  const std::size_t views = scan.geometry.angles_rad.size();
  if (found == views) return;
  throw BadInput(named(scan, "images.projections", names) + ": " + std::to_string(found) + " " + what +
                     "; must be one a view, views.count is " + std::to_string(views),
                 found == views + 1 ? "is the last one a repeat of the first angle? name it in images.return_view"
                 : found < views    ? use_what_is_there
                                    : "");
}

/// Whether two files or more match, so that some views may be sound where others are not.
bool present_images(const Scan& scan, const ImageNames& names) {
  std::size_t found = 0;
  for (const auto& name : names) {
    try {
      found += find_files(scan.folder(), name).size();
    } catch (const BadInput&) {
      continue;  // names a file that is missing
    }
  }
  return found > 1;
}

ImageSeries open_projections(const Scan& scan) {
  const std::string field = "images.projections";
  const ImageNames& names = scan.images.projections;
  if (names.empty()) throw BadInput(scan.file.string() + ": " + field + ": missing; must name the images of the views");
  const bool sinograms = scan.images.sinograms;
  const Detector& detector = scan.geometry.detector;
  const int views = int(scan.geometry.angles_rad.size());
  const bool listed = !scan.views.angles_deg.empty() || !scan.views.angles_file.empty();
  const auto open = [&] {
    try {
      return open_series(scan, field, names, storage_of(scan.images), sinograms ? views : detector.rows,
                         detector.columns, listed && !sinograms ? Holes::allow : Holes::refuse);
    } catch (const BadInput& problem) {
      const bool hole = std::string_view(problem.what()).find("a hole in the numbering") != std::string_view::npos;
      if ((!hole && !problem.hint().empty()) || !present_images(scan, names)) throw;
      throw BadInput(problem.what(), (problem.hint().empty() ? "" : problem.hint() + "; ") + use_what_is_there);
    }
  };
  auto series = open();
  if (sinograms) {
    require_sinograms(scan, series, field, names);
    require_views(scan, names, std::size_t(series.rows()), "rows in each sinogram");
  } else {
    require_views(scan, names, series.count(), "images");
    require_size(scan, series, field, names);
  }
  return series;
}

/// Number of exposures in a headerless sinogram of dark or open images, from its file's size.
int headerless_exposures(const Scan& scan, const std::string& field, const ImageNames& names) {
  const auto file = find_files(scan.folder(), names[0])[0];
  const std::uintmax_t bytes = std::filesystem::file_size(file), skipped = scan.images.headerless->skip_bytes;
  const std::uintmax_t row_bytes =
      std::uintmax_t(scan.geometry.detector.columns) * bytes_of(scan.images.headerless->sample);
  if (bytes <= skipped || (bytes - skipped) % row_bytes != 0)
    throw BadInput(scan.file.string() + ": " + field + ": " + file.string() + ": " + std::to_string(bytes) +
                   " bytes; must hold whole rows of " + std::to_string(row_bytes) + " bytes after " +
                   std::to_string(skipped) + " to skip");
  return int((bytes - skipped) / row_bytes);
}

}  // namespace

ViewReader::ViewReader(const Scan& scan)
    : series_(open_projections(scan)), sinograms_(scan.images.sinograms), columns_(scan.geometry.detector.columns) {}

void ViewReader::read(int first_view, int view_count, int first_row, int row_count, std::span<float> samples) const {
  const std::size_t width = std::size_t(columns_), rows = std::size_t(row_count), views = std::size_t(view_count);
  assert(samples.size() == views * rows * width);
  if (!sinograms_) {
    for (std::size_t view = 0; view < views; ++view)
      series_.read_rows(std::size_t(first_view) + view, first_row, row_count,
                        samples.subspan(view * rows * width, rows * width));
    return;
  }
  std::vector<float> sinogram(views * width);
  for (std::size_t row = 0; row < rows; ++row) {
    series_.read_rows(std::size_t(first_row) + row, first_view, view_count, sinogram);
    for (std::size_t view = 0; view < views; ++view)
      std::copy_n(&sinogram[view * width], width, &samples[(view * rows + row) * width]);
  }
}

std::string ViewReader::name_of(int view, int row) const {
  return series_.name_of(std::size_t(sinograms_ ? row : view));
}

ImageStorage projection_storage(const Scan& scan) {
  ImageStorage storage = storage_of(scan.images);
  const Detector& detector = scan.geometry.detector;
  set_headerless_size(scan, scan.images.sinograms ? int(scan.geometry.angles_rad.size()) : detector.rows,
                      detector.columns, storage);
  return storage;
}

void for_each_exposure(const Scan& scan, const ImageNames& names, const std::string& field,
                       const std::function<void(const Image&)>& visit) {
  const Detector& detector = scan.geometry.detector;
  if (!scan.images.sinograms) {
    const auto series =
        open_series(scan, field, names, storage_of(scan.images), detector.rows, detector.columns, Holes::allow);
    require_size(scan, series, field, names);
    constexpr std::size_t ahead = 8;  // images that a disk fetches meanwhile
    Image exposure(detector.rows, detector.columns);
    for (std::size_t k = 0; k < series.count() + ahead; ++k) {
      if (k < series.count()) series.expect(k);
      if (k < ahead) continue;
      series.read_rows(k - ahead, 0, exposure.rows, exposure.samples);
      visit(exposure);
    }
    return;
  }
  const int exposures = scan.images.headerless ? headerless_exposures(scan, field, names) : 0;
  const auto series =
      open_series(scan, field, names, storage_of(scan.images), exposures, detector.columns, Holes::refuse);
  require_sinograms(scan, series, field, names);
  const std::size_t width = std::size_t(detector.columns);
  Image exposure(detector.rows, detector.columns);
  for (int k = 0; k < series.rows(); ++k) {
    for (std::size_t row = 0; row < series.count(); ++row)
      series.read_rows(row, k, 1, std::span(exposure.samples).subspan(row * width, width));
    visit(exposure);
  }
}

Image mean_image(const Scan& scan, const Level& level, const std::string& field) {
  const Detector& detector = scan.geometry.detector;
  Image mean(detector.rows, detector.columns);
  if (const auto* number = std::get_if<double>(&level)) {
    std::fill(mean.samples.begin(), mean.samples.end(), float(*number));
    return mean;
  }
  std::vector<double> sum(mean.samples.size());
  std::size_t exposures = 0;
  for_each_exposure(scan, std::get<ImageNames>(level), field, [&](const Image& exposure) {
    ++exposures;
    for (std::size_t i = 0; i < sum.size(); ++i)
      sum[i] += exposure.samples[i];
  });
  for (std::size_t i = 0; i < sum.size(); ++i)
    mean.samples[i] = float(sum[i] / double(exposures));
  return mean;
}

Image defect_map(const Scan& scan) {
  const Detector& detector = scan.geometry.detector;
  if (scan.images.defects.empty()) return {detector.rows, detector.columns};
  ImageStorage storage = storage_of(scan.images);
  storage.scale = 1;  // scale and offset are for intensities
  storage.offset = 0;
  Image map = detector_image(scan, "images.defects", scan.images.defects, storage);
  for (float& sample : map.samples)
    sample = sample != 0 ? 1.0F : 0.0F;
  return map;
}

Image image_beside(const Scan& scan, const std::string& field, const ImageNames& names) {
  return detector_image(scan, field, names, storage_of(scan.images));
}

std::optional<Image> return_view(const Scan& scan) {
  if (scan.images.return_view.empty()) return std::nullopt;
  return detector_image(scan, "images.return_view", scan.images.return_view, storage_of(scan.images));
}

}  // namespace rayloom
