#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <numeric>
#include <sstream>

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
  const std::string slice = std::string(volume_files::slices) + "/slice_";
  const auto of_a_slice = [&] {
    const auto end = name.find_first_not_of("0123456789", slice.size());
    return name.starts_with(slice) && end != slice.size() && end != std::string::npos &&
           name.compare(end, 4, ".tif") == 0;
  };
  return name == volume_files::slices || name == volume_files::run_record ||
         name.starts_with(volume_files::finished_log) || of_a_slice();
}

std::string in_words(std::uintmax_t bytes) {
  const double mib = std::ldexp(double(bytes), -20);
  return mib < 1024 ? to_text(mib, 4) + " MiB" : to_text(mib / 1024, 4) + " GiB";
}

[[noreturn]] void fail(const fs::path& file) {
  throw CannotWrite(file.string() + ": cannot be written", "is the disk full?");
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

/// Where two settings differ first, as "key.key: THERE there, HERE now"; empty if nowhere.
std::string difference(const nlohmann::json& there, const nlohmann::json& here, const std::string& name = {}) {
  if (there == here) return {};
  if (there.is_object() && here.is_object()) {
    for (const auto* side : {&there, &here})
      for (const auto& [key, ignored] : side->items()) {
        std::string path = name;
        if (!path.empty()) path += '.';
        path += key;
        std::string inner = difference(there.value(key, nlohmann::json()), here.value(key, nlohmann::json()), path);
        if (!inner.empty()) return inner;
      }
  }
  return name + ": " + there.dump() + " there, " + here.dump() + " now";
}

/// run.json, held open: what the runs that share a volume agree on, and their lock.
class RunRecord {
 public:
  explicit RunRecord(const fs::path& file) : file_(file), descriptor_(open(file.c_str(), O_RDWR | O_CREAT, 0666)) {
    if (descriptor_ < 0) fail(file_);
  }
  ~RunRecord() { close(descriptor_); }
  RunRecord(const RunRecord&) = delete;
  RunRecord& operator=(const RunRecord&) = delete;

  /// Waits until no other run holds it; ends with the process at the latest. On a file system without locks the
  /// renaming of the folder decides alone.
  void lock() const { flock(descriptor_, LOCK_EX); }
  void unlock() const { flock(descriptor_, LOCK_UN); }

  /// Null if there is nothing yet.
  nlohmann::json read() const {
    const std::string text = [&] {
      std::ostringstream all;
      all << std::ifstream(file_, std::ios::binary).rdbuf();
      return all.str();
    }();
    if (text.empty()) return {};
    auto json = nlohmann::json::parse(text, nullptr, false);
    if (!json.is_object() || !json.contains("settings"))
      throw BadInput(file_.string() + ": damaged; must tell the settings of a broken run",
                     "remove the folder that holds it to begin anew");
    return json;
  }
  void write(const nlohmann::json& json) const {
    const std::string text = json.dump(1);
    if (::write(descriptor_, text.data(), text.size()) != ssize_t(text.size())) fail(file_);
  }

 private:
  fs::path file_;
  int descriptor_;
};

std::string log_name() {
  char host[65] = {};
  gethostname(host, sizeof host - 1);
  return volume_files::finished_log + std::string(host) + "_" + std::to_string(getpid()) + ".log";
}

/// What the logs in FOLDER.partial say.
struct Finished {
  std::vector<std::optional<std::size_t>> clipped;  ///< One a slice; set where it is finished.
  std::vector<nlohmann::json> notes;
};

}  // namespace

DiskNeed disk_need(const fs::path& folder, const Grid& grid, const VolumeCoding& coding, int slices) {
  const std::uintmax_t per_slice = 1024;  // a TIFF's header and tags
  DiskNeed disk;
  disk.needed =
      (std::uintmax_t(grid.nx) * std::uintmax_t(grid.ny) * coding.sample_bytes() + per_slice) * std::uintmax_t(slices) +
      4 * per_slice;
  const fs::path parent = fs::absolute(folder / ".").lexically_normal().parent_path().parent_path();
  std::error_code error;
  const fs::space_info space = fs::space(parent, error);
  if (!error) disk.free = space.available;
  return disk;
}

void require_space(const fs::path& folder, const Grid& grid, const VolumeCoding& coding, int slices) {
  const DiskNeed disk = disk_need(folder, grid, coding, slices);
  if (disk.free && disk.needed > *disk.free)
    throw CannotWrite(folder.string() + ": " + in_words(disk.needed) + " needed, but " + in_words(*disk.free) +
                          " are free on this disk",
                      "free some space, take another disk, or ask for fewer or larger voxels");
}

