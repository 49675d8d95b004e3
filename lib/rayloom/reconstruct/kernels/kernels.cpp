// Back-projection kernels, compiled once per instruction set: RAYLOOM_KERNEL_SET names the table, the compiler's flags
// the instructions. No header with inline functions may be included but the compiler's own intrinsics.
//
// Cone beam. Per view and column of voxels the detector column, the weight and the step along the detector are
// constant, so the two detector columns are blended once into a line (2 multiply-adds a pixel) from which the voxels
// are interpolated. A group of voxels (a register full) meets a window of pixels that starts at a whole line; where a
// step is at most one pixel, the window is one register, and the voxels pick their pixels by a permute. Cost of 16
// updates with AVX-512: 2 permutes, 3 additions, 1 multiply-add, 2 conversions; 2 unaligned loads of the window, 1 load
// and 1 store of the sum; and the blend, 2 multiply-adds, 2 loads, 1 store. Bound by the two vector ports: 5 cycles.
//
// Stack of slices. All slices share column and weight: 2 multiply-adds, each with one load, for 16 updates. Bound by
// the two load ports: 1 cycle.
#include "rayloom/reconstruct/kernels/kernels.h"

#if defined(__AVX2__)
#include <immintrin.h>
#endif

namespace rayloom::kernels {
namespace {

#if defined(__AVX512F__)
constexpr int lanes = 16;
#elif defined(__AVX2__)
constexpr int lanes = 8;
#else
constexpr int lanes = 4;
#endif

constexpr int z_tile = 256;              // slices whose sums stay in the first-level cache over all views
constexpr int groups = z_tile / lanes;   // of a z tile
constexpr int margin = 64;               // pixels around a blended line that groups reach with voxels that do not count
constexpr int line_capacity = 1024;      // pixels of a blended line
constexpr double window_step = 0.9999;   // lines a slice up to which a register of pixels serves a register of voxels,
constexpr double two_window_step = 1.8;  // and two registers

double clamped(double value, double low, double high) {
  return value < low ? low : value > high ? high : value;
}

int least(int a, int b) {
  return a < b ? a : b;
}

int most(int a, int b) {
  return a > b ? a : b;
}

int floor_multiple(int n, int of) {
  const int rest = n % of;
  return n - (rest < 0 ? rest + of : rest);
}

/// Up to edge x edge columns of voxels that share a pass over the views; unused places repeat the first.
template <int edge>
struct Block {
  static constexpr int size = edge * edge;
  int count = 0;
  alignas(64) double x[size], y[size];
  float* sum[size];

