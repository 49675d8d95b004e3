#include <bit>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/volume.h"
#include "rayloom/volume/volume_files.h"

namespace rayloom {

namespace fs = std::filesystem;
static_assert(std::endian::native == std::endian::little, "volume.raw is written as it lies in memory");

namespace {

bool belongs_to_volume(const std::string& name) {
  for (const char* known : {volume_files::record, volume_files::bigtiff, volume_files::raw, volume_files::nrrd_header})
    if (name == known || name == std::string(known) + ".partial") return true;
  return name == volume_files::slices;
}

void require_space(const fs::path& folder, const Grid& grid, const VolumeCoding& coding) {
  const double per_slice = 1024;  // a TIFF's header and tags
  const double needed = double(grid.voxels()) * double(coding.sample_bytes()) + per_slice * (grid.nz + 4);
  std::error_code error;
  const fs::space_info space = fs::space(folder, error);
  if (!error && needed > double(space.available))
    throw CannotWrite(folder.string() + ": " + to_text(needed) + " bytes needed, but " +
                          std::to_string(space.available) + " are free on this disk",
                      "free some space, take another disk, or ask for fewer or larger voxels");
}

[[noreturn]] void fail(const fs::path& file) {
  throw CannotWrite(file.string() + ": cannot be written", "is the disk full?");
}

void write_text(const fs::path& file, const std::string& text) {
  std::ofstream stream(file, std::ios::binary);
  stream << text;
  stream.close();
  if (!stream) fail(file);
}

/// The header beside volume.raw: "Definition of NRRD File Format", version NRRD0004 (the first with space directions).
std::string nrrd_header(const Grid& grid, const VolumeCoding& coding) {
  const std::string s = to_text(grid.voxel_mm);
  std::string text =
      "NRRD0004\n"
      "# linear attenuation, written by rayloom; volume.json says more\n";
  text += std::string("type: ") + (coding.type == SampleType::uint16 ? "uint16" : "float") + "\n";
  text += "dimension: 3\nspace: 3D-right-handed\n";
  text += "sizes: " + std::to_string(grid.nx) + " " + std::to_string(grid.ny) + " " + std::to_string(grid.nz) + "\n";
  text += "space directions: (" + s + ",0,0) (0,-" + s + ",0) (0,0," + s + ")\n";
  text += "kinds: domain domain domain\n";
  text += "space units: \"mm\" \"mm\" \"mm\"\n";
  text += "space origin: (" + to_text(grid.x_mm(0)) + "," + to_text(grid.y_mm(0)) + "," + to_text(grid.z_mm(0)) + ")\n";
  if (coding.type == SampleType::uint16)  // what 0 and 65535 stand for
    text += "old min: " + to_text(coding.low_per_mm) + "\nold max: " + to_text(coding.high_per_mm) + "\n";
  else
    text += "sample units: \"1/mm\"\n";
  return text + "endian: little\nencoding: raw\ndata file: " + volume_files::raw + "\n";
}

}  // namespace

struct VolumeWriter::State {
  OutputFolder folder;  // destroyed last, after the files in it are closed
  Grid grid;
  VolumeCoding coding;
  int slices = 0;
  std::size_t clipped = 0;
  std::vector<float> coded;
  std::unique_ptr<TiffStack> stack;
  std::ofstream raw;
  TiffTags tags;

  State(const fs::path& path, const Grid& grid_, const VolumeCoding& coding_, Overwrite overwrite)
      : folder(path, overwrite, belongs_to_volume), grid(grid_), coding(coding_) {}

  fs::path file(const std::string& name) const { return folder.partial() / name; }

  /// Samples as stored: attenuation, or whole numbers 0..65535.
  std::span<const float> encode(std::span<const float> slice) {
    if (coding.type == SampleType::float32) return slice;
    coded.resize(slice.size());
    const double low = coding.low_per_mm, high = coding.high_per_mm, scale = 65535 / (high - low);
    for (std::size_t i = 0; i < slice.size(); ++i) {
      const double value = slice[i];
      if (!(value >= low && value <= high)) ++clipped;
      coded[i] = value >= low ? float(std::nearbyint((std::min(value, high) - low) * scale)) : 0.0F;
    }
    return coded;
  }