struct VolumeWriter::State {
  OutputFolder folder;  // destroyed last, after the files in it are closed
  Grid grid;
  VolumeCoding coding;
  int next = 0;                      // slice to append
  std::size_t clipped_here = 0;      // in the slice at hand
  std::vector<std::size_t> clipped;  // without logs
  std::unique_ptr<RunRecord> record;
  std::vector<float> coded;
  std::unique_ptr<TiffStack> stack;
  std::ofstream raw;
  TiffTags tags;

  State(const fs::path& path, const Grid& grid_, const VolumeCoding& coding_, Overwrite overwrite, Partial partial)
      : folder(path, overwrite, {belongs_to_volume, volume_files::record}, partial), grid(grid_), coding(coding_) {}

  fs::path file(const std::string& name) const { return folder.partial() / name; }

  /// A slice counts as finished if a log says so and its file has the right size: a machine that loses its power may
  /// keep the one and not the other.
  Finished finished() const {
    Finished all{std::vector<std::optional<std::size_t>>(std::size_t(grid.nz)), {}};
    const std::uintmax_t least = std::uintmax_t(grid.nx) * std::uintmax_t(grid.ny) * coding.sample_bytes();
    std::error_code error;
    for (const auto& entry : fs::directory_iterator(folder.partial(), error)) {
      if (!entry.path().filename().string().starts_with(volume_files::finished_log)) continue;
      std::ifstream lines(entry.path());
      for (std::string line; std::getline(lines, line);) {
        std::istringstream words(line);
        std::string what, end;
        int k = 0;
        std::size_t count = 0;
        if (line.starts_with("note ")) {
          auto json = nlohmann::json::parse(line.substr(5), nullptr, false);
          if (!json.is_discarded()) all.notes.push_back(std::move(json));
        } else if (words >> what >> k >> count >> end && what == "slice" && end == "." && k >= 0 && k < grid.nz) {
          const auto size = fs::file_size(file(volume_files::slice(k)), error);
          if (!error && size > least) all.clipped[std::size_t(k)] = count;
        }
      }
    }
    return all;
  }

  /// Settles with the other runs what all share.
  void join(const nlohmann::json& settings, Partial partial) {
    record = std::make_unique<RunRecord>(file(volume_files::run_record));
    if (partial == Partial::shared) folder.keep();
    record->lock();
    const auto there = record->read();
    if (there.is_null()) {
      record->write({{"settings", settings}, {"low_per_mm", coding.low_per_mm}, {"high_per_mm", coding.high_per_mm}});
    } else {
      const std::string differs = difference(there["settings"], settings);
      if (!differs.empty())
        throw InvalidOption(folder.partial().string() + ": " + differs + "; must be equal to go on with it",
                            "give the settings and images of the run that began it, or remove that folder");
      coding.low_per_mm = there.value("low_per_mm", coding.low_per_mm);
      coding.high_per_mm = there.value("high_per_mm", coding.high_per_mm);
    }
    record->unlock();
    std::error_code error;
    fs::create_directory(file(volume_files::slices), error);
    if (error) fail(folder.folder());
    put_down("begun");
  }

  /// A line of this run's log, closed at once: on a shared file system that is when others see it, so that of the last
  /// two runs at least one finds the volume complete.
  void put_down(const std::string& line) const {
    std::ofstream log(file(log_name()), std::ios::app);
    log << line << '\n';
    log.close();
    if (!log) fail(folder.folder());
  }

