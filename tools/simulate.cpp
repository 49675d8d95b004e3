// rayloom simulate: what would this scan give? Line integrals or raw counts of a phantom or a volume.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <functional>
#include <memory>
#include <optional>

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/scan/scan_file.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/project_volume.h"
#include "rayloom/simulate/raw_scan.h"
#include "rayloom/volume/output_folder.h"

namespace rayloom::tools {

namespace fs = std::filesystem;

namespace {

struct Arguments {
  std::string object, geometry, output;
  std::vector<std::string> settings;
  std::optional<double> counts, energy_kev;
  std::optional<int> subsamples;
  std::uint64_t seed = 1;
  bool overwrite = false, no_scan_file = false;
};

constexpr int dark_exposures = 8, open_exposures = 16, default_subsamples = 2;
constexpr double most_counts = 60000;  // with offset and gain pattern, the open beam stays below 65535

/// What is scanned: line integrals of the view at an angle.
struct Object {
  std::string title;
  std::function<void(const Geometry&, double angle_rad, std::span<float> view)> project;
};

Object open_object(const Arguments& given) {
  const fs::path path = given.object;
  if (fs::is_directory(path) || path.filename() == "volume.json") {
    if (given.subsamples) throw InvalidOption("--subsamples: counts for phantoms; must be absent for a volume");
    if (given.energy_kev) throw InvalidOption("--energy: counts for phantoms; must be absent for a volume");
    const auto volume = std::make_shared<Volume>(StoredVolume(path).read());
    return {given.object, [volume](const Geometry& geometry, double angle_rad, std::span<float> view) {
              project_volume(*volume, geometry, angle_rad, view);
            }};
  }
  const auto phantom = std::make_shared<Phantom>(read_phantom(path));
  const auto attenuation = phantom->attenuations(given.energy_kev);
  // Photons average in a pixel that counts them; line integrals average where they are the result.
  const PixelSampling sampling{
      given.subsamples.value_or(default_subsamples),
      given.counts ? PixelSampling::Average::transmission : PixelSampling::Average::line_integral};
  return {phantom->title, [=](const Geometry& geometry, double angle_rad, std::span<float> view) {
            project_phantom(*phantom, attenuation, geometry, angle_rad, sampling, view);
          }};
}

void make_folder(const fs::path& folder) {
  std::error_code error;
  if (!fs::create_directory(folder, error))
    throw CannotWrite(folder.string() + ": cannot be made: " + error.message(), "is the disk full?");
}

void write_text(const fs::path& file, const std::string& text) {
  std::ofstream stream(file, std::ios::binary);
  stream << text;
  stream.close();
  if (!stream) throw CannotWrite(file.string() + ": cannot be written", "is the disk full?");
}

/// The settings as a plain text, as scanners leave one beside their images.
std::string settings_text(const Scan& scan) {
  std::string text;
  const auto line = [&](const std::string& key, double value, const std::string& unit) {
    text += key + " = " + to_text(value) + (unit.empty() ? "" : " " + unit) + "\n";
  };
  const Geometry& geometry = scan.geometry;
  const Detector& detector = geometry.detector;
  text += "beam = " + to_string(geometry.beam) + "\n";
  if (geometry.beam != Beam::parallel) {
    line("source object distance", geometry.sod_mm, "mm");
    line("source detector distance", geometry.sdd_mm, "mm");
  }
  line("detector columns", detector.columns, "");
  line("detector rows", detector.rows, "");
  line("column pitch", detector.column_pitch_mm, "mm");
  line("row pitch", detector.row_pitch_mm, "mm");
  line("axis column", detector.axis_column, "px");
  line("midplane row", detector.midplane_row, "px");
  line("views", double(geometry.angles_rad.size()), "");
  if (scan.views.arc_deg || scan.views.step_deg) line("first angle", scan.views.first_deg, "deg");
  if (scan.views.arc_deg) line("arc", *scan.views.arc_deg, "deg");
  if (scan.views.step_deg) line("angle step", *scan.views.step_deg, "deg");
  if (scan.images.saturation) line("saturation", *scan.images.saturation, "");
  if (scan.source.voltage_kv) line("voltage", *scan.source.voltage_kv, "kV");
  if (scan.source.current_ma) line("current", *scan.source.current_ma, "mA");
  if (scan.source.focal_spot_mm) line("focal spot", *scan.source.focal_spot_mm, "mm");
  for (const auto& filter : scan.source.filters)
    text += "filter = " + to_text(filter.thickness_mm) + " mm " + filter.material + "\n";
  return text;
}

std::string angles_text(const Scan& scan) {
  std::string text;
  for (const double angle : scan.geometry.angles_rad)
    text += to_text(degrees(angle)) + "\n";
  return text;
}

bool belongs(const std::string& name) {
  for (const char* own : {"projections", "dark", "open", "scan.json", "scan.png", "settings.txt", "angles.txt"})
    if (name == own) return true;
  return false;
}

/// Where the part lets least through.
struct Darkest {
  float line_integral = 0;
  int view = 0, row = 0, column = 0;
};

int run(const Context& context, const Arguments& given) {
  const Hooks hooks = context.hooks();
  if (given.counts && !(*given.counts >= 1 && *given.counts <= most_counts))
    throw InvalidOption("--counts: " + to_text(*given.counts) + "; must be from 1 to " + to_text(most_counts));
  if (given.subsamples && (*given.subsamples < 1 || *given.subsamples > 64))
    throw InvalidOption("--subsamples: " + std::to_string(*given.subsamples) + "; must be from 1 to 64");
  Scan scan = read_scan(given.geometry, given.settings);
  const Object object = open_object(given);
  const Geometry& geometry = scan.geometry;
  const int rows = geometry.detector.rows, columns = geometry.detector.columns, views = int(geometry.angles_rad.size());

  OutputFolder output(given.output, given.overwrite ? Overwrite::yes : Overwrite::no, belongs);
  std::vector<float> view(std::size_t(rows) * std::size_t(columns)), counts(view.size());
  const auto write = [&](const std::string& folder, const std::string& stem, int index,
                         std::span<const float> samples) {
    char name[40];
    std::snprintf(name, sizeof name, "%s_%04d.tif", stem.c_str(), index);
    write_tiff(output.partial() / folder / name, rows, columns, samples,
               given.counts ? SampleType::uint16 : SampleType::float32);
  };

  RawDetector detector;
  DetectorPattern pattern;
  make_folder(output.partial() / "projections");
  if (given.counts) {
    detector.open_counts = *given.counts;
    detector.seed = given.seed;
    pattern = detector_pattern(detector, rows, columns);
    // Exposures of dark and open images are numbered after those of the views, so that no noise repeats.
    make_folder(output.partial() / "dark");
    for (int i = 0; i < dark_exposures; ++i) {
      expose_dark(detector, pattern, std::uint64_t(views + i), counts);
      write("dark", "dark", i, counts);
    }
    make_folder(output.partial() / "open");
    for (int i = 0; i < open_exposures; ++i) {
      expose(detector, pattern, {}, std::uint64_t(views + dark_exposures + i), counts);
      write("open", "open", i, counts);
    }
  }

  Darkest darkest;
  for (int i = 0; i < views; ++i) {
    if (hooks.stop()) throw Cancelled("stopped at view " + std::to_string(i) + " of " + std::to_string(views));
    object.project(geometry, geometry.angles_rad[std::size_t(i)], view);
    const auto most = std::max_element(view.begin(), view.end());
    if (const int at = int(most - view.begin()); *most > darkest.line_integral)
      darkest = {*most, i, at / columns, at % columns};
    if (given.counts) expose(detector, pattern, view, std::uint64_t(i), counts);
    write("projections", "view", i, given.counts ? counts : view);
    hooks.report("projecting", double(i + 1) / views);
  }

  scan.images = {};
  scan.images.projections = {"projections/*.tif"};
  scan.images.kind = given.counts ? ImageKind::counts : ImageKind::line_integrals;
  if (given.counts) {
    scan.images.dark = ImageNames{"dark/*.tif"};
    scan.images.open = ImageNames{"open/*.tif"};
    scan.images.saturation = 65535;
  }
  scan.title = "simulated: " + object.title;
  scan.views.angles_file.clear();  // it lies elsewhere; the angles are listed
  if (!given.no_scan_file) write_scan(scan, output.partial() / "scan.json");
  write_text(output.partial() / "settings.txt", settings_text(scan));
  if (!scan.views.arc_deg && !scan.views.step_deg) write_text(output.partial() / "angles.txt", angles_text(scan));
  output.finish();

  const double least = std::exp(-double(darkest.line_integral));
  context.say(given.output + ": " + std::to_string(views) + " views of " + std::to_string(columns) + " x " +
              std::to_string(rows) + " pixels, " + to_string(scan.images.kind));
  std::string darkest_text = "least transmission: " + to_text(100 * least, 3) + " % at view " +
                             std::to_string(darkest.view) + ", row " + std::to_string(darkest.row) + ", column " +
                             std::to_string(darkest.column);
  nlohmann::ordered_json result = {
      {"folder", given.output},
      {"views", views},
      {"columns", columns},
      {"rows", rows},
      {"kind", to_string(scan.images.kind)},
      {"least_transmission", least},
      {"darkest", {{"view", darkest.view}, {"row", darkest.row}, {"column", darkest.column}}}};
  if (given.counts) {
    darkest_text += ": " + to_text(*given.counts * least, 3) + " of " + to_text(*given.counts, 6) + " photons";
    result["open_counts"] = *given.counts;
    result["least_photons"] = *given.counts * least;
    result["dark_exposures"] = dark_exposures;
    result["open_exposures"] = open_exposures;
    result["seed"] = given.seed;
  }
  context.say(darkest_text);
  if (given.counts && least < 0.02)  // common practice: usable down to some 5 %, starved of photons below 2 %
    context.note("note: below 2 % the part starves the detector of photons; expect streaks. A harder beam would help");
  context.result(result);
  return Exit::done;
}

}  // namespace

void add_simulate(CLI::App& program) {
  auto given = std::make_shared<Arguments>();
  CLI::App* command = add_command(
      program, "simulate", "What would this scan give? Exact line integrals or raw counts of a phantom or a volume.",
      {"rayloom simulate phantoms/ball.json --geometry scan.json -o ideal",
       "rayloom simulate phantoms/pump_end_plate.json --geometry phantoms/pump_end_plate_scan.json --counts 20000 -o "
       "raw",
       "rayloom simulate volume/ --geometry scan.json --set views.count=90 -o again"},
      [given](const Context& context) { return run(context, *given); });
  command->add_option("PHANTOM", given->object, "phantom file, or a volume's folder")->required();
  command->add_option("--geometry", given->geometry, "scan file; its images are not needed")->required();
  command->add_option("-o,--output", given->output, "folder to write")->required();
  command->add_option("--counts", given->counts,
                      "mean open-beam photons a pixel, 1 to 60000: raw 16-bit counts with noise, and dark and open "
                      "images. Without it: line integrals, float32");
  command->add_option("--seed", given->seed, "of noise and gain pattern (1)");
  command->add_option("--subsamples", given->subsamples, "N x N rays a pixel, averaged over its area, 1 to 64 (2)");
  command->add_option("--energy", given->energy_kev, "photon energy for materials, keV (the phantom's own)");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
  command->add_flag("--no-scan-file", given->no_scan_file, "leave out scan.json, to try 'rayloom describe'");
  command->add_flag("--overwrite", given->overwrite, "replace the folder if it holds an earlier simulated scan");
}

}  // namespace rayloom::tools
