#include "rayloom/simulate/project_volume.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#if defined(__x86_64__)
#include <immintrin.h>
#endif

#include "rayloom/errors.h"

namespace rayloom {

namespace {

/// One direction of the volume's index space along a ray.
struct Axis {
  int size;
  std::ptrdiff_t stride;  // of the samples
  double from, step;      // index at the ray's origin, and per mm along it
};

/// Narrows [low, high] to where least <= at + slope n <= most.
void keep_within(double at, double slope, double least, double most, double& low, double& high) {
  if (slope == 0) {
    if (!(at >= least && at <= most)) high = -1;  // low is never below 0
    return;
  }
  const double a = (least - at) / slope, b = (most - at) / slope;
  low = std::max(low, std::min(a, b));
  high = std::min(high, std::max(a, b));
}

/// The two neighbours of a fractional index, those outside with weight 0.
struct Neighbours {
  std::ptrdiff_t first, second;  // offsets
  float first_weight, second_weight;

  Neighbours(const Axis& axis, double index) {
    const double floor = std::floor(index);
    const int i = int(floor);
    const float fraction = float(index - floor);
    const bool has_first = i >= 0 && i < axis.size, has_second = i >= -1 && i < axis.size - 1;
    first = has_first ? i * axis.stride : 0;
    second = has_second ? (i + 1) * axis.stride : 0;
    first_weight = has_first ? 1 - fraction : 0;
    second_weight = has_second ? fraction : 0;
  }
};

constexpr double place_one = 0x1p32;

/// A ray's way through a volume, plane by plane across its steepest axis.
class Walk {
 public:
  Walk(const Volume& volume, const Ray& ray) : samples_(volume.samples.data()) {
    const Grid& grid = volume.grid;
    const Vec3 &o = ray.origin, &d = ray.direction;
    const double voxel = grid.voxel_mm;
    const std::array<Axis, 3> axes = {
        Axis{grid.nx, 1, grid.column_of(o.x()), d.x() / voxel},
        Axis{grid.ny, grid.nx, grid.row_of(o.y()), -d.y() / voxel},
        Axis{grid.nz, std::ptrdiff_t(grid.nx) * grid.ny, grid.slice_of(o.z()), d.z() / voxel}};
    for (const std::size_t i : {1U, 2U})
      if (std::abs(axes[i].step) > std::abs(axes[steepest_].step)) steepest_ = i;
    along_ = axes[steepest_], a_ = axes[(steepest_ + 1) % 3], b_ = axes[(steepest_ + 2) % 3];

    // In plane n the ray has gone (n - along.from) / along.step.
    a_slope_ = a_.step / along_.step, a_at_ = a_.from - along_.from * a_slope_;
    b_slope_ = b_.step / along_.step, b_at_ = b_.from - along_.from * b_slope_;
    // Farther out than one voxel every neighbour of a sample is 0.
    double low = 0, high = along_.size - 1;
    keep_within(a_at_, a_slope_, -1, a_.size, low, high);
    keep_within(b_at_, b_slope_, -1, b_.size, low, high);
    if (low > high) return;  // also where a nearly level ray makes `low` too large for an int
    first = int(std::ceil(low));
    last = int(std::floor(high));
    // Well within the volume all neighbours exist.
    const double rounding = 1e-6;
    keep_within(a_at_, a_slope_, rounding, a_.size - 1 - rounding, low, high);
    keep_within(b_at_, b_slope_, rounding, b_.size - 1 - rounding, low, high);
    if (low > high) return;
    inner_first = int(std::ceil(low));
    inner_last = int(std::floor(high));
    a_by_plane_ = std::llround(a_slope_ * place_one), b_by_plane_ = std::llround(b_slope_ * place_one);
    // Counted from the first inner plane, where rounding of the step has not added up yet.
    a_place_ = std::llround((a_at_ + inner_first * a_slope_) * place_one);
    b_place_ = std::llround((b_at_ + inner_first * b_slope_) * place_one);
  }

  int first = 0, last = -1;              ///< Planes in which the volume counts.
  int inner_first = 0, inner_last = -1;  ///< Of these, those in which all neighbours exist.
  std::size_t steepest() const { return steepest_; }

  /// Adds plane n, one of the inner ones.
  void add_inner(int n) {
    const std::int64_t at_a = a_place(n), at_b = b_place(n);
    const std::ptrdiff_t i = at_a >> 32, j = at_b >> 32;
    const float f = fraction_of(at_a), g = fraction_of(at_b);
    const std::ptrdiff_t right = a_.stride, up = b_.stride;
    const float* at = samples_ + (n * along_.stride + i * right + j * up);
    const float lower = std::fma(f, at[right] - at[0], at[0]), upper = std::fma(f, at[right + up] - at[up], at[up]);
    sum_ += std::fma(g, upper - lower, lower);
  }

