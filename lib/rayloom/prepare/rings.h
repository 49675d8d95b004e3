/// @file
/// Rings: pixels that read too much or too little all through a scan, or ever more so, found in the scan itself.
///
///        column                       A stripe of the sinogram, in every view at the same column, becomes a ring about
///     v  |  |#|   .  '                the axis (half of one over half a turn). What belongs to the part wanders over
///     i  |  |#| '                     the columns from view to view, unless it is round about the axis; but then it
///     e  |  |#|   '  .                lies on both sides of the axis alike, as a stripe hardly ever does.
///     w  |  |#|        '
#pragma once
#include <cstddef>
#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string>

#include "rayloom/geometry/geometry.h"
#include "rayloom/hooks.h"
#include "rayloom/scan/image.h"

namespace rayloom {

/// How the stripes of a row's sinogram are told from the part.
enum class RingMethod {
  /// The offsets whose jumps from column to column come nearest to those of all views, with a small price on their
  /// size: the least-squares problem of Titarenko, Withers & Yagola 2010 (Appl. Math. Lett. 23:1489-1495; from memory).
  /// Its mean
  /// over the views is replaced by a least-absolute-deviations line of what stands out from the jumps around it, so
  /// that edges that pass do not count.
  differences,
  /// Each column's samples sorted by size, smoothed across columns by a running median, and sorted back: Vo, Atwood &
  /// Drakopoulos 2018 (Opt. Express 26:28396-28412; from memory), their first algorithm. The stripes are what the
  /// median took away.
  sorting
};
std::string to_string(RingMethod method);
/// The method with its parameters, for volume.json.
nlohmann::ordered_json to_json(RingMethod method);

/// What to subtract from line integrals: at view i of n, middle + drift (2 (i + 1/2)/n - 1), for each pixel.
struct RingOffsets {
  Image middle, drift;  ///< rows x columns; empty if nothing is corrected.
  int views = 0;

  void subtract(int view, int row, std::span<float> line) const;
  /// Both images.
  static std::size_t bytes(const Detector& detector);
};

/// Fewer views than this do not tell a stripe from the part; Corrections::validate refuses them.
inline constexpr int least_ring_views = 32;

struct RingSearch {
  RingMethod method = RingMethod::differences;
  bool by_row = false;  ///< Rows are read more quickly one by one with all their views (layout sinograms).
  std::size_t memory_bytes = std::size_t{256} << 20;  ///< Most to use for bands of rows; one row is always read.
  int threads = 1;
};

/// Line integrals of blocks of views and bands of rows, as LineIntegrals::read.
using ReadLines =
    std::function<void(int first_view, int view_count, int first_row, int row_count, std::span<float> values)>;

/// Reads the whole scan once, by bands of rows, as means over up to 96 groups of successive views, and finds the
/// offsets of each row by itself. What is mirrored about the axis is left alone. Results do not depend on bands or
/// threads.
/// @throws Cancelled; what `read` throws.
RingOffsets find_rings(const Geometry& geometry, const ReadLines& read, const RingSearch& search,
                       const Hooks& hooks = {});

}  // namespace rayloom
