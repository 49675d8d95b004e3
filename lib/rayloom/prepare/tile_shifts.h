/// @file
/// Where detector tiles lie against each other, and how bright each is, from what they see twice.
#pragma once
#include <Eigen/Core>
#include <functional>
#include <span>
#include <vector>

#include "rayloom/hooks.h"

namespace rayloom {

/// (column, row) in pixels.
using Shift = Eigen::Vector2d;

/// What the search needs to know about the tiles. All have one size and one sequence of views.
struct TileViews {
  int rows = 0, columns = 0, views = 0;
  std::vector<Shift> nominal;  ///< One a tile: pixel x of the tile is pixel x + shift of the stitched image.
  /// Line integrals of rows [first_row, +row_count) of one view of a tile, bad pixels mended. Called from several
  /// threads at once.
  std::function<void(int tile, int view, int first_row, int row_count, std::span<float> values)> read;
  std::vector<std::vector<char>> bad;  ///< One a tile, rows x columns.
};

/// The tiles' places: along each axis whether the overlaps tell, the shift (where they do not, nominal or, if other
/// overlaps tie it to a tile that has moved, that moved likewise), and three standard deviations.
struct TilePlace {
  Shift shift, uncertainty;
  bool column_found = false, row_found = false;
  double level = 1;  ///< Brightness against the first tile.
};

/// How views of the second tile are taken to fit those of the first.
enum class ViewOrder { said, offset, reversed };

/// What one overlap told.
struct OverlapMatch {
  int a = 0, b = 0;  ///< Tiles.
  int views = 0;     ///< Compared.
  Shift correction =
      Shift::Zero();  ///< Of b's place against a, to add to the nominal difference; 0 along what is not determined.
  Eigen::Matrix2d information =
      Eigen::Matrix2d::Zero();  ///< Inverse covariance of `correction`, pixel^-2; 0 along what is not determined.
  double log_level = 0, log_level_sd = 0;  ///< ln of a's brightness over b's.
  bool beyond_search = false;              ///< The best match lay at the end of the search, and was not used.
  /// Both tiles show something, but not the same: RMS of what squares of pixels differ by, over the RMS of what varies
  /// in them. 0 if they agree or show nothing.
  double disagreement = 0;
  /// If not `said`: by what both tiles see change from view to view, b's views fit a's clearly better when view v of a
  /// is taken with view (v + by) or (by - v) of b, modulo the `views` compared.
  struct {
    ViewOrder is = ViewOrder::said;
    int by = 0;
  } order;
  /// What changes from view to view is the same in both beyond what noise gives; or nothing changes, and noise would
  /// not hide it. Else swapped or unordered views could pass.
  bool belonging_shown = false;
  bool part_at_far_ends_only = false;  ///< Air where they overlap, the part cut off at both outer ends.
};

struct TileShifts {
  std::vector<TilePlace> places;       ///< One a tile; the first lies where it is said to lie, at level 1.
  std::vector<OverlapMatch> overlaps;  ///< Pairs of tiles that share enough pixels to compare.
};

/// Pixels about the nominal difference of two tiles within which it is sought.
inline constexpr int tile_search_px = 5;
/// A shift less certain than this counts as not found.
inline constexpr double most_tile_uncertainty_px = 0.3;

/// Finds shifts and levels: each overlap is searched in whole pixels, then refined by Gauss-Newton on the differences
/// of the two tiles' transmissions T over all views (of large tiles as many as 256 MiB hold), each with its own level:
///
///     T_a(x) - T_b(x - D) = log_level T - (grad T . d),   weight 1/(T + 0.1), about the inverse variance of T
///
/// Gradients of noise would make the matrix of the normal equations look more certain than it is, so it takes products
/// of one tile's gradient with the other's, whose noises are independent. The covariance is clustered by views and by
/// squares of pixels (two ways: Cameron, Gelbach & Miller 2011, J. Bus. Econ. Stat. 29(2):238-249), since uneven gain
/// repeats from view to view, and, added, by rows and by columns: two grids sample an edge along a row unlike all along
/// it, and within a square the errors on its two sides cancel where the search settles. All overlaps together place the
/// tiles by least squares, each with its matrix of information; an expectation of a few pixels about the nominal place
/// decides where no overlap tells.
/// @throws Cancelled, and what `read` throws.
TileShifts find_tile_shifts(const TileViews& tiles, int threads, const Hooks& hooks = {});

}  // namespace rayloom
