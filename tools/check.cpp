// rayloom check SCAN: is this raw scan fit to reconstruct?
#include "rayloom/prepare/check.h"

#include <algorithm>
#include <cmath>

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/volume/curve.h"
#include "rayloom/volume/output_folder.h"
#include "rayloom/volume/picture.h"

namespace rayloom::tools {

namespace {

struct CheckArguments {
  std::string input, output, region;
  std::vector<std::string> settings;
  bool overwrite = false;
};

/// "row 3, column 7" of a finding.
std::string place_of(const Finding& finding) {
  std::string place;
  if (finding.row) place += "row " + std::to_string(*finding.row);
  if (finding.column) place += (place.empty() ? "column " : ", column ") + std::to_string(*finding.column);
  return place;
}

/// One line: severity, what, what was found, where, value and limit, what to do.
std::string line_of(const Finding& finding) {
  std::string line = to_string(finding.severity);
  line.resize(std::max<std::size_t>(line.size(), 11), ' ');
  line += "  " + finding.what + ": " + finding.text;
  if (const std::string place = place_of(finding); !place.empty()) line += "; at " + place;
  if (finding.value && finding.limit) {
    const std::string unit = finding.unit.empty() ? "" : " " + finding.unit;
    line += " [" + to_text(*finding.value, 4) + unit + ", limit " + to_text(*finding.limit, 4) + unit + "]";
  }
  if (!finding.advice.empty()) line += ". " + finding.advice;
  return line;
}

nlohmann::ordered_json json_of(const Finding& finding) {
  nlohmann::ordered_json json = {
      {"severity", to_string(finding.severity)}, {"what", finding.what}, {"text", finding.text}};
  if (!finding.views.empty()) json["views"] = finding.views;
  if (finding.row) json["row"] = *finding.row;
  if (finding.column) json["column"] = *finding.column;
  if (finding.value) json["value"] = *finding.value;
  if (finding.limit) json["limit"] = *finding.limit;
  if (!finding.unit.empty()) json["unit"] = finding.unit;
  if (!finding.advice.empty()) json["advice"] = finding.advice;
  return json;
}

// ---- Pictures

bool belongs_to_check(std::string name) {
  if (name.starts_with("tile_")) {
    const std::size_t end = name.find_first_not_of("0123456789", 5);
    if (end == std::string::npos) return name.size() > 5;
    if (name[end] != '/') return false;
    name.erase(0, end + 1);
  }
  for (const char* own : {"first_view.png", "worst_view.png", "defects.png", "defects.tif", "sinogram.png",
                          "air_level.png", "drift.png", "least_transmission.png", "curves.csv"})
    if (name == own) return true;
  return false;
}

/// The upright map as the scan stores its images, since it will be read like them: the columns flipped if they are
/// mirrored, then turned back.
Image as_stored(const Image& upright, const ScanImages& images) {
  if (images.sinograms) return upright;
  Image map = upright;
  if (images.mirrored)
    for (int r = 0; r < map.rows; ++r)
      std::reverse(&map.at(r, 0), &map.at(r, 0) + map.columns);
  for (int turned = images.turned_deg; turned > 0; turned -= 90) {  // a quarter counter-clockwise
    Image quarter(map.columns, map.rows);
    for (int r = 0; r < map.rows; ++r)
      for (int c = 0; c < map.columns; ++c)
        quarter.at(map.columns - 1 - c, r) = map.at(r, c);
    map = std::move(quarter);
  }
  return map;
}

/// Medians of each value and up to 4 on either side.
std::vector<double> smoothed(const std::vector<double>& values) {
  std::vector<double> result;
  for (std::size_t i = 0; i < values.size(); ++i) {
    std::vector<double> around(values.begin() + std::ptrdiff_t(i > 4 ? i - 4 : 0),
                               values.begin() + std::ptrdiff_t(std::min(i + 5, values.size())));
    std::sort(around.begin(), around.end());
    result.push_back(around[around.size() / 2]);
  }
  return result;
}

void write_pictures(const std::filesystem::path& folder, const Scan& scan, const CheckResult& checked) {
  const Survey& survey = checked.survey;
  const auto picture_view = [&](const char* name, const char* which, const Image& view, int image) {
    write_picture(
        folder / name, view,
        {.pixel_mm = scan.geometry.virtual_column_pitch_mm(),
         .title = std::string(which) + std::to_string(survey.records[std::size_t(image)].view) + ", line integrals",
         .right = "u",
         .up = "v"});
  };
  picture_view("first_view.png", "First view: ", checked.first_view, checked.first_image);
  picture_view("worst_view.png", "Worst view: ", checked.worst_view, checked.worst_image);

  const DefectMap& map = checked.defects;
  Image defects(map.rows, map.columns);
  for (std::size_t i = 0; i < map.states.size(); ++i)
    defects.samples[i] = float(map.states[i]);
  const Image stored = as_stored(defects, scan.images);
  write_tiff(folder / "defects.tif", stored.rows, stored.columns, stored.samples, SampleType::uint8,
             {.pixel_mm = 0,
              .description = "bad pixels: 0 good, 1 listed, 2 dead, 3 over-responding, 4 under-responding, "
                             "5 noisy, 6 non-uniform, 7 bad neighbourhood"});
  for (float& state : defects.samples)
    state = state == 0 ? 1.0F : 0.0F;
  write_picture(folder / "defects.png", defects,
                {.low = 0, .high = 1, .title = std::to_string(map.bad_count()) + " bad pixels, black"});

  write_picture(folder / "sinogram.png", survey.sinogram,
                {.title = "Sinogram about row " + std::to_string(survey.sinogram_row),
                 .right = "column",
                 .down = "view",
                 .vertical_line = scan.geometry.detector.axis_column});

  std::vector<double> air, least;
  std::string table =
      "view,angle_deg,air,left_air,right_air,least_transmission,below_10_percent,below_3_percent,saturated\n";
  const auto& angles = scan.geometry.angles_rad;
  for (const ViewRecord& record : survey.records) {
    if (!record.readable) continue;
    air.push_back(100 * record.air);
    least.push_back(100 * record.least);
    const auto optional = [](const std::optional<double>& value) { return value ? to_text(*value, 6) : ""; };
    table += std::to_string(record.view) + "," +
             (record.view < int(angles.size()) ? to_text(degrees(angles[std::size_t(record.view)]), 8) : "") + "," +
             to_text(record.air, 6) + "," + optional(record.left_air) + "," + optional(record.right_air) + "," +
             to_text(record.least, 6) + "," + std::to_string(record.below_10) + "," + std::to_string(record.below_3) +
             "," + std::to_string(record.saturated) + "\n";
  }
  write_curve(folder / "air_level.png", air,
              {.title = "Air of each view", .unit = "% of the open beam", .along = "view"});
  write_curve(folder / "least_transmission.png", least,
              {.title = "Least transmission of each view", .unit = "%", .along = "view"});
  std::vector<double> drift = smoothed(air);
  const double begin = drift.front();
  for (double& value : drift)
    value = begin != 0 ? 100 * (value / begin - 1) : 0;
  write_curve(folder / "drift.png", drift,
              {.title = "Drift of the air since the first view", .unit = "%", .along = "view"});
  write_text_file(folder / "curves.csv", table);
}

/// What is checked on its own: the scan, or each of its tiles.
struct Piece {
  std::string name;  ///< Empty, or "tile 0"; its folder is "tile_0".
  Scan scan;
  CheckOptions options;
};

std::vector<Piece> pieces_of(const CheckArguments& given) {
  CheckOptions options;
  if (!given.region.empty()) {
    const auto numbers = parse_numbers("--region", given.region, 4);
    options.region = Region{{numbers[0], numbers[1], numbers[2]}, numbers[3]};
    if (!(options.region->radius_mm > 0))
      throw InvalidOption("--region: '" + given.region + "'; the radius, last of X,Y,Z,R, must be above 0");
  }
  const nlohmann::json value = read_scan_json(given.input, given.settings);
  std::vector<Piece> pieces;
  if (!has_tiles(value)) {
    pieces.push_back({"", parse_scan(value, given.input), options});
    Piece& whole = pieces.back();
    if (whole.options.region) whole.options.region->centre_mm += whole.scan.part_moved_mm;
    return pieces;
  }
  if (options.region)
    throw InvalidOption("--region: '" + given.region + "'; must be absent for a scan in tiles, of which none sees all",
                        "stitch the tiles, and check the stitched scan");
  TiledScan tiled = parse_tiled_scan(value, given.input);
  for (std::size_t k = 0; k < tiled.tiles.size(); ++k) {
    options.continued = continued_sides(tiled, k);
    pieces.push_back({"tile " + std::to_string(k), std::move(tiled.tiles[k].scan), options});
  }
  return pieces;
}

/// What was found as JSON; and as lines, appended to `lines`.
nlohmann::ordered_json found_in(const Piece& piece, const CheckResult& checked, std::vector<std::string>& lines) {
  nlohmann::ordered_json result = {{"verdict", to_string(checked.verdict)}};
  result["findings"] = nlohmann::ordered_json::array();
  for (const Finding& finding : checked.findings) {
    lines.push_back(piece.name.empty() ? "" : piece.name + "  ");
    lines.back() += line_of(finding);
    result["findings"].push_back(json_of(finding));
  }
  result["images"] = checked.survey.records.size();
  result["bad_pixels"] = checked.defects.bad_count();
  return result;
}

int run_check(const Context& context, const CheckArguments& given) {
  const std::vector<Piece> pieces = pieces_of(given);
  std::optional<OutputFolder> folder;
  if (!given.output.empty())
    folder.emplace(given.output, given.overwrite ? Overwrite::yes : Overwrite::no,
                   OutputFolder::Kind{belongs_to_check});
  nlohmann::ordered_json result = {{"scan", given.input}}, tiles = nlohmann::ordered_json::array();
  std::vector<std::string> lines;
  Verdict verdict = Verdict::fit;
  for (const Piece& piece : pieces) {
    const CheckResult checked = check_scan(piece.scan, piece.options, context.hooks());
    verdict = std::max(verdict, checked.verdict);
    if (folder) {
      std::string own = piece.name;
      std::replace(own.begin(), own.end(), ' ', '_');
      if (!own.empty()) make_own_folder(folder->partial() / own);
      write_pictures(folder->partial() / own, piece.scan, checked);
    }
    if (piece.name.empty())
      result.update(found_in(piece, checked, lines));
    else
      tiles.push_back(found_in(piece, checked, lines));
  }
  if (!tiles.empty()) {
    result["verdict"] = to_string(verdict);
    result["tiles"] = std::move(tiles);
  }
  if (folder) {
    folder->finish();
    result["folder"] = given.output;
    context.note(given.output + ": pictures, curves.csv, and defects.tif for images.defects" +
                 (pieces.size() > 1 ? ", a folder for each tile" : ""));
  }
  for (const std::string& line : lines)
    context.say(line);
  context.say("verdict: " + to_string(verdict));
  context.result(result);
  return verdict == Verdict::not_fit ? Exit::not_acceptable : Exit::done;
}

}  // namespace

void add_check(CLI::App& program) {
  auto given = std::make_shared<CheckArguments>();
  CLI::App* command = add_command(
      program, "check",
      "Is this raw scan fit to reconstruct? Whole scans, tiles, scans that broke off, and 1 to 8 trial views before.",
      {"rayloom check scan.json", "rayloom check scan.json --region 12,-3,5,4",
       "rayloom check scan.json -o findings --json"},
      [given](const Context& context) { return run_check(context, *given); });
  command->add_option("SCAN", given->input, "scan file; of one with tiles each tile is checked")->required();
  command->add_option("-o,--output", given->output,
                      "folder for pictures (first and worst view, defects, sinogram, air, drift, least transmission), "
                      "curves.csv and defects.tif, a map for the scan file");
  command->add_flag("--overwrite", given->overwrite, "replace that folder if it holds nothing but such files");
  command->add_option("--region", given->region,
                      "X,Y,Z,R in mm: a ball of the part that must stay in view over the whole scan");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
}

}  // namespace rayloom::tools
