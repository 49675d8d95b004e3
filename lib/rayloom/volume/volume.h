/// @file
/// Volumes: in memory, and as folders on disk with volume.json beside the samples.
#pragma once
#include <cstdint>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rayloom/geometry/grid.h"
#include "rayloom/scan/image_series.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/volume/output_folder.h"

namespace rayloom {

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

enum class VolumeFormat {
  slices,   ///< slices/slice_0000.tif ...
  bigtiff,  ///< volume.tif, a page a slice
  raw       ///< volume.raw, little endian, with volume.nhdr (NRRD)
};
std::string to_string(VolumeFormat format);
/// @throws InvalidOption listing the names.
VolumeFormat volume_format_from(const std::string& name);

/// How the samples of a stored volume stand for attenuation.
struct VolumeCoding {
  VolumeFormat format = VolumeFormat::slices;
  SampleType type = SampleType::float32;  ///< float32 or uint16.
  /// uint16: a sample n stands for low + n (high - low)/65535; values are rounded, and clipped to low..high.
  double low_per_mm = 0, high_per_mm = 0;

  double step_per_mm() const { return (high_per_mm - low_per_mm) / 65535; }
  std::size_t sample_bytes() const { return type == SampleType::uint16 ? 2 : 4; }
  /// @throws InvalidOption for another type, or unless low < high (uint16).
  void validate() const;
};

/// Writes a volume folder slice by slice, with the promises of OutputFolder.
///
/// Format `slices` can be shared: several runs, at once on several machines or one after the other, each write some of
/// the slices into one FOLDER.partial; whoever finds them complete finishes the volume. What is done stands there too:
///
///     run.json                    settings, and the range of uint16; made by the first run
///     finished_HOST_PROCESS.log   of each run, a line a finished slice and one for its notes
class VolumeWriter {
 public:
  /// @param settings  What must be equal for runs to share a volume, as a JSON object.
  /// @throws InvalidOption for an impossible grid or coding, for `shared` with another format than slices, if the
  ///         settings differ from those in FOLDER.partial, naming the first that does, and as OutputFolder;
  ///         CannotWrite, also if the disk's free space is less than the missing slices need.
  VolumeWriter(const std::filesystem::path& folder, const Grid& grid, const VolumeCoding& coding, Overwrite overwrite,
               const nlohmann::json& settings = {}, Partial partial = Partial::own);
  ~VolumeWriter();
  VolumeWriter(const VolumeWriter&) = delete;
  VolumeWriter& operator=(const VolumeWriter&) = delete;

  /// As given; shared: with the range that the first run chose.
  const VolumeCoding& coding() const;

  /// Writes slice k, ny x nx values in 1/mm. Only format slices can leave some out. @throws InvalidOption, CannotWrite.
  void write(int k, std::span<const float> slice);
  /// Writes the slice after the last one written.
  void append(std::span<const float> slice);

  /// One a slice: non-zero where a finished slice is there, of this run or another.
  std::vector<char> finished() const;

  /// Leaves word for the run that finishes the volume. @throws CannotWrite.
  void note(const nlohmann::json& words);
  /// Of all runs so far.
  std::vector<nlohmann::json> notes() const;

  /// Writes volume.json (size, voxel, centre, unit, orientation, coding, then those fields of `record` that it does not
  /// have yet) and makes the folder appear. Does nothing if another run that shares the volume has just done so.
  /// @throws InvalidOption if slices are missing; CannotWrite.
  void finish(const nlohmann::ordered_json& record);

  std::size_t clipped() const;  ///< Samples outside low..high so far (uint16), of all runs.

  /// Bytes that it holds while writing.
  static std::size_t buffer_bytes(const Grid& grid, const VolumeCoding& coding);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// Bytes on disk of `slices` slices, and those free where `folder` is to stand (none if that cannot be told).
struct DiskNeed {
  std::uintmax_t needed = 0;
  std::optional<std::uintmax_t> free{};
};
DiskNeed disk_need(const std::filesystem::path& folder, const Grid& grid, const VolumeCoding& coding, int slices);
/// @throws CannotWrite if more is needed than is free.
void require_space(const std::filesystem::path& folder, const Grid& grid, const VolumeCoding& coding, int slices);

/// A stored volume, read slice by slice. Const methods may be called from several threads at once.
class StoredVolume {
 public:
  /// Checks volume.json and that every sample is there.
  /// @param path  The folder or its volume.json. @throws BadInput naming file, field, value and what must hold.
  explicit StoredVolume(const std::filesystem::path& path);
  const Grid& grid() const { return grid_; }
  const VolumeCoding& coding() const { return coding_; }
  const nlohmann::json& record() const { return record_; }  ///< All of volume.json.
  const std::filesystem::path& folder() const { return folder_; }

  /// Slice k in 1/mm, ny x nx values. @throws BadInput if the file is damaged or a sample is not finite.
  void read_slice(int k, std::span<float> samples) const;
  /// Rows [first_row, +row_count) of slice k, without reading all of it.
  void read_rows(int k, int first_row, int row_count, std::span<float> samples) const;
  Volume read() const;

 private:
  std::filesystem::path folder_;
  nlohmann::json record_;
  Grid grid_;
  VolumeCoding coding_;
  std::optional<ImageSeries> images_;
};

}  // namespace rayloom
