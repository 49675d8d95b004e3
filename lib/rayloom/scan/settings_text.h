/// @file
/// Settings that a scanner left beside its images as text: `key = value`, `key: value`, `key<TAB>value`, in sections or
/// not. Which key means which quantity stands in one table in settings_text.cpp.
#pragma once
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// What a number in a settings text is about, in the unit that its name carries.
enum class Quantity {
  source_to_object_mm,
  source_to_detector_mm,
  object_to_detector_mm,
  magnification,
  column_pitch_mm,
  row_pitch_mm,
  voxel_mm,
  view_count,
  first_deg,
  step_deg,
  arc_deg,
  columns,
  rows,
  axis_column,
  axis_offset_px,  ///< Axis column less the detector's middle.
  midplane_row,
  voltage_kv,
  current_ma,
  focal_spot_mm,
  saturation,
  turn_sense  ///< +1 turntable clockwise seen from above, -1 the other way.
};
std::string to_string(Quantity quantity);

/// A number that was understood.
struct Reading {
  Quantity quantity;
  double value;
  std::string where;  ///< "settings.ini, line 3 (SOD [mm])"
  std::string guess;  ///< What was assumed to read it, if anything: "no unit: taken as um".
};

/// What a settings text says.
struct SettingsText {
  std::vector<Reading> readings;  ///< In the order of the text; a quantity may come more than once.
  std::optional<Beam> beam;
  std::vector<XraySource::Filter> filters;
  std::vector<std::pair<std::string, std::string>> notes;  ///< Worth keeping, but no number that geometry needs.
  std::vector<std::string> not_understood;                 ///< "settings.ini, line 7: Key = value[; why]"
};

/// Reads a text in UTF-8, Latin-1 or UTF-16 with a byte order mark.
///
/// Keys are compared by their lower-case letters and digits ("Source-Object Distance [mm]" = "sourceobjectdistancemm");
/// a unit may end the key or follow the value. A comma is a decimal mark; where it could as well part thousands
/// (1,234 in a text without any plain decimal comma), the value counts as not understood, and so does a point that
/// could part thousands in a text with decimal commas. Lines that are neither key and value nor a section are passed
/// over. Never throws for what the text holds.
/// @param name  The file's name, for messages.
SettingsText read_settings(std::string_view text, const std::string& name);

/// The same from a file. @throws BadInput if it cannot be read, is larger than 4 MiB, or is no text.
SettingsText read_settings_file(const std::filesystem::path& file);

/// One number a line and nothing else (blank lines and lines that start with '#' aside), or nothing.
std::optional<std::vector<double>> read_number_list(const std::filesystem::path& file);

}  // namespace rayloom
