/// @file
/// Detector tiles into one wide scan.
#pragma once
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/prepare/tile_shifts.h"
#include "rayloom/scan/tiled_scan.h"

namespace rayloom {

/// The tiles of a scan, placed and blended. The first tile lies where the file says and keeps its pixels; the others
/// are moved onto its grid by a six-tap windowed sinc where their shift is no whole number, which makes the noise of
/// neighbouring pixels hang together. Where tiles overlap, each counts with
///
///     weight  (dx dy)^2   dx, dy: distance of the pixel from the tile's nearest edge along columns and rows
///
/// which falls to 0 with no slope at every edge; bad pixels count only where all tiles that see the place are bad.
class StitchedScan {
 public:
  /// Reads dark, open and defect images of each tile, and some of its views to find the shifts.
  /// @throws BadInput naming the tile and what must hold: images or number or angles of views, tiles that leave a gap,
  /// images of one under another, overlaps that do not show the same, or not at one level, parts raised to several
  /// heights, an axis outside of the whole; Cancelled.
  explicit StitchedScan(const TiledScan& tiled, std::optional<int> threads = {}, const Hooks& hooks = {});

  /// The scan that stitching gives, as yet without names of images. Its kind is transmission, so that what needs
  /// intensities can still be corrected, but line_integrals if a tile's is.
  const Scan& scan() const { return scan_; }
  const TileShifts& shifts() const { return shifts_; }
  /// Column and row of the first tile's first pixel in the stitched image.
  int first_tile_column() const { return -first_column_; }
  int first_tile_row() const { return -first_row_; }
  /// 1 where no tile has a good pixel, else 0.
  Image defect_map() const;
  /// How many views `read` takes at once to best effect.
  int views_at_once() const { return views_at_once_; }

  /// Line integrals of views [first, +count), as [view][row][column].
  void read(int first, int count, std::span<float> values) const;

 private:
  struct Tile {
    std::unique_ptr<LineIntegrals> integrals;
    std::vector<int> views;                ///< For each view of the first tile the one at the same angle.
    int row = 0, column = 0;               ///< First row and column of the stitched image that the tile sees ..
    int rows = 0, columns = 0;             ///< .. and how many.
    double from_row = 0, from_column = 0;  ///< Where that pixel lies on the tile.
    std::vector<float> row_weights, column_weights;
    std::vector<char> bad;  ///< rows x columns: sampled from a bad pixel.
  };
  void read_tile(const Tile& tile, int first, int count, std::span<float> views) const;
  void place(Tile& tile, std::size_t k) const;
  void choose_frame(const TiledScan& tiled);

  Scan scan_;
  TileShifts shifts_;
  std::vector<Tile> tiles_;
  int threads_;
  int tile_rows_, tile_columns_;
  int first_column_ = 0, first_row_ = 0;  ///< Of the stitched image, counted on the first tile.
  int views_at_once_ = 1;
};

}  // namespace rayloom