  void append_raw(std::span<const float> samples) {
    if (coding.type == SampleType::float32) {
      raw.write(reinterpret_cast<const char*>(samples.data()), std::streamsize(samples.size_bytes()));
    } else {
      const std::vector<std::uint16_t> words(samples.begin(), samples.end());
      raw.write(reinterpret_cast<const char*>(words.data()), std::streamsize(2 * words.size()));
    }
    if (!raw) fail(folder.folder() / volume_files::raw);
  }
};

VolumeWriter::VolumeWriter(const fs::path& folder, const Grid& grid, const VolumeCoding& coding, Overwrite overwrite) {
  grid.validate();
  coding.validate();
  state_ = std::make_unique<State>(folder, grid, coding, overwrite);
  State& s = *state_;
  require_space(s.folder.partial(), grid, coding);
  s.tags.pixel_mm = grid.voxel_mm;
  s.tags.description = "linear attenuation in 1/mm";
  if (coding.type == SampleType::uint16)
    s.tags.description += " = " + to_text(coding.low_per_mm) + " + sample * " + to_text(coding.step_per_mm());

  std::error_code error;
  switch (coding.format) {
    case VolumeFormat::slices:
      if (!fs::create_directory(s.file(volume_files::slices), error))
        throw CannotWrite(folder.string() + ": cannot be written: " + error.message());
      break;
    case VolumeFormat::bigtiff:
      s.stack = std::make_unique<TiffStack>(s.file(volume_files::bigtiff), grid.ny, grid.nx, coding.type, s.tags);
      break;
    case VolumeFormat::raw:
      s.raw.open(s.file(volume_files::raw), std::ios::binary);
      if (!s.raw) fail(s.folder.folder() / volume_files::raw);
      break;
  }
}

VolumeWriter::~VolumeWriter() = default;

void VolumeWriter::append(std::span<const float> slice) {
  State& s = *state_;
  const std::size_t voxels = std::size_t(s.grid.ny) * std::size_t(s.grid.nx);
  if (slice.size() != voxels)
    throw InvalidOption("slice: " + std::to_string(slice.size()) + " samples; must be " + std::to_string(voxels));
  if (s.slices == s.grid.nz)
    throw InvalidOption("slice: all " + std::to_string(s.grid.nz) + " of the grid are there already");
  const auto samples = s.encode(slice);
  switch (s.coding.format) {
    case VolumeFormat::slices:
      write_tiff(s.file(volume_files::slice(s.slices)), s.grid.ny, s.grid.nx, samples, s.coding.type, s.tags);
      break;
    case VolumeFormat::bigtiff:
      s.stack->append(samples);
      break;
    case VolumeFormat::raw:
      s.append_raw(samples);
      break;
  }
  ++s.slices;
}

std::size_t VolumeWriter::clipped() const {
  return state_->clipped;
}

void VolumeWriter::finish(const nlohmann::ordered_json& record) {
  State& s = *state_;
  const Grid& g = s.grid;
  if (s.slices != g.nz)
    throw InvalidOption("volume: " + std::to_string(s.slices) + " of " + std::to_string(g.nz) +
                        " slices; must be whole to be finished");
  if (s.stack) s.stack->finish();
  if (s.coding.format == VolumeFormat::raw) {
    s.raw.close();
    if (!s.raw) fail(s.folder.folder() / volume_files::raw);
    write_text(s.file(volume_files::nrrd_header), nrrd_header(g, s.coding));
  }

  nlohmann::ordered_json json = {
      {"rayloom_volume", 1},
      {"program_version", RAYLOOM_VERSION},
      {"size", {g.nx, g.ny, g.nz}},
      {"voxel_mm", g.voxel_mm},
      {"centre_mm", {g.centre_mm.x(), g.centre_mm.y(), g.centre_mm.z()}},
      {"unit", "1/mm"},
      {"orientation", "slices rise with z; in a slice columns rise with x and rows run downwards from the largest y"},
      {"format", to_string(s.coding.format)},
      {"sample_type", s.coding.type == SampleType::uint16 ? "uint16" : "float32"}};
  if (s.coding.type == SampleType::uint16) {
    json["low_per_mm"] = s.coding.low_per_mm;
    json["high_per_mm"] = s.coding.high_per_mm;
    json["clipped_share"] = double(s.clipped) / double(g.voxels());
  }
  for (const auto& [key, value] : record.items())
    if (!json.contains(key)) json[key] = value;
  write_json_file(s.file(volume_files::record), json);
  s.folder.finish();
}

}  // namespace rayloom