  /// Samples as stored: attenuation, or whole numbers 0..65535.
  std::span<const float> encode(std::span<const float> slice) {
    if (coding.type == SampleType::float32) return slice;
    clipped_here = 0;
    coded.resize(slice.size());
    const double low = coding.low_per_mm, high = coding.high_per_mm, scale = 65535 / (high - low);
    for (std::size_t i = 0; i < slice.size(); ++i) {
      const double value = slice[i];
      if (!(value >= low && value <= high)) ++clipped_here;
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

VolumeWriter::VolumeWriter(const fs::path& folder, const Grid& grid, const VolumeCoding& coding, Overwrite overwrite,
                           const nlohmann::json& settings, Partial partial) {
  grid.validate();
  coding.validate();
  if (partial == Partial::shared && coding.format != VolumeFormat::slices)
    throw InvalidOption("format: " + to_string(coding.format) + "; must be slices for several runs to share a volume");
  state_ = std::make_unique<State>(folder, grid, coding, overwrite, partial);
  State& s = *state_;
  const auto there = s.finished().clipped;
  require_space(s.folder.folder(), grid, coding, int(std::count(there.begin(), there.end(), std::nullopt)));
  switch (coding.format) {
    case VolumeFormat::slices:
      s.join(settings, partial);
      break;
    case VolumeFormat::bigtiff:
      break;
    case VolumeFormat::raw:
      s.raw.open(s.file(volume_files::raw), std::ios::binary);
      if (!s.raw) fail(s.folder.folder() / volume_files::raw);
      break;
  }
  s.tags.pixel_mm = grid.voxel_mm;
  s.tags.description = "linear attenuation in 1/mm";
  if (coding.type == SampleType::uint16)
    s.tags.description += " = " + to_text(s.coding.low_per_mm) + " + sample * " + to_text(s.coding.step_per_mm());
  if (coding.format == VolumeFormat::bigtiff)
    s.stack = std::make_unique<TiffStack>(s.file(volume_files::bigtiff), grid.ny, grid.nx, coding.type, s.tags);
}

VolumeWriter::~VolumeWriter() = default;

const VolumeCoding& VolumeWriter::coding() const {
  return state_->coding;
}

void VolumeWriter::append(std::span<const float> slice) {
  write(state_->next, slice);
}

void VolumeWriter::write(int k, std::span<const float> slice) {
  State& s = *state_;
  const std::size_t voxels = std::size_t(s.grid.ny) * std::size_t(s.grid.nx);
  if (slice.size() != voxels)
    throw InvalidOption("slice: " + std::to_string(slice.size()) + " samples; must be " + std::to_string(voxels));
  if (k < 0 || k >= s.grid.nz)
    throw InvalidOption("slice: " + std::to_string(k) + "; must be one of the grid's " + std::to_string(s.grid.nz));
  if (s.coding.format != VolumeFormat::slices && k != s.next)
    throw InvalidOption("slice: " + std::to_string(k) + "; must be " + std::to_string(s.next) + ", the next in a " +
                        to_string(s.coding.format) + " volume");
  const auto samples = s.encode(slice);
  switch (s.coding.format) {
    case VolumeFormat::slices:
      write_tiff(s.file(volume_files::slice(k)), s.grid.ny, s.grid.nx, samples, s.coding.type, s.tags);
      s.put_down("slice " + std::to_string(k) + " " + std::to_string(s.clipped_here) + " .");
      break;
    case VolumeFormat::bigtiff:
      s.stack->append(samples);
      break;
    case VolumeFormat::raw:
      s.append_raw(samples);
      break;
  }
  if (s.coding.format != VolumeFormat::slices) s.clipped.push_back(s.clipped_here);
  s.next = k + 1;
}

std::vector<char> VolumeWriter::finished() const {
  const State& s = *state_;
  std::vector<char> done(std::size_t(s.grid.nz));
  if (s.coding.format == VolumeFormat::slices) {
    const auto clipped = s.finished().clipped;
    for (std::size_t k = 0; k < done.size(); ++k)
      done[k] = clipped[k].has_value();
  } else {
    std::fill_n(done.begin(), s.next, char(true));
  }
  return done;
}

void VolumeWriter::note(const nlohmann::json& words) {
  if (state_->record) state_->put_down("note " + words.dump());
}

std::vector<nlohmann::json> VolumeWriter::notes() const {
  return state_->finished().notes;
}

std::size_t VolumeWriter::clipped() const {
  const State& s = *state_;
  std::size_t sum = 0;
  for (const auto& count : s.finished().clipped)
    sum += count.value_or(0);
  return std::accumulate(s.clipped.begin(), s.clipped.end(), sum);
}

std::size_t VolumeWriter::buffer_bytes(const Grid& grid, const VolumeCoding& coding) {
  const std::size_t pixels = std::size_t(grid.nx) * std::size_t(grid.ny);
  return coding.type == SampleType::uint16 ? pixels * (sizeof(float) + 2 * sizeof(std::uint16_t))
                                           : pixels * sizeof(float);
}

void VolumeWriter::finish(const nlohmann::ordered_json& record) {
  State& s = *state_;
  const Grid& g = s.grid;
  std::error_code error;
  if (s.record) {
    s.record->lock();
    if (!fs::exists(s.folder.partial(), error) && fs::exists(s.folder.folder() / volume_files::record, error)) {
      return;
    }
  }
  const auto done = finished();
  if (const auto there = std::count(done.begin(), done.end(), char(true)); there != g.nz)
    throw InvalidOption("volume: " + std::to_string(there) + " of " + std::to_string(g.nz) +
                        " slices; must be whole to be finished");
  const std::size_t clipped_samples = clipped();
  if (s.stack) s.stack->finish();
  if (s.coding.format == VolumeFormat::raw) {
    s.raw.close();
    if (!s.raw) fail(s.folder.folder() / volume_files::raw);
    write_text_file(s.file(volume_files::nrrd_header), nrrd_header(g, s.coding));
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
    json["clipped_share"] = double(clipped_samples) / double(g.voxels());
  }
  for (const auto& [key, value] : record.items())
    if (!json.contains(key)) json[key] = value;
  write_json_file(s.file(volume_files::record), json);
  s.folder.finish();
  for (const auto& entry : fs::directory_iterator(s.folder.folder(), error))
    if (const std::string name = entry.path().filename().string();
        name == volume_files::run_record || name.starts_with(volume_files::finished_log))
      fs::remove(entry.path(), error);
}

}  // namespace rayloom
