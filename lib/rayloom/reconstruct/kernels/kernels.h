/// @file
/// Back-projection of one tile of voxel columns: what the instruction sets share. Plain data only, since each set's
/// file is compiled with its own flags and may share no inline function with the others.
#pragma once
#include <cstddef>

namespace rayloom::kernels {

enum class Shape {
  parallel,
  flat,  ///< Point source, columns equally spaced on a plane.
  arc    ///< Point source, columns equally spaced in angle.
};

/// Filtered views, samples[(view columns + column) stride + (line - base_line)], aligned to 64 bytes; base_line and
/// stride are multiples of 16.
struct Views {
  const float* samples;
  std::size_t stride;
  int columns, base_line;
  int first_line, lines;  ///< Those that hold data.
  int views;
  const double *cos_b, *sin_b;
  const double *t_moved, *depth_moved, *z_moved;  ///< What the part's movement adds to t, depth and z; 0 if none.
  bool moved;                                     ///< Any of these is not 0.
};

/// Where voxels fall: t = x cos b + y sin b, depth = D + x sin b - y cos b, each with what the view adds; column =
/// offset + scale t (parallel), offset + scale t/depth (flat), offset + scale atan2(t, depth) (arc); line = up_origin +
/// z up_scale/depth (cone). Weight 1, (D/depth)^2, D^2/(t^2 + depth^2). Source: Kak & Slaney 1988, ch. 3.
struct Place {
  Shape shape;
  double D, column_scale, column_offset, up_origin, up_scale;
};

/// Columns of voxels [i0, i1) x [j0, j1) within radius_mm of the axis; sum[(j nx + i) stride + (k - base_slice)],
/// base_slice and stride multiples of 16. Slices [first_slice, +slices) come out right; the others of their groups of
/// 16 receive anything.
struct Tile {
  float* sum;
  std::size_t stride;
  int nx, base_slice, first_slice, slices;
  int i0, i1, j0, j1;
  double x0, dx, y0, dy, z0, dz;  ///< Voxel (i, j, k) lies at (x0 + i dx, y0 + j dy, z0 + k dz).
  double radius_mm;
};

constexpr int group = 16;       ///< Slices and lines are laid out in multiples of it.
constexpr int most_views = 64;  ///< A batch, at most.
constexpr int tile = 24;        ///< Edge of a tile, so that what it reads of a batch stays in the second-level cache.

/// One slice's rows of a parallel beam: column c of view v at samples[v stride + row_margin + c], or, where cos b is
/// negative, at the mirrored place. The margins hold 0, and so does a row more than there are views. Where the next
/// column holds `next`, rise = 2 (next - sample) and low = sample - rise.
struct Rows {
  const float *samples, *low, *rise;
  std::size_t stride;
  int columns, views;
  const double *cos_b, *sin_b, *t_moved;
};
constexpr int row_margin = 96;  ///< Beyond the field of view: two groups of voxels and a window of two registers.

/// Bins [first, end) of a view's filtered row as plane waves: bin m, `bins[2m]` + i `bins[2m + 1]`, lies at cell
/// (m step_x, m step_y).
struct Wave {
  const float* bins;
  int first, end;
  double step_x, step_y;  ///< step_x not negative.
};

constexpr int few = 8;  ///< Volumes of fewer slices have kernels of their own, where vectors hold neighbouring pixels.
constexpr int few_across = 256, few_down = 24;  ///< Their tiles.

constexpr int spread_cells = 4;    ///< Cells each way that a bin is spread over.
constexpr int spread_steps = 256;  ///< Places between two cells that `weights` tells apart; between them it is linear.

/// Half a Fourier plane, complex cells: cell (ky, kx) at cells[2 ((ky + rows_below) stride + kx + columns_before)].
/// Only rows [first_row, end_row) are touched.
struct Plane {
  float* cells;
  std::size_t stride;
  int rows_below, columns_before, first_row, end_row;
  const float *weights_x, *weights_y;  ///< (spread_steps + 1) x 4: of cells -1 to 2 counted from the cell below.
};

/// Add the views to the tile: linear (stack: line = slice) or bilinear (cone) interpolation. Do not allocate.
struct Set {
  const char* name;
  void (*cone)(const Views&, const Place&, const Tile&);
  void (*stack)(const Views&, const Place&, const Tile&);
  void (*cone_few)(const Views&, const Place&, const Tile&);
  void (*row)(const Rows&, const Place&, const Tile&);  ///< Slice first_slice.
  void (*spread)(const Wave&, const Plane&);            ///< Adds the wave to the plane.
};

extern const Set portable;
#ifdef RAYLOOM_X86_KERNELS
extern const Set avx2, avx512;
#endif

}  // namespace rayloom::kernels
