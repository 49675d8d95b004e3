/// @file
/// What every kind of `align` begins and ends with.
#pragma once
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "rayloom/align/align.h"
#include "rayloom/volume/output_folder.h"
#include "reconstruct.h"

namespace rayloom::tools {

struct AlignArguments {
  std::string scan, output;
  std::optional<std::string> movement;
  std::vector<std::string> settings;
  std::optional<int> threads;
  bool overwrite = false;
  bool beads = false;
  std::vector<std::string> bead_distances;
};

/// A scan opened to be aligned, and the place for what is found: a scan file, or a folder with pictures beside it.
class AlignRun {
 public:
  /// @param belongs  Names of files in the folder. @throws as `align` does for what is missing or must not be replaced.
  AlignRun(const AlignArguments& given, bool (*belongs)(const std::string& name), const Hooks& hooks);

  const Scan& scan() const { return scan_; }
  const Input& input() const { return input_; }

  /// Writes nothing without -o. @param pictures  Writes what lies beside the scan file into this folder.
  void write(const Scan& aligned, const std::function<void(const std::filesystem::path& folder)>& pictures);

 private:
  std::string output_;
  Scan scan_;
  Input input_;
  std::optional<OutputFolder> folder_;
};

/// One line and one entry of the result for a parameter. @param given  What the scan file said.
void say(const Context& context, nlohmann::ordered_json& result, const std::string& name, const std::string& unit,
         const Estimate& estimate, double given);
/// The uncertainty to two digits, the value to the same place.
std::string rounded(double value, double uncertainty);

int align_beads(const Context& context, const AlignArguments& given);

}  // namespace rayloom::tools
