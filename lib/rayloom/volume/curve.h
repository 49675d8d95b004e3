/// @file
/// Curves as pictures.
///
///     title, unit
///           +------------------+
///      0.5 -|- - - - - - - - - |   lines at round values
///      0.0 -|- - - - - - - - - |
///           +----|-------|-----+
///               100     200      along
#pragma once
#include <filesystem>
#include <string>
#include <vector>

namespace rayloom {

struct CurveLabels {
  std::string title{}, unit{}, along{};  ///< Of the values; what runs to the right.
  double first = 0, step = 1;            ///< Where the first value stands along it, and from one to the next (> 0).
};

/// A curve of evenly spaced finite values, black on white, with round numbers along both axes, as an 8-bit grey PNG. No
/// values: no picture. @throws CannotWrite.
void write_curve(const std::filesystem::path& file, const std::vector<double>& values, const CurveLabels& labels);

}  // namespace rayloom
