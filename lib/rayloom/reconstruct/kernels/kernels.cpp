// Back-projection kernels, compiled once per instruction set: RAYLOOM_KERNEL_SET names the table, the compiler's flags
// the instructions. No header with inline functions may be included but the compiler's own intrinsics.
//
// Cone beam. Per view and column of voxels the detector column, the weight and the step along the detector are
// constant, so the two detector columns are blended once into a line (2 multiply-adds a pixel) from which the voxels
// are interpolated. A group of voxels (a register full) meets a window of pixels that starts at a whole line; where a
// step is at most one pixel, the window is one register, and the voxels pick their pixels by a permute. Cost of 16
// updates with AVX-512: 2 permutes, 3 additions, 1 multiply-add, 2 conversions; 2 unaligned loads of the window, 1 load
// and 1 store of the sum; and the blend, 2 multiply-adds, 2 loads, 1 store. Bound by the two vector ports: 5 cycles.
// What the next view needs of the second-level cache is fetched ahead. Timed loops of these instructions (bench/) allow
// about 7.3 GUP/s a core where the kernel reached 4.7.
//
// Stack of slices. All slices share column and weight: 2 multiply-adds, each with one load, for 16 updates. Bound by
// the two load ports: 1 cycle. The timed loop allows 28 to 33 GUP/s a core where the kernel reached 17.
//
// Spreading onto a Fourier plane. A bin meets 4 rows of 4 complex cells: a register each.
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

/// The multiple of a power of two at or below n.
int floor_multiple(int n, int of) {
  return n & ~(of - 1);
}

/// Up to width x height columns of voxels that share a pass over the views; places beyond `count` lie where the first
/// does.
template <int width, int height>
struct Block {
  static constexpr int size = width * height;
  int count = 0;
  alignas(64) double x[size], y[size];
  int i[size], j[size];

  /// Those of the block at (i0, j0) that lie in the tile and within the radius.
  void collect(const Tile& t, int i0, int j0) {
    count = 0;
    for (int row = j0; row < least(j0 + height, t.j1); ++row)
      for (int column = i0; column < least(i0 + width, t.i1); ++column) {
        const double x_mm = t.x0 + column * t.dx, y_mm = t.y0 + row * t.dy;
        if (x_mm * x_mm + y_mm * y_mm > t.radius_mm * t.radius_mm) continue;
        x[count] = x_mm;
        y[count] = y_mm;
        i[count] = column;
        j[count++] = row;
      }
    for (int n = count; n < size && count > 0; ++n) {
      x[n] = x[0];
      y[n] = y[0];
    }
  }
};

float* column_sums(const Tile& t, int i, int j) {
  return t.sum + (std::size_t(j) * std::size_t(t.nx) + std::size_t(i)) * t.stride;
}

void blend(const float* __restrict a, const float* __restrict b, float wa, float wb, float* __restrict out, int count) {
  for (int i = 0; i < count; i += group) {
#pragma omp simd
    for (int k = i; k < i + group; ++k)
      out[k] = wa * a[k] + wb * b[k];
  }
}

// select: for each group g in [first, end), adds the line at base[g] + frac[g] + lane step to the sum; step up to
// window_step. select_wide: the same from windows of two registers; step up to two_window_step.

#if defined(__AVX512F__)

__m512 lane_steps(float step) {
  return _mm512_mul_ps(_mm512_set1_ps(step), _mm512_set_ps(15, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0));
}

/// Adds a + f (b - a).
void add_between(float* sum, __m512 f, __m512 a, __m512 b) {
  _mm512_store_ps(sum, _mm512_fmadd_ps(f, _mm512_sub_ps(b, a), _mm512_add_ps(_mm512_load_ps(sum), a)));
}

void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m512 steps = lane_steps(step);
  for (int g = first; g < end; ++g) {
    const __m512 at = _mm512_add_ps(_mm512_set1_ps(frac[g]), steps);
    const __m512i index = _mm512_cvttps_epi32(at);
    const __m512 f = _mm512_reduce_ps(at, _MM_FROUND_TO_NEG_INF | _MM_FROUND_NO_EXC);
    const float* window = line + base[g];
    add_between(sum + g * lanes, f, _mm512_permutexvar_ps(index, _mm512_loadu_ps(window)),
                _mm512_permutexvar_ps(index, _mm512_loadu_ps(window + 1)));
  }
}

void select_wide(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m512 steps = lane_steps(step);
  for (int g = first; g < end; ++g) {
    const __m512 at = _mm512_add_ps(_mm512_set1_ps(frac[g]), steps);
    const __m512i index = _mm512_cvttps_epi32(at), next = _mm512_add_epi32(index, _mm512_set1_epi32(1));
    const __m512 f = _mm512_reduce_ps(at, _MM_FROUND_TO_NEG_INF | _MM_FROUND_NO_EXC);
    const __m512 low = _mm512_loadu_ps(line + base[g]), high = _mm512_loadu_ps(line + base[g] + 16);
    add_between(sum + g * lanes, f, _mm512_permutex2var_ps(low, index, high), _mm512_permutex2var_ps(low, next, high));
  }
}

#elif defined(__AVX2__)

__m256 lane_steps(float step) {
  return _mm256_mul_ps(_mm256_set1_ps(step), _mm256_set_ps(7, 6, 5, 4, 3, 2, 1, 0));
}

void add_between(float* sum, __m256 f, __m256 a, __m256 b) {
  _mm256_store_ps(sum, _mm256_fmadd_ps(f, _mm256_sub_ps(b, a), _mm256_add_ps(_mm256_load_ps(sum), a)));
}

