#include <array>
#include <cassert>
#include <limits>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/volume.h"
#include "rayloom/volume/volume_files.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

Grid grid_from(const JsonFields& fields) {
  Grid grid;
  std::array<int, 3> size{};
  const auto& list = fields.raw("size");
  const long most = 1'000'000;
  for (std::size_t i = 0; i < 3; ++i) {
    if (!list.is_array() || list.size() != 3 || !list[i].is_number_integer() || list[i] < 1 || list[i] > most)
      fields.fail("size", "must be a list of 3 whole numbers from 1 to " + std::to_string(most));
    size[i] = list[i].get<int>();
  }
  grid.nx = size[0], grid.ny = size[1], grid.nz = size[2];
  if (long(grid.ny) * grid.nz > std::numeric_limits<int>::max())
    fields.fail("size", "rows x slices must be below 2147483648");
  grid.voxel_mm = fields.positive("voxel_mm");
  const auto centre = fields.numbers("centre_mm", 3);
  grid.centre_mm = {centre[0], centre[1], centre[2]};
  return grid;
}

VolumeCoding coding_from(const JsonFields& fields) {
  VolumeCoding coding;
  try {
    coding.format = volume_format_from(fields.text("format"));
  } catch (const InvalidOption&) {
    fields.fail("format", "must be slices, bigtiff or raw");
  }
  const std::string type = fields.text("sample_type");
  if (type == "uint16") {
    coding.type = SampleType::uint16;
    coding.low_per_mm = fields.number("low_per_mm");
    coding.high_per_mm = fields.number("high_per_mm");
    if (!(coding.low_per_mm < coding.high_per_mm)) fields.fail("high_per_mm", "must be above low_per_mm");
  } else if (type != "float32") {
    fields.fail("sample_type", "must be float32 or uint16");
  }
  return coding;
}

}  // namespace

StoredVolume::StoredVolume(const fs::path& path) {
  std::error_code ignored;
  if (!fs::exists(path, ignored)) throw BadInput(path.string() + ": no such volume folder");
  const fs::path json = fs::is_directory(path, ignored) ? path / volume_files::record : path;
  folder_ = json.parent_path();
  record_ = read_json_file(json);

  const JsonFields fields(record_, json.string());
  if (fields.integer("rayloom_volume") != 1) fields.fail("rayloom_volume", "must be 1");
  grid_ = grid_from(fields);
  if (fields.text("unit") != "1/mm") fields.fail("unit", "must be 1/mm");
  coding_ = coding_from(fields);

  ImageNames names;
  ImageStorage storage;
  if (coding_.type == SampleType::uint16) {
    storage.scale = coding_.step_per_mm();
    storage.offset = coding_.low_per_mm;
  }
  using Sample = Headerless::Sample;
  const Sample sample = coding_.type == SampleType::uint16 ? Sample::uint16 : Sample::float32;
  std::size_t images = std::size_t(grid_.nz);
  int rows = grid_.ny;
  switch (coding_.format) {
    case VolumeFormat::slices:
      for (int k = 0; k < grid_.nz; ++k)
        names.push_back(volume_files::slice(k));
      break;
    case VolumeFormat::bigtiff:
      names = {volume_files::bigtiff};
      break;
    case VolumeFormat::raw:  // one tall image, slice under slice
      names = {volume_files::raw};
      images = 1;
      rows *= grid_.nz;
      storage.headerless = Headerless{sample, false, 0};
      storage.headerless_rows = rows;
      storage.headerless_columns = grid_.nx;
      break;
  }
  images_.emplace(folder_, names, storage);
  if (images_->count() != images)
    throw BadInput(images_->files().front().string() + ": " + std::to_string(images_->count()) + " pages; must be " +
                   std::to_string(images) + ", as volume.json says in size");
  if (images_->columns() != grid_.nx || images_->rows() != rows)
    throw BadInput(images_->name_of(0) + ": " + std::to_string(images_->columns()) + " x " +
                   std::to_string(images_->rows()) + " pixels; must be " + std::to_string(grid_.nx) + " x " +
                   std::to_string(rows) + ", as volume.json says in size");
  if (images_->sample() != sample)
    throw BadInput(images_->name_of(0) + ": " + to_string(images_->sample()) + " samples; must be " +
                   to_string(sample) + ", as volume.json says in sample_type");
}

void StoredVolume::read_slice(int k, std::span<float> samples) const {
  read_rows(k, 0, grid_.ny, samples);
}

void StoredVolume::read_rows(int k, int first_row, int row_count, std::span<float> samples) const {
  assert(k >= 0 && k < grid_.nz && first_row >= 0 && first_row + row_count <= grid_.ny);
  if (coding_.format == VolumeFormat::raw)
    images_->read_rows(0, k * grid_.ny + first_row, row_count, samples);
  else
    images_->read_rows(std::size_t(k), first_row, row_count, samples);
}

Volume StoredVolume::read() const {
  Volume volume(grid_);
  for (int k = 0; k < grid_.nz; ++k)
    read_slice(k, volume.slice(k));
  return volume;
}

}  // namespace rayloom
