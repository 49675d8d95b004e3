#include "tries.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <map>

#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/held_rows.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/scan/present_views.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/volume/montage.h"
#include "rayloom/volume/output_folder.h"
#include "rows_beyond.h"

namespace rayloom::tools {

namespace {

constexpr int most_tries = 200;

/// A setting and the values that it takes in turn.
struct Trial {
  std::string key;
  std::vector<double> values;
};

Trial trial_from(const std::string& text) {
  const auto wrong = [&](const std::string& must) {
    throw InvalidOption("--try: '" + text + "'; " + must, "for example --try detector.axis_column=250:260:1");
  };
  const auto equals = text.find('=');
  if (equals == std::string::npos || equals == 0) wrong("must be KEY=FIRST:LAST:STEP");
  Trial trial{text.substr(0, equals), {}};
  const std::string numbers = text.substr(equals + 1);
  if (std::count(numbers.begin(), numbers.end(), ':') != 2) wrong("must be KEY=FIRST:LAST:STEP");
  const auto range = parse_numbers("--try", numbers, 3, ':');
  const double steps = (range[1] - range[0]) / range[2];
  if (range[2] == 0 || !(steps >= 0)) wrong("STEP must lead from FIRST to LAST");
  if (!(steps < most_tries)) wrong("must be at most " + std::to_string(most_tries) + " values");
  for (int i = 0; i <= int(std::floor(steps + 1e-9)); ++i) {
    // As one would write it: 0.1 + 2 * 0.1 is 0.3.
    const std::string value = to_text(range[0] + i * range[2], 12);
    double rounded = 0;
    std::from_chars(value.data(), value.data() + value.size(), rounded);
    trial.values.push_back(rounded);
  }
  return trial;
}

/// What is given, with the setting `key` at `value`.
void apply(const std::string& key, double value, ReconstructArguments& given) {
  CorrectionArguments& corrections = given.corrections;
  if (key == "lag")
    corrections.lag_percent = value;
  else if (key == "scatter")
    corrections.scatter_percent = value;
  else if (key == "open-shapes" && value == std::floor(value) && std::abs(value) < 100)
    corrections.open_shapes = int(value);
  else if (key == "hardening")
    corrections.hardening = "1," + to_text(value);
  else if (key == "replace-metal")
    corrections.replace_metal = value;
  else if (key.find('.') == std::string::npos && !key.starts_with("source_to_"))
    throw InvalidOption("--try: '" + key + "' = " + to_text(value) +
                        "; must be a key of the scan file, as detector.axis_column or source_to_object_mm, or one of "
                        "lag, scatter, open-shapes (whole numbers), hardening, replace-metal");
  else
    given.settings.push_back(key + "=" + to_text(value));
}

/// One slice to make.
struct Attempt {
  std::vector<double> values;  ///< Of the trials.
  ReconstructArguments given;
  Scan scan;
  Corrections corrections;
  std::string images;  ///< Attempts with the same have the same line integrals.
};

Scan read(const ReconstructArguments& given, const Hooks& hooks) {
  Scan scan = read_scan(given.scan, given.settings);
  if (scan.images.projections.empty())
    throw BadInput(given.scan + ": images.projections: missing; must name the projections to reconstruct");
  return given.use_what_is_there ? present_views(scan, hooks).scan : scan;
}

Attempt attempt_of(const std::vector<Trial>& trials, std::vector<double> values, const ReconstructArguments& base,
                   const Hooks& hooks) {
  Attempt attempt{std::move(values), base, {}, {}, {}};
  for (std::size_t t = 0; t < trials.size(); ++t)
    apply(trials[t].key, attempt.values[t], attempt.given);
  attempt.scan = read(attempt.given, hooks);
  attempt.corrections = corrections_from(attempt.given.corrections, attempt.scan);
  const auto described = to_json(attempt.scan);
  const Detector& d = attempt.scan.geometry.detector;
  attempt.images = described.at("images").dump() + to_json(attempt.corrections).dump() + std::to_string(d.columns) +
                   "x" + std::to_string(d.rows) + "x" + std::to_string(attempt.scan.geometry.angles_rad.size());
  // What a first reconstruction shows, and with it the line integrals, depends on all there is.
  if (attempt.given.corrections.finds_metal() || attempt.given.corrections.fits_hardening())
    attempt.images += described.dump() + to_text(attempt.given.corrections.replace_metal.value_or(0));
  return attempt;
}

Input input_of(const Context& context, Attempt& attempt, const ReconstructOptions& options, const Hooks& hooks) {
  if (attempt.given.corrections.fits_hardening())
    attempt.corrections.hardening =
        fitted_hardening(context, attempt.scan, attempt.given, attempt.corrections, *options.memory_bytes, hooks);
  const MetalHandling metal = metal_handling(attempt.scan, attempt.given, attempt.corrections, options, hooks);
  return open_input(attempt.scan, attempt.corrections, metal, attempt.given.bin, attempt.given.every,
                    *options.memory_bytes, hooks);
}

std::string name_of(std::size_t i) {
  char name[32];
  std::snprintf(name, sizeof name, "try_%04d.tif", int(i));
  return name;
}

bool belongs_to_tries(const std::string& name) {
  return name == "montage.png" || name == "tries.json" || (name.starts_with("try_") && name.ends_with(".tif"));
}

}  // namespace

int run_tries(const Context& context, const ReconstructArguments& given) {
  if (!given.slice) throw InvalidOption("--try: '" + given.tries.front() + "'; goes with --slice Z");
  if (given.tries.size() > 2)
    throw InvalidOption("--try: given " + std::to_string(given.tries.size()) + " times; must be once or twice");
  if (!given.part.empty() || given.resume || given.dry_run)
    throw InvalidOption("--try: '" + given.tries.front() + "'; must be without --part, --resume and --dry-run");
  std::vector<Trial> trials;
  for (const std::string& text : given.tries)
    trials.push_back(trial_from(text));
  if (trials.size() == 2 && trials[0].key == trials[1].key)
    throw InvalidOption("--try: '" + trials[0].key + "' given twice; must be two settings");
  for (const Trial& trial : trials) {
    for (const std::string& setting : given.settings)
      if (setting.starts_with(trial.key + "="))
        throw InvalidOption("--set: '" + setting + "'; must be left out, since --try varies it");
    if (trial.key == "hardening" && !given.corrections.hardening.empty())
      throw InvalidOption("--hardening: '" + given.corrections.hardening +
                          "'; must be left out, since --try varies it");
  }
  if (given.format != "slices" || given.type != "float32")
    throw InvalidOption((given.format != "slices" ? "--format: " + given.format : "--type: " + given.type) +
                        "; must be left out with --try, which writes float32 slices");
  const std::size_t across = trials.back().values.size(), down = trials.size() == 2 ? trials[0].values.size() : 1;
  if (across * down > std::size_t(most_tries))
    throw InvalidOption("--try: " + std::to_string(across * down) + " slices; must be at most " +
                        std::to_string(most_tries));

  const Hooks hooks = context.hooks();
  const ReconstructOptions options = options_from(given);
  std::vector<Attempt> attempts;
  std::map<std::string, std::vector<std::size_t>> alike;
  for (std::size_t a = 0; a < down; ++a)
    for (std::size_t b = 0; b < across; ++b) {
      std::vector<double> values = {trials.back().values[b]};
      if (trials.size() == 2) values.insert(values.begin(), trials[0].values[a]);
      attempts.push_back(attempt_of(trials, std::move(values), given, hooks));
      alike[attempts.back().images].push_back(attempts.size() - 1);
    }

  // One grid for all: that of the scan as it stands.
  const Scan scan = read(given, hooks);
  const Geometry as_it_stands = binned(every(scan.geometry, given.every), given.bin);
  const Grid grid = plan_reconstruction(as_it_stands, grid_request(given, scan.part_moved_mm), options).grid;
  const GridRequest request{grid.voxel_mm, std::array{grid.nx, grid.ny, 1}, grid.centre_mm, grid.centre_mm.z()};

  OutputFolder folder(given.output, given.overwrite ? Overwrite::yes : Overwrite::no, {belongs_to_tries, "tries.json"});
  std::vector<MontageImage> images(attempts.size());
  std::size_t done = 0;
  for (const auto& group : alike) {
    const std::vector<std::size_t>& members = group.second;
    const Input input = input_of(context, attempts[members.front()], options, hooks);
    const RowsBeyond beyond = rows_beyond(context, given, scan, input, options, hooks);
    std::vector<Geometry> geometries;
    std::vector<ReconstructOptions> its_options;
    std::vector<ReconstructPlan> plans;
    RowRange rows;
    for (const std::size_t i : members) {
      geometries.push_back(binned(every(attempts[i].scan.geometry, given.every), given.bin));
      its_options.push_back(options);
      its_options.back().beyond = beyond.of(geometries.back(), options);
      plans.push_back(plan_reconstruction(geometries.back(), request, its_options.back()));
      for (const SliceRange& slab : plans.back().slabs)
        rows = joined(rows, rows_read(geometries.back(), plans.back(), its_options.back(), slab));
    }
    ProjectionSource source = input.source;
    if (members.size() > 1 && bytes_of(input.geometry, rows) < *options.memory_bytes / 2)
      source = held_in_memory(input.geometry, input.source, rows, thread_count(options.threads));
    for (std::size_t m = 0; m < members.size(); ++m) {
      if (hooks.stop()) throw Cancelled("stopped on request");
      const std::size_t i = members[m];
      Image& image = images[i].image;
      image = Image(grid.ny, grid.nx);
      reconstruct(geometries[m], source, plans[m], its_options[m], [&](int, std::span<const float> slice) {
        std::copy(slice.begin(), slice.end(), image.samples.begin());
      });
      write_tiff(folder.partial() / name_of(i), grid.ny, grid.nx, image.samples, SampleType::float32,
                 {.pixel_mm = grid.voxel_mm, .description = {}});
      for (std::size_t t = 0; t < trials.size(); ++t)
        images[i].captions.push_back(trials[t].key.substr(trials[t].key.rfind('.') + 1) + " " +
                                     to_text(attempts[i].values[t]));
      hooks.report("trying", double(++done) / double(attempts.size()));
    }
  }

  const int in_row = trials.size() == 2 ? int(across) : int(std::ceil(std::sqrt(double(across))));
  write_montage(folder.partial() / "montage.png", images, in_row, "1/mm");
  nlohmann::ordered_json record = {{"scan", given.scan}, {"slice_mm", *given.slice}, {"voxel_mm", grid.voxel_mm}};
  for (std::size_t i = 0; i < attempts.size(); ++i) {
    nlohmann::ordered_json one = {{"file", name_of(i)}};
    for (std::size_t t = 0; t < trials.size(); ++t)
      one[trials[t].key] = attempts[i].values[t];
    record["tries"].push_back(one);
  }
  write_json_file(folder.partial() / "tries.json", record);
  folder.finish();
  context.say(given.output + ": " + std::to_string(attempts.size()) + " slices at z = " + to_text(*given.slice) +
              " mm, side by side in montage.png");
  record["output"] = given.output;
  context.result(record);
  return Exit::done;
}

}  // namespace rayloom::tools