  /// Adds planes [from, to).
  void add(int from, int to) {
    for (int n = from; n < to; ++n)
      if (n >= inner_first && n <= inner_last)
        add_inner(n);
      else
        add_with_care(n);
  }

  double line_integral() const { return sum_ / std::abs(along_.step); }

  /// Adds planes [from, to), inner ones of all walks, which have the same steepest axis.
  static void add_inner_together(std::span<Walk> walks, int from, int to);

 private:
  template <int unit>
  static void add_planes(std::span<Walk> walks, int from, int to);

  // Of an inner plane, fractional index times 2^32: sums of these do not round.
  std::int64_t a_place(int n) const { return a_place_ + (n - inner_first) * a_by_plane_; }
  std::int64_t b_place(int n) const { return b_place_ + (n - inner_first) * b_by_plane_; }
  static float fraction_of(std::int64_t place) { return float((place & 0xffffffff) >> 8) * 0x1p-24F; }

  void add_with_care(int n) {
    const Neighbours at_a(a_, a_at_ + n * a_slope_), at_b(b_, b_at_ + n * b_slope_);
    const float* plane = samples_ + n * along_.stride;
    sum_ += at_b.first_weight * (at_a.first_weight * plane[at_a.first + at_b.first] +
                                 at_a.second_weight * plane[at_a.second + at_b.first]) +
            at_b.second_weight * (at_a.first_weight * plane[at_a.first + at_b.second] +
                                  at_a.second_weight * plane[at_a.second + at_b.second]);
  }

  const float* samples_;
  std::size_t steepest_ = 0;
  Axis along_{}, a_{}, b_{};
  double a_at_ = 0, a_slope_ = 0, b_at_ = 0, b_slope_ = 0, sum_ = 0;
  std::int64_t a_place_ = 0, b_place_ = 0, a_by_plane_ = 0, b_by_plane_ = 0;
};

constexpr std::size_t together = 16;

#if defined(__x86_64__)

#define RAYLOOM_AVX2 __attribute__((target("avx2,fma")))

/// Samples of 8 rays at `from` + offset, and `apart` samples further on.
struct Corners {
  __m256 near, far;
};

RAYLOOM_AVX2 inline Corners corners(const float* from, const int* offset, std::ptrdiff_t apart) {
  const __m256i at = _mm256_load_si256(reinterpret_cast<const __m256i*>(offset));
  return {_mm256_i32gather_ps(from, at, 4), _mm256_i32gather_ps(from + apart, at, 4)};
}

/// Two neighbouring samples each of rays 0, 1, 4 and 5.
RAYLOOM_AVX2 inline __m256 pairs(const float* from, const int* offset) {
  const auto two = [&](int n) { return reinterpret_cast<const double*>(from + offset[n]); };
  const __m128d low = _mm_loadh_pd(_mm_load_sd(two(0)), two(1)), high = _mm_loadh_pd(_mm_load_sd(two(4)), two(5));
  return _mm256_castpd_ps(_mm256_set_m128d(high, low));
}

/// As `corners` one sample apart, each two by one load.
RAYLOOM_AVX2 inline Corners neighbours(const float* from, const int* offset) {
  const __m256 a = pairs(from, offset), b = pairs(from, offset + 2);
  return {_mm256_shuffle_ps(a, b, 0x88), _mm256_shuffle_ps(a, b, 0xdd)};
}

/// Places of 8 rays as 64-bit numbers: `low` holds those of rays 0, 1, 4, 5, so that halves of both come out in
/// order.
struct RayPlaces {
  __m256i low, high;

  RayPlaces() = default;
  RAYLOOM_AVX2 explicit RayPlaces(const std::int64_t* slots)
      : low(_mm256_loadu_si256(reinterpret_cast<const __m256i*>(slots))),
        high(_mm256_loadu_si256(reinterpret_cast<const __m256i*>(slots + 4))) {}
  RAYLOOM_AVX2 void go(const RayPlaces& step) {
    low = _mm256_add_epi64(low, step.low);
    high = _mm256_add_epi64(high, step.high);
  }
  RAYLOOM_AVX2 __m256i whole() const { return _mm256_castps_si256(halves<0xdd>()); }
  RAYLOOM_AVX2 __m256 fraction() const {
    const __m256i bits = _mm256_srli_epi32(_mm256_castps_si256(halves<0x88>()), 8);
    return _mm256_mul_ps(_mm256_cvtepi32_ps(bits), _mm256_set1_ps(0x1p-24F));
  }

