/// @file
/// Curves as pictures.
#pragma once
#include <filesystem>
#include <string>
#include <vector>

namespace rayloom::tools {

struct CurveLabels {
  std::string title{}, unit{}, along{};  ///< Of the values; what runs to the right.
};

/// A curve of evenly spaced values, black on white; the bar under the picture gives the values at its bottom and top.
/// No values: no picture.
void write_curve(const std::filesystem::path& file, const std::vector<double>& values, const CurveLabels& labels);

}  // namespace rayloom::tools