  /// Those of the block at (i, j) that lie in the tile and within the radius.
  void collect(const Tile& t, int i_block, int j_block) {
    count = 0;
    for (int j = j_block; j < least(j_block + edge, t.j1); ++j)
      for (int i = i_block; i < least(i_block + edge, t.i1); ++i) {
        const double x_mm = t.x0 + i * t.dx, y_mm = t.y0 + j * t.dy;
        if (x_mm * x_mm + y_mm * y_mm > t.radius_mm * t.radius_mm) continue;
        x[count] = x_mm;
        y[count] = y_mm;
        sum[count++] = t.sum + (std::size_t(j) * std::size_t(t.nx) + std::size_t(i)) * t.stride;
      }
    for (int n = count; n < size && count > 0; ++n) {
      x[n] = x[0];
      y[n] = y[0];
      sum[n] = sum[0];
    }
  }
};

/// Where the columns of a block fall in one view.
template <int size>
struct Footprints {
  alignas(64) int column[size];
  alignas(64) float left[size], right[size];  ///< Weights of the two detector columns.
};

/// Splits a position into column and weights. Inside the field of view only rounding can leave the filtered row.
template <int size>
void split(const double* at, const double* weight, int columns, Footprints<size>& out) {
  const double last = columns - 1 - 1e-9;
#pragma omp simd
  for (int n = 0; n < size; ++n) {
    const double place = clamped(at[n], 0.0, last);
    const int whole = int(place);
    const double f = place - whole;
    out.column[n] = whole;
    out.left[n] = float(weight[n] * (1 - f));
    out.right[n] = float(weight[n] * f);
  }
}

void blend(const float* __restrict a, const float* __restrict b, float wa, float wb, float* __restrict out, int count) {
  for (int i = 0; i < count; i += 16) {
#pragma omp simd
    for (int k = i; k < i + 16; ++k)
      out[k] = wa * a[k] + wb * b[k];
  }
}

#if defined(__AVX512F__)

/// Adds the line at base + frac + lane step to each group of the sum; step up to window_step.
void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m512 steps =
      _mm512_mul_ps(_mm512_set1_ps(step), _mm512_set_ps(15, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0));
  for (int g = first; g < end; ++g) {
    const __m512 at = _mm512_add_ps(_mm512_set1_ps(frac[g]), steps);
    const __m512i index = _mm512_cvttps_epi32(at);
    const __m512 f = _mm512_reduce_ps(at, _MM_FROUND_TO_NEG_INF | _MM_FROUND_NO_EXC);
    const __m512 a = _mm512_permutexvar_ps(index, _mm512_loadu_ps(line + base[g]));
    const __m512 b = _mm512_permutexvar_ps(index, _mm512_loadu_ps(line + base[g] + 1));
    const __m512 s = _mm512_add_ps(_mm512_load_ps(sum + g * lanes), a);
    _mm512_store_ps(sum + g * lanes, _mm512_fmadd_ps(f, _mm512_sub_ps(b, a), s));
  }
}

/// The same from windows of two registers; step up to two_window_step.
void select_wide(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m512 steps =
      _mm512_mul_ps(_mm512_set1_ps(step), _mm512_set_ps(15, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0));
  const __m512i one = _mm512_set1_epi32(1);
  for (int g = first; g < end; ++g) {
    const __m512 at = _mm512_add_ps(_mm512_set1_ps(frac[g]), steps);
    const __m512i index = _mm512_cvttps_epi32(at);
    const __m512 f = _mm512_reduce_ps(at, _MM_FROUND_TO_NEG_INF | _MM_FROUND_NO_EXC);
    const __m512 low = _mm512_loadu_ps(line + base[g]), high = _mm512_loadu_ps(line + base[g] + 16);
    const __m512 a = _mm512_permutex2var_ps(low, index, high);
    const __m512 b = _mm512_permutex2var_ps(low, _mm512_add_epi32(index, one), high);
    const __m512 s = _mm512_add_ps(_mm512_load_ps(sum + g * lanes), a);
    _mm512_store_ps(sum + g * lanes, _mm512_fmadd_ps(f, _mm512_sub_ps(b, a), s));
  }
}

#elif defined(__AVX2__)

void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m256 steps = _mm256_mul_ps(_mm256_set1_ps(step), _mm256_set_ps(7, 6, 5, 4, 3, 2, 1, 0));
  for (int g = first; g < end; ++g) {
    const __m256 at = _mm256_add_ps(_mm256_set1_ps(frac[g]), steps);
    const __m256i index = _mm256_cvttps_epi32(at);
    const __m256 f = _mm256_sub_ps(at, _mm256_cvtepi32_ps(index));
    const __m256 a = _mm256_permutevar8x32_ps(_mm256_loadu_ps(line + base[g]), index);
    const __m256 b = _mm256_permutevar8x32_ps(_mm256_loadu_ps(line + base[g] + 1), index);
    const __m256 s = _mm256_add_ps(_mm256_load_ps(sum + g * lanes), a);
    _mm256_store_ps(sum + g * lanes, _mm256_fmadd_ps(f, _mm256_sub_ps(b, a), s));
  }
}

/// Pixel `index` (0 to 15) of a window of two registers.
__m256 pick(__m256 low, __m256 high, __m256i index) {
  const __m256 in_high = _mm256_castsi256_ps(_mm256_slli_epi32(index, 28));  // bit 3 becomes the sign
  return _mm256_blendv_ps(_mm256_permutevar8x32_ps(low, index), _mm256_permutevar8x32_ps(high, index), in_high);
}

void select_wide(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m256 steps = _mm256_mul_ps(_mm256_set1_ps(step), _mm256_set_ps(7, 6, 5, 4, 3, 2, 1, 0));
  const __m256i one = _mm256_set1_epi32(1);
  for (int g = first; g < end; ++g) {
    const __m256 at = _mm256_add_ps(_mm256_set1_ps(frac[g]), steps);
    const __m256i index = _mm256_cvttps_epi32(at);
    const __m256 f = _mm256_sub_ps(at, _mm256_cvtepi32_ps(index));
    const __m256 low = _mm256_loadu_ps(line + base[g]), high = _mm256_loadu_ps(line + base[g] + 8);
    const __m256 a = pick(low, high, index), b = pick(low, high, _mm256_add_epi32(index, one));
    const __m256 s = _mm256_add_ps(_mm256_load_ps(sum + g * lanes), a);
    _mm256_store_ps(sum + g * lanes, _mm256_fmadd_ps(f, _mm256_sub_ps(b, a), s));
  }
}