void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m256 steps = lane_steps(step);
  for (int g = first; g < end; ++g) {
    const __m256 at = _mm256_add_ps(_mm256_set1_ps(frac[g]), steps);
    const __m256i index = _mm256_cvttps_epi32(at);
    const __m256 f = _mm256_sub_ps(at, _mm256_cvtepi32_ps(index));
    const float* window = line + base[g];
    add_between(sum + g * lanes, f, _mm256_permutevar8x32_ps(_mm256_loadu_ps(window), index),
                _mm256_permutevar8x32_ps(_mm256_loadu_ps(window + 1), index));
  }
}

/// Pixels of two windows, one for each half of the voxels: four steps stay within a register.
__m256 pick(const float* low, const float* high, __m256i index) {
  return _mm256_blend_ps(_mm256_permutevar8x32_ps(_mm256_loadu_ps(low), index),
                         _mm256_permutevar8x32_ps(_mm256_loadu_ps(high), index), 0xf0);
}

void select_wide(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const __m256 steps = lane_steps(step);
  const int half = int(4 * step);
  const __m256i halves = _mm256_set_epi32(half, half, half, half, 0, 0, 0, 0);
  for (int g = first; g < end; ++g) {
    const __m256 at = _mm256_add_ps(_mm256_set1_ps(frac[g]), steps);
    const __m256i whole = _mm256_cvttps_epi32(at), index = _mm256_sub_epi32(whole, halves);
    const __m256 f = _mm256_sub_ps(at, _mm256_cvtepi32_ps(whole));
    const float* window = line + base[g];
    add_between(sum + g * lanes, f, pick(window, window + half, index), pick(window + 1, window + half + 1, index));
  }
}

#else

typedef float Four __attribute__((vector_size(16)));
typedef int FourInts __attribute__((vector_size(16)));
typedef double Two __attribute__((vector_size(16)));

/// A pixel and the next.
double pair(const float* at) {
  double both;
  __builtin_memcpy(&both, at, sizeof both);
  return both;
}

