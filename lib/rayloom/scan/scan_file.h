/// @file
/// The scan file (scan.json): the one description of a scan that every command reads.
#pragma once
#include <filesystem>
#include <map>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "rayloom/geometry/geometry.h"

namespace rayloom {

/// What the stored samples mean.
enum class ImageKind {
  counts,         ///< Raw: -ln((I - dark)/(open - dark)).
  corrected,      ///< Dark, gain and defects dealt with: -ln(I/open_level).
  transmission,   ///< 0..1: -ln(I).
  line_integrals  ///< As they are.
};
std::string to_string(ImageKind kind);

/// Sample layout of files without a header: one image a file, rows from the top, nothing after them.
struct Headerless {
  enum class Sample { uint8, uint16, uint32, int8, int16, int32, float16, float32, float64 };
  Sample sample = Sample::uint16;
  bool big_endian = false;
  std::uintmax_t skip_bytes = 0;
};
std::string to_string(Headerless::Sample sample);
std::size_t bytes_of(Headerless::Sample sample);

/// Images as the scan file names them: globs, multi-page TIFFs, or a list of these.
using ImageNames = std::vector<std::string>;
/// A number, or images.
using Level = std::variant<double, ImageNames>;

/// The "images" entry.
struct ScanImages {
  ImageNames projections;
  ImageKind kind = ImageKind::line_integrals;
  std::optional<Level> dark, open, open_after;
  ImageNames defects, return_view;   ///< Empty if absent. Always rows x columns.
  std::optional<double> saturation;  ///< Stored value that means full scale.
  /// kind corrected: one number for all, one a view, or (empty list) from each view's part-free border.
  std::vector<double> open_level;
  bool open_level_from_border = false;
  double scale = 1, offset = 0;  ///< Real value = scale * stored + offset, for all images but `defects`.
  bool sinograms = false;        ///< "layout": image k is detector row k, its rows the views.
  int turned_deg = 0;            ///< Turn the stored image clockwise by this to make it upright ..
  bool mirrored = false;         ///< .. then flip its columns.
  std::optional<Headerless> headerless;
};

struct XraySource {
  struct Filter {
    std::string material;
    double thickness_mm;
  };
  std::optional<double> voltage_kv, current_ma, focal_spot_mm;
  std::vector<Filter> filters;
};

/// A scan as described by its file.
struct Scan {
  std::filesystem::path file;  ///< Where it was read from; image names are relative to its folder.
  std::string title;
  std::map<std::string, std::string> notes;
  XraySource source;
  Geometry geometry;
  /// How far the part has been moved on the turntable, in its own directions: what lies at x in the part lies at
  /// x + part_moved_mm from where the axis meets the source's plane. So scans of several regions share one part frame.
  Vec3 part_moved_mm = Vec3::Zero();
  /// How the angles were given, kept so that writing it back changes nothing.
  struct Views {
    int count = 0;
    double first_deg = 0;
    std::optional<double> arc_deg, step_deg;
    std::vector<double> angles_deg;
    std::string angles_file;
  } views;
  /// When in the scan each view was taken, 0 to 1; empty: (i + 1/2)/n. Not in the file: see present_views.h.
  std::vector<float> view_times;
  ScanImages images;

  std::filesystem::path folder() const { return file.parent_path(); }
};

/// Reads and checks a scan file; `settings` are "key=value" with dotted keys ("detector.axis_column=254.2") that
/// replace or add fields first; values are JSON, anything else is taken as text; places in lists are numbers
/// ("source.filters.0.thickness_mm=1"). Images are not opened, an angles file is.
/// @throws BadInput / InvalidOption naming file or setting, field, value and what must hold.
Scan read_scan(const std::filesystem::path& file, const std::vector<std::string>& settings = {});

/// The file's JSON with the settings put in, as yet unchecked. @throws as `read_scan`.
nlohmann::json read_scan_json(const std::filesystem::path& file, const std::vector<std::string>& settings);

/// The same from JSON in memory. @param file  Names the source in messages; its folder is where relative paths start.
Scan parse_scan(const nlohmann::json& value, const std::filesystem::path& file);

/// The scan as JSON in the order of the documentation; `parse_scan` reads the same scan back. If `views` does not say
/// how the angles were given, they are listed. Image names are written as they are.
nlohmann::ordered_json to_json(const Scan& scan);

/// The same scan described by a file elsewhere: relative names of images and of the angles file are written anew, so
/// that they lead to the same files from the new one's folder.
Scan described_at(const Scan& scan, const std::filesystem::path& file);

/// Writes `to_json(scan)` under a temporary name, renamed when whole. @throws CannotWrite.
void write_scan(const Scan& scan, const std::filesystem::path& file);

}  // namespace rayloom