#else

void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  for (int g = first; g < end; ++g) {
    const float* window = line + base[g];
    float* out = sum + g * lanes;
    for (int lane = 0; lane < lanes; ++lane) {
      const float at = frac[g] + float(lane) * step;
      const int whole = int(at);
      const float f = at - float(whole);
      out[lane] += window[whole] + f * (window[whole + 1] - window[whole]);
    }
  }
}

void select_wide(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  select(line, base, frac, step, sum, first, end);
}

#endif

/// Some slices of a tile: groups [first_group, end_group) of the z tile that starts at slice k0.
struct Heights {
  int k0, first_slice, end_slice;  ///< Slices that count.
  int first_group, end_group;
};

using ConeBlock = Block<4>;

struct ConeFootprints : Footprints<ConeBlock::size> {
  alignas(64) double slope[ConeBlock::size];  ///< Lines a mm of height.
};

void find(const Place& p, const Views& in, int view, const ConeBlock& c, ConeFootprints& out) {
  const double cos_b = in.cos_b[view], sin_b = in.sin_b[view];
  alignas(64) double at[ConeBlock::size], weight[ConeBlock::size];
#pragma omp simd
  for (int n = 0; n < ConeBlock::size; ++n) {
    const double t = c.x[n] * cos_b + c.y[n] * sin_b, inverse = 1 / (p.D + c.x[n] * sin_b - c.y[n] * cos_b);
    at[n] = p.column_offset + p.column_scale * t * inverse;
    weight[n] = p.D * inverse * (p.D * inverse);
    out.slope[n] = p.up_scale * inverse;
  }
  split<ConeBlock::size>(at, weight, in.columns, out);
}

/// Bilinear interpolation voxel by voxel, for steps that leave no window: coarse voxels before a fine detector.
void add_apart(const Views& in, const Place& p, const Tile& t, const Heights& h, int view, const ConeFootprints& at,
               int n, float* sum) {
  const float* a = in.samples + (std::size_t(view) * std::size_t(in.columns) + std::size_t(at.column[n])) * in.stride;
  const float* b = a + in.stride;
  for (int k = h.first_slice; k < h.end_slice; ++k) {
    const double up = p.up_origin + (t.z0 + k * t.dz) * at.slope[n], whole = __builtin_floor(up);
    const int line = int(whole) - in.base_line;
    const float f = float(up - whole);
    const float low = at.left[n] * a[line] + at.right[n] * b[line];
    const float high = at.left[n] * a[line + 1] + at.right[n] * b[line + 1];
    sum[k - t.base_slice] += low + f * (high - low);
  }
}

/// Pixels [from, from + count) that the columns' slices meet, from a multiple of 16.
struct Reach {
  int from, count;
};

Reach reach(const Views& in, const Place& p, const Tile& t, const Heights& h, const ConeFootprints& at) {
  const double z_low = t.z0 + h.first_slice * t.dz, z_high = t.z0 + (h.end_slice - 1) * t.dz;
  double low = 1e300, high = -1e300;
  for (int n = 0; n < ConeBlock::size; ++n) {
    const double a = p.up_origin + z_low * at.slope[n], b = p.up_origin + z_high * at.slope[n];
    low = a < low ? a : low;
    high = b > high ? b : high;
  }
  const int end = in.first_line + in.lines;
  const int from = most(floor_multiple(int(__builtin_floor(low)), 16), in.base_line);
  const int to = least(int(__builtin_floor(high)) + 2, end);
  return {from, most((to - from + 15) / 16 * 16, 0)};
}

/// Two blended lines: the next is blended before this one is read, or the reads would wait for the stores.
using Lines = float[2][margin + line_capacity + margin];

