/// @file
/// From a folder of images to a scan file: what is there, what it seems to be, what is still missing.
#pragma once
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/scan/image_groups.h"
#include "rayloom/scan/settings_text.h"

namespace rayloom {

/// What the user knows. It counts over everything that a file says.
struct DescribeOptions {
  std::filesystem::path scan_file;                     ///< Where the scan file will lie: names are relative to it.
  std::optional<std::filesystem::path> settings_file;  ///< Read this text instead of those in the folder.
  std::optional<std::filesystem::path> angles_file;    ///< One angle in degrees a line.
  std::optional<Beam> beam;
  std::optional<double> sod_mm, sdd_mm;
  std::optional<double> column_pitch_mm, row_pitch_mm;  ///< Of the upright images' pixels; rows as columns if absent.
  std::optional<double> first_deg, arc_deg, step_deg;   ///< Of arc and step, at most one.
  std::optional<double> axis_column, midplane_row;
  std::optional<double> voltage_kv, current_ma;
  std::optional<ImageKind> kind;
  std::optional<double> saturation;
  ImageStorage storage;  ///< Orientation; sample type and size of headerless files.
  Layout layout = Layout::views;
};

/// What was found out. Every line is one statement for a person.
struct Description {
  std::vector<ImageGroup> groups;
  std::vector<std::string> texts;    ///< Settings texts that were read.
  std::vector<std::string> found;    ///< Quantities and where they come from: "source_to_object_mm: 200, from ..".
  std::vector<std::string> guesses;  ///< What was concluded, and why.
  std::vector<std::string> contradictions;  ///< What does not agree, and what was done about it.
  std::vector<std::string> not_understood;  ///< Lines of the settings texts without a meaning here.
  std::vector<std::string> missing;         ///< "source_to_object_mm: give --sod MM"; then there is no scan.
  std::optional<Scan> scan;                 ///< Checked as a scan file is.
};

/// Looks through `folder` and writes nothing.
///
/// Lengths complete each other by SDD = SOD + ODD, M = SDD/SOD and voxel = pitch/M. Numbers of files that disagree by
/// more than 0.1 % are not used unless an option settles them. The beam is cone (fan with one row) where the source's
/// distance is known and nothing says otherwise. The last view counts as lying
/// at the end of the arc, so that the step is arc/(count - 1), if it looks like the first one after a whole turn, if a
/// text tells of one view less, or if only so the step is a round number (721 views over 360 degrees).
/// @throws BadInput for a folder or image that cannot be read, a hole in the numbering of the views, damaged views, or
/// numbers that make no scan; InvalidOption for options that exclude each other.
Description describe_folder(const std::filesystem::path& folder, const DescribeOptions& options,
                            const Hooks& hooks = {});

}  // namespace rayloom
