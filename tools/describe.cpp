// rayloom describe FOLDER: what is in this folder? Writes scan.json and a picture of the first view.
#include "rayloom/scan/describe.h"

#include <charconv>
#include <cmath>

#include "command.h"
#include "rayloom/geometry/views.h"
#include "rayloom/json_fields.h"
#include "rayloom/reconstruct/weights.h"
#include "rayloom/scan/view_reader.h"
#include "rayloom/volume/picture.h"

namespace rayloom::tools {

namespace fs = std::filesystem;

namespace {

struct DescribeArguments {
  std::string folder, output, settings, angles_file, pitch, headerless, beam, kind, layout;
  DescribeOptions options;
  bool overwrite = false;
};

constexpr std::pair<const char*, Beam> beam_names[] = {
    {"cone", Beam::cone}, {"fan", Beam::fan}, {"parallel", Beam::parallel}};
constexpr std::pair<const char*, ImageKind> kinds[] = {{"counts", ImageKind::counts},
                                                       {"corrected", ImageKind::corrected},
                                                       {"transmission", ImageKind::transmission},
                                                       {"line_integrals", ImageKind::line_integrals}};
constexpr std::pair<const char*, Layout> layouts[] = {{"views", Layout::views}, {"sinograms", Layout::sinograms}};

template <class T, std::size_t N>
std::vector<std::string> names_in(const std::pair<const char*, T> (&table)[N]) {
  std::vector<std::string> names;
  for (const auto& [name, value] : table)
    names.emplace_back(name);
  return names;
}

/// The value of a name that the parser has let through; nothing for an option that was not given.
template <class T, std::size_t N>
std::optional<T> value_in(const std::pair<const char*, T> (&table)[N], const std::string& given) {
  for (const auto& [name, value] : table)
    if (given == name) return value;
  return {};
}

/// "uint16:400x512[:SKIP][:big]" into sample type and stored size.
void parse_headerless(const std::string& text, ImageStorage& storage) {
  const auto bad = [&] {
    return InvalidOption("--headerless: '" + text + "'; must be SAMPLE:ROWSxCOLUMNS[:SKIP][:big]",
                         "example: uint16:400x512:1024:big; SAMPLE is one of uint8, uint16, uint32, int8, int16, "
                         "int32, float16, float32, float64; SKIP is in bytes");
  };
  std::vector<std::string> parts(1);
  for (const char c : text)
    if (c == ':')
      parts.emplace_back();
    else
      parts.back() += c;
  if (parts.size() < 2 || parts.size() > 4) throw bad();

  Headerless headerless;
  using Sample = Headerless::Sample;
  bool known = false;
  for (const Sample sample : {Sample::uint8, Sample::uint16, Sample::uint32, Sample::int8, Sample::int16, Sample::int32,
                              Sample::float16, Sample::float32, Sample::float64})
    if (to_string(sample) == parts[0]) {
      headerless.sample = sample;
      known = true;
    }
  const auto whole = [&](std::string_view digits, auto& value) {
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    return error == std::errc() && end == digits.data() + digits.size();
  };
  const auto cross = parts[1].find('x');
  if (!known || cross == std::string::npos || !whole(parts[1].substr(0, cross), storage.headerless_rows) ||
      !whole(parts[1].substr(cross + 1), storage.headerless_columns) || storage.headerless_rows < 1 ||
      storage.headerless_columns < 1)
    throw bad();
  for (std::size_t i = 2; i < parts.size(); ++i) {
    const bool last = i + 1 == parts.size();
    if (last && (parts[i] == "big" || parts[i] == "little"))
      headerless.big_endian = parts[i] == "big";
    else if (i > 2 || !whole(parts[i], headerless.skip_bytes))
      throw bad();
  }
  storage.headerless = headerless;
}

/// "P" or "COL,ROW".
void parse_pitch(const std::string& text, DescribeOptions& options) {
  const auto numbers = parse_numbers("--pitch", text, text.find(',') == std::string::npos ? 1 : 2);
  options.column_pitch_mm = numbers.front();
  options.row_pitch_mm = numbers.back();
}

struct Derived {
  Coverage coverage;
  FieldOfView field;
  double half_fan_deg = 0, half_cone_deg = 0;  ///< Of the longer sides.
};

Derived derive(const Geometry& geometry) {
  const Detector& d = geometry.detector;
  Derived derived;
  derived.coverage = automatic_coverage(geometry);
  derived.field = field_of_view(geometry, derived.coverage);
  const double half_width = std::max(d.axis_column + 0.5, d.columns - 0.5 - d.axis_column) * d.column_pitch_mm;
  const double half_height = std::max(d.midplane_row + 0.5, d.rows - 0.5 - d.midplane_row) * d.row_pitch_mm;
  if (geometry.beam != Beam::parallel) derived.half_fan_deg = degrees(std::atan(half_width / geometry.sdd_mm));
  if (geometry.beam == Beam::cone) derived.half_cone_deg = degrees(std::atan(half_height / geometry.sdd_mm));
  return derived;
}

/// The first view, or, of a detector of one row, the sinogram, with the axis drawn in.
void write_first_view(const Scan& scan, const fs::path& file) {
  const Geometry& geometry = scan.geometry;
  const Detector& d = geometry.detector;
  const ViewReader reader(scan);
  const bool one_row = d.rows == 1;
  Image image(one_row ? scan.views.count : d.rows, d.columns);
  reader.read(0, one_row ? scan.views.count : 1, 0, d.rows, image.samples);

  PictureOptions picture;
  picture.title = one_row ? "Sinogram" : "First view";
  picture.title += " of " + scan.title + (one_row ? ", first view on top" : "");
  for (char& c : picture.title)
    if (c < ' ' || c > '~') c = '?';
  if (!one_row) picture.pixel_mm = geometry.virtual_column_pitch_mm();
  if (scan.images.kind == ImageKind::counts) picture.unit = "counts";
  picture.vertical_line = d.axis_column;
  if (!one_row) picture.horizontal_line = d.midplane_row;
  write_picture(file, image, picture);
}

void say_list(const Context& context, const std::string& heading, const std::vector<std::string>& lines,
              std::size_t most) {
  if (lines.empty()) return;
  context.say(heading);
  for (std::size_t i = 0; i < std::min(most, lines.size()); ++i)
    context.say("  " + lines[i]);
  if (lines.size() > most) context.say("  .. and " + std::to_string(lines.size() - most) + " more (--json lists all)");
}

nlohmann::ordered_json groups_json(const std::vector<ImageGroup>& groups) {
  auto list = nlohmann::ordered_json::array();
  for (const auto& group : groups)
    list.push_back({{"role", to_string(group.role)},
                    {"name", group.name()},
                    {"images", group.images},
                    {"rows", group.rows},
                    {"columns", group.columns},
                    {"sample", to_string(group.sample)},
                    {"why", group.why}});
  return list;
}

void say_groups(const Context& context, const std::vector<ImageGroup>& groups) {
  context.say(groups.empty() ? "Images: none" : "Images (# stands for a number):");
  for (const auto& group : groups)
    context.say("  " + to_string(group.role) + ": " + group.name() + ", " + std::to_string(group.images) + " of " +
                std::to_string(group.rows) + " rows x " + std::to_string(group.columns) + " columns, " +
                to_string(group.sample) + "; " + group.why);
}

void say_geometry(const Context& context, const Scan& scan, const Derived& derived) {
  const Geometry& g = scan.geometry;
  const Detector& d = g.detector;
  context.say("Geometry:");
  context.say("  beam: " + to_string(g.beam) +
              (g.beam == Beam::parallel ? ""
                                        : ", source to axis " + to_text(g.sod_mm, 7) + " mm, source to detector " +
                                              to_text(g.sdd_mm, 7) + " mm"));
  context.say("  detector: " + std::to_string(d.columns) + " columns x " + std::to_string(d.rows) +
              (d.rows > 1 ? " rows" : " row") + ", pitch " + to_text(d.column_pitch_mm, 6) +
              (d.row_pitch_mm == d.column_pitch_mm ? "" : " x " + to_text(d.row_pitch_mm, 6)) + " mm, axis on column " +
              to_text(d.axis_column, 6));
  const auto& angles = g.angles_rad;
  context.say("  views: " + std::to_string(scan.views.count) + ", from " + to_text(degrees(angles.front()), 6) +
              " to " + to_text(degrees(angles.back()), 6) + " degrees");
  context.say("  magnification: " + to_text(g.magnification(), 5) + ", voxel " +
              to_text(g.virtual_column_pitch_mm(), 4) + " mm");
  context.say("  field of view: diameter " + to_text(2 * derived.field.radius_mm, 4) + " mm" +
              (derived.coverage == Coverage::displaced ? " (detector displaced, full turn)" : "") +
              (d.rows > 1 ? ", height seen by every view " +
                                to_text(derived.field.z_high_mm - derived.field.z_low_mm, 4) + " mm"
                          : ""));
  if (g.beam != Beam::parallel)
    context.say("  half fan angle: " + to_text(derived.half_fan_deg, 4) + " degrees" +
                (g.beam == Beam::cone ? ", half cone angle " + to_text(derived.half_cone_deg, 4) + " degrees" : ""));
}

void require_finite(const DescribeOptions& options) {
  const std::pair<const char*, const std::optional<double>&> numbers[] = {{"--sod", options.sod_mm},
                                                                          {"--sdd", options.sdd_mm},
                                                                          {"--arc", options.arc_deg},
                                                                          {"--step", options.step_deg},
                                                                          {"--first", options.first_deg},
                                                                          {"--axis-column", options.axis_column},
                                                                          {"--midplane-row", options.midplane_row},
                                                                          {"--voltage", options.voltage_kv},
                                                                          {"--current", options.current_ma},
                                                                          {"--saturation", options.saturation}};
  for (const auto& [name, value] : numbers)
    if (value && !std::isfinite(*value))
      throw InvalidOption(std::string(name) + ": " + to_text(*value) + "; must be a finite number");
}

int describe(const Context& context, const DescribeArguments& given) {
  DescribeOptions options = given.options;
  const fs::path output = given.output.empty() ? fs::path(given.folder) / "scan.json" : fs::path(given.output);
  fs::path picture = output;
  picture.replace_extension(".png");
  if (output.extension() != ".json")
    throw InvalidOption("-o: " + output.string() + "; must end in .json", "the picture takes its name with .png");
  refuse_other_than_scan(output.string(), given.overwrite);
  refuse_existing(picture.string(), given.overwrite);
  const fs::path target = fs::absolute(output).parent_path();
  if (std::error_code ignored; !given.output.empty() && !fs::is_directory(target, ignored))
    throw InvalidOption("-o: " + output.string() + "; must lie in a folder that exists");
  options.scan_file = output;
  if (!given.settings.empty()) options.settings_file = given.settings;
  if (!given.angles_file.empty()) options.angles_file = given.angles_file;
  options.beam = value_in(beam_names, given.beam);
  options.kind = value_in(kinds, given.kind);
  options.layout = value_in(layouts, given.layout).value_or(Layout::views);
  if (!given.pitch.empty()) parse_pitch(given.pitch, options);
  require_finite(options);
  if (!given.headerless.empty()) parse_headerless(given.headerless, options.storage);

  const Description found = describe_folder(given.folder, options, context.hooks());

  nlohmann::ordered_json result;
  result["folder"] = given.folder;
  result["images"] = groups_json(found.groups);
  result["settings_files"] = found.texts;
  result["found"] = found.found;
  result["guesses"] = found.guesses;
  result["contradictions"] = found.contradictions;
  result["not_understood"] = found.not_understood;
  result["missing"] = found.missing;

  say_groups(context, found.groups);
  say_list(context, "Settings:", found.found, 40);
  say_list(context, "Guesses, please check:", found.guesses, 40);
  say_list(context, "Contradictions:", found.contradictions, 40);
  say_list(context, "Not understood:", found.not_understood, 8);

  if (!found.scan) {
    context.result(result);
    std::cerr << "rayloom: " << given.folder << ": missing, nothing written:\n";
    for (const auto& line : found.missing)
      std::cerr << "  " << line << '\n';
    return Exit::bad_use;
  }

  const Derived derived = derive(found.scan->geometry);
  say_geometry(context, *found.scan, derived);
  write_first_view(*found.scan, picture);
  try {
    write_scan(*found.scan, output);
  } catch (...) {
    std::error_code ignored;
    fs::remove(picture, ignored);
    throw;
  }
  context.say("Written: " + output.string() + ", " + picture.string());

  const Geometry& g = found.scan->geometry;
  result["geometry"] = {{"magnification", g.magnification()},
                        {"voxel_mm", g.virtual_column_pitch_mm()},
                        {"field_of_view_diameter_mm", 2 * derived.field.radius_mm},
                        {"z_low_mm", derived.field.z_low_mm},
                        {"z_high_mm", derived.field.z_high_mm},
                        {"coverage", to_string(derived.coverage)}};
  if (g.beam != Beam::parallel) result["geometry"]["half_fan_deg"] = derived.half_fan_deg;
  if (g.beam == Beam::cone) result["geometry"]["half_cone_deg"] = derived.half_cone_deg;
  result["scan"] = to_json(*found.scan);
  result["scan_file"] = output.string();
  result["picture"] = picture.string();
  context.result(result);
  return Exit::done;
}

}  // namespace

void add_describe(CLI::App& program) {
  auto given = std::make_shared<DescribeArguments>();
  CLI::App* command = add_command(
      program, "describe",
      "What is in this folder? Finds views, dark and open-beam images and settings; writes a scan file.",
      {"rayloom describe raw/ --sod 200 --sdd 800 --pitch 0.2 --arc 360",
       "rayloom describe raw/ --settings raw/machine.ini -o part.json",
       "rayloom describe export/ --headerless uint16:400x512:1024 --sod 200 --sdd 800 --pitch 0.2 --arc 360"},
      [given](const Context& context) { return describe(context, *given); });
  DescribeOptions& options = given->options;

  command->add_option("FOLDER", given->folder, "folder of images, looked through three folders deep")->required();
  command->add_option("-o,--output", given->output, "scan file to write; a picture lies beside it (FOLDER/scan.json)");
  command->add_flag("--overwrite", given->overwrite, "replace the scan file and picture if they exist");
  command->add_option("--settings", given->settings,
                      "text of 'key = value' lines to read (default: each .txt, .ini, .cfg, .conf, .info, .log found)");

  const std::string geometry = "Geometry (options count over what a settings text says)";
  const auto number = [&](const std::string& name, std::optional<double>& value, const std::string& about) {
    command->add_option(name, value, about)->group(geometry);
  };
  command->add_option("--beam", given->beam, "cone, fan or parallel (cone if the source has a distance)")
      ->check(CLI::IsMember(names_in(beam_names)))
      ->group(geometry);
  number("--sod", options.sod_mm, "source to rotation axis, mm");
  number("--sdd", options.sdd_mm, "source to detector, mm");
  command->add_option("--pitch", given->pitch, "pixel pitch of the upright images, mm: P, or COLUMN,ROW")
      ->group(geometry);
  number("--arc", options.arc_deg,
         "angle covered by all views, degrees (360: a full turn); positive: turntable clockwise seen from above");
  number("--step", options.step_deg, "angle from view to view, degrees, instead of --arc");
  number("--first", options.first_deg, "angle of the first view, degrees (0)");
  command->add_option("--angles-file", given->angles_file, "text with one angle a line, degrees, instead of --arc")
      ->group(geometry);
  number("--axis-column", options.axis_column, "column on which the rotation axis falls, from 0 (the middle)");
  number("--midplane-row", options.midplane_row, "row at the height of the source, from 0 (the middle)");
  number("--voltage", options.voltage_kv, "tube voltage, kV");
  number("--current", options.current_ma, "tube current, mA");

  const std::string images = "Images";
  command->add_option("--kind", given->kind, "counts, corrected, transmission or line_integrals (by content)")
      ->check(CLI::IsMember(names_in(kinds)))
      ->group(images);
  command->add_option("--saturation", options.saturation, "stored value that means full scale")->group(images);
  command->add_option("--layout", given->layout, "views (one image a view) or sinograms (one a detector row)")
      ->check(CLI::IsMember(names_in(layouts)))
      ->group(images);
  command->add_option("--turned", options.storage.turned_deg, "turn stored images clockwise by 0, 90, 180 or 270 (0)")
      ->check(CLI::IsMember({0, 90, 180, 270}))
      ->group(images);
  command->add_flag("--mirrored", options.storage.mirrored, "then flip left and right (stored as seen from the source)")
      ->group(images);
  command
      ->add_option("--headerless", given->headerless,
                   ".raw, .bin, .img and .dat files hold one image each: SAMPLE:ROWSxCOLUMNS[:SKIP][:big]")
      ->group(images);
}

}  // namespace rayloom::tools