/// Adds one view to a block of columns.
void cone_view(const Views& in, const Place& p, const Tile& t, const Heights& h, int view, const ConeBlock& c,
               Lines& lines) {
  ConeFootprints at;
  find(p, in, view, c, at);
  const Reach r = reach(in, p, t, h, at);
  double steepest = 0;
  for (int n = 0; n < c.count; ++n)
    steepest = at.slope[n] > steepest ? at.slope[n] : steepest;
  if (steepest * t.dz > two_window_step || r.count > line_capacity) {
    for (int n = 0; n < c.count; ++n)
      add_apart(in, p, t, h, view, at, n, c.sum[n]);
    return;
  }

  const float* samples =
      in.samples + std::size_t(view) * std::size_t(in.columns) * in.stride + std::size_t(r.from - in.base_line);
  const auto blend_into = [&](int n) {
    const float* a = samples + std::size_t(at.column[n]) * in.stride;
    blend(a, a + in.stride, at.left[n], at.right[n], lines[n % 2] + margin, r.count);
  };
  blend_into(0);
  for (int n = 0; n < c.count; ++n) {
    if (n + 1 < c.count) blend_into(n + 1);
    alignas(64) int base[groups];
    alignas(64) float frac[groups];
    const double slope = at.slope[n];
#pragma omp simd
    for (int g = 0; g < groups; ++g) {
      const double up = p.up_origin + (t.z0 + (h.k0 + g * lanes) * t.dz) * slope, whole = __builtin_floor(up);
      frac[g] = float(up - whole);
      base[g] = int(whole) - r.from;
    }
    float* sum = c.sum[n] + (h.k0 - t.base_slice);
    (slope * t.dz <= window_step ? select : select_wide)(lines[n % 2] + margin, base, frac, float(slope * t.dz), sum,
                                                         h.first_group, h.end_group);
  }
}

void cone(const Views& in, const Place& p, const Tile& t) {
  alignas(64) Lines lines = {};
  ConeBlock c;
  const int end_slice = t.first_slice + t.slices;
  for (int k0 = floor_multiple(t.first_slice, z_tile); k0 < end_slice; k0 += z_tile) {
    const int first = most(k0, t.first_slice), end = least(k0 + z_tile, end_slice);
    const Heights h{k0, first, end, (first - k0) / lanes, (end - k0 + lanes - 1) / lanes};
    for (int j = t.j0; j < t.j1; j += 4)
      for (int i = t.i0; i < t.i1; i += 4) {
        c.collect(t, i, j);
        if (c.count == 0) continue;
        for (int view = 0; view < in.views; ++view)
          cone_view(in, p, t, h, view, c, lines);
      }
  }
}

using StackBlock = Block<8>;

/// atan(z), |z| <= 0.1, to 1e-14: its series.
double small_atan(double z) {
  const double q = z * z;
  return z * (1 - q * (1. / 3 - q * (1. / 5 - q * (1. / 7 - q * (1. / 9 - q * (1. / 11))))));
}

void find(const Place& p, const Views& in, int view, const StackBlock& c, Footprints<StackBlock::size>& out) {
  const double cos_b = in.cos_b[view], sin_b = in.sin_b[view];
  alignas(64) double at[StackBlock::size], weight[StackBlock::size];
  if (p.shape == Shape::parallel) {
#pragma omp simd
    for (int n = 0; n < StackBlock::size; ++n) {
      at[n] = p.column_offset + p.column_scale * (c.x[n] * cos_b + c.y[n] * sin_b);
      weight[n] = 1;
    }
  } else if (p.shape == Shape::flat) {
#pragma omp simd
    for (int n = 0; n < StackBlock::size; ++n) {
      const double t = c.x[n] * cos_b + c.y[n] * sin_b, inverse = 1 / (p.D + c.x[n] * sin_b - c.y[n] * cos_b);
      at[n] = p.column_offset + p.column_scale * t * inverse;
      weight[n] = p.D * inverse * (p.D * inverse);
    }
  } else {
    // Angles from that of the block's first column: atan2 once, and a series for the small rest.
    const double t0 = c.x[0] * cos_b + c.y[0] * sin_b, depth0 = p.D + c.x[0] * sin_b - c.y[0] * cos_b;
    const double gamma0 = __builtin_atan2(t0, depth0);
    double widest = 0;
#pragma omp simd reduction(max : widest)
    for (int n = 0; n < StackBlock::size; ++n) {
      const double t = c.x[n] * cos_b + c.y[n] * sin_b, depth = p.D + c.x[n] * sin_b - c.y[n] * cos_b;
      const double z = (t * depth0 - depth * t0) / (t * t0 + depth * depth0), wide = z < 0 ? -z : z;
      widest = wide > widest ? wide : widest;
      at[n] = p.column_offset + p.column_scale * (gamma0 + small_atan(z));
      weight[n] = p.D * p.D / (t * t + depth * depth);
    }
    if (widest > 0.1)
      for (int n = 0; n < c.count; ++n)
        at[n] = p.column_offset + p.column_scale * __builtin_atan2(c.x[n] * cos_b + c.y[n] * sin_b,
                                                                   p.D + c.x[n] * sin_b - c.y[n] * cos_b);
  }
  split<StackBlock::size>(at, weight, in.columns, out);
}

