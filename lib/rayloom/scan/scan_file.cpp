#include "rayloom/scan/scan_file.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <utility>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/tiled_scan.h"

namespace rayloom {

namespace {

constexpr long largest_count = 1'000'000;  // columns, rows, views: beyond any detector, within int

/// Names of an enumeration in files, in the order of documentation.
template <class T, std::size_t N>
using Names = std::array<std::pair<T, std::string_view>, N>;

constexpr Names<Beam, 3> beam_names = {{{Beam::parallel, "parallel"}, {Beam::fan, "fan"}, {Beam::cone, "cone"}}};
constexpr Names<DetectorShape, 2> shape_names = {{{DetectorShape::flat, "flat"}, {DetectorShape::arc, "arc"}}};
constexpr Names<ImageKind, 4> kind_names = {{{ImageKind::counts, "counts"},
                                             {ImageKind::corrected, "corrected"},
                                             {ImageKind::transmission, "transmission"},
                                             {ImageKind::line_integrals, "line_integrals"}}};
using Sample = Headerless::Sample;
constexpr Names<Sample, 9> sample_names = {{{Sample::uint8, "uint8"},
                                            {Sample::uint16, "uint16"},
                                            {Sample::uint32, "uint32"},
                                            {Sample::int8, "int8"},
                                            {Sample::int16, "int16"},
                                            {Sample::int32, "int32"},
                                            {Sample::float16, "float16"},
                                            {Sample::float32, "float32"},
                                            {Sample::float64, "float64"}}};
constexpr Names<bool, 2> layout_names = {{{false, "views"}, {true, "sinograms"}}};
constexpr Names<bool, 2> byte_order_names = {{{false, "little"}, {true, "big"}}};

template <class T, std::size_t N>
T one_of(const JsonFields& fields, std::string_view key, const Names<T, N>& names) {
  const std::string text = fields.text(key);
  std::string must = "must be ";
  for (std::size_t i = 0; i < N; ++i) {
    if (names[i].second == text) return names[i].first;
    must += (i == 0 ? "\"" : i + 1 < N ? ", \"" : " or \"") + std::string(names[i].second) + "\"";
  }
  fields.fail(key, must);
}

template <class T, std::size_t N>
std::string name_of(T value, const Names<T, N>& names) {
  for (const auto& [known, name] : names)
    if (known == value) return std::string(name);
  return {};
}

int count_of(const JsonFields& fields, std::string_view key) {
  const long value = fields.integer(key);
  if (value < 1 || value > largest_count) fields.fail(key, "must be from 1 to " + std::to_string(largest_count));
  return int(value);
}

ImageNames image_names(const JsonFields& fields, std::string_view key, const std::string& what) {
  const auto& value = fields.raw(key);
  ImageNames names;
  for (const auto& entry : value.is_array() ? value : nlohmann::json::array({value})) {
    if (!entry.is_string() || entry.get<std::string>().empty()) fields.fail(key, "must be " + what);
    names.push_back(entry.get<std::string>());
  }
  if (names.empty()) fields.fail(key, "must be " + what);
  return names;
}

ImageNames image_names(const JsonFields& fields, std::string_view key) {
  return image_names(fields, key, "a file name, a pattern such as \"dark/*.tif\", or a list of these");
}

Level level_of(const JsonFields& fields, std::string_view key) {
  if (fields.raw(key).is_number()) return fields.number(key);
  return image_names(fields, key, "a number, a file name, a pattern such as \"dark/*.tif\", or a list of these");
}

/// One number a line; '#' starts a comment.
std::vector<double> read_angles(const std::filesystem::path& file) {
  std::ifstream stream(file);
  if (!stream || std::filesystem::is_directory(file)) throw BadInput(file.string() + ": cannot be read");
  std::vector<double> angles;
  std::string line;
  for (int number = 1; std::getline(stream, line); ++number) {
    line.erase(std::min(line.find('#'), line.size()));
    constexpr const char* blanks = " \t\r";
    const auto from = line.find_first_not_of(blanks);
    if (from == std::string::npos) continue;
    const auto to = line.find_last_not_of(blanks) + 1;
    const char* first = line.data() + from + (line[from] == '+' ? 1 : 0);
    double value = 0;
    const auto [end, error] = std::from_chars(first, line.data() + to, value);
    if (error != std::errc{} || end != line.data() + to || !std::isfinite(value))
      throw BadInput(file.string() + ": line " + std::to_string(number) + ": '" + line.substr(from, to - from) +
                     "'; must be one angle in degrees (decimal point), comments after '#'");
    angles.push_back(value);
  }
  if (angles.empty()) throw BadInput(file.string() + ": holds no angle; must be one angle in degrees a line");
  return angles;
}

XraySource parse_source(const JsonFields& fields) {
  fields.allow_only({"voltage_kv", "current_ma", "focal_spot_mm", "filters"});
  XraySource source;
  const auto optional = [&](std::string_view key) {
    return fields.has(key) ? std::optional(fields.positive(key)) : std::nullopt;
  };
  source.voltage_kv = optional("voltage_kv");
  source.current_ma = optional("current_ma");
  source.focal_spot_mm = optional("focal_spot_mm");
  if (fields.has("filters"))
    for (const auto& filter : fields.objects("filters")) {
      filter.allow_only({"material", "thickness_mm"});
      source.filters.push_back({filter.text("material"), filter.positive("thickness_mm")});
    }
  return source;
}

Detector parse_detector(const JsonFields& fields) {
  fields.allow_only({"columns", "rows", "column_pitch_mm", "row_pitch_mm", "axis_column", "midplane_row", "roll_deg",
                     "tilt_deg", "slant_deg", "shape"});
  Detector detector;
  detector.columns = count_of(fields, "columns");
  detector.rows = count_of(fields, "rows");
  detector.column_pitch_mm = fields.positive("column_pitch_mm");
  const bool spacing_matters = detector.rows > 1 || fields.has("row_pitch_mm");
  detector.row_pitch_mm = spacing_matters ? fields.positive("row_pitch_mm") : detector.column_pitch_mm;
  detector.axis_column = fields.number_or("axis_column", (detector.columns - 1) / 2.0);
  if (detector.axis_column < -0.5 || detector.axis_column > detector.columns - 0.5)
    fields.fail("axis_column",
                "must lie on the detector, from -0.5 to " + to_text(detector.columns - 0.5) + " (columns - 0.5)");
  detector.midplane_row = fields.number_or("midplane_row", (detector.rows - 1) / 2.0);
  detector.roll_rad = radians(fields.number_or("roll_deg", 0));
  detector.tilt_rad = radians(fields.number_or("tilt_deg", 0));
  detector.slant_rad = radians(fields.number_or("slant_deg", 0));
  if (fields.has("shape")) detector.shape = one_of(fields, "shape", shape_names);
  return detector;
}

/// [x, y, z] a view.
std::vector<Vec3> parse_part_moved(const JsonFields& fields, int views) {
  const auto& value = fields.raw("part_moved_mm");
  const std::string must = "must be a list of [x, y, z] in mm, one a view";
  if (!value.is_array()) fields.fail("part_moved_mm", must);
  if (value.size() != std::size_t(views))
    throw BadInput(fields.file() + ": views.part_moved_mm: " + std::to_string(value.size()) +
                   " shifts; must be one a view, " + std::to_string(views));
  std::vector<Vec3> moved;
  for (const auto& shift : value) {
    if (!shift.is_array() || shift.size() != 3 ||
        !std::all_of(shift.begin(), shift.end(), [](const auto& number) { return number.is_number(); }))
      throw BadInput(fields.file() + ": views.part_moved_mm: " + shift.dump() + " for view " +
                     std::to_string(moved.size()) + "; " + must);
    moved.emplace_back(shift[0].template get<double>(), shift[1].template get<double>(),
                       shift[2].template get<double>());
  }
  return moved;
}

/// Fills `views`, the angles and the part's movement.
void parse_views(const JsonFields& fields, Scan& scan) {
  fields.allow_only({"count", "first_deg", "arc_deg", "step_deg", "angles_deg", "angles_file", "part_moved_mm"});
  Scan::Views& views = scan.views;

  std::string given;
  int ways = 0;
  for (const char* way : {"arc_deg", "step_deg", "angles_deg", "angles_file"})
    if (fields.has(way)) {
      given += (ways++ == 0 ? "" : " and ") + std::string(way);
    }
  if (ways != 1)
    throw BadInput(fields.file() + ": views: " + (ways == 0 ? "no angles" : given) +
                   "; must give exactly one of arc_deg, step_deg, angles_deg, angles_file");

  std::vector<double> angles;
  if (fields.has("arc_deg") || fields.has("step_deg")) {
    views.count = count_of(fields, "count");
    views.first_deg = fields.number_or("first_deg", 0);
    double turn_deg = 0, parts = 1;  // view i at first + turn i / parts
    if (fields.has("arc_deg")) {
      views.arc_deg = turn_deg = fields.number("arc_deg");
      parts = views.count;
    } else {
      views.step_deg = turn_deg = fields.number("step_deg");
    }
    if (turn_deg == 0 && views.count > 1)
      fields.fail(views.arc_deg ? "arc_deg" : "step_deg",
                  "must not be 0 for " + std::to_string(views.count) + " views");
    for (int i = 0; i < views.count; ++i)
      angles.push_back(views.first_deg + turn_deg * i / parts);
  } else {
    if (fields.has("first_deg")) fields.fail("first_deg", "must be absent where the angles are listed (" + given + ")");
    if (fields.has("angles_deg")) {
      angles = views.angles_deg = fields.numbers("angles_deg");
      if (angles.empty()) fields.fail("angles_deg", "must hold at least one angle");
    } else {
      views.angles_file = fields.text("angles_file");
      angles = read_angles(scan.folder() / views.angles_file);
    }
    views.count = int(angles.size());
    if (fields.has("count") && fields.integer("count") != views.count)
      fields.fail("count", "must be the number of angles in " + given + ", " + std::to_string(views.count));
  }
  for (const double angle : angles)
    scan.geometry.angles_rad.push_back(radians(angle));
  if (fields.has("part_moved_mm")) scan.geometry.part_moved_mm = parse_part_moved(fields, views.count);
}

Headerless parse_headerless(const JsonFields& fields) {
  fields.allow_only({"sample", "byte_order", "skip_bytes"});
  Headerless headerless;
  headerless.sample = one_of(fields, "sample", sample_names);
  if (fields.has("byte_order")) headerless.big_endian = one_of(fields, "byte_order", byte_order_names);
  const long skip = fields.integer_or("skip_bytes", 0);
  if (skip < 0) fields.fail("skip_bytes", "must not be below 0");
  headerless.skip_bytes = std::uintmax_t(skip);
  return headerless;
}

/// Which of the levels the kind of image calls for, and that no other is given.
void parse_levels(const JsonFields& fields, int views, ScanImages& images) {
  const bool counts = images.kind == ImageKind::counts, corrected = images.kind == ImageKind::corrected;
  const auto only_for = [&](ImageKind kind, std::initializer_list<std::string_view> keys) {
    for (const auto key : keys)
      if (images.kind != kind && fields.has(key))
        fields.fail(key, "must be absent: kind is \"" + to_string(images.kind) + "\", only \"" + to_string(kind) +
                             "\" uses it");
  };
  only_for(ImageKind::counts, {"dark", "open", "open_after"});
  only_for(ImageKind::corrected, {"open_level"});

  if (counts) {
    if (!fields.has("open")) fields.fail("open", "kind \"counts\" needs open-beam images or a number");
    for (const auto& [key, level] : {std::pair{"dark", &images.dark}, std::pair{"open", &images.open},
                                     std::pair{"open_after", &images.open_after}}) {
      if (!fields.has(key)) continue;
      *level = level_of(fields, key);
      const auto* number = std::get_if<double>(&level->value());
      const auto* dark = images.dark ? std::get_if<double>(&*images.dark) : nullptr;
      const double floor = dark != nullptr ? *dark : 0;
      if (number != nullptr && level != &images.dark && !(*number > floor))
        fields.fail(key, "must be above the dark level, " + to_text(floor));
    }
  }
  if (corrected) {
    if (!fields.has("open_level"))
      fields.fail("open_level",
                  "kind \"corrected\" needs the level of the open beam: a number, one a view, or \"border\"");
    const auto& value = fields.raw("open_level");
    if (value == "border") {
      images.open_level_from_border = true;
    } else if (value.is_array()) {
      images.open_level = fields.numbers("open_level");
      if (images.open_level.size() != std::size_t(views))
        fields.fail("open_level", "must hold one number a view: it has " + std::to_string(images.open_level.size()) +
                                      ", views.count is " + std::to_string(views));
    } else if (value.is_number()) {
      images.open_level = {fields.number("open_level")};
    } else {
      fields.fail("open_level", "must be a number, a list of numbers, or \"border\"");
    }
    for (const double level : images.open_level)
      if (!(level > 0)) fields.fail("open_level", "must be above 0, but holds " + to_text(level));
  }
}

ScanImages parse_images(const JsonFields& fields, int views) {
  fields.allow_only({"projections", "kind", "dark", "open", "open_after", "defects", "return_view", "saturation",
                     "open_level", "scale", "offset", "layout", "turned_deg", "mirrored", "headerless"});
  ScanImages images;
  images.projections = image_names(fields, "projections");
  images.kind = one_of(fields, "kind", kind_names);
  parse_levels(fields, views, images);
  if (fields.has("defects")) images.defects = image_names(fields, "defects");
  if (fields.has("return_view")) images.return_view = image_names(fields, "return_view");
  if (fields.has("saturation")) images.saturation = fields.positive("saturation");
  images.scale = fields.number_or("scale", 1);
  if (images.scale == 0) fields.fail("scale", "must not be 0");
  images.offset = fields.number_or("offset", 0);
  if (fields.has("layout")) images.sinograms = one_of(fields, "layout", layout_names);
  const long turned = fields.integer_or("turned_deg", 0);
  if (turned != 0 && turned != 90 && turned != 180 && turned != 270)
    fields.fail("turned_deg", "must be 0, 90, 180 or 270");
  images.turned_deg = int(turned);
  images.mirrored = fields.flag_or("mirrored", false);
  if (fields.has("headerless")) images.headerless = parse_headerless(fields.object("headerless"));
  return images;
}

/// Puts one "key=value" into `root`.
void apply_setting(nlohmann::json& root, const std::string& setting) {
  const auto bad = [&](const std::string& must) {
    return InvalidOption("setting '" + setting + "'; " + must, "example: detector.axis_column=254.2");
  };
  const auto equals = setting.find('=');
  if (equals == std::string::npos || equals == 0) throw bad("must be KEY=VALUE, KEY as in the scan file");
  const std::string key = setting.substr(0, equals), text = setting.substr(equals + 1);

  nlohmann::json* at = &root;
  for (std::size_t from = 0; from <= key.size();) {
    const std::size_t dot = std::min(key.find('.', from), key.size());
    const std::string part = key.substr(from, dot - from);
    if (part.empty()) throw bad("must not have an empty name between dots");
    if (at->is_array()) {
      std::size_t index = 0;
      const auto [end, error] = std::from_chars(part.data(), part.data() + part.size(), index);
      if (error != std::errc{} || end != part.data() + part.size() || index > at->size())
        throw bad("'" + part + "' must be a number from 0 to " + std::to_string(at->size()) + ", a place in the list");
      if (index == at->size()) at->push_back(nullptr);
      at = &(*at)[index];
    } else if (at->is_object() || at->is_null()) {
      at = &(*at)[part];
    } else {
      throw bad("'" + key.substr(0, from - 1) + "' is a single value and has no fields");
    }
    from = dot + 1;
  }
  auto value = nlohmann::json::parse(text, nullptr, false);
  *at = value.is_discarded() ? nlohmann::json(text) : std::move(value);
}

/// Degrees to 15 significant digits, so that 1.5 comes back as 1.5 after its way through radians.
double tidy_degrees(double angle_rad) {
  char buffer[40];
  const auto result = std::to_chars(buffer, buffer + sizeof buffer, degrees(angle_rad), std::chars_format::general, 15);
  double tidy = 0;
  std::from_chars(buffer, result.ptr, tidy);
  return tidy;
}

using Json = nlohmann::ordered_json;

Json names_json(const ImageNames& names) {
  return names.size() == 1 ? Json(names[0]) : Json(names);
}

Json level_json(const Level& level) {
  if (const auto* number = std::get_if<double>(&level)) return *number;
  return names_json(std::get<ImageNames>(level));
}

Json source_json(const XraySource& source) {
  Json json = Json::object();
  if (source.voltage_kv) json["voltage_kv"] = *source.voltage_kv;
  if (source.current_ma) json["current_ma"] = *source.current_ma;
  if (source.focal_spot_mm) json["focal_spot_mm"] = *source.focal_spot_mm;
  for (const auto& filter : source.filters)
    json["filters"].push_back({{"material", filter.material}, {"thickness_mm", filter.thickness_mm}});
  return json;
}

Json detector_json(const Detector& detector) {
  Json json = {{"columns", detector.columns},
               {"rows", detector.rows},
               {"column_pitch_mm", detector.column_pitch_mm},
               {"row_pitch_mm", detector.row_pitch_mm},
               {"axis_column", detector.axis_column},
               {"midplane_row", detector.midplane_row}};
  if (detector.turned()) {
    json["roll_deg"] = tidy_degrees(detector.roll_rad);
    json["tilt_deg"] = tidy_degrees(detector.tilt_rad);
    json["slant_deg"] = tidy_degrees(detector.slant_rad);
  }
  if (detector.shape != DetectorShape::flat) json["shape"] = to_string(detector.shape);
  return json;
}

Json angles_json(const Scan& scan) {
  const Scan::Views& views = scan.views;
  if (views.arc_deg) return {{"count", views.count}, {"first_deg", views.first_deg}, {"arc_deg", *views.arc_deg}};
  if (views.step_deg) return {{"count", views.count}, {"first_deg", views.first_deg}, {"step_deg", *views.step_deg}};
  const auto& angles = scan.geometry.angles_rad;
  if (!views.angles_file.empty()) return {{"count", angles.size()}, {"angles_file", views.angles_file}};
  if (!views.angles_deg.empty()) return {{"count", views.angles_deg.size()}, {"angles_deg", views.angles_deg}};
  Json json = {{"count", angles.size()}, {"angles_deg", Json::array()}};
  for (const double angle : angles)
    json["angles_deg"].push_back(tidy_degrees(angle));
  return json;
}

Json views_json(const Scan& scan) {
  Json json = angles_json(scan);
  for (const Vec3& moved : scan.geometry.part_moved_mm)
    json["part_moved_mm"].push_back({moved.x(), moved.y(), moved.z()});
  return json;
}

Json images_json(const ScanImages& images) {
  Json json;
  json["projections"] = names_json(images.projections);
  json["kind"] = to_string(images.kind);
  if (images.dark) json["dark"] = level_json(*images.dark);
  if (images.open) json["open"] = level_json(*images.open);
  if (images.open_after) json["open_after"] = level_json(*images.open_after);
  if (images.open_level_from_border)
    json["open_level"] = "border";
  else if (images.open_level.size() == 1)
    json["open_level"] = images.open_level[0];
  else if (!images.open_level.empty())
    json["open_level"] = images.open_level;
  if (!images.defects.empty()) json["defects"] = names_json(images.defects);
  if (!images.return_view.empty()) json["return_view"] = names_json(images.return_view);
  if (images.saturation) json["saturation"] = *images.saturation;
  if (images.scale != 1) json["scale"] = images.scale;
  if (images.offset != 0) json["offset"] = images.offset;
  if (images.sinograms) json["layout"] = name_of(images.sinograms, layout_names);
  if (images.turned_deg != 0) json["turned_deg"] = images.turned_deg;
  if (images.mirrored) json["mirrored"] = true;
  if (images.headerless)
    json["headerless"] = {{"sample", to_string(images.headerless->sample)},
                          {"byte_order", name_of(images.headerless->big_endian, byte_order_names)},
                          {"skip_bytes", images.headerless->skip_bytes}};
  return json;
}

}  // namespace

std::string to_string(ImageKind kind) {
  return name_of(kind, kind_names);
}

std::string to_string(Headerless::Sample sample) {
  return name_of(sample, sample_names);
}

std::size_t bytes_of(Sample sample) {
  switch (sample) {
    case Sample::uint8:
    case Sample::int8:
      return 1;
    case Sample::uint16:
    case Sample::int16:
    case Sample::float16:
      return 2;
    case Sample::uint32:
    case Sample::int32:
    case Sample::float32:
      return 4;
    case Sample::float64:
      break;
  }
  return 8;
}

Scan parse_scan(const nlohmann::json& value, const std::filesystem::path& file) {
  const JsonFields fields(value, file.string());
  if (has_heights(value))
    throw BadInput(file.string() + ": tiles: turns with the part at several heights (part_raised_mm); must be one turn",
                   "make a scan file of one turn: the images of one entry, and its views if it has any, in place of "
                   "tiles. Only reconstruct without --try takes all turns");
  if (fields.has("tiles"))
    throw BadInput(file.string() + ": tiles: the scan is in detector tiles; must be stitched into one first",
                   "rayloom stitch " + file.string() + " -o wide; then use wide/scan.json");
  fields.allow_only({"rayloom_scan", "title", "notes", "beam", "source_to_object_mm", "source_to_detector_mm", "source",
                     "detector", "part_moved_mm", "views", "images"});
  if (!fields.has("rayloom_scan") || fields.raw("rayloom_scan") != 1)
    fields.fail("rayloom_scan", "must be 1, the version of the scan file that this program reads");

  Scan scan;
  scan.file = file;
  scan.title = fields.text_or("title", "");
  if (fields.has("notes")) {
    const JsonFields notes = fields.object("notes");
    for (const auto& item : fields.raw("notes").items())
      scan.notes[item.key()] = notes.text(item.key());
  }
  scan.geometry.beam = one_of(fields, "beam", beam_names);
  if (scan.geometry.beam == Beam::parallel) {
    for (const char* key : {"source_to_object_mm", "source_to_detector_mm"})
      if (fields.has(key)) fields.fail(key, "must be absent for a parallel beam");
  } else {
    scan.geometry.sod_mm = fields.positive("source_to_object_mm");
    scan.geometry.sdd_mm = fields.positive("source_to_detector_mm");
  }
  if (fields.has("source")) scan.source = parse_source(fields.object("source"));
  scan.geometry.detector = parse_detector(fields.object("detector"));
  if (fields.has("part_moved_mm")) {
    const auto moved = fields.numbers("part_moved_mm", 3);
    scan.part_moved_mm = {moved[0], moved[1], moved[2]};
  }
  parse_views(fields.object("views"), scan);
  try {
    scan.geometry.validate();
  } catch (const InvalidOption& problem) {
    throw BadInput(file.string() + ": " + problem.what(), problem.hint());
  }
  if (fields.has("images")) scan.images = parse_images(fields.object("images"), scan.views.count);
  return scan;
}

nlohmann::json read_scan_json(const std::filesystem::path& file, const std::vector<std::string>& settings) {
  nlohmann::json value = read_json_file(file);
  if (value.is_object())
    for (const auto& setting : settings)
      apply_setting(value, setting);
  return value;
}

Scan read_scan(const std::filesystem::path& file, const std::vector<std::string>& settings) {
  return parse_scan(read_scan_json(file, settings), file);
}

nlohmann::ordered_json to_json(const Scan& scan) {
  Json json;
  json["rayloom_scan"] = 1;
  if (!scan.title.empty()) json["title"] = scan.title;
  if (!scan.notes.empty()) json["notes"] = scan.notes;
  json["beam"] = to_string(scan.geometry.beam);
  if (scan.geometry.beam != Beam::parallel) {
    json["source_to_object_mm"] = scan.geometry.sod_mm;
    json["source_to_detector_mm"] = scan.geometry.sdd_mm;
  }
  if (auto source = source_json(scan.source); !source.empty()) json["source"] = std::move(source);
  json["detector"] = detector_json(scan.geometry.detector);
  if (const Vec3& moved = scan.part_moved_mm; !moved.isZero(0))
    json["part_moved_mm"] = {moved.x(), moved.y(), moved.z()};
  json["views"] = views_json(scan);
  if (!scan.images.projections.empty()) json["images"] = images_json(scan.images);
  return json;
}

Scan described_at(const Scan& scan, const std::filesystem::path& file) {
  namespace fs = std::filesystem;
  const fs::path from = fs::weakly_canonical(fs::absolute(scan.file).parent_path());
  const fs::path to = fs::weakly_canonical(fs::absolute(file).parent_path());
  Scan moved = scan;
  moved.file = file;
  if (from == to) return moved;
  const auto lead = [&](std::string& name) {
    if (!name.empty() && fs::path(name).is_relative())
      name = (from / name).lexically_normal().lexically_relative(to).generic_string();
  };
  const auto lead_all = [&](ImageNames& names) { std::for_each(names.begin(), names.end(), lead); };
  const auto lead_level = [&](std::optional<Level>& level) {
    if (level)
      if (auto* names = std::get_if<ImageNames>(&*level)) lead_all(*names);
  };
  lead(moved.views.angles_file);
  lead_all(moved.images.projections);
  lead_level(moved.images.dark);
  lead_level(moved.images.open);
  lead_level(moved.images.open_after);
  lead_all(moved.images.defects);
  lead_all(moved.images.return_view);
  return moved;
}

void write_scan(const Scan& scan, const std::filesystem::path& file) {
  write_json_file(file, to_json(scan));
}

}  // namespace rayloom