 private:
  template <int which>
  RAYLOOM_AVX2 __m256 halves() const {
    return _mm256_shuffle_ps(_mm256_castsi256_ps(low), _mm256_castsi256_ps(high), which);
  }
};

// As `add_inner`, to the last bit, so that it does not matter which rays walk together.
/// @tparam unit  The axis along which samples are neighbours in memory: 0 a, 1 b, 2 neither.
template <int unit>
RAYLOOM_AVX2 void Walk::add_planes(std::span<Walk> walks, int from, int to) {
  constexpr std::size_t groups = together / 8;
  RayPlaces a_at[groups], a_step[groups], b_at[groups], b_step[groups];
  __m256d sums[together / 4];
  for (std::size_t group = 0; group < groups; ++group) {
    std::int64_t all[4][8];
    for (std::size_t slot = 0; slot < 8; ++slot) {
      constexpr std::size_t ray[8] = {0, 1, 4, 5, 2, 3, 6, 7};
      const Walk& walk = walks[std::min(8 * group + ray[slot], walks.size() - 1)];  // the last stands for missing ones
      all[0][slot] = walk.a_place(from), all[1][slot] = walk.a_by_plane_;
      all[2][slot] = walk.b_place(from), all[3][slot] = walk.b_by_plane_;
    }
    a_at[group] = RayPlaces(all[0]), a_step[group] = RayPlaces(all[1]);
    b_at[group] = RayPlaces(all[2]), b_step[group] = RayPlaces(all[3]);
  }
  alignas(64) double sum[together];
  for (std::size_t r = 0; r < together; ++r)
    sum[r] = walks[std::min(r, walks.size() - 1)].sum_;
  for (std::size_t part = 0; part < together / 4; ++part)
    sums[part] = _mm256_load_pd(sum + 4 * part);
  const std::ptrdiff_t right = walks[0].a_.stride, up = walks[0].b_.stride, along = walks[0].along_.stride;
  const __m256i right_step = _mm256_set1_epi32(int(right)), up_step = _mm256_set1_epi32(int(up));
  // What the first ray meets some planes ahead is fetched into the cache, and with it most of what the others do.
  constexpr int ahead = 8;
  const std::ptrdiff_t next =
      ahead * along + std::lround(ahead * walks[0].a_slope_) * right + std::lround(ahead * walks[0].b_slope_) * up;
  for (int n = from; n < to; ++n) {
    const float* plane = walks[0].samples_ + n * along;
    alignas(64) int offset[together];
    for (std::size_t group = 0; group < groups; ++group) {
      const __m256i i = a_at[group].whole(), j = b_at[group].whole();
      const __m256i at = _mm256_add_epi32(unit == 0 ? i : _mm256_mullo_epi32(i, right_step),
                                          unit == 1 ? j : _mm256_mullo_epi32(j, up_step));
      _mm256_store_si256(reinterpret_cast<__m256i*>(offset + 8 * group), at);
    }
    for (const std::size_t r : {std::size_t{0}, together - 1}) {
      __builtin_prefetch(plane + offset[r] + next);
      __builtin_prefetch(plane + offset[r] + next + right);
      __builtin_prefetch(plane + offset[r] + next + up);
    }
    for (std::size_t group = 0; group < groups; ++group) {
      const int* here = offset + 8 * group;
      __m256 a, b, c, d;
      if (unit == 1) {
        const Corners left = neighbours(plane, here), there = neighbours(plane + right, here);
        a = left.near, b = there.near, c = left.far, d = there.far;
      } else {
        const Corners low = unit == 0 ? neighbours(plane, here) : corners(plane, here, right);
        const Corners high = unit == 0 ? neighbours(plane + up, here) : corners(plane + up, here, right);
        a = low.near, b = low.far, c = high.near, d = high.far;
      }
      const __m256 across = a_at[group].fraction();
      const __m256 lower = _mm256_fmadd_ps(across, _mm256_sub_ps(b, a), a);
      const __m256 upper = _mm256_fmadd_ps(across, _mm256_sub_ps(d, c), c);
      const __m256 value = _mm256_fmadd_ps(b_at[group].fraction(), _mm256_sub_ps(upper, lower), lower);
      sums[2 * group] = _mm256_add_pd(sums[2 * group], _mm256_cvtps_pd(_mm256_castps256_ps128(value)));
      sums[2 * group + 1] = _mm256_add_pd(sums[2 * group + 1], _mm256_cvtps_pd(_mm256_extractf128_ps(value, 1)));
      a_at[group].go(a_step[group]);
      b_at[group].go(b_step[group]);
    }
  }
  for (std::size_t part = 0; part < together / 4; ++part)
    _mm256_store_pd(sum + 4 * part, sums[part]);
  for (std::size_t r = 0; r < walks.size(); ++r)
    walks[r].sum_ = sum[r];
}

#undef RAYLOOM_AVX2

void Walk::add_inner_together(std::span<Walk> walks, int from, int to) {
  if (walks[0].a_.stride == 1) return add_planes<0>(walks, from, to);
  if (walks[0].b_.stride == 1) return add_planes<1>(walks, from, to);
  add_planes<2>(walks, from, to);
}

bool can_add_together(const Volume& volume) {
  return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma") &&
         volume.samples.size() <= std::size_t(std::numeric_limits<int>::max());
}

#else

void Walk::add_inner_together(std::span<Walk>, int, int) {}

bool can_add_together(const Volume&) {
  return false;
}

#endif

/// Line integrals of up to `together` walks, which are used up. Neighbouring rays walk together, since they meet the
/// same cache lines.
void integrate(std::span<Walk> walks, bool can_together, float* integrals) {
  int from = walks[0].inner_first, to = walks[0].inner_last + 1;
  for (const Walk& walk : walks) {
    from = std::max(from, walk.inner_first);
    to = std::min(to, walk.inner_last + 1);
    if (walk.steepest() != walks[0].steepest() || !can_together) to = from;
  }
  if (to < from) to = from;
  for (Walk& walk : walks)
    walk.add(walk.first, std::min(from, walk.last + 1));
  Walk::add_inner_together(walks, from, to);
  for (Walk& walk : walks) {
    walk.add(std::max(to, walk.first), walk.last + 1);
    *integrals++ = float(walk.line_integral());
  }
}

}  // namespace

double line_integral(const Volume& volume, const Ray& ray) {
  Walk walk(volume, ray);
  walk.add(walk.first, walk.last + 1);
  return walk.line_integral();
}

void line_integrals(const Volume& volume, std::span<const Ray> rays, std::span<float> integrals) {
  const bool can_together = can_add_together(volume);
  std::vector<Walk> walks;
  for (std::size_t begin = 0; begin < rays.size(); begin += together) {
    walks.clear();
    for (const Ray& ray : rays.subspan(begin, std::min(together, rays.size() - begin)))
      walks.emplace_back(volume, ray);
    integrate(walks, can_together, &integrals[begin]);
  }
}

Volume laid_down(const Volume& volume) {
  const Grid& from = volume.grid;
  Volume laid(
      Grid{from.nz, from.ny, from.nx, from.voxel_mm, Vec3(from.centre_mm.z(), from.centre_mm.y(), from.centre_mm.x())});
  constexpr int strip = 16;
  for (int j = 0; j < from.ny; ++j)
    for (int begin = 0; begin < from.nx; begin += strip)
      for (int k = 0; k < from.nz; ++k)
        for (int i = begin; i < std::min(begin + strip, from.nx); ++i)
          laid.at(k, j, i) = volume.at(i, j, k);
  return laid;
}

Ray laid_down(const Ray& ray) {
  const auto turned = [](const Vec3& v) { return Vec3(v.z(), v.y(), v.x()); };
  return {turned(ray.origin), turned(ray.direction)};
}

void project_volume(const Volume& volume, const Geometry& geometry, const Pose& pose, std::span<float> view) {
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  if (view.size() != std::size_t(rows) * std::size_t(columns))
    throw InvalidOption("view: " + std::to_string(view.size()) + " samples; must be rows x columns, " +
                        std::to_string(rows) + " x " + std::to_string(columns));
  const int groups = (columns + int(together) - 1) / int(together);
  const ViewRays rays(geometry, pose);
  const bool can_together = can_add_together(volume);
  std::vector<Walk> walks;
#pragma omp parallel for collapse(2) schedule(dynamic, 16) private(walks)
  for (int row = 0; row < rows; ++row)
    for (int group = 0; group < groups; ++group) {
      walks.clear();
      const int begin = group * int(together), end = std::min(begin + int(together), columns);
      for (int column = begin; column < end; ++column)
        walks.emplace_back(volume, rays.to({double(row), double(column)}));
      integrate(walks, can_together, &view[std::size_t(row) * std::size_t(columns) + std::size_t(begin)]);
    }
}

}  // namespace rayloom
