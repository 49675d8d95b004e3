#include "rayloom/reconstruct/backproject.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>

#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr std::size_t vector_width = 16;
constexpr int tile = 16;      // voxel columns each way that one thread takes at a time
constexpr int z_anchor = 64;  // heights are computed afresh at slices that are multiples of this
constexpr int z_chunk = 256;  // slices of a tile that stay in cache over a batch

std::size_t round_up(std::size_t n) {
  return (n + vector_width - 1) / vector_width * vector_width;
}

/// Of a view.
struct Direction {
  double cos_b, sin_b;
};

/// Where a column of voxels falls in one view.
struct Footprint {
  double column;  // index into the batch, 0 = detector column -1
  double depth;   // from the source along n
  float weight;
};

/// Kak & Slaney 1988, ch. 3: t = x cos b + y sin b, depth = D + x sin b - y cos b.
class ColumnMap {
 public:
  explicit ColumnMap(const Geometry& g)
      : beam_(g.beam),
        arc_(g.detector.shape == DetectorShape::arc),
        D_(g.sod_mm),
        scale_((g.beam == Beam::parallel ? 1 : g.sdd_mm) / g.detector.column_pitch_mm),
        offset_(g.detector.axis_column + 1),
        last_(g.detector.columns + 1) {}

  Footprint at(double x, double y, const Direction& d) const {
    const double t = x * d.cos_b + y * d.sin_b;
    if (beam_ == Beam::parallel) return {inside(offset_ + scale_ * t), 1, 1.0f};
    const double depth = D_ + x * d.sin_b - y * d.cos_b;
    if (arc_) return {inside(offset_ + scale_ * std::atan2(t, depth)), depth, float(D_ * D_ / (t * t + depth * depth))};
    const double U = depth / D_;
    return {inside(offset_ + scale_ * t / depth), depth, float(1 / (U * U))};
  }

 private:
  // Inside the field of view only rounding can leave the filtered row.
  double inside(double column) const { return std::clamp(column, 0.0, last_ - 1e-9); }

  Beam beam_;
  bool arc_;
  double D_, scale_, offset_, last_;
};

/// Height on the detector, in rows upwards from the lowest: up(z) = origin + z slope(depth).
struct HeightMap {
  double origin, scale;
  explicit HeightMap(const Geometry& g)
      : origin(g.detector.rows - 1 - g.detector.midplane_row), scale(g.sdd_mm / g.detector.row_pitch_mm) {}
};

/// Adds w [(1 - f) a + f b] to n samples: two multiply-adds for each.
void add_blend(const float* __restrict a, const float* __restrict b, float wa, float wb, float* __restrict sum, int n) {
#pragma omp simd
  for (int k = 0; k < n; ++k)
    sum[k] += wa * a[k] + wb * b[k];
}

void blend(const float* __restrict a, const float* __restrict b, float wa, float wb, float* __restrict out, int n) {
#pragma omp simd
  for (int k = 0; k < n; ++k)
    out[k] = wa * a[k] + wb * b[k];
}

/// Adds `line` read at base + first + j step to sum[j - j0], for j0 <= j < j1.
void add_stretched(const float* __restrict line, int base, float first, float step, float* __restrict sum, int j0,
                   int j1) {
#pragma omp simd
  for (int j = j0; j < j1; ++j) {
    const float at = first + float(j) * step;
    const int whole = int(at);
    const float f = at - float(whole);
    const int i = base + whole;
    sum[j - j0] += line[i] + f * (line[i + 1] - line[i]);
  }
}

struct TileRange {
  int i0, i1, j0, j1;
};

/// Calls `each(i, j, x, y)` for the voxel columns of a tile inside the cylinder.
template <class Each>
void for_columns(const Slab& slab, const TileRange& range, const Each& each) {
  for (int j = range.j0; j < range.j1; ++j)
    for (int i = range.i0; i < range.i1; ++i) {
      const double x = slab.grid.x_mm(i), y = slab.grid.y_mm(j);
      if (x * x + y * y <= slab.radius_mm * slab.radius_mm) each(i, j, x, y);
    }
}

float* column_of(Slab& slab, int i, int j) {
  return slab.samples.data() + (std::size_t(j) * std::size_t(slab.grid.nx) + std::size_t(i)) * slab.stride;
}

void stack_tile(const ColumnMap& map, const std::vector<Direction>& directions, const ViewBatch& batch, Slab& slab,
                const TileRange& range) {
  const int offset = slab.first_slice - batch.first_line;
  for_columns(slab, range, [&](int i, int j, double x, double y) {
    float* sum = column_of(slab, i, j);
    for (int view = 0; view < batch.views; ++view) {
      const Footprint at = map.at(x, y, directions[std::size_t(view)]);
      const int c = int(at.column);
      const float f = float(at.column - c);
      add_blend(batch.column(view, c) + offset, batch.column(view, c + 1) + offset, at.weight * (1 - f), at.weight * f,
                sum, slab.slices);
    }
  });
}

