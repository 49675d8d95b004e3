#include "rayloom/scan/tiled_scan.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

constexpr double most_shift = 1e6;  // pixels: beyond any detector

double shift_of(const JsonFields& fields, std::string_view key) {
  const double shift = fields.number(key);
  if (std::abs(shift) > most_shift) fields.fail(key, "must lie within 1000000 pixels");
  return shift;
}

void validate(const Scan& scan) {
  try {
    scan.geometry.validate();
  } catch (const InvalidOption& problem) {
    throw BadInput(scan.file.string() + ": " + problem.what(), problem.hint());
  }
}

/// 0 to 360.
double turned_once(double angle_rad) {
  const double angle = std::fmod(degrees(angle_rad), 360);
  return angle < 0 ? angle + 360 : angle;
}

/// View numbers by angle from `from_deg` on, equal angles in order.
std::vector<std::pair<double, int>> by_angle(const Scan& scan, double from_deg) {
  std::vector<std::pair<double, int>> views;
  for (const double angle : scan.geometry.angles_rad)
    views.emplace_back(turned_once(angle - radians(from_deg)), int(views.size()));
  std::sort(views.begin(), views.end());
  return views;
}

}  // namespace

bool has_tiles(const nlohmann::json& scan) {
  return scan.is_object() && scan.contains("tiles");
}

bool has_heights(const nlohmann::json& scan) {
  if (!has_tiles(scan) || !scan["tiles"].is_array() || scan["tiles"].empty()) return false;
  std::set<double> heights;
  for (const auto& tile : scan["tiles"]) {
    if (!tile.is_object() || !tile.contains("part_raised_mm") || !tile["part_raised_mm"].is_number()) return false;
    heights.insert(tile["part_raised_mm"].get<double>());
  }
  return heights.size() > 1;
}

TiledScan parse_tiled_scan(const nlohmann::json& value, const std::filesystem::path& file) {
  const JsonFields fields(value, file.string());
  const std::vector<JsonFields> entries = fields.objects("tiles");
  if (entries.empty()) fields.fail("tiles", "must hold at least one tile");

  nlohmann::json shared = value, shared_images = nlohmann::json::object();
  shared.erase("tiles");
  if (fields.has("images")) {
    const JsonFields images = fields.object("images");
    shared_images = value["images"];
    shared_images.erase("projections");
    shared.erase("images");
  }
  // One detector position has its axis on it; of tiles it may lie outside.
  const std::optional<double> axis_column = fields.has("detector") && fields.object("detector").has("axis_column")
                                                ? std::optional(fields.object("detector").number("axis_column"))
                                                : std::nullopt;
  if (axis_column) shared["detector"].erase("axis_column");

  TiledScan tiled;
  tiled.common = parse_scan(shared, file);
  if (axis_column) tiled.common.geometry.detector.axis_column = *axis_column;
  const Detector& detector = tiled.common.geometry.detector;
  for (std::size_t k = 0; k < entries.size(); ++k) {
    const JsonFields& entry = entries[k];
    entry.allow_only({"column_shift_px", "row_shift_px", "part_raised_mm", "views", "images"});
    ScanTile tile;
    tile.column_shift_px = shift_of(entry, "column_shift_px");
    tile.row_shift_px = entry.has("row_shift_px") ? shift_of(entry, "row_shift_px") : 0;
    if (entry.has("part_raised_mm")) tile.part_raised_mm = entry.number("part_raised_mm");
    nlohmann::json own = shared;
    tile.own_views = entry.has("views");
    if (tile.own_views) own["views"] = entry.raw("views");
    if (entry.has("images")) {
      const JsonFields images = entry.object("images");
      own["images"] = shared_images;
      own["images"].update(value["tiles"][k]["images"]);
    }
    tile.scan = parse_scan(own, file.string() + ": tiles[" + std::to_string(k) + "]");
    tile.scan.part_moved_mm.z() += tile.part_raised_mm.value_or(0);
    tile.scan.geometry.detector.axis_column = detector.axis_column - tile.column_shift_px;
    tile.scan.geometry.detector.midplane_row = detector.midplane_row - tile.row_shift_px;
    validate(tile.scan);
    tiled.tiles.push_back(std::move(tile));
  }
  return tiled;
}

