// rayloom simulate: what a scan of a phantom would give.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <memory>

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/scan/scan_file.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/raw_scan.h"
#include "rayloom/volume/output_folder.h"

namespace rayloom::tools {

namespace {

struct Arguments {
  std::string phantom, geometry, output;
  std::optional<double> counts, energy;
  std::uint64_t seed = 1;
  int subsamples = 2;
  bool overwrite = false, no_scan_file = false;
};

constexpr int dark_exposures = 8, open_exposures = 16;

std::string numbered(const std::string& stem, int index) {
  char text[32];
  std::snprintf(text, sizeof text, "_%04d.tif", index);
  return stem + text;
}

/// The settings as a plain text beside the images, as scanners leave one.
void write_settings(const std::filesystem::path& file, const Scan& scan) {
  const Geometry& g = scan.geometry;
  std::ofstream text(file);
  if (g.beam != Beam::parallel)
    text << "source object distance = " << to_text(g.sod_mm) << " mm\nsource detector distance = " << to_text(g.sdd_mm)
         << " mm\n";
  text << "pixel pitch = " << to_text(g.detector.column_pitch_mm) << " mm\nnumber of views = " << g.angles_rad.size()
       << '\n';
  if (scan.views.arc_deg) text << "total angle = " << to_text(*scan.views.arc_deg) << " deg\n";
  text.close();
  if (!text) throw CannotWrite(file.string() + ": cannot be written", "is the disk full?");
}

bool belongs(const std::string& name) {
  return name == "projections" || name == "dark" || name == "open" || name == "scan.json" || name == "scan.png" ||
         name == "settings.txt";
}

int run(const Context& context, const Arguments& given) {
  const Hooks hooks = context.hooks();
  if (given.counts && !(*given.counts > 0))
    throw InvalidOption("--counts: " + to_text(*given.counts) + "; must be above 0");
  if (given.subsamples < 1 || given.subsamples > 64)
    throw InvalidOption("--subsamples: " + std::to_string(given.subsamples) + "; must be from 1 to 64");
  const Phantom phantom = read_phantom(given.phantom);
  Scan scan = read_scan(given.geometry);
  const auto attenuation = phantom.attenuations(given.energy);
  const Geometry& g = scan.geometry;
  const int rows = g.detector.rows, columns = g.detector.columns, views = int(g.angles_rad.size());
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns);

  OutputFolder output(given.output, given.overwrite ? Overwrite::yes : Overwrite::no, belongs);
  std::filesystem::create_directory(output.partial() / "projections");
  RawDetector detector;
  detector.seed = given.seed;
  DetectorPattern pattern;
  std::vector<float> view(pixels), counts(pixels);
  if (given.counts) {
    detector.open_counts = *given.counts;
    pattern = detector_pattern(detector, rows, columns);
    std::filesystem::create_directory(output.partial() / "dark");
    std::filesystem::create_directory(output.partial() / "open");
    // Exposures of dark and open images are numbered after those of the views, so that no noise repeats.
    for (int i = 0; i < dark_exposures; ++i) {
      expose_dark(detector, pattern, std::uint64_t(views + i), counts);
      write_tiff(output.partial() / "dark" / numbered("dark", i), rows, columns, counts, SampleType::uint16);
    }
    for (int i = 0; i < open_exposures; ++i) {
      expose(detector, pattern, {}, std::uint64_t(views + dark_exposures + i), counts);
      write_tiff(output.partial() / "open" / numbered("open", i), rows, columns, counts, SampleType::uint16);
    }
  }

  const PixelSampling sampling{
      given.subsamples, given.counts ? PixelSampling::Average::transmission : PixelSampling::Average::line_integral};
  float most = 0;
  for (int i = 0; i < views; ++i) {
    if (hooks.stop()) throw Cancelled("stopped on request");
    project_phantom(phantom, attenuation, g, g.angles_rad[std::size_t(i)], sampling, view);
    most = std::max(most, *std::max_element(view.begin(), view.end()));
    if (given.counts) expose(detector, pattern, view, std::uint64_t(i), counts);
    write_tiff(output.partial() / "projections" / numbered("view", i), rows, columns, given.counts ? counts : view,
               given.counts ? SampleType::uint16 : SampleType::float32);
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
  if (scan.title.empty()) scan.title = phantom.title;
  if (!given.no_scan_file) write_scan(scan, output.partial() / "scan.json");
  write_settings(output.partial() / "settings.txt", scan);
  output.finish();

  const double least = std::exp(-double(most));
  context.say(given.output + ": " + std::to_string(views) + " views of " + std::to_string(columns) + " x " +
              std::to_string(rows) + " pixels, " + to_string(scan.images.kind) + ", least transmission " +
              to_text(std::round(least * 1e4) / 100) + " %");
  context.result({{"folder", given.output},
                  {"views", views},
                  {"columns", columns},
                  {"rows", rows},
                  {"kind", to_string(scan.images.kind)},
                  {"least_transmission", least},
                  {"seed", given.seed}});
  return Exit::done;
}

}  // namespace

void add_simulate(CLI::App& program) {
  auto given = std::make_shared<Arguments>();
  CLI::App* command =
      add_command(program, "simulate", "What would this scan give? Exact line integrals or raw counts of a phantom.",
                  {"rayloom simulate phantoms/ball.json --geometry scan.json -o ideal",
                   "rayloom simulate phantoms/pump_end_plate.json --geometry phantoms/pump_end_plate_scan.json "
                   "--counts 20000 -o raw"},
                  [given](const Context& context) { return run(context, *given); });
  command->add_option("PHANTOM", given->phantom, "phantom file")->required();
  command->add_option("--geometry", given->geometry, "scan file whose geometry is used")->required();
  command->add_option("-o,--output", given->output, "folder to write")->required();
  command->add_option("--counts", given->counts,
                      "open-beam counts a pixel; writes raw counts with dark and open images");
  command->add_option("--seed", given->seed, "of noise and gain pattern (1)");
  command->add_option("--subsamples", given->subsamples, "N x N rays a pixel, averaged (2)");
  command->add_option("--energy", given->energy, "photon energy for materials, keV (the phantom's own)");
  command->add_flag("--no-scan-file", given->no_scan_file, "leave out scan.json, to try 'rayloom describe'");
  command->add_flag("--overwrite", given->overwrite, "replace the folder if it exists");
}

}  // namespace rayloom::tools
