/// @file
/// What the tests of volumes share: a temporary folder, small volumes, errors as text.
#pragma once
#include <unistd.h>

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <string>

#include "rayloom/errors.h"
#include "rayloom/volume/volume.h"

namespace volume_test {

namespace fs = std::filesystem;

/// A fresh folder that is removed with all that is in it.
class TemporaryFolder {
 public:
  TemporaryFolder() {
    std::string name = (fs::temp_directory_path() / "rayloom-volume-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  ~TemporaryFolder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  fs::path operator/(const std::string& name) const { return path_ / name; }
  const fs::path& path() const { return path_; }

 private:
  fs::path path_;
};

/// Names of everything below a folder, relative, sorted, joined by blanks.
inline std::string listing(const fs::path& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::recursive_directory_iterator(folder))
    names.push_back(fs::relative(entry.path(), folder).string());
  std::sort(names.begin(), names.end());
  std::string all;
  for (const auto& name : names)
    all += (all.empty() ? "" : " ") + name;
  return all;
}

inline std::string bytes_of(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  REQUIRE(stream);
  return {std::istreambuf_iterator<char>(stream), {}};
}

inline void put_text(const fs::path& file, const std::string& text) {
  std::ofstream(file, std::ios::binary) << text;
}

/// The message of the exception of type E that `call` throws, with its hint; empty if it throws none.
template <class E>
std::string message_of(const std::function<void()>& call) {
  try {
    call();
  } catch (const E& error) {
    return std::string(error.what()) + " | " + error.hint();
  }
  return {};
}

inline bool contains(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

/// Fills a volume from a function of the voxel's coordinates in mm.
inline rayloom::Volume filled(const rayloom::Grid& grid, const std::function<double(double, double, double)>& value) {
  rayloom::Volume volume(grid);
  for (int k = 0; k < grid.nz; ++k)
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i)
        volume.at(i, j, k) = float(value(grid.x_mm(i), grid.y_mm(j), grid.z_mm(k)));
  return volume;
}

inline void write(const fs::path& folder, const rayloom::Volume& volume, const rayloom::VolumeCoding& coding = {},
                  rayloom::Overwrite overwrite = rayloom::Overwrite::no) {
  rayloom::VolumeWriter writer(folder, volume.grid, coding, overwrite);
  for (int k = 0; k < volume.grid.nz; ++k)
    writer.append(volume.slice(k));
  writer.finish({{"title", "a test"}});
}

}  // namespace volume_test
