/// @file
/// A scan in detector tiles: the detector moved sideways and up between turns, one scan file for all.
///
///     pixel (r, c) of a tile is pixel (r + row_shift, c + column_shift) of the stitched image
///
///     +-------+----+-------+
///     | tile 0|    | tile 1|    `detector` describes one tile at shift 0; its axis may lie outside it
///     +-------+----+-------+
#pragma once
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// One entry of "tiles".
struct ScanTile {
  double column_shift_px = 0, row_shift_px = 0;  ///< Nominal.
  std::optional<double>
      part_raised_mm;      ///< How far the part was raised for this tile, if said; `scan.part_moved_mm` counts it.
  bool own_views = false;  ///< Whether it lists views of its own.
  /// The tile as a scan of its own: what the file says for all tiles and what it says for this one, axis column and
  /// midplane row counted in this tile. Its `file` names the tile too, for messages.
  Scan scan;
};

struct TiledScan {
  Scan common;  ///< What is said for all, without images; the detector is one tile at shift 0.
  std::vector<ScanTile> tiles;
};

/// Whether the JSON of a scan file holds tiles.
bool has_tiles(const nlohmann::json& scan);

/// Whether these are turns with the part at several heights instead of tiles of one detector: every tile says
/// part_raised_mm, and not all the same.
bool has_heights(const nlohmann::json& scan);

/// Reads and checks a scan file with tiles, as `read_scan` does those without.
TiledScan read_tiled_scan(const std::filesystem::path& file, const std::vector<std::string>& settings = {});
TiledScan parse_tiled_scan(const nlohmann::json& value, const std::filesystem::path& file);

/// `parse_tiled_scan` reads the same back.
nlohmann::ordered_json to_json(const TiledScan& tiled);

/// Sides of a tile beyond which another tile sees on, by the shifts in the scan file and how far the part was raised.
struct Sides {
  bool left = false, right = false, top = false, bottom = false;
};
Sides continued_sides(const TiledScan& tiled, std::size_t tile);

/// For each view of the first scan the view of the other at the same angle (modulo 360 degrees), within a hundredth of
/// the first scan's median step. Views at one angle go in order.
/// @throws BadInput naming the other scan, if it has another number of views or none at an angle.
std::vector<int> views_at_same_angles(const Scan& first, const Scan& other);

}  // namespace rayloom
