// rayloom align SCAN: where is the rotation axis, is the detector rolled, and did the part move?
#include "rayloom/align/movement.h"

#include <algorithm>
#include <filesystem>

#include "align_run.h"
#include "rayloom/json_fields.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/volume/curve.h"
#include "rayloom/volume/picture.h"

namespace rayloom::tools {

namespace {

MovedBy movement_from(const std::string& name) {
  for (const MovedBy course : {MovedBy::step, MovedBy::ramp})
    if (name == to_string(course)) return course;
  throw InvalidOption("--movement: '" + name + "'; must be step or ramp");
}

/// Says how the part moved and puts it into the scan, if it did. @return whether it did.
bool say_movement(const Context& context, nlohmann::ordered_json& result, const FoundMovement& found, Scan& scan) {
  nlohmann::ordered_json entry = {{"course", to_string(found.course)}, {"seen", found.seen}};
  const std::string when =
      found.course == MovedBy::step ? " before view " + std::to_string(found.view) : " evenly over the scan";
  if (found.seen)
    context.say("the part moved" + when);
  else if (std::ranges::any_of(found.by_mm, &Estimate::determined))
    context.say("no movement is seen beyond its uncertainty; views.part_moved_mm is not written");
  else
    context.say("whether the part moved is not determined; what was found above holds if it stood still");
  if (found.course == MovedBy::step && found.seen) entry["view"] = found.view;
  const char* const names[] = {"moved_x", "moved_y", "moved_z"};
  for (std::size_t i = 0; i < 3; ++i)
    say(context, entry, names[i], "mm", found.by_mm[i], 0);
  if (found.misfit_before > 0) {
    entry["misfit_before"] = found.misfit_before;
    entry["misfit"] = found.misfit;
    context.say("rays through the volume leave over " + to_text(found.misfit, 3) +
                " of their line integrals (RMS), and " + to_text(found.misfit_before, 3) +
                " as if the part had stood still; of step and ramp, the one that leaves over less is right");
  }
  result["movement"] = entry;
  if (!found.seen) return false;
  scan.geometry.part_moved_mm = found.part_moved_mm;
  scan.geometry.detector.axis_column = found.axis_column.value;
  context.say("axis_column  " + rounded(found.axis_column.value, found.axis_column.uncertainty) +
              " pixels with the movement");
  result["axis_column_moved"] = {{"value", found.axis_column.value}, {"uncertainty", found.axis_column.uncertainty}};
  return true;
}

// ---- Pictures

constexpr int most_columns = 512;  // of the sections

bool belongs_to_align(const std::string& name) {
  for (const char* own : {"scan.json", "before.png", "after.png", "measure.png", "measure.csv"})
    if (name == own) return true;
  return false;
}

/// The slice through the midplane, or at the middle of the heights in view; as large as `like`, if given.
Image section_of(const Geometry& full, const ProjectionSource& full_source, const Image* like = nullptr) {
  const int bin = std::max(1, full.detector.columns / most_columns);
  const Geometry geometry = binned(full, bin);
  const ReconstructOptions options;
  const FieldOfView field = field_of_view(geometry, automatic_coverage(geometry));
  const bool midplane = field.z_low_mm <= 0 && field.z_high_mm >= 0;
  const double z_mm = midplane ? 0 : (field.z_low_mm + field.z_high_mm) / 2;
  GridRequest request{.slice_mm = z_mm};
  if (like) request.size = {{like->columns, like->rows, 1}};
  const auto plan = plan_reconstruction(geometry, request, options);
  Image image(plan.grid.ny, plan.grid.nx);
  reconstruct(geometry, binned(full, full_source, bin), plan, options,
              [&](int, std::span<const float> slice) { image.samples.assign(slice.begin(), slice.end()); });
  return image;
}

/// Sections with the given and the found geometry in one grey window, and the measure about the axis.
void write_pictures(const std::filesystem::path& folder, const Geometry& before, const Geometry& after,
                    const ProjectionSource& source, const Alignment& found) {
  const Image new_section = section_of(after, source), old_section = section_of(before, source, &new_section);
  const std::pair window = grey_window(new_section, {});
  const auto write = [&](const char* name, const char* which, const Image& section, const Geometry& geometry) {
    write_picture(folder / name, section,
                  {.low = window.first,
                   .high = window.second,
                   .unit = "1/mm",
                   .title = std::string(which) + ": axis_column " + to_text(geometry.detector.axis_column, 6) +
                            ", roll_deg " + to_text(degrees(geometry.detector.roll_rad), 3),
                   .right = "x",
                   .up = "y"});
  };
  write("before.png", "Before", old_section, before);
  write("after.png", "After", new_section, after);

  std::vector<double> values;
  std::string table = "axis_column,measure\n";
  for (const MeasurePoint& point : found.curve) {
    values.push_back(point.measure);
    table += to_text(point.axis_column, 8) + "," + to_text(point.measure, 6) + "\n";
  }
  if (!found.curve.empty())
    write_curve(folder / "measure.png", values,
                {.title = "Misfit of opposite rays",
                 .along = "axis_column",
                 .first = found.curve.front().axis_column,
                 .step = found.curve.size() > 1 ? found.curve[1].axis_column - found.curve[0].axis_column : 1});
  write_text_file(folder / "measure.csv", table);
}

int run_align(const Context& context, const AlignArguments& given) {
  if (given.beads) return align_beads(context, given);
  std::optional<MovedBy> course;
  if (given.movement) course = movement_from(*given.movement);
  const Hooks hooks = context.hooks();
  AlignRun align_run(given, belongs_to_align, hooks);
  if (const std::string why = course ? why_no_movement(align_run.scan().geometry) : ""; !why.empty())
    throw InvalidOption("--movement: " + *given.movement + "; " + given.scan + ": " + why +
                            "; must be a full turn of a detector that holds the part's width, 48 views or more",
                        "without --movement the axis and the roll are still found");
  const ProjectionSource& source = align_run.input().source;
  const Geometry& before = align_run.scan().geometry;
  const Alignment found = align(before, source, {.threads = given.threads}, hooks);

  Scan scan = align_run.scan();
  Detector& detector = scan.geometry.detector;
  nlohmann::ordered_json result = {{"scan", given.scan}, {"measure", found.measure}};
  say(context, result, "axis_column", "pixels", found.axis_column, detector.axis_column);
  if (found.roll_deg) say(context, result, "roll_deg", "degrees", *found.roll_deg, degrees(detector.roll_rad));
  const bool rolled = found.roll_deg && found.roll_deg->determined;
  const bool any_found = found.axis_column.determined || rolled;
  const std::string unseen = found.axis_column.determined ? why_no_movement(before) : "";
  if (!found.measure.empty())
    context.say("by " + found.measure + (any_found ? "; +- holds in at least 90 of 100 scans" : "") +
                (unseen.empty() ? "" : " of parts that stood still, which this one cannot show: " + unseen));
  result["movement_would_show"] = found.axis_column.determined && unseen.empty();
  if (found.axis_wanders > 0) {
    result["axis_wanders_pixels"] = found.axis_wanders;
    if (!course)
      hooks.warn("views at different angles put the axis " + to_text(found.axis_wanders, 2) +
                 " columns (RMS) apart, so that it is uncertain: did the part move? 'rayloom check' and --movement "
                 "tell; or did the beam drift by several per cent, or are angles wrong?");
  }
  if (found.axis_column.determined) detector.axis_column = found.axis_column.value;
  if (rolled) detector.roll_rad = radians(found.roll_deg->value);
  const bool moved =
      course && say_movement(context, result,
                             find_movement(scan.geometry, source, *course, {.threads = given.threads}, hooks), scan);
  const bool any = any_found || moved;
  if (!given.output.empty() && any) {
    align_run.write(scan, [&](const std::filesystem::path& folder) {
      write_pictures(folder, before, scan.geometry, source, found);
    });
    result["output"] = given.output;
  }
  context.result(result);
  if (!any && !given.output.empty())
    context.note("rayloom: " + given.output + " is not written, since nothing was found that would change the scan");
  return any ? Exit::done : Exit::could_not_finish;
}

}  // namespace

void add_align(CLI::App& program) {
  auto given = std::make_shared<AlignArguments>();
  CLI::App* command = add_command(
      program, "align",
      "Where is the rotation axis, is the detector rolled, did the part move? Found from the scan itself: the axis in "
      "the detector's middle half, the roll within 3 degrees of the scan file's.",
      {"rayloom align scan.json", "rayloom align scan.json -o aligned.json",
       "rayloom align scan.json -o aligned --json", "rayloom align scan.json --movement step -o aligned.json",
       "rayloom align beads.json --beads --bead-distance 25.4 -o aligned.json"},
      [given](const Context& context) { return run_align(context, *given); });
  command->add_option("SCAN", given->scan, "scan file")->required();
  command
      ->add_option(
          "-o,--output", given->output,
          "NAME.json: scan file to write with what was found; any other name: a folder for it as scan.json, with "
          "sections before and after and the measure's curve. Exit 0 if anything was found, 3 if nothing")
      ->check([](const std::string& name) { return std::string(name.empty() ? "must not be empty" : ""); });
  CLI::Option* beads = command->add_flag(
      "--beads", given->beads,
      "the scan is one of small dense balls on a light holder (cone beam): find axis, midplane, roll, tilt, slant and "
      "distances from their orbits; a folder then holds beads.png, beads.csv, residuals.png and residuals.csv");
  command
      ->add_option("--bead-distance", given->bead_distances,
                   "MM: distance in mm between the two beads farthest apart, or I,J,MM: between beads I and J, counted "
                   "from the top as in beads.csv; may be repeated. One tells source_to_object_mm; several at different "
                   "heights tell the tilt better, and must agree to 0.1 %")
      ->needs(beads)
      ->allow_extra_args(false);
  command
      ->add_option("--movement", given->movement,
                   "step or ramp: find also how the part moved on the table, at once before some view or evenly over "
                   "the scan, and write it as views.part_moved_mm. 'reconstruct' of the written scan file undoes it "
                   "and needs no option for it")
      ->excludes(beads);
  command->add_flag("--overwrite", given->overwrite,
                    "replace that file, or that folder if it holds nothing but such files");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
  add_threads_option(*command, given->threads);
}

}  // namespace rayloom::tools
