/// @file
/// Runs the built program and collects what it says; makes small scans on disk.
#pragma once
#include <sys/wait.h>

#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "rayloom/scan/tiff_write.h"

namespace rayloom::cli_test {

namespace fs = std::filesystem;

/// A fresh folder, removed at the end.
struct Folder {
  fs::path path;
  Folder() {
    std::string name = (fs::temp_directory_path() / "rayloom_cli_XXXXXX").string();
    path = mkdtemp(name.data());
  }
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path, ignored);
  }
  fs::path operator/(const std::string& name) const { return path / name; }
  /// Every file and folder below, for 'before equals after'.
  std::set<std::string> listing() const {
    std::set<std::string> names;
    for (const auto& entry : fs::recursive_directory_iterator(path))
      names.insert(entry.path().string());
    return names;
  }
};

struct Outcome {
  int status;
  std::string out, err;
};

inline std::string slurp(const fs::path& file) {
  std::ostringstream text;
  text << std::ifstream(file, std::ios::binary).rdbuf();
  return text.str();
}

/// Runs `rayloom ARGUMENTS` in `folder` through the shell; `before` goes first on the command line ("ulimit -f 10;").
inline Outcome run(const Folder& folder, const std::string& arguments, const std::string& before = {}) {
  const Folder streams;
  const std::string command = "cd " + folder.path.string() + " && { " + before + " " RAYLOOM_PROGRAM " " + arguments +
                              "; } > " + (streams / "out").string() + " 2> " + (streams / "err").string();
  const int status = std::system(command.c_str());
  return {WIFEXITED(status) ? WEXITSTATUS(status) : 128, slurp(streams / "out"), slurp(streams / "err")};
}

inline nlohmann::json cone_scan(int views = 12) {
  return {{"rayloom_scan", 1},
          {"beam", "cone"},
          {"source_to_object_mm", 200},
          {"source_to_detector_mm", 400},
          {"detector", {{"columns", 24}, {"rows", 16}, {"column_pitch_mm", 1.0}, {"row_pitch_mm", 1.0}}},
          {"views", {{"count", views}, {"first_deg", 0}, {"arc_deg", 360}}},
          {"images", {{"projections", "views/*.tif"}, {"kind", "line_integrals"}}}};
}

inline void write_json(const fs::path& file, const nlohmann::json& value) {
  std::ofstream(file) << value.dump(1);
}

inline fs::path view_file(const Folder& folder, int i) {
  char name[32];
  std::snprintf(name, sizeof name, "view_%04d.tif", i);
  return folder / "views" / name;
}

/// A sound scan of `views` flat views of 24 x 16.
inline void make_scan(const Folder& folder, int views = 12) {
  fs::create_directory(folder / "views");
  const std::vector<float> flat(24 * 16, 0.5f);
  for (int i = 0; i < views; ++i)
    write_tiff(view_file(folder, i), 16, 24, flat, SampleType::float32);
  write_json(folder / "scan.json", cone_scan(views));
}

}  // namespace rayloom::cli_test
