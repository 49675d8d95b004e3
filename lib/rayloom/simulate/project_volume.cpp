#include "rayloom/simulate/project_volume.h"

#include <algorithm>
#include <array>
#include <cmath>
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
  }

  int first = 0, last = -1;              ///< Planes in which the volume counts.
  int inner_first = 0, inner_last = -1;  ///< Of these, those in which all neighbours exist.
  std::size_t steepest() const { return steepest_; }

  /// Adds plane n, one of the inner ones.
  void add_inner(int n) {
    const double at_a = a_at_ + n * a_slope_, at_b = b_at_ + n * b_slope_;
    const int i = int(at_a), j = int(at_b);
    const float f = float(at_a - i), g = float(at_b - j);
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
  friend void add_inner_together(std::span<Walk> walks, int from, int to);

 private:
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
};

constexpr std::size_t together = 16;

#if defined(__x86_64__)

// As `add_inner`, to the last bit, so that it does not matter which rays walk together. A gather of one corner's 8
// samples costs less than 8 loads and what puts them together: twice the rate.
__attribute__((target("avx2,fma"))) void add_inner_together(std::span<Walk> walks, int from, int to) {
  alignas(64) double a_at[together], a_slope[together], b_at[together], b_slope[together], sum[together];
  for (std::size_t r = 0; r < together; ++r) {  // the last one stands for those that are not there
    const Walk& walk = walks[std::min(r, walks.size() - 1)];
    a_at[r] = walk.a_at_, a_slope[r] = walk.a_slope_, b_at[r] = walk.b_at_, b_slope[r] = walk.b_slope_;
    sum[r] = walk.sum_;
  }
  __m256d sums[together / 4];
  for (std::size_t part = 0; part < together / 4; ++part)
    sums[part] = _mm256_load_pd(sum + 4 * part);
  const std::ptrdiff_t right = walks[0].a_.stride, up = walks[0].b_.stride, along = walks[0].along_.stride;
  const int right_step = int(right), up_step = int(up);
  // What the first ray meets some planes ahead is fetched into the cache, and with it most of what the others do.
  constexpr int ahead = 8;
  const std::ptrdiff_t next =
      ahead * along + std::lround(ahead * a_slope[0]) * right + std::lround(ahead * b_slope[0]) * up;
  for (int n = from; n < to; ++n) {
    const float* plane = walks[0].samples_ + n * along;
    alignas(64) int offset[together];
    alignas(64) float f[together], g[together];
    for (std::size_t r = 0; r < together; ++r) {
      const double at_a = a_at[r] + n * a_slope[r], at_b = b_at[r] + n * b_slope[r];
      const int i = int(at_a), j = int(at_b);
      offset[r] = i * right_step + j * up_step;
      f[r] = float(at_a - i);
      g[r] = float(at_b - j);
    }
    for (const std::size_t r : {std::size_t{0}, together - 1}) {
      __builtin_prefetch(plane + offset[r] + next);
      __builtin_prefetch(plane + offset[r] + next + right);
      __builtin_prefetch(plane + offset[r] + next + up);
    }
    for (std::size_t r = 0; r < together; r += 8) {
      const __m256i at = _mm256_load_si256(reinterpret_cast<const __m256i*>(offset + r));
      const __m256 a = _mm256_i32gather_ps(plane, at, 4), b = _mm256_i32gather_ps(plane + right, at, 4);
      const __m256 c = _mm256_i32gather_ps(plane + up, at, 4), d = _mm256_i32gather_ps(plane + right + up, at, 4);
      const __m256 across = _mm256_load_ps(f + r);
      const __m256 lower = _mm256_fmadd_ps(across, _mm256_sub_ps(b, a), a);
      const __m256 upper = _mm256_fmadd_ps(across, _mm256_sub_ps(d, c), c);
      const __m256 value = _mm256_fmadd_ps(_mm256_load_ps(g + r), _mm256_sub_ps(upper, lower), lower);
      sums[r / 4] = _mm256_add_pd(sums[r / 4], _mm256_cvtps_pd(_mm256_castps256_ps128(value)));
      sums[r / 4 + 1] = _mm256_add_pd(sums[r / 4 + 1], _mm256_cvtps_pd(_mm256_extractf128_ps(value, 1)));
    }
  }
  for (std::size_t part = 0; part < together / 4; ++part)
    _mm256_store_pd(sum + 4 * part, sums[part]);
  for (std::size_t r = 0; r < walks.size(); ++r)
    walks[r].sum_ = sum[r];
}

bool can_add_together(const Volume& volume) {
  return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma") &&
         volume.samples.size() <= std::size_t(std::numeric_limits<int>::max());
}

#else

void add_inner_together(std::span<Walk>, int, int) {}

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
  add_inner_together(walks, from, to);
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