void select(const float* line, const int* base, const float* frac, float step, float* sum, int first, int end) {
  const Four steps = {0, step, 2 * step, 3 * step};
  FourInts pixel[groups];  // by way of memory: to take them out of registers costs more than all the rest
  Four f[groups];
  for (int g = first; g < end; ++g) {
    const Four at = frac[g] + steps;
    const FourInts whole = __builtin_convertvector(at, FourInts);
    f[g] = at - __builtin_convertvector(whole, Four);
    pixel[g] = whole + base[g];
  }
  for (int g = first; g < end; ++g) {
    const int* p = reinterpret_cast<const int*>(&pixel[g]);
    const Two low = {pair(line + p[0]), pair(line + p[1])}, high = {pair(line + p[2]), pair(line + p[3])};
    const Four a = __builtin_shufflevector(Four(low), Four(high), 0, 2, 4, 6);
    const Four b = __builtin_shufflevector(Four(low), Four(high), 1, 3, 5, 7);
    *reinterpret_cast<Four*>(sum + g * lanes) += a + f[g] * (b - a);
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
  alignas(64) double z[groups];  ///< Of each group's first slice, mm.
};

using ConeColumns = Block<4, 4>;

/// Where the columns of a block fall in one view.
struct ConeFootprints {
  alignas(64) int column[ConeColumns::size];
  alignas(64) float left[ConeColumns::size], right[ConeColumns::size];  ///< Weights of the two detector columns.
  alignas(64) double slope[ConeColumns::size];                          ///< Lines a mm of height.
};

/// @tparam moved  False where all shifts are 0: minding them would cost a twentieth of the time. Here and below.
template <bool moved>
void find(const Place& p, const Views& in, int view, const ConeColumns& c, ConeFootprints& out) {
  const double cos_b = in.cos_b[view], sin_b = in.sin_b[view], last = in.columns - 1 - 1e-9;
  const double t_moved = in.t_moved[view], axis_depth = moved ? p.D + in.depth_moved[view] : p.D;
#pragma omp simd
  for (int n = 0; n < ConeColumns::size; ++n) {
    const double still = c.x[n] * cos_b + c.y[n] * sin_b, t = moved ? still + t_moved : still;
    const double inverse = 1 / (axis_depth + c.x[n] * sin_b - c.y[n] * cos_b);
    // Inside the field of view only rounding can leave the filtered row.
    const double at = clamped(p.column_offset + p.column_scale * t * inverse, 0.0, last);
    const int whole = int(at);
    const double f = at - whole, weight = p.D * inverse * (p.D * inverse);
    out.column[n] = whole;
    out.left[n] = float(weight * (1 - f));
    out.right[n] = float(weight * f);
    out.slope[n] = p.up_scale * inverse;
  }
}

/// Least and greatest number of lines a mm of height among the columns.
struct Slopes {
  double least, most;
};

Slopes slopes_of(const ConeFootprints& at) {
  double least = 1e300, most = 0;
#pragma omp simd reduction(min : least) reduction(max : most)
  for (int n = 0; n < ConeColumns::size; ++n) {
    least = at.slope[n] < least ? at.slope[n] : least;
    most = at.slope[n] > most ? at.slope[n] : most;
  }
  return {least, most};
}

/// Pixels [from, from + count) that the columns' slices meet, in whole groups.
struct Reach {
  int from, count;
};

template <bool moved>
Reach reach(const Views& in, int view, const Place& p, const Tile& t, const Heights& h, const Slopes& s) {
  double z_low = t.z0 + h.first_slice * t.dz, z_high = t.z0 + (h.end_slice - 1) * t.dz;
  if constexpr (moved) {
    z_low += in.z_moved[view];
    z_high += in.z_moved[view];
  }
  const double low = p.up_origin + z_low * (z_low < 0 ? s.most : s.least);
  const double high = p.up_origin + z_high * (z_high < 0 ? s.least : s.most);
  const int end = in.first_line + in.lines;
  const int from = most(floor_multiple(int(__builtin_floor(low)), group), in.base_line);
  const int to = least(int(__builtin_floor(high)) + 2, end);
  return {from, most((to - from + group - 1) / group * group, 0)};
}

const float* detector_column(const Views& in, int view, int column) {
  return in.samples + (std::size_t(view) * std::size_t(in.columns) + std::size_t(column)) * in.stride;
}

/// Bilinear interpolation voxel by voxel, for steps that leave no window: coarse voxels before a fine detector.
void add_apart(const Views& in, const Place& p, const Tile& t, const Heights& h, int view, const ConeFootprints& at,
               int n, float* sum) {
  const float* a = detector_column(in, view, at.column[n]);
  const float* b = a + in.stride;
  const double origin = p.up_origin + in.z_moved[view] * at.slope[n];
  for (int k = h.first_slice; k < h.end_slice; ++k) {
    const double up = origin + (t.z0 + k * t.dz) * at.slope[n], whole = __builtin_floor(up);
    const int line = int(whole) - in.base_line;
    const float f = float(up - whole);
    const float low = at.left[n] * a[line] + at.right[n] * b[line];
    const float high = at.left[n] * a[line + 1] + at.right[n] * b[line + 1];
    sum[k - h.k0] += low + f * (high - low);
  }
}

/// Detector columns [first, first + count) that a block's columns meet.
struct Span {
  int first, count;
};

Span columns_met(const ConeFootprints& at) {
  int low = at.column[0], high = low;
#pragma omp simd reduction(min : low) reduction(max : high)
  for (int n = 0; n < ConeColumns::size; ++n) {
    low = at.column[n] < low ? at.column[n] : low;
    high = at.column[n] > high ? at.column[n] : high;
  }
  return {low, high + 2 - low};
}

void prefetch(const float* from, int count) {
  for (int i = 0; i < count; i += 16)
    __builtin_prefetch(from + i);
}

/// What one column needs, made ready while the columns before are summed, or the reads would wait for the stores.
constexpr int ready_ahead = 2, ready_ring = 4;
struct Ready {
  alignas(64) float line[margin + line_capacity + margin] = {};
  alignas(64) int base[groups];
  alignas(64) float frac[groups];
};

template <bool moved>
void make_ready(const Views& in, const Place& p, const Heights& h, int view, const ConeFootprints& at, const Reach& r,
                int n, Ready& out) {
  const float* a = detector_column(in, view, at.column[n]) + (r.from - in.base_line);
  blend(a, a + in.stride, at.left[n], at.right[n], out.line + margin, r.count);
  // Copies, since a store into `base` might else change what the loop reads, and the loop would not become vectors.
  const double slope = at.slope[n], origin = moved ? p.up_origin + in.z_moved[view] * slope : p.up_origin;
  const int from = r.from;
  const double* __restrict z = h.z;
  int* __restrict base = out.base;
  float* __restrict frac = out.frac;
#pragma omp simd
  for (int g = 0; g < groups; ++g) {
    const double up = origin + z[g] * slope, whole = __builtin_floor(up);
    frac[g] = float(up - whole);
    base[g] = int(whole) - from;
  }
}

/// A block of columns over a z tile. Its sums are kept apart from the slab, where neighbours may share cache sets.
template <bool moved>
class ConeBlock {
 public:
  void run(const Views& in, const Place& p, const Tile& t, const Heights& h, int i0, int j0) {
    columns_.collect(t, i0, j0);
    if (columns_.count == 0) return;
    for (int n = 0; n < columns_.count; ++n)
      __builtin_memset(sums(n) + h.first_group * lanes, 0, sizeof(float) * (h.end_group - h.first_group) * lanes);
    find<moved>(p, in, 0, columns_, at_[0]);  // then always one view ahead
    for (int view = 0; view < in.views; ++view)
      add_view(in, p, t, h, view);
    for (int n = 0; n < columns_.count; ++n) {
      float* __restrict to = column_sums(t, columns_.i[n], columns_.j[n]) + (h.k0 - t.base_slice);
      const float* __restrict from = sums(n);
#pragma omp simd
      for (int k = h.first_group * lanes; k < h.end_group * lanes; ++k)
        to[k] += from[k];
    }
  }

 private:
  // All in one function, or calls and what they keep from the compiler cost a fifteenth of the time.
  __attribute__((flatten)) void add_view(const Views& in, const Place& p, const Tile& t, const Heights& h, int view) {
    const ConeFootprints& at = at_[view % 2];
    const Slopes slopes = slopes_of(at);
    const Reach r = reach<moved>(in, view, p, t, h, slopes);
    const int next_view = least(view + 1, in.views - 1);
    find<moved>(p, in, next_view, columns_, at_[(view + 1) % 2]);
    if (slopes.most * t.dz > two_window_step || r.count > line_capacity) {
      for (int n = 0; n < columns_.count; ++n)
        add_apart(in, p, t, h, view, at, n, sums(n));
      return;
    }
    const Span next = columns_met(at_[(view + 1) % 2]);
    for (int n = 0; n < least(ready_ahead, columns_.count); ++n)
      make_ready<moved>(in, p, h, view, at, r, n, ready_[n]);
    for (int n = 0; n < columns_.count; ++n) {
      if (n < next.count) prefetch(detector_column(in, next_view, next.first + n) + (r.from - in.base_line), r.count);
      if (const int m = n + ready_ahead; m < columns_.count)
        make_ready<moved>(in, p, h, view, at, r, m, ready_[m % ready_ring]);
      const Ready& ready = ready_[n % ready_ring];
      const float* line = ready.line + margin;
      const double step = at.slope[n] * t.dz;
      if (step <= window_step)
        select(line, ready.base, ready.frac, float(step), sums(n), h.first_group, h.end_group);
      else
        select_wide(line, ready.base, ready.frac, float(step), sums(n), h.first_group, h.end_group);
    }
  }

  static constexpr int sums_stride = z_tile + 16;
  float* sums(int n) {
    return sums_ + n * sums_stride;
  }

  ConeColumns columns_;
  ConeFootprints at_[2];
  Ready ready_[ready_ring];
  alignas(64) float sums_[ConeColumns::size * sums_stride];
};

template <bool moved>
void cone_of(const Views& in, const Place& p, const Tile& t) {
  ConeBlock<moved> block;
  const int end_slice = t.first_slice + t.slices;
  for (int k0 = floor_multiple(t.first_slice, z_tile); k0 < end_slice; k0 += z_tile) {
    const int first = most(k0, t.first_slice), end = least(k0 + z_tile, end_slice);
    Heights h{k0, first, end, (first - k0) / lanes, (end - k0 + lanes - 1) / lanes, {}};
    for (int g = 0; g < groups; ++g)
      h.z[g] = t.z0 + (k0 + g * lanes) * t.dz;
    for (int j = t.j0; j < t.j1; j += 4)
      for (int i = t.i0; i < t.i1; i += 4)
        block.run(in, p, t, h, i, j);
  }
}

void cone(const Views& in, const Place& p, const Tile& t) {
  (in.moved ? cone_of<true> : cone_of<false>)(in, p, t);
}

/// Pixels [first, end) of a tile's row that lie within the radius.
struct Chord {
  int first, end;
};

Chord chord(const Tile& t, int j) {
  const double y = t.y0 + j * t.dy, square = t.radius_mm * t.radius_mm - y * y;
  if (square < 0) return {0, 0};
  const double half = __builtin_sqrt(square) / t.dx, middle = -t.x0 / t.dx - t.i0;
  const int width = t.i1 - t.i0;
  Chord pixels{int(clamped(middle - half - 1, 0, width)), int(clamped(middle + half + 2, 0, width))};
  const auto within = [&](int i) {
    const double x = t.x0 + (t.i0 + i) * t.dx;
    return x * x + y * y <= t.radius_mm * t.radius_mm;
  };
  while (pixels.first < pixels.end && !within(pixels.first))
    ++pixels.first;
  while (pixels.first < pixels.end && !within(pixels.end - 1))
    --pixels.end;
  return pixels;
}

/// Sums of a tile for volumes of few slices, a row after the other.
struct FewSums {
  static constexpr int stride = few_across + lanes;
  alignas(64) float sum[few_down][stride];

  void add_to(const Tile& t, int slice) const {
    for (int j = t.j0; j < t.j1; ++j) {
      const Chord pixels = chord(t, j);
      float* __restrict to = column_sums(t, t.i0, j) + (slice - t.base_slice);
      const float* __restrict from = sum[j - t.j0];
      if (t.stride == 1) {
#pragma omp simd
        for (int i = pixels.first; i < pixels.end; ++i)
          to[i] += from[i];
      } else {
        for (int i = pixels.first; i < pixels.end; ++i)
          to[std::size_t(i) * t.stride] += from[i];
      }
    }
  }
};

/// The chords of a tile's rows.
struct Chords {
  Chord of[few_down];

  explicit Chords(const Tile& t) : of() {
    for (int j = t.j0; j < t.j1; ++j)
      of[j - t.j0] = chord(t, j);
  }

  /// What rows [j, j + count) cover, count 1 or 2.
  Chord of_rows(int j, int count) const {
    const Chord &a = of[j], &b = of[j + count - 1];
    if (a.first == a.end) return b;
    return b.first == b.end ? a : Chord{least(a.first, b.first), most(a.end, b.end)};
  }
};

/// Voxel by voxel, the geometry of a row of them at once.
void cone_few(const Views& in, const Place& p, const Tile& t) {
  FewSums sums;
  int column[few_across];
  float left[few_across], right[few_across];
  double slope[few_across];
  const Chords chords(t);
  for (int slice = t.first_slice; slice < t.first_slice + t.slices; ++slice) {
    __builtin_memset(sums.sum, 0, sizeof sums.sum);
    const double last = in.columns - 1 - 1e-9;
    for (int view = 0; view < in.views; ++view) {
      const double cos_b = in.cos_b[view], sin_b = in.sin_b[view], moved = in.t_moved[view];
      const double z = t.z0 + slice * t.dz + in.z_moved[view];
      for (int j = t.j0; j < t.j1; ++j) {
        const Chord pixels = chords.of[j - t.j0];
        const double y = t.y0 + j * t.dy, x0 = t.x0 + t.i0 * t.dx, dx = t.dx, D = p.D;
        const double axis_depth = D + in.depth_moved[view];
        const double scale = p.column_scale, offset = p.column_offset, up_scale = p.up_scale;
#pragma omp simd
        for (int i = pixels.first; i < pixels.end; ++i) {
          const double x = x0 + i * dx, inverse = 1 / (axis_depth + x * sin_b - y * cos_b);
          const double at = clamped(offset + scale * (x * cos_b + y * sin_b + moved) * inverse, 0.0, last);
          const int whole = int(at);
          const double f = at - whole, weight = D * inverse * (D * inverse);
          column[i] = whole;
          left[i] = float(weight * (1 - f));
          right[i] = float(weight * f);
          slope[i] = up_scale * inverse;
        }
        float* out = sums.sum[j - t.j0];
        const float* samples = detector_column(in, view, 0);
        for (int i = pixels.first; i < pixels.end; ++i) {
          const double up = p.up_origin + z * slope[i] - in.base_line;
          const int line = int(up);
          const float f = float(up - line);
          const float* a = samples + std::size_t(column[i]) * in.stride + line;
          const float* b = a + in.stride;
          const float low = left[i] * a[0] + right[i] * b[0], high = left[i] * a[1] + right[i] * b[1];
          out[i] += low + f * (high - low);
        }
      }
    }
    sums.add_to(t, slice);
  }
}

/// Where a view's row meets a tile's rows of pixels: pixel (i, j) at column first + j down + i step, step not negative.
struct RowPlace {
  double first, down, step;
};

RowPlace place_row(const Rows& in, const Place& p, const Tile& t, int view) {
  const double x = t.x0 + t.i0 * t.dx, y = t.y0 + t.j0 * t.dy, cos_b = in.cos_b[view], sin_b = in.sin_b[view];
  const double first = p.column_offset + p.column_scale * (x * cos_b + y * sin_b + in.t_moved[view]);
  const double down = p.column_scale * t.dy * sin_b, step = p.column_scale * t.dx * cos_b;
  return cos_b < 0 ? RowPlace{in.columns - 1 - first, -down, -step} : RowPlace{first, down, step};
}

const float* row_of(const Rows& in, int view) {
  return in.samples + std::size_t(view) * in.stride + row_margin;
}

void add_row_apart(const Rows& in, const RowPlace& at, int view, const Chords& chords, int rows, FewSums& sums) {
  const float* line = row_of(in, view);
  for (int j = 0; j < rows; ++j)
    for (int i = chords.of[j].first; i < chords.of[j].end; ++i) {
      const double column = clamped(at.first + j * at.down + i * at.step, -1.0, in.columns);
      const int whole = int(column + 1) - 1;
      sums.sum[j][i] += line[whole] + float(column - whole) * (line[whole + 1] - line[whole]);
    }
}

#if defined(__AVX2__)

// Rows of pixels meet a line as columns of a cone's voxels do. Positions are whole numbers of 2^-22 columns: a shift
// leaves the column, and the rest, put under the exponent of 1, is 1 + f/2. With rise = 2 (b - a) and low = a - rise,
// a + f (b - a) = low + (1 + f/2) rise, so that 16 updates cost 2 permutes, 2 additions, a shift, a bit select and a
// multiply-add: 3.5 cycles; and 2 unaligned loads, where these are dear shared by two rows of pixels. Four views share
// a load and a store of the sums.

constexpr int fixed_bits = 22;
constexpr double fixed_one = 1 << fixed_bits, fixed_reach = 510;
constexpr double two_window_row_step = 1.8;  // as two_window_step
constexpr int row_views = 4;
constexpr int shared_rows = lanes == 16 ? 2 : 1;  // of pixels, that share windows
constexpr int row_groups = few_across / lanes;

typedef unsigned Fixed __attribute__((vector_size(4 * lanes)));
typedef float Pixels __attribute__((vector_size(4 * lanes)));

/// Pixels of a window of one or two registers. @param half  Columns from a group's first pixel to its middle one.
template <bool wide>
Pixels permuted(const float* window, Fixed index, int half) {
#if defined(__AVX512F__)
  (void)half;
  const __m512 low = _mm512_loadu_ps(window);
  return Pixels(wide ? _mm512_permutex2var_ps(low, __m512i(index), _mm512_loadu_ps(window + lanes))
                     : _mm512_permutexvar_ps(__m512i(index), low));
#else
  if (!wide) return Pixels(_mm256_permutevar8x32_ps(_mm256_loadu_ps(window), __m256i(index)));
  const __m256i halves = _mm256_set_epi32(half, half, half, half, 0, 0, 0, 0);
  return Pixels(pick(window, window + half, _mm256_sub_epi32(__m256i(index), halves)));
#endif
}

/// Four views' rows before a tile.
struct RowsMet {
  const float *low[row_views], *rise[row_views];  ///< At the least column that the tile meets.
  int half[row_views];
  alignas(64) unsigned starts[row_views][few_down];  ///< Where rows of pixels start, counted from that column.
  alignas(64) unsigned group_steps[row_views][row_groups];
  Fixed lane_steps[row_views];

  /// Takes `view` as the v-th of the four.
  void take(const Rows& in, const RowPlace& at, int view, int v, int rows) {
    const double over = at.down * (rows - 1), whole = __builtin_floor(at.first + (over < 0 ? over : 0));
    const std::ptrdiff_t from = std::ptrdiff_t(view) * std::ptrdiff_t(in.stride) + row_margin + int(whole);
    low[v] = in.low + from;
    rise[v] = in.rise + from;
    half[v] = int(lanes / 2 * at.step);
    const double first = (at.first - whole) * fixed_one + 0.5, down = at.down * fixed_one, step = at.step * fixed_one;
    unsigned* __restrict row_starts = starts[v], * __restrict of_groups = group_steps[v];
#pragma omp simd
    for (int j = 0; j < (rows + shared_rows - 1) / shared_rows * shared_rows; ++j)
      row_starts[j] = unsigned(int(first + j * down));
#pragma omp simd
    for (int g = 0; g < row_groups; ++g)
      of_groups[g] = unsigned(int(g * lanes * step + 0.5));
    alignas(64) int lane[lanes];
#pragma omp simd
    for (int n = 0; n < lanes; ++n)
      lane[n] = int(n * step + 0.5);
    __builtin_memcpy(&lane_steps[v], lane, sizeof lane);
  }
};

/// Where the groups of rows of pixels that share windows fall.
struct RowGroups {
  alignas(64) unsigned base[row_views][row_groups], rest[shared_rows][row_views][row_groups];

  void find(const RowsMet& in, int j) {
    for (int v = 0; v < row_views; ++v) {
      const unsigned* starts = in.starts[v] + j;
      const unsigned start = starts[0] < starts[shared_rows - 1] ? starts[0] : starts[shared_rows - 1];
#pragma omp simd
      for (int g = 0; g < row_groups; ++g) {
        const unsigned at = start + in.group_steps[v][g];
        base[v][g] = at >> fixed_bits;
        for (int r = 0; r < shared_rows; ++r)
          rest[r][v][g] = (at & ((1U << fixed_bits) - 1)) + (starts[r] - start);
      }
    }
  }
};

/// Whether a register of columns is enough for a register of pixels in rows that share it.
bool narrow(const RowPlace& at) {
  return (lanes - 1) * at.step + (shared_rows - 1) * __builtin_fabs(at.down) <= lanes - 1 + 1e-9;
}

/// Whether positions within a tile fit in whole numbers, and pixels of rows that share it in two registers of columns.
bool fits(const RowPlace& at, int rows) {
  const double down = __builtin_fabs(at.down);
  return at.step <= two_window_row_step && few_across * at.step + most(rows, shared_rows) * down < fixed_reach &&
         (lanes - 1) * at.step + (shared_rows - 1) * down <= 2 * lanes - 2;
}

/// Adds groups [first, end) of rows that share windows. @param sums  Of the first row.
template <bool wide>
void add_groups(const RowsMet& in, const RowGroups& at, float* sums, int first, int end) {
  constexpr unsigned fraction = (1U << fixed_bits) - 1, exponent_of_one = 0x3f800000;
  for (int g = first; g < end; ++g) {
    Pixels sum[shared_rows];
    for (int r = 0; r < shared_rows; ++r)
      sum[r] = *reinterpret_cast<const Pixels*>(sums + r * FewSums::stride + g * lanes);
#pragma GCC unroll 4
    for (int v = 0; v < row_views; ++v) {
      const float *low = in.low[v] + at.base[v][g], *rise = in.rise[v] + at.base[v][g];
      for (int r = 0; r < shared_rows; ++r) {
        const Fixed place = at.rest[r][v][g] + in.lane_steps[v], index = place >> fixed_bits;
        const Pixels f = Pixels((place & fraction) | exponent_of_one);
        sum[r] = (sum[r] + permuted<wide>(low, index, in.half[v])) + f * permuted<wide>(rise, index, in.half[v]);
      }
    }
    for (int r = 0; r < shared_rows; ++r)
      *reinterpret_cast<Pixels*>(sums + r * FewSums::stride + g * lanes) = sum[r];
  }
}

__attribute__((flatten)) void row(const Rows& in, const Place& p, const Tile& t) {
  FewSums sums;
  __builtin_memset(sums.sum, 0, sizeof sums.sum);
  const int rows = t.j1 - t.j0;
  const Chords chords(t);
  RowsMet met;
  RowGroups at[2];  // found while the row before is summed
  for (int view = 0; view < in.views; view += row_views) {
    bool wide = false;
    for (int v = 0; v < row_views; ++v) {
      const bool there = view + v < in.views;
      const RowPlace place = there ? place_row(in, p, t, view + v) : RowPlace{};
      if (there && fits(place, rows)) {
        met.take(in, place, view + v, v, rows);
        wide = wide || !narrow(place);
        continue;
      }
      if (there) add_row_apart(in, place, view + v, chords, rows, sums);
      met.take(in, RowPlace{}, in.views, v, rows);
    }
    at[0].find(met, 0);
    for (int j = 0; j < rows; j += shared_rows) {
      const RowGroups& here = at[j / shared_rows % 2];
      if (j + shared_rows < rows) at[(j / shared_rows + 1) % 2].find(met, j + shared_rows);
      const Chord pixels = chords.of_rows(j, shared_rows);
      const int first = pixels.first / lanes, end = (pixels.end + lanes - 1) / lanes;
      if (wide)
        add_groups<true>(met, here, sums.sum[j], first, end);
      else
        add_groups<false>(met, here, sums.sum[j], first, end);
    }
  }
  sums.add_to(t, t.first_slice);
}

#else

__attribute__((flatten)) void row(const Rows& in, const Place& p, const Tile& t) {
  FewSums sums;
  __builtin_memset(sums.sum, 0, sizeof sums.sum);
  const int rows = t.j1 - t.j0;
  const Chords chords(t);
  alignas(64) int base[few_across / lanes];
  alignas(64) float frac[few_across / lanes];
  for (int view = 0; view < in.views; ++view) {
    const RowPlace at = place_row(in, p, t, view);
    if (at.step > two_window_step) {
      add_row_apart(in, at, view, chords, rows, sums);
      continue;
    }
    for (int j = 0; j < rows; ++j) {
      const double start = at.first + j * at.down, step = lanes * at.step;
#pragma omp simd
      for (int g = 0; g < few_across / lanes; ++g) {
        const double column = start + g * step, whole = __builtin_floor(column);
        frac[g] = float(column - whole);
        base[g] = int(whole);
      }
      select(row_of(in, view), base, frac, float(at.step), sums.sum[j], chords.of[j].first / lanes,
             (chords.of[j].end + lanes - 1) / lanes);
    }
  }
  sums.add_to(t, t.first_slice);
}

#endif

using StackColumns = Block<8, 8>;

constexpr int together = 8;                       // views that share a load and a store of the sums
constexpr int most_vectors = lanes == 8 ? 8 : 4;  // of sums that stay in registers
typedef float Vector __attribute__((vector_size(4 * lanes)));
// Of `wide` views: a register of doubles.
constexpr int wide = lanes / 2, parts = together / wide;
typedef double Doubles __attribute__((vector_size(8 * wide)));
typedef int Ints __attribute__((vector_size(4 * wide)));
typedef long long Longs __attribute__((vector_size(8 * wide)));
typedef float Floats __attribute__((vector_size(4 * wide)));

/// Where one column falls in `together` views: the left detector column's samples, counted in groups over the batch,
/// and the weights.
struct Together {
  Ints place[parts];
  Floats left[parts], right[parts];
};

constexpr double small_angle = 0.1;

/// atan(z), |z| <= small_angle, to 2e-10, a millionth of a column of 4096 in an arc of a radian: its series.
Doubles small_atan(const Doubles& z) {
  const Doubles q = z * z;
  return z * (1 - q * (1. / 3 - q * (1. / 5 - q * (1. / 7))));
}

/// A block of columns over all slices of a slab.
class StackBlock {
 public:
  StackBlock(const Views& in, const Place& p, const Tile& t)
      : in_(in), place_(p), tile_(t), stride_groups_(int(in.stride / group)) {
    for (int view = 0; view < most_views; ++view) {  // those beyond the last count as nothing
      const int part = view / wide, v = view % wide;
      const bool there = view < in.views;
      cos_b_[part][v] = there ? in.cos_b[view] : 1;
      sin_b_[part][v] = there ? in.sin_b[view] : 0;
      t_moved_[part][v] = there ? in.t_moved[view] : 0;
      axis_depth_[part][v] = p.D + (there ? in.depth_moved[view] : 0);
      counts_[part][v] = there ? 1 : 0;
      first_place_[part][v] = (there ? view : 0) * in.columns * stride_groups_;
    }
    if (p.shape == Shape::arc) find_middle();
  }

  void run(int i0, int j0) {
    columns_.collect(tile_, i0, j0);
    if (columns_.count == 0) return;
    const int sets = (in_.views + together - 1) / together;
    for (int set = 0; set < sets; ++set)
      for (int n = 0; n < columns_.count; ++n)
        for (int part = 0; part < parts; ++part)
          find(set * parts + part, columns_.x[n], columns_.y[n], at_[set][n].place[part], at_[set][n].left[part],
               at_[set][n].right[part]);

    const int first = (tile_.first_slice - tile_.base_slice) / lanes;
    const int end = (tile_.first_slice - tile_.base_slice + tile_.slices + lanes - 1) / lanes;
    for (int vector = first; vector < end; vector += most_vectors)
      for (int set = 0; set < sets; ++set)
        add_set<most_vectors>(set, vector, end - vector);
  }

 private:
  /// Angles count from that of the tile's middle: atan2 once a view, and a series for the small rest.
  void find_middle() {
    const double half_i = 0.5 * (tile_.i1 - 1 - tile_.i0), half_j = 0.5 * (tile_.j1 - 1 - tile_.j0);
    const double x = tile_.x0 + (tile_.i0 + half_i) * tile_.dx, y = tile_.y0 + (tile_.j0 + half_j) * tile_.dy;
    const double farthest =  // from the middle, squared
        half_i * half_i * tile_.dx * tile_.dx + half_j * half_j * tile_.dy * tile_.dy;
    double nearest = 1e300;  // of the middle to a source, squared
    for (int part = 0; part < most_views / wide; ++part) {
      t0_[part] = x * cos_b_[part] + y * sin_b_[part] + t_moved_[part];
      depth0_[part] = axis_depth_[part] + x * sin_b_[part] - y * cos_b_[part];
      for (int v = 0; v < wide; ++v) {
        const double t = t0_[part][v], depth = depth0_[part][v], square = t * t + depth * depth;
        gamma0_[part][v] = __builtin_atan2(t, depth);
        nearest = square < nearest ? square : nearest;
      }
    }
    // The sine of the greatest angle is the ratio of the two; the tangent is 0.5 % more.
    small_angles_ = farthest < 0.99 * small_angle * small_angle * nearest;
  }

  /// Views [part wide, +wide).
  void find(int part, double x, double y, Ints& place, Floats& left, Floats& right) const {
    const Doubles cos_b = cos_b_[part], sin_b = sin_b_[part], t = x * cos_b + y * sin_b + t_moved_[part];
    const double D = place_.D;
    Doubles along, weight = counts_[part];
    if (place_.shape == Shape::parallel) {
      along = t;
    } else if (place_.shape == Shape::flat) {
      const Doubles inverse = 1 / (axis_depth_[part] + x * sin_b - y * cos_b), near = D * inverse;
      along = t * inverse;
      weight *= near * near;
    } else {
      const Doubles depth = axis_depth_[part] + x * sin_b - y * cos_b, square = t * t + depth * depth;
      if (small_angles_) {
        const Doubles t0 = t0_[part], depth0 = depth0_[part], ahead = t * t0 + depth * depth0;
        const Doubles inverse = 1 / (square * ahead);  // one division for two
        weight *= D * D * ahead * inverse;
        along = gamma0_[part] + small_atan((t * depth0 - depth * t0) * square * inverse);
      } else {
        weight *= D * D / square;
        for (int v = 0; v < wide; ++v)
          along[v] = __builtin_atan2(t[v], depth[v]);
      }
    }

    // Inside the field of view only rounding can leave the filtered row.
    const Doubles none = {}, last = none + (in_.columns - 1 - 1e-9);
    Doubles at = place_.column_offset + place_.column_scale * along;
    at = at > none ? at : none;
    at = at < last ? at : last;
    // Numbers of this size have no digits after the point: adding one rounds to the nearest column.
    constexpr double whole_only = 3ll << 51;
    const Doubles rounded = at - 0.5 + whole_only;
    place = first_place_[part] + stride_groups_ * __builtin_convertvector((Longs)rounded, Ints);
    const Floats count = __builtin_convertvector(weight, Floats);
    right = count * __builtin_convertvector(at - (rounded - whole_only), Floats);
    left = count - right;
  }

  /// Sums come from memory once a batch.
  template <int vectors>
  void prefetch(int n, int vector) const {
    const float* ahead = column_sums(tile_, columns_.i[n], columns_.j[n]) + vector * lanes;
    for (int v = 0; v < vectors; ++v)
      __builtin_prefetch(ahead + v * lanes, 1);
  }

  /// Adds `together` views to `vectors` registers full of slices of every column.
  template <int vectors>
  void add(int set, int vector) {
    const std::size_t stride = in_.stride;
    const float* samples = in_.samples + (vector * lanes + tile_.base_slice - in_.base_line);
    for (int n = 0; n < columns_.count; ++n) {
      const Together& at = at_[set][n];
      if (set == 0) prefetch<vectors>(least(n + 8, columns_.count - 1), vector);
      Vector* to = reinterpret_cast<Vector*>(column_sums(tile_, columns_.i[n], columns_.j[n])) + vector;
      Vector sums[vectors];
      for (int v = 0; v < vectors; ++v)
        sums[v] = to[v];
#pragma GCC unroll 8
      for (int view = 0; view < together; ++view) {
        const float* line = samples + std::ptrdiff_t(at.place[view / wide][view % wide]) * group;
        const float* next = line + stride;
        asm("" : "+r"(next));  // in a register of its own: an operand with an index is one step more to decode
        const float left = at.left[view / wide][view % wide], right = at.right[view / wide][view % wide];
        const Vector* a = reinterpret_cast<const Vector*>(line);
        const Vector* b = reinterpret_cast<const Vector*>(next);
        for (int v = 0; v < vectors; ++v)
          sums[v] += left * a[v];
        for (int v = 0; v < vectors; ++v)
          sums[v] += right * b[v];
      }
      for (int v = 0; v < vectors; ++v)
        to[v] = sums[v];
    }
  }

  /// As many registers as asked for, at most `vectors`.
  template <int vectors>
  void add_set(int set, int vector, int wanted) {
    if constexpr (vectors > 1)
      if (wanted < vectors) return add_set<vectors - 1>(set, vector, wanted);
    add<vectors>(set, vector);
  }

  const Views& in_;
  const Place& place_;
  const Tile& tile_;
  int stride_groups_;
  StackColumns columns_;
  static constexpr int most_parts = most_views / wide;
  Doubles cos_b_[most_parts], sin_b_[most_parts], t_moved_[most_parts], axis_depth_[most_parts], counts_[most_parts];
  Doubles t0_[most_parts], depth0_[most_parts], gamma0_[most_parts];
  bool small_angles_ = false;
  Ints first_place_[most_parts];
  Together at_[most_views / together][StackColumns::size];
};

void stack(const Views& in, const Place& p, const Tile& t) {
  StackBlock block(in, p, t);
  for (int j = t.j0; j < t.j1; j += 8)
    for (int i = t.i0; i < t.i1; i += 8)
      block.run(i, j);
}

typedef float Weights __attribute__((vector_size(16)));
typedef float Cells __attribute__((vector_size(32)));

Weights weights_at(const float* table, double place) {
  const float at = float(place) * spread_steps;
  const int whole = least(int(at), spread_steps - 1);
  Weights low, high;
  __builtin_memcpy(&low, table + spread_cells * whole, sizeof low);
  __builtin_memcpy(&high, table + spread_cells * (whole + 1), sizeof high);
  return low + (at - float(whole)) * (high - low);
}

void spread_bin(const Wave& wave, const Plane& plane, int m) {
  const std::ptrdiff_t stride = 2 * std::ptrdiff_t(plane.stride);
  const double x = m * wave.step_x, y = m * wave.step_y, cell_x = __builtin_floor(x), cell_y = __builtin_floor(y);
  const Weights across = weights_at(plane.weights_x, x - cell_x), up = weights_at(plane.weights_y, y - cell_y);
  const float re = wave.bins[2 * m], im = wave.bins[2 * m + 1];
  const Cells value =
      __builtin_shufflevector(across, across, 0, 0, 1, 1, 2, 2, 3, 3) * Cells{re, im, re, im, re, im, re, im};
  const int row = int(cell_y) - 1;
  float* to = plane.cells + (row + plane.rows_below) * stride + 2 * (int(cell_x) - 1 + plane.columns_before);
  const auto add = [&](int r) {
    Cells cells;
    __builtin_memcpy(&cells, to + r * stride, sizeof cells);
    cells += up[r] * value;
    __builtin_memcpy(to + r * stride, &cells, sizeof cells);
  };
  if (row >= plane.first_row && row + spread_cells <= plane.end_row) {
#pragma GCC unroll 4
    for (int r = 0; r < spread_cells; ++r)
      add(r);
  } else {
    for (int r = most(0, plane.first_row - row); r < least(spread_cells, plane.end_row - row); ++r)
      add(r);
  }
}

void spread(const Wave& wave, const Plane& plane) {
  // Bins whose rows may reach the band.
  int begin = wave.first, end = wave.end;
  if (const double low = plane.first_row - 3, high = plane.end_row + 2; wave.step_y != 0) {
    const double a = low / wave.step_y, b = high / wave.step_y;
    begin = int(clamped(a < b ? a : b, wave.first, wave.end));
    end = int(clamped((a < b ? b : a) + 2, wave.first, wave.end));
  }
  // Neighbouring bins meet the same cells, and the reads would wait for the stores: four stretches take turns.
  constexpr int stretches = 4;
  const int length = (end - begin + stretches - 1) / stretches;
  for (int i = 0; i < length; ++i)
    for (int m = begin + i; m < end; m += length)
      spread_bin(wave, plane, m);
}

}  // namespace

#define RAYLOOM_TEXT_OF(name) #name
#define RAYLOOM_TEXT(name) RAYLOOM_TEXT_OF(name)
const Set RAYLOOM_KERNEL_SET = {RAYLOOM_TEXT(RAYLOOM_KERNEL_SET), cone, stack, cone_few, row, spread};

}  // namespace rayloom::kernels