typedef float Vector __attribute__((vector_size(4 * lanes)));
constexpr int together = 8;                       // views that share a load and a store of the sums
constexpr int most_vectors = lanes == 8 ? 8 : 4;  // of sums that stay in registers

/// Adds `together` views to `vectors` registers full of slices.
template <int vectors>
void add_views(const float* const (&line)[together], std::size_t stride, const float (&left)[together],
               const float (&right)[together], float* sum) {
  Vector sums[vectors];
  for (int v = 0; v < vectors; ++v)
    sums[v] = reinterpret_cast<const Vector*>(sum)[v];
  for (int view = 0; view < together; ++view) {
    const Vector* a = reinterpret_cast<const Vector*>(line[view]);
    const Vector* b = reinterpret_cast<const Vector*>(line[view] + stride);
    for (int v = 0; v < vectors; ++v)
      sums[v] += left[view] * a[v];
    for (int v = 0; v < vectors; ++v)
      sums[v] += right[view] * b[v];
  }
  for (int v = 0; v < vectors; ++v)
    reinterpret_cast<Vector*>(sum)[v] = sums[v];
}

using AddViews = void (*)(const float* const (&)[together], std::size_t, const float (&)[together],
                          const float (&)[together], float*);

AddViews add_views_for(int vectors) {
  switch (vectors) {
    case 1:
      return add_views<1>;
    case 2:
      return add_views<2>;
    case 3:
      return add_views<3>;
    case 4:
      return add_views<4>;
    case 5:
      return add_views<5>;
    case 6:
      return add_views<6>;
    case 7:
      return add_views<7>;
    default:
      return add_views<8>;
  }
}

void stack(const Views& in, const Place& p, const Tile& t) {
  StackBlock c;
  Footprints<StackBlock::size> at[most_views];
  const int first = (t.first_slice - t.base_slice) / lanes,
            end = (t.first_slice - t.base_slice + t.slices + lanes - 1) / lanes;
  for (int j = t.j0; j < t.j1; j += 8)
    for (int i = t.i0; i < t.i1; i += 8) {
      c.collect(t, i, j);
      if (c.count == 0) continue;
      for (int view = 0; view < in.views; ++view)
        find(p, in, view, c, at[view]);
      for (int vector = first; vector < end; vector += most_vectors) {
        const AddViews add = add_views_for(least(most_vectors, end - vector));
        const std::size_t offset = std::size_t(vector * lanes);
        for (int view = 0; view < in.views; view += together)
          for (int n = 0; n < c.count; ++n) {
            const float* line[together];
            float left[together], right[together];
            for (int v = 0; v < together; ++v) {
              const bool there = view + v < in.views;  // views beyond the last count as nothing
              const int from = there ? view + v : view;
              line[v] = in.samples + offset + std::size_t(t.base_slice - in.base_line) +
                        (std::size_t(from) * std::size_t(in.columns) + std::size_t(at[from].column[n])) * in.stride;
              left[v] = there ? at[from].left[n] : 0;
              right[v] = there ? at[from].right[n] : 0;
            }
            add(line, in.stride, left, right, c.sum[n] + offset);
          }
      }
    }
}

}  // namespace

#define RAYLOOM_TEXT_OF(name) #name
#define RAYLOOM_TEXT(name) RAYLOOM_TEXT_OF(name)
const Set RAYLOOM_KERNEL_SET = {RAYLOOM_TEXT(RAYLOOM_KERNEL_SET), cone, stack};

}  // namespace rayloom::kernels
