#include "rayloom/reconstruct/backproject.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <span>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/kernels/chosen.h"

namespace rayloom {

namespace {

using kernels::group;

int floor_to_group(int n) {
  return n & ~(group - 1);
}

std::size_t span_in_groups(int base, int first, int count) {
  return std::size_t((first - base + count + group - 1) / group);
}

/// Few slices, for which vectors hold neighbouring pixels.
bool packed(Beam beam, const Grid& grid) {
  return grid.nz < kernels::few && beam != Beam::fan;
}

std::size_t slab_stride(Beam beam, const Grid& grid, int first_slice, int slices) {
  if (packed(beam, grid)) return std::size_t(slices);
  const std::size_t groups = span_in_groups(floor_to_group(first_slice), first_slice, slices);
  // Columns a power of two apart would share a few cache sets.
  return (groups >= 16 ? groups | 1 : groups) * group;
}

/// Of a batch's rows of one slice and a row of zeros, margins included.
std::size_t row_floats(int views, int columns) {
  return (std::size_t(views) + 1) * (std::size_t(columns) + 2 * kernels::row_margin);
}

std::size_t line_stride(int first_line, int lines) {
  return (span_in_groups(floor_to_group(first_line), first_line, lines) | 1) * group;
}

/// Every set that runs here, best first.
std::vector<const kernels::Set*> sets() {
  std::vector<const kernels::Set*> all;
#ifdef RAYLOOM_X86_KERNELS
  // What the levels x86-64-v3 and x86-64-v4, for which the sets are compiled, ask of arithmetic; clang 14 does not know
  // the levels' names here.
  const bool v3 = __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma") && __builtin_cpu_supports("bmi") &&
                  __builtin_cpu_supports("bmi2");
  const bool v4 = v3 && __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512bw") &&
                  __builtin_cpu_supports("avx512cd") && __builtin_cpu_supports("avx512dq") &&
                  __builtin_cpu_supports("avx512vl");
  if (v4) all.push_back(&kernels::avx512);
  if (v3) all.push_back(&kernels::avx2);
#endif
  all.push_back(&kernels::portable);
  return all;
}

kernels::Place place_of(const Geometry& g) {
  kernels::Place place{};
  place.shape = g.beam == Beam::parallel                 ? kernels::Shape::parallel
                : g.detector.shape == DetectorShape::arc ? kernels::Shape::arc
                                                         : kernels::Shape::flat;
  place.D = g.sod_mm;
  place.column_scale = (g.beam == Beam::parallel ? 1 : g.sdd_mm) / g.detector.column_pitch_mm;
  place.column_offset = g.detector.axis_column + 1;
  if (g.beam == Beam::cone) {
    place.up_origin = g.detector.rows - 1 - g.detector.midplane_row;
    place.up_scale = g.sdd_mm / g.detector.row_pitch_mm;
  }
  return place;
}

}  // namespace

Slab::Slab(Beam beam, const Grid& grid_, int first_slice_, int slices_, double radius_mm_, int threads)
    : grid(grid_),
      first_slice(first_slice_),
      slices(slices_),
      base_slice(packed(beam, grid_) ? first_slice_ : floor_to_group(first_slice_)),
      stride(slab_stride(beam, grid_, first_slice_, slices_)),
      radius_mm(radius_mm_),
      samples(std::size_t(grid_.nx) * std::size_t(grid_.ny) * stride) {
  constexpr std::size_t piece = 1 << 20;
  const std::size_t pieces = (samples.size() + piece - 1) / piece;
#pragma omp parallel for schedule(static) num_threads(threads)
  for (std::size_t i = 0; i < pieces; ++i)
    std::fill_n(samples.data() + i * piece, std::min(piece, samples.size() - i * piece), 0.0F);
}

std::size_t Slab::bytes(Beam beam, const Grid& grid, int first_slice, int slices, int columns) {
  const bool rows = packed(beam, grid) && beam == Beam::parallel;
  return (std::size_t(grid.nx) * std::size_t(grid.ny) * slab_stride(beam, grid, first_slice, slices) +
          (rows ? 3 * row_floats(ViewBatch::capacity_of(beam), columns + 2) : 0)) *
         sizeof(float);
}

ViewBatch::ViewBatch(Beam beam, int columns_in, int first_line_, int lines_)
    : capacity(capacity_of(beam)),
      columns(columns_in + 2),
      first_line(first_line_),
      lines(lines_),
      base_line(floor_to_group(first_line_)),
      stride(line_stride(first_line_, lines_)),
      poses(std::size_t(capacity), Pose(0)),
      samples(std::size_t(capacity) * std::size_t(columns) * stride) {}

int ViewBatch::capacity_of(Beam beam) {
  // Cone: what a tile reads of a batch stays in the second-level cache. Stacks read less, and with more views the slab
  // passes through memory less often.
  return beam == Beam::cone ? kernels::most_views / 2 : kernels::most_views;
}

std::size_t ViewBatch::bytes(Beam beam, int columns_in, int first_line, int lines) {
  return std::size_t(capacity_of(beam)) * (std::size_t(columns_in) + 2) * line_stride(first_line, lines) *
         sizeof(float);
}

std::pair<int, int> lines_needed(const Geometry& geometry, const Grid& grid, double radius_mm, int first_slice,
                                 int slices) {
  const int last_slice = first_slice + slices - 1;
  if (geometry.beam != Beam::cone) return {first_slice, last_slice};
  const kernels::Place place = place_of(geometry);
  const MovedReach moved = geometry.moved_reach();
  const double reach_mm = radius_mm + moved.across_mm;
  double least = 1e300, most = -1e300;
  for (const double z : {grid.z_mm(first_slice) + moved.z_low_mm, grid.z_mm(last_slice) + moved.z_high_mm})
    for (const double depth : {geometry.sod_mm - reach_mm, geometry.sod_mm + reach_mm}) {
      const double up = place.up_origin + z * place.up_scale / depth;
      least = std::min(least, up);
      most = std::max(most, up);
    }
  return {int(std::floor(least)) - 2,
          int(std::floor(most)) + 4};  // the neighbours that interpolation and rounding may touch
}

namespace {

template <class Work>
void for_each_tile(Slab& slab, int across, int down, int threads, const Work& work) {
  const Grid& grid = slab.grid;
  const int tiles_x = (grid.nx + across - 1) / across, tiles_y = (grid.ny + down - 1) / down;
  parallel_for(tiles_x * tiles_y, threads, [&](int n, int) {
    kernels::Tile tile{};
    tile.sum = slab.samples.data();
    tile.stride = slab.stride;
    tile.nx = grid.nx;
    tile.base_slice = slab.base_slice;
    tile.first_slice = slab.first_slice;
    tile.slices = slab.slices;
    tile.i0 = n % tiles_x * across;
    tile.i1 = std::min(tile.i0 + across, grid.nx);
    tile.j0 = n / tiles_x * down;
    tile.j1 = std::min(tile.j0 + down, grid.ny);
    tile.x0 = grid.x_mm(0);
    tile.y0 = grid.y_mm(0);
    tile.z0 = grid.z_mm(0);
    tile.dx = tile.dz = grid.voxel_mm;
    tile.dy = -grid.voxel_mm;
    tile.radius_mm = slab.radius_mm;
    work(tile);
  });
}

/// A batch's rows of slice k as kernels::Rows wants them. @param memory  To hold them.
kernels::Rows rows_of(const ViewBatch& batch, const kernels::Views& views, int k, int threads,
                      AlignedVector<float>& memory) {
  constexpr std::size_t margin = kernels::row_margin;
  const std::size_t columns = std::size_t(batch.columns), stride = columns + 2 * margin;
  const std::size_t all = row_floats(batch.capacity, batch.columns);
  if (memory.size() != 3 * all) memory.assign(3 * all, 0.0F);  // and the margins stay so
  float *samples = memory.data(), *low = samples + all, *rise = low + all;
#pragma omp parallel for schedule(static) num_threads(threads)
  for (int view = 0; view <= batch.views; ++view) {
    const std::size_t start = std::size_t(view) * stride;
    float* row = samples + start + margin;
    for (std::size_t c = 0; c < columns; ++c) {
      const float value = view < batch.views ? batch.column(view, int(c))[k - batch.first_line] : 0.0F;
      row[view < batch.views && views.cos_b[view] < 0 ? columns - 1 - c : c] = value;
    }
    for (std::size_t i = start; i + 1 < start + stride; ++i) {
      rise[i] = 2 * (samples[i + 1] - samples[i]);
      low[i] = samples[i] - rise[i];
    }
  }
  return {samples, low, rise, stride, batch.columns, batch.views, views.cos_b, views.sin_b, views.t_moved};
}

}  // namespace

void backproject(const Geometry& geometry, const ViewBatch& batch, Slab& slab, int threads) {
  const kernels::Set& set = chosen_kernels();
  std::array<double, kernels::most_views> cos_b{}, sin_b{}, t_moved{}, depth_moved{}, z_moved{};
  bool moved = false;
  for (std::size_t view = 0; view < std::size_t(batch.views); ++view) {
    const Pose& pose = batch.poses[view];
    cos_b[view] = std::cos(pose.angle_rad);
    sin_b[view] = std::sin(pose.angle_rad);
    t_moved[view] = pose.moved_mm.x() * cos_b[view] + pose.moved_mm.y() * sin_b[view];
    depth_moved[view] = pose.moved_mm.x() * sin_b[view] - pose.moved_mm.y() * cos_b[view];
    z_moved[view] = pose.moved_mm.z();
    moved = moved || !pose.moved_mm.isZero(0);
  }
  const kernels::Views views{batch.samples.data(), batch.stride,   batch.columns, batch.base_line, batch.first_line,
                             batch.lines,          batch.views,    cos_b.data(),  sin_b.data(),    t_moved.data(),
                             depth_moved.data(),   z_moved.data(), moved};
  const kernels::Place place = place_of(geometry);
  const bool few = packed(geometry.beam, slab.grid);
  if (few && geometry.beam == Beam::parallel)
    for (int k = slab.first_slice; k < slab.first_slice + slab.slices; ++k) {
      const kernels::Rows rows = rows_of(batch, views, k, threads, slab.rows);
      for_each_tile(slab, kernels::few_across, kernels::few_down, threads, [&](kernels::Tile tile) {
        tile.first_slice = k;
        set.row(rows, place, tile);
      });
    }
  else if (few)
    for_each_tile(slab, kernels::few_across, kernels::few_down, threads,
                  [&](const kernels::Tile& tile) { set.cone_few(views, place, tile); });
  else
    for_each_tile(slab, kernels::tile, kernels::tile, threads, [&](const kernels::Tile& tile) {
      (geometry.beam == Beam::cone ? set.cone : set.stack)(views, place, tile);
    });
}

const kernels::Set& chosen_kernels() {
  const auto all = sets();
  const char* forced = std::getenv("RAYLOOM_KERNELS");
  if (forced == nullptr || *forced == 0) return *all.front();
  std::string names;
  for (const auto* set : all) {
    if (set->name == std::string(forced)) return *set;
    names += (names.empty() ? "" : ", ") + std::string(set->name);
  }
  throw InvalidOption("RAYLOOM_KERNELS: '" + std::string(forced) + "'; must be one that this processor has: " + names);
}

std::string kernel_name() {
  return chosen_kernels().name;
}

std::vector<std::string> kernel_names() {
  std::vector<std::string> names;
  for (const auto* set : sets())
    names.emplace_back(set->name);
  return names;
}

}  // namespace rayloom
