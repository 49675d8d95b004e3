/// @file
/// Volumes: in memory, and as folders on disk with volume.json beside the samples.
#pragma once
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <span>
#include <string>
#include <vector>

#include "rayloom/geometry/grid.h"
#include "rayloom/scan/tiff_write.h"

namespace rayloom {

enum class VolumeFormat {
  slices,   ///< slices/slice_0000.tif ...
  bigtiff,  ///< volume.tif
  raw       ///< volume.raw with volume.nhdr (NRRD)
};

/// A volume in memory, float32 in 1/mm: samples[(k ny + j) nx + i], laid out as Grid says.
struct Volume {
  Grid grid;
  std::vector<float> samples;

  explicit Volume(const Grid& grid_) : grid(grid_), samples(grid_.voxels()) {}
  std::size_t index(int i, int j, int k) const {
    return (std::size_t(k) * std::size_t(grid.ny) + std::size_t(j)) * std::size_t(grid.nx) + std::size_t(i);
  }
  float& at(int i, int j, int k) { return samples[index(i, j, k)]; }
  float at(int i, int j, int k) const { return samples[index(i, j, k)]; }
  std::span<float> slice(int k);
  std::span<const float> slice(int k) const;
};

/// How the samples of a stored volume stand for attenuation.
struct VolumeCoding {
  VolumeFormat format = VolumeFormat::slices;
  SampleType type = SampleType::float32;   ///< float32 or uint16.
  double low_per_mm = 0, high_per_mm = 0;  ///< uint16: the values of 0 and 65535.
};

enum class Overwrite { no, yes };

/// Writes a volume folder slice by slice, in rising k. Everything goes into `FOLDER.partial`, which `finish` renames to
/// FOLDER when whole; if never finished, it is removed.
class VolumeWriter {
 public:
  /// @throws InvalidOption if the folder exists and `overwrite` is not set; CannotWrite.
  VolumeWriter(const std::filesystem::path& folder, const Grid& grid, const VolumeCoding& coding, Overwrite overwrite);
  ~VolumeWriter();
  VolumeWriter(const VolumeWriter&) = delete;
  VolumeWriter& operator=(const VolumeWriter&) = delete;

  /// Appends the next slice, nx ny values in 1/mm.
  void append(std::span<const float> slice);

  /// Writes volume.json (size, voxel, centre, unit, orientation, coding, then `record`'s fields) and makes the folder
  /// appear.
  void finish(const nlohmann::ordered_json& record);

  std::size_t clipped() const;  ///< Samples outside low..high so far (uint16).

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// A stored volume, read slice by slice.
class StoredVolume {
 public:
  /// @param path  The folder or its volume.json. @throws BadInput naming file, field, value and what must hold.
  explicit StoredVolume(const std::filesystem::path& path);
  const Grid& grid() const { return grid_; }
  const nlohmann::json& record() const { return record_; }  ///< All of volume.json.
  const std::filesystem::path& folder() const { return folder_; }

  /// Slice k in 1/mm, nx ny values. Thread-safe.
  void read_slice(int k, std::span<float> samples) const;
  Volume read() const;

 private:
  std::filesystem::path folder_;
  nlohmann::json record_;
  Grid grid_;
  VolumeCoding coding_;
};

}  // namespace rayloom