void cone_tile(const ColumnMap& map, const HeightMap& heights, const std::vector<Direction>& directions,
               const ViewBatch& batch, Slab& slab, const TileRange& range, std::vector<float>& line) {
  const double z0 = slab.grid.z_mm(0), dz = slab.grid.voxel_mm;
  const int end_slice = slab.first_slice + slab.slices;
  for (int chunk = slab.first_slice; chunk < end_slice; chunk += z_chunk) {
    const int chunk_end = std::min(chunk + z_chunk, end_slice);
    for (int view = 0; view < batch.views; ++view) {
      const Direction& direction = directions[std::size_t(view)];
      for_columns(slab, range, [&](int i, int j, double x, double y) {
        const Footprint at = map.at(x, y, direction);
        const int c = int(at.column);
        const float f = float(at.column - c);
        const double slope = heights.scale / at.depth;  // rows a mm
        const auto up = [&](int k) { return heights.origin + (z0 + k * dz) * slope; };

        // Blend the two detector columns over the heights that this chunk needs.
        const int low = int(std::floor(up(chunk))) - 1, high = int(std::floor(up(chunk_end - 1))) + 3;
        const int from = std::max(low - batch.first_line, 0), to = std::min(high - batch.first_line, batch.lines);
        blend(batch.column(view, c) + from, batch.column(view, c + 1) + from, at.weight * (1 - f), at.weight * f,
              line.data() + from, to - from);

        // Positions start from an anchor slice that does not depend on the slab, the whole rows split off in double
        // precision.
        float* sum = column_of(slab, i, j);
        for (int anchor = chunk / z_anchor * z_anchor; anchor < chunk_end; anchor += z_anchor) {
          const double start = up(anchor), whole = std::floor(start);
          const int j0 = std::max(chunk - anchor, 0), j1 = std::min(chunk_end - anchor, z_anchor);
          add_stretched(line.data(), int(whole) - batch.first_line, float(start - whole), float(slope * dz),
                        sum + (anchor + j0 - slab.first_slice), j0, j1);
        }
      });
    }
  }
}

}  // namespace

Slab::Slab(const Grid& grid_, int first_slice_, int slices_, double radius_mm_)
    : grid(grid_),
      first_slice(first_slice_),
      slices(slices_),
      stride(round_up(std::size_t(slices_))),
      radius_mm(radius_mm_),
      samples(std::size_t(grid_.nx) * std::size_t(grid_.ny) * stride) {}

std::size_t Slab::bytes(const Grid& grid, int slices) {
  return std::size_t(grid.nx) * std::size_t(grid.ny) * round_up(std::size_t(slices)) * sizeof(float);
}

namespace {

std::size_t line_stride(int lines) {
  const std::size_t blocks = round_up(std::size_t(lines)) / vector_width;
  return (blocks | 1) * vector_width;
}

}  // namespace

ViewBatch::ViewBatch(int columns_in, int first_line_, int lines_)
    : columns(columns_in + 2),
      first_line(first_line_),
      lines(lines_),
      stride(line_stride(lines_)),
      angles_rad(std::size_t(capacity)),
      samples(std::size_t(capacity) * std::size_t(columns) * stride) {}

std::size_t ViewBatch::bytes(int columns_in, int lines) {
  return std::size_t(capacity) * (std::size_t(columns_in) + 2) * line_stride(lines) * sizeof(float);
}

std::pair<int, int> lines_needed(const Geometry& geometry, const Grid& grid, double radius_mm, int first_slice,
                                 int slices) {
  const int last_slice = first_slice + slices - 1;
  if (geometry.beam != Beam::cone) return {first_slice, last_slice};
  const HeightMap heights(geometry);
  double least = 1e300, most = -1e300;
  for (const int k : {first_slice, last_slice})
    for (const double depth : {geometry.sod_mm - radius_mm, geometry.sod_mm + radius_mm}) {
      const double up = heights.origin + grid.z_mm(k) * heights.scale / depth;
      least = std::min(least, up);
      most = std::max(most, up);
    }
  return {int(std::floor(least)) - 2,
          int(std::floor(most)) + 4};  // the neighbours that interpolation and rounding may touch
}

void backproject(const Geometry& geometry, const ViewBatch& batch, Slab& slab, int threads) {
  const ColumnMap map(geometry);
  std::vector<Direction> directions;
  for (int view = 0; view < batch.views; ++view) {
    const double b = batch.angles_rad[std::size_t(view)];
    directions.push_back({std::cos(b), std::sin(b)});
  }
  const int tiles_x = (slab.grid.nx + tile - 1) / tile, tiles_y = (slab.grid.ny + tile - 1) / tile;
  std::vector<std::vector<float>> lines(std::size_t(threads),
                                        std::vector<float>(std::size_t(batch.lines) + vector_width));
  parallel_for(tiles_x * tiles_y, threads, [&](int t, int thread) {
    const int i0 = t % tiles_x * tile, j0 = t / tiles_x * tile;
    const TileRange range{i0, std::min(i0 + tile, slab.grid.nx), j0, std::min(j0 + tile, slab.grid.ny)};
    if (geometry.beam == Beam::cone)
      cone_tile(map, HeightMap(geometry), directions, batch, slab, range, lines[std::size_t(thread)]);
    else
      stack_tile(map, directions, batch, slab, range);
  });
}

}  // namespace rayloom
