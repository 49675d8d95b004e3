// rayloom stitch SCAN: one wide scan from detector tiles.
#include "rayloom/prepare/stitch.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/scan/checksum.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/volume/output_folder.h"

namespace rayloom::tools {

namespace fs = std::filesystem;

namespace {

/// A tube keeps its output to a few per cent from turn to turn, and open-beam images take even that off.
constexpr double least_level = 0.8;

struct StitchArguments {
  std::string scan, output;
  std::vector<std::string> settings;
  std::optional<int> threads;
  bool overwrite = false;
};

bool belongs_to_stitch(std::string name) {
  if (name.ends_with(".partial")) name.resize(name.size() - 8);
  if (name == "scan.json" || name == "defects.tif" || name == "projections") return true;
  const std::string start = "projections/view_";
  return name.starts_with(start) && name.ends_with(".tif") &&
         name.find_first_not_of("0123456789", start.size()) == name.size() - 4;
}

std::string pixels(double shift) {
  char text[32];
  std::snprintf(text, sizeof text, "%.3f", shift);
  return text;
}

bool touches(const OverlapMatch& overlap, int tile) {
  return overlap.a == tile || overlap.b == tile;
}

/// Whether any of its overlaps was wide enough.
bool compared(const TileShifts& shifts, int tile) {
  return std::ranges::any_of(shifts.overlaps, [&](const OverlapMatch& one) { return touches(one, tile); });
}

/// Why a tile could not be tied to the others along an axis ("column", "row").
std::string why_not_found(const TileShifts& shifts, int tile, const std::string& axis) {
  if (!compared(shifts, tile)) return "its overlaps are too narrow to compare";
  if (std::ranges::any_of(shifts.overlaps, [&](const auto& one) { return touches(one, tile) && one.beyond_search; }))
    return "overlaps do not match near it";
  return "its overlaps show too little structure along " + axis + "s";
}

/// One axis of a tile's place for people: "column 147.312 +- 0.004 px (said 147.2)".
std::string shift_text(const TileShifts& shifts, int tile, const std::string& axis, double shift, double uncertainty,
                       double nominal, bool found) {
  std::string text = axis;
  text.append(" ").append(pixels(shift));
  if (found)
    return text.append(" +- ").append(pixels(uncertainty)).append(" px (said ").append(to_text(nominal, 6)) + ")";
  if (std::abs(shift - nominal) < 0.0005)
    text.append(" px: nominal, ");
  else  // moved together with tiles that it was compared with, or by weak structure
    text.append(" px (said ").append(to_text(nominal, 6)).append("): uncertain by ").append(to_text(uncertainty, 2)) +=
        ", ";
  return text.append(why_not_found(shifts, tile, axis));
}

/// Says where the tiles lie. @return the same as JSON.
nlohmann::ordered_json say_places(const Context& context, const TiledScan& tiled, const TileShifts& shifts,
                                  const Hooks& hooks) {
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  for (std::size_t k = 0; k < shifts.places.size(); ++k) {
    const TilePlace& place = shifts.places[k];
    const ScanTile& tile = tiled.tiles[k];
    std::string line = "tile " + std::to_string(k) + "  ";
    if (k == 0) {
      line.append("where the scan file says, column ").append(pixels(place.shift.x())).append(", row ");
      line.append(pixels(place.shift.y())).append(" px; the others count from it");
    } else {
      line.append(shift_text(shifts, int(k), "column", place.shift.x(), place.uncertainty.x(), tile.column_shift_px,
                             place.column_found));
      if (tiled.common.geometry.detector.rows > 1)
        line.append("; ").append(shift_text(shifts, int(k), "row", place.shift.y(), place.uncertainty.y(),
                                            tile.row_shift_px, place.row_found));
      line.append("; level ").append(to_text(place.level, 5));
    }
    context.say(line);
    list.push_back({{"column_shift_px", place.shift.x()},
                    {"row_shift_px", place.shift.y()},
                    {"column_found", place.column_found},
                    {"row_found", place.row_found},
                    {"column_uncertainty_px", place.uncertainty.x()},
                    {"row_uncertainty_px", place.uncertainty.y()},
                    {"level", place.level}});
  }
  for (const OverlapMatch& overlap : shifts.overlaps)
    if (overlap.beyond_search)
      hooks.warn("tiles " + std::to_string(overlap.a) + " and " + std::to_string(overlap.b) + " do not match within " +
                 std::to_string(tile_search_px) +
                 " pixels of the shifts in the scan file; their overlap was not used, and the whole is wrong there "
                 "unless those shifts are exact");
  for (std::size_t k = 1; k < shifts.places.size(); ++k) {
    if (!compared(shifts, int(k))) continue;
    if (!std::ranges::any_of(shifts.overlaps,
                             [&](const OverlapMatch& one) { return touches(one, int(k)) && one.belonging_shown; })) {
      hooks.warn(
          "tile " + std::to_string(k) +
          ": its overlaps show too little of the part, against the noise, to tell whether it belongs there and its "
          "views are in order; more counts, views or overlap would");
      continue;
    }
    const auto warn_unless = [&](bool found, const std::string& axis, double shift) {
      if (!found)
        hooks.warn("tile " + std::to_string(k) + ": its " + axis + " is not known, since " +
                   why_not_found(shifts, int(k), axis) + "; it is put at " + pixels(shift) +
                   " px. If that is wrong by a pixel, what both tiles see is blurred by it");
    };
    const TilePlace& place = shifts.places[k];
    warn_unless(place.column_found, "column", place.shift.x());
    if (tiled.common.geometry.detector.rows > 1) warn_unless(place.row_found, "row", place.shift.y());
  }
  for (std::size_t k = 1; k < shifts.places.size(); ++k)
    if (const double level = shifts.places[k].level; level < least_level || level > 1 / least_level)
      hooks.warn("tile " + std::to_string(k) + ": level " + to_text(level, 4) +
                 " against the first tile; must be from " + to_text(least_level) + " to " + to_text(1 / least_level) +
                 ", unless the tube was set otherwise: are these the right images, and the right open-beam images?");
  return list;
}

int run_stitch(const Context& context, const StitchArguments& given) {
  const Hooks hooks = context.hooks();
  const nlohmann::json value = read_scan_json(given.scan, given.settings);
  if (!has_tiles(value))
    throw BadInput(given.scan + ": tiles: missing; must list the tiles to stitch",
                   "a scan without tiles needs no stitching");
  const TiledScan tiled = parse_tiled_scan(value, given.scan);
  OutputFolder output(given.output, given.overwrite ? Overwrite::yes : Overwrite::no, {belongs_to_stitch, "scan.json"});
  const StitchedScan stitched(tiled, given.threads, hooks);
  for (const ScanTile& tile : tiled.tiles)
    for (const fs::path& file : image_files(tile.scan, tile.scan.images.projections))
      refuse_to_replace(given.output, file);
  if (tiled.tiles.size() < 2) throw BadInput(given.scan + ": tiles: 1 of them; must be 2 or more to stitch");

  Scan scan = stitched.scan();
  const int rows = scan.geometry.detector.rows, columns = scan.geometry.detector.columns;
  const int views = int(scan.geometry.angles_rad.size());
  const std::size_t view_pixels = std::size_t(rows) * std::size_t(columns);
  make_own_folder(output.partial() / "projections");
  std::vector<float> block(std::size_t(std::min(views, stitched.views_at_once())) * view_pixels);
  for (int first = 0; first < views; first += stitched.views_at_once()) {
    if (hooks.stop()) throw Cancelled("stopped at view " + std::to_string(first) + " of " + std::to_string(views));
    const int count = std::min(stitched.views_at_once(), views - first);
    const auto values = std::span(block).first(std::size_t(count) * view_pixels);
    stitched.read(first, count, values);
    if (scan.images.kind == ImageKind::transmission)
      for (float& p : values)
        p = std::exp(-p);
    for (int i = 0; i < count; ++i) {
      char name[32];
      std::snprintf(name, sizeof name, "view_%04d.tif", first + i);
      write_tiff(output.partial() / "projections" / name, rows, columns,
                 values.subspan(std::size_t(i) * view_pixels, view_pixels), SampleType::float32);
    }
    hooks.report("stitching", double(first + count) / views);
  }
  const Image defects = stitched.defect_map();
  const auto bad = std::count(defects.samples.begin(), defects.samples.end(), 1.0F);
  if (bad > 0) {
    write_tiff(output.partial() / "defects.tif", rows, columns, defects.samples, SampleType::uint8);
    scan.images.defects = {"defects.tif"};
  }
  scan.images.projections = {"projections/*.tif"};
  write_scan(scan, output.partial() / "scan.json");
  output.finish();

  context.say(given.output + ": " + std::to_string(views) + " views of " + std::to_string(columns) + " x " +
              std::to_string(rows) + " pixels from " + std::to_string(tiled.tiles.size()) + " tiles, " +
              to_string(scan.images.kind));
  nlohmann::ordered_json result = {{"folder", given.output},
                                   {"views", views},
                                   {"columns", columns},
                                   {"rows", rows},
                                   {"kind", to_string(scan.images.kind)},
                                   {"bad_pixels", bad},
                                   {"axis_column", scan.geometry.detector.axis_column},
                                   {"midplane_row", scan.geometry.detector.midplane_row}};
  const TileShifts& shifts = stitched.shifts();
  for (std::size_t k = 1; k < tiled.tiles.size(); ++k)
    if (!compared(shifts, int(k)))
      hooks.warn("tile " + std::to_string(k) +
                 ": its overlaps are too narrow to compare, so that its level was not matched; seams may show");
  result["tiles"] = say_places(context, tiled, shifts, hooks);
  context.result(result);
  return Exit::done;
}

}  // namespace

void add_stitch(CLI::App& program) {
  auto given = std::make_shared<StitchArguments>();
  CLI::App* command = add_command(
      program, "stitch", "One wide scan from detector tiles, their true shifts found from what they see twice.",
      {"rayloom stitch tiles.json -o wide", "rayloom stitch tiles.json -o wide --json > places.json"},
      [given](const Context& context) { return run_stitch(context, *given); });
  command->add_option("SCAN", given->scan, "scan file with tiles")->required();
  command->add_option("-o,--output", given->output, "folder to write: scan.json and the stitched views")->required();
  command->add_flag("--overwrite", given->overwrite, "replace the folder if it holds an earlier stitched scan");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
  add_threads_option(*command, given->threads);
}

}  // namespace rayloom::tools
