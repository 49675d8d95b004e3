// rayloom simulate: what would this scan give? Line integrals or raw counts of a phantom or a volume.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <functional>
#include <limits>
#include <memory>
#include <optional>

#include "command.h"
#include "fault_options.h"
#include "rayloom/json_fields.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/scan/tiled_scan.h"
#include "rayloom/simulate/faulty_detector.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/project_volume.h"
#include "rayloom/simulate/random.h"
#include "rayloom/simulate/spectrum.h"
#include "rayloom/volume/output_folder.h"

namespace rayloom::tools {

namespace fs = std::filesystem;

namespace {

struct SimulateArguments {
  std::string object, geometry, output;
  std::vector<std::string> settings;
  std::optional<double> counts, energy_kev;
  std::optional<int> subsamples;
  std::optional<double> tile_error_px, tile_level_error;
  std::uint64_t seed = 1;
  bool overwrite = false, no_scan_file = false;
  FaultOptions faults;
};

constexpr int dark_exposures = 8, open_exposures = 16, default_subsamples = 2;
constexpr double most_counts = 60000;  // with offset and gain pattern, the open beam stays below 65535

/// The exposure number that the tiles' true places are drawn from; the detector's pattern has the one above.
constexpr std::uint64_t tile_exposure = std::numeric_limits<std::uint64_t>::max() - 16;

constexpr double export_level = 50000;  // of the open beam in corrected images

/// What is scanned: line integrals of the view in a pose.
struct Object {
  std::string title;
  std::function<void(const Geometry&, const Pose&, std::span<float> view)> project;
};

Object open_volume(const SimulateArguments& given) {
  for (const auto& [option, is_given] :
       {std::pair("--subsamples", given.subsamples.has_value()), std::pair("--energy", given.energy_kev.has_value()),
        std::pair("--spectrum", given.faults.spectrum.has_value())})
    if (is_given) throw InvalidOption(std::string(option) + ": counts for phantoms; must be absent for a volume");
  const auto volume = std::make_shared<const Volume>(StoredVolume(given.object).read());
  return {given.object, [=](const Geometry& geometry, const Pose& pose, std::span<float> view) {
            project_volume(*volume, geometry, pose, view);
          }};
}

Object open_object(const SimulateArguments& given, const std::optional<Spectrum>& spectrum) {
  const fs::path path = given.object;
  if (fs::is_directory(path) || path.filename() == "volume.json") return open_volume(given);
  const auto phantom = std::make_shared<Phantom>(read_phantom(path));
  // Photons average in a pixel that counts them; line integrals average where they are the result.
  const PixelSampling sampling{
      given.subsamples.value_or(default_subsamples),
      given.counts ? PixelSampling::Average::transmission : PixelSampling::Average::line_integral};
  if (spectrum) {
    const auto attenuation = std::make_shared<SpectralAttenuation>(*spectrum, phantom->substances);
    return {phantom->title, [=](const Geometry& geometry, const Pose& pose, std::span<float> view) {
              project_phantom(*phantom, *attenuation, geometry, pose, sampling, view);
            }};
  }
  const auto attenuation = phantom->attenuations(given.energy_kev);
  return {phantom->title, [=](const Geometry& geometry, const Pose& pose, std::span<float> view) {
            project_phantom(*phantom, attenuation, geometry, pose, sampling, view);
          }};
}

/// The spectrum that was asked for.
std::optional<Spectrum> open_spectrum(const SimulateArguments& given, const Scan& scan) {
  const auto response = given.faults.response();
  if (!response) return {};
  if (given.energy_kev) throw InvalidOption("--energy: given with --spectrum; must be one of the two");
  if (!scan.source.voltage_kv)
    throw InvalidOption("--spectrum: " + given.geometry + " has no source.voltage_kv; must be there",
                        "--set source.voltage_kv=120 gives it");
  return tungsten_spectrum(*scan.source.voltage_kv, scan.source.filters, *response);
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

bool belongs_to_simulate(std::string name) {
  if (name.starts_with("tile-")) {
    const std::size_t end = name.find_first_not_of("0123456789", 5);
    if (end == std::string::npos) return name.size() > 5;
    if (end == 5 || name[end] != '/') return false;
    name.erase(0, end + 1);
  }
  if (name.ends_with(".partial")) name.resize(name.size() - 8);
  for (const char* own : {"projections", "dark", "open", "open-after", "return.tif", "scan.json", "scan.png",
                          "settings.txt", "angles.txt", "truth.json", "gain_drift.tif"})
    if (name == own) return true;
  for (const auto& [folder, stem] :
       {std::pair{"projections/", "view_"}, {"dark/", "dark_"}, {"open/", "open_"}, {"open-after/", "open-after_"}})
    if (const std::string start = std::string(folder) + stem; name.starts_with(start) && name.ends_with(".tif"))
      return name.find_first_not_of("0123456789", start.size()) == name.size() - 4;
  return false;
}

/// What was put in, beside the scan.
void write_truth(const fs::path& folder, const SimulateArguments& given, const std::string& title,
                 const std::optional<Spectrum>& spectrum, const RawDetector& detector, const Faults& faults,
                 const FaultTruth& truth) {
  nlohmann::ordered_json json = {{"rayloom_truth", 1}, {"title", title}};
  if (given.counts) {
    const bool noisy = detector.noise == CountNoise::photons_and_electronics;
    json["detector"] = {{"open_counts", detector.open_counts},
                        {"dark_counts", detector.dark_counts},
                        {"electronic_counts", noisy ? detector.electronic_counts : 0},
                        {"photon_noise", noisy},
                        {"gain_spread", detector.gain_spread},
                        {"seed", detector.seed}};
  }
  if (spectrum)
    json["spectrum"] = {{"response", *given.faults.spectrum}, {"mean_energy_kev", spectrum->mean_energy_kev()}};
  json.update(to_json(detector, faults, truth));
  write_json_file(folder / "truth.json", json);
  if (faults.gain_drift > 0)
    write_tiff(folder / "gain_drift.tif", truth.gain_drift.rows, truth.gain_drift.columns, truth.gain_drift.samples,
               SampleType::float32);
}

void require_tile_options(const SimulateArguments& given, bool has_tiles) {
  const auto require = [&](const char* option, const std::optional<double>& value, double most) {
    if (!value) return;
    if (!has_tiles) throw InvalidOption(std::string(option) + ": " + given.geometry + " has no tiles; must be absent");
    if (!(*value >= 0 && *value <= most))
      throw InvalidOption(std::string(option) + ": " + to_text(*value) + "; must be from 0 to " + to_text(most));
  };
  require("--tile-error", given.tile_error_px, 100);
  require("--tile-level-error", given.tile_level_error, 0.5);
}

/// Where the part lets least through.
struct Darkest {
  float line_integral = 0;
  int tile = 0, view = 0, row = 0, column = 0;
};

/// What one detector position is to give.
struct Position {
  const Geometry& geometry;
  Vec3 part_moved_mm;
  fs::path folder;  // to write into
  std::uint64_t seed;
  double level = 1;  // of the beam in its views, against its open-beam images
};

/// What it gave.
struct Simulated {
  ScanImages images;  // their names relative to the folder
  Darkest darkest;
};

Simulated simulate_position(const SimulateArguments& given, const Object& object,
                            const std::optional<Spectrum>& spectrum, const Position& position, const Hooks& hooks,
                            const std::function<void(double fraction)>& report) {
  const Geometry& geometry = position.geometry;
  const int rows = geometry.detector.rows, columns = geometry.detector.columns, views = int(geometry.angles_rad.size());
  const Faults faults = given.faults.faults(geometry);
  RawDetector settings;
  if (given.counts) settings.open_counts = *given.counts;
  settings.seed = position.seed;
  given.faults.apply_to(settings);
  FaultyDetector detector(settings, faults, geometry);

  std::vector<float> view(std::size_t(rows) * std::size_t(columns)), counts(view.size());
  const auto write = [&](const fs::path& name, std::span<const float> samples) {
    write_tiff(position.folder / name, rows, columns, samples, given.counts ? SampleType::uint16 : SampleType::float32);
  };
  const auto numbered = [](const std::string& folder, const std::string& stem, int index) {
    char name[40];
    std::snprintf(name, sizeof name, "%s_%04d.tif", stem.c_str(), index);
    return fs::path(folder) / name;
  };

  // Exposures of dark and open images are numbered after those of the views, so that no noise repeats.
  make_own_folder(position.folder / "projections");
  std::optional<CorrectedExport> corrected;
  if (given.counts) {
    Image dark(rows, columns), open(rows, columns);
    const auto take = [&](const std::string& name, int number, int first_exposure, Image& mean, auto expose) {
      if (!given.faults.corrected) make_own_folder(position.folder / name);
      for (int i = 0; i < number; ++i) {
        (detector.*expose)(std::uint64_t(views + first_exposure + i), counts);
        for (std::size_t pixel = 0; pixel < counts.size(); ++pixel)
          mean.samples[pixel] += counts[pixel] / float(number);
        if (!given.faults.corrected) write(numbered(name, name, i), counts);
      }
    };
    take("dark", dark_exposures, 0, dark, &FaultyDetector::dark);
    take("open", open_exposures, dark_exposures, open, &FaultyDetector::open);
    if (given.faults.open_after) {
      Image unused(rows, columns);
      take("open-after", open_exposures, dark_exposures + open_exposures, unused, &FaultyDetector::open_after);
    }
    if (given.faults.corrected) corrected.emplace(dark, open, detector.truth().pixels, export_level);
  }

  const auto among = [](const std::vector<int>& list, int i) {
    return std::find(list.begin(), list.end(), i) != list.end();
  };
  const auto brighten = [&] {
    if (position.level == 1) return;
    for (float& p : view)
      p -= float(std::log(position.level));
  };
  Simulated done;
  std::vector<float> delivered;
  for (int i = 0; i < views; ++i) {
    if (hooks.stop()) throw Cancelled("stopped at view " + std::to_string(i) + " of " + std::to_string(views));
    Pose pose = geometry.pose(std::size_t(i));
    pose.moved_mm += position.part_moved_mm + detector.truth().displacements_mm[std::size_t(i)];
    object.project(geometry, pose, view);
    blur_and_scatter(faults, geometry, view);
    const auto most = std::max_element(view.begin(), view.end());
    if (const int at = int(most - view.begin()); *most > done.darkest.line_integral)
      done.darkest = {*most, 0, i, at / columns, at % columns};
    brighten();
    if (given.counts) detector.view(i, view, counts);
    if (!among(faults.repeated, i)) {
      delivered = given.counts ? counts : view;
      if (corrected) corrected->apply(delivered);
    }
    if (!among(faults.missing, i)) write(numbered("projections", "view", i), delivered);
    report(double(i + 1) / views);
  }
  if (given.faults.return_view) {
    Pose pose = geometry.pose(std::size_t(views - 1));  // a known movement goes no further
    pose.angle_rad = geometry.angles_rad.front();
    pose.moved_mm += position.part_moved_mm;
    if (faults.movement) pose.moved_mm += faults.movement->at(views, views);
    object.project(geometry, pose, view);
    blur_and_scatter(faults, geometry, view);
    brighten();
    if (given.counts) detector.return_view(std::uint64_t(views + dark_exposures + 2 * open_exposures), view, counts);
    delivered = given.counts ? counts : view;
    if (corrected) corrected->apply(delivered);
    write("return.tif", delivered);
  }
  write_truth(position.folder, given, object.title, spectrum, settings, faults, detector.truth());

  done.images.projections = {"projections/*.tif"};
  done.images.kind = !given.counts ? ImageKind::line_integrals : corrected ? ImageKind::corrected : ImageKind::counts;
  if (given.counts) done.images.saturation = settings.full_scale;
  if (done.images.kind == ImageKind::counts) {
    done.images.dark = ImageNames{"dark/*.tif"};
    done.images.open = ImageNames{"open/*.tif"};
    if (given.faults.open_after) done.images.open_after = ImageNames{"open-after/*.tif"};
  }
  if (corrected) {
    done.images.open_level = {export_level};
    done.images.saturation = 65535;
  }
  if (given.faults.return_view) done.images.return_view = {"return.tif"};
  return done;
}

/// What the commands write about a scan, whether in tiles or not.
void describe_simulated(const SimulateArguments& given, const Object& object, Scan& scan) {
  if (given.faults.focal_spot_mm) scan.source.focal_spot_mm = *given.faults.focal_spot_mm;
  scan.title = "simulated: " + object.title;
  scan.views.angles_file.clear();  // it lies elsewhere; the angles are listed
}

/// Each tile in a folder of its own, tile-0 and so on. Beside the scan file, truth.json says how far the true shifts
/// lie from those in the scan file and how bright each tile's beam was.
Darkest simulate_tiles(const SimulateArguments& given, const Object& object, const std::optional<Spectrum>& spectrum,
                       TiledScan& tiled, const fs::path& folder, const Hooks& hooks) {
  Darkest darkest;
  const std::size_t count = tiled.tiles.size();
  nlohmann::ordered_json truth = {{"rayloom_truth", 1}, {"title", object.title}};
  for (std::size_t k = 0; k < count; ++k) {
    ScanTile& tile = tiled.tiles[k];
    PixelRandom random(given.seed, tile_exposure, std::uint32_t(k));
    const auto drawn = [&](const std::optional<double>& most) {  // the first tile is the reference
      const double share = 2 * random.uniform() - 1;
      return most && k > 0 ? *most * share : 0.0;
    };
    const double by_column = drawn(given.tile_error_px), by_row = drawn(given.tile_error_px);
    const double level = 1 + drawn(given.tile_level_error);
    Geometry geometry = tile.scan.geometry;
    geometry.detector.axis_column -= by_column;
    const bool moves_up = geometry.detector.rows > 1;
    if (moves_up) geometry.detector.midplane_row -= by_row;
    const std::string name = "tile-" + std::to_string(k);
    make_own_folder(folder / name);
    const auto done = simulate_position(
        given, object, spectrum, {geometry, tile.scan.part_moved_mm, folder / name, given.seed + k, level}, hooks,
        [&](double fraction) { hooks.report("projecting", (double(k) + fraction) / double(count)); });
    tile.scan.file = folder / name / "scan.json";
    tile.scan.images = done.images;
    tile.scan = described_at(tile.scan, folder / "scan.json");
    if (tile.own_views) tile.scan.views.angles_file.clear();
    if (done.darkest.line_integral > darkest.line_integral) {
      darkest = done.darkest;
      darkest.tile = int(k);
    }
    truth["tiles"].push_back({{"column_shift_px", tile.column_shift_px + by_column},
                              {"row_shift_px", tile.row_shift_px + (moves_up ? by_row : 0)},
                              {"level", level}});
  }
  write_json_file(folder / "truth.json", truth);
  return darkest;
}

int run_simulate(const Context& context, const SimulateArguments& given) {
  const Hooks hooks = context.hooks();
  if (given.counts && !(*given.counts >= 1 && *given.counts <= most_counts))
    throw InvalidOption("--counts: " + to_text(*given.counts) + "; must be from 1 to " + to_text(most_counts));
  if (given.subsamples && (*given.subsamples < 1 || *given.subsamples > 64))
    throw InvalidOption("--subsamples: " + std::to_string(*given.subsamples) + "; must be from 1 to 64");
  if (!given.counts) given.faults.require_no_counts_needed();
  const nlohmann::json value = read_scan_json(given.geometry, given.settings);
  std::optional<TiledScan> tiled;
  if (has_tiles(value)) tiled = parse_tiled_scan(value, given.geometry);
  require_tile_options(given, tiled.has_value());
  Scan scan = tiled ? tiled->common : parse_scan(value, given.geometry);
  const std::optional<Spectrum> spectrum = open_spectrum(given, scan);
  const Object object = open_object(given, spectrum);
  const int rows = scan.geometry.detector.rows, columns = scan.geometry.detector.columns;
  const int views = int(scan.geometry.angles_rad.size());

  OutputFolder output(given.output, given.overwrite ? Overwrite::yes : Overwrite::no,
                      {belongs_to_simulate, "truth.json"});
  Darkest darkest;
  ImageKind kind = ImageKind::line_integrals;
  describe_simulated(given, object, scan);
  if (tiled) {
    tiled->common = scan;
    darkest = simulate_tiles(given, object, spectrum, *tiled, output.partial(), hooks);
    kind = tiled->tiles.front().scan.images.kind;
    if (!given.no_scan_file) write_json_file(output.partial() / "scan.json", to_json(*tiled));
  } else {
    const auto done =
        simulate_position(given, object, spectrum, {scan.geometry, scan.part_moved_mm, output.partial(), given.seed},
                          hooks, [&](double fraction) { hooks.report("projecting", fraction); });
    darkest = done.darkest;
    scan.images = done.images;
    kind = scan.images.kind;
    if (!given.no_scan_file) write_scan(scan, output.partial() / "scan.json");
    write_text_file(output.partial() / "settings.txt", settings_text(scan));
    if (!scan.views.arc_deg && !scan.views.step_deg)
      write_text_file(output.partial() / "angles.txt", angles_text(scan));
  }
  output.finish();

  const double least = std::exp(-double(darkest.line_integral));
  const std::string in_tiles = tiled ? std::to_string(tiled->tiles.size()) + " tiles, each of " : "";
  context.say(given.output + ": " + in_tiles + std::to_string(views) + " views of " + std::to_string(columns) + " x " +
              std::to_string(rows) + " pixels, " + to_string(kind));
  std::string darkest_text = "least transmission: " + to_text(100 * least, 3) + " % at " +
                             (tiled ? "tile " + std::to_string(darkest.tile) + ", " : "") + "view " +
                             std::to_string(darkest.view) + ", row " + std::to_string(darkest.row) + ", column " +
                             std::to_string(darkest.column);
  nlohmann::ordered_json result = {
      {"folder", given.output},
      {"views", views},
      {"columns", columns},
      {"rows", rows},
      {"kind", to_string(kind)},
      {"least_transmission", least},
      {"darkest", {{"view", darkest.view}, {"row", darkest.row}, {"column", darkest.column}}}};
  if (tiled) {
    result["tiles"] = tiled->tiles.size();
    result["darkest"]["tile"] = darkest.tile;
  }
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
  auto given = std::make_shared<SimulateArguments>();
  CLI::App* command = add_command(
      program, "simulate", "What would this scan give? Exact line integrals or raw counts of a phantom or a volume.",
      {"rayloom simulate phantoms/ball.json --geometry scan.json -o ideal",
       "rayloom simulate phantoms/pump_end_plate.json --geometry scan.json --counts 20000 -o raw",
       "rayloom simulate part.json --geometry scan.json --counts 20000 --dead 0.1% --spikes 50 --drift 3 -o spoilt",
       "rayloom simulate part.json --geometry tiles.json --counts 20000 --tile-error 2 -o tiles",
       "rayloom simulate volume/ --geometry scan.json --set views.count=90 -o again"},
      [given](const Context& context) { return run_simulate(context, *given); });
  command->add_option("PHANTOM", given->object, "phantom file, or a volume's folder")->required();
  command
      ->add_option(
          "--geometry", given->geometry,
          "scan file, also one with tiles. It needs no images entry, of tiles neither; one that is there must say "
          "images.kind and, for counts, images.open, but the files need not exist")
      ->required();
  command->add_option("-o,--output", given->output, "folder to write")->required();
  command->add_option("--counts", given->counts,
                      "mean open-beam photons a pixel, 1 to 60000: raw 16-bit counts with noise, and dark and open "
                      "images. Without it: line integrals, float32");
  command->add_option("--seed", given->seed, "of noise and gain pattern (1)")->check(CLI::NonNegativeNumber);
  command->add_option("--subsamples", given->subsamples,
                      "N x N rays a pixel, spread over its area, 1 to 64 (2); 4 where edges along rows or columns must "
                      "lie right to hundredths of a pixel, as stitch tells them");
  command->add_option("--energy", given->energy_kev, "photon energy for materials, keV (the phantom's own)");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
  command->add_option(
      "--tile-error", given->tile_error_px,
      "for a scan with tiles: true shifts of all but the first lie up to so many pixels beside those in "
      "the scan file, 0 to 100 (0); truth.json has them");
  command->add_option(
      "--tile-level-error", given->tile_level_error,
      "beam of each tile but the first up to this share brighter or darker than its open-beam images, 0 "
      "to 0.5 (0)");
  command->add_flag("--no-scan-file", given->no_scan_file, "leave out scan.json, to try 'rayloom describe'");
  command->add_flag("--overwrite", given->overwrite, "replace the folder if it holds an earlier simulated scan");
  given->faults.add_to(*command);
}

}  // namespace rayloom::tools