TiledScan read_tiled_scan(const std::filesystem::path& file, const std::vector<std::string>& settings) {
  return parse_tiled_scan(read_scan_json(file, settings), file);
}

nlohmann::ordered_json to_json(const TiledScan& tiled) {
  nlohmann::ordered_json json = to_json(tiled.common);
  json["tiles"] = nlohmann::ordered_json::array();
  for (const ScanTile& tile : tiled.tiles) {
    nlohmann::ordered_json entry = {{"column_shift_px", tile.column_shift_px}, {"row_shift_px", tile.row_shift_px}};
    if (tile.part_raised_mm) entry["part_raised_mm"] = *tile.part_raised_mm;
    nlohmann::ordered_json own = to_json(tile.scan);
    if (tile.own_views) entry["views"] = own["views"];
    if (own.contains("images")) entry["images"] = own["images"];
    json["tiles"].push_back(std::move(entry));
  }
  return json;
}

Sides continued_sides(const TiledScan& tiled, std::size_t tile) {
  const Detector& detector = tiled.common.geometry.detector;
  const ScanTile& own = tiled.tiles.at(tile);
  Sides sides;
  for (const ScanTile& other : tiled.tiles) {
    // By less than a quarter of the detector is no other place.
    const double right = (other.column_shift_px - own.column_shift_px) / detector.columns;
    const double raised_px = (other.part_raised_mm.value_or(0) - own.part_raised_mm.value_or(0)) /
                             tiled.common.geometry.virtual_row_pitch_mm();
    const double down = (other.row_shift_px - own.row_shift_px + raised_px) / detector.rows;
    sides.left |= right < -0.25;
    sides.right |= right > 0.25;
    sides.top |= down < -0.25;
    sides.bottom |= down > 0.25;
  }
  return sides;
}

std::vector<int> views_at_same_angles(const Scan& first, const Scan& other) {
  const std::size_t count = first.geometry.angles_rad.size();
  if (other.geometry.angles_rad.size() != count)
    throw BadInput(other.file.string() + ": views.count: " + std::to_string(other.geometry.angles_rad.size()) +
                   "; must be that of the first tile, " + std::to_string(count));
  // Angles count from the middle of the largest gap between neighbours, where no view is near the seam of the circle.
  auto sorted = by_angle(first, 0);
  std::vector<double> steps;
  double largest = sorted.front().first + 360 - sorted.back().first, from = sorted.back().first + largest / 2;
  for (std::size_t i = 1; i < count; ++i) {
    const double step = sorted[i].first - sorted[i - 1].first;
    if (step > 0) steps.push_back(step);
    if (step > largest) {
      largest = step;
      from = sorted[i - 1].first + step / 2;
    }
  }
  std::nth_element(steps.begin(), steps.begin() + std::ptrdiff_t(steps.size() / 2), steps.end());
  const double tolerance = 0.01 * (steps.empty() ? 1 : steps[steps.size() / 2]);

  sorted = by_angle(first, from);
  const auto others = by_angle(other, from);
  std::vector<int> match(count);
  for (std::size_t i = 0; i < count; ++i) {
    if (std::abs(sorted[i].first - others[i].first) > tolerance) {
      const int view = sorted[i].second;
      throw BadInput(other.file.string() + ": views: none at " +
                         to_text(degrees(first.geometry.angles_rad[std::size_t(view)]), 8) +
                         " degrees, the angle of view " + std::to_string(view) +
                         " of the first tile; must have the same angles within " + to_text(tolerance, 3) + " degrees",
                     "its nearest unmatched view, " + std::to_string(others[i].second) + ", is at " +
                         to_text(degrees(other.geometry.angles_rad[std::size_t(others[i].second)]), 8));
    }
    match[std::size_t(sorted[i].second)] = others[i].second;
  }
  return match;
}

}  // namespace rayloom
