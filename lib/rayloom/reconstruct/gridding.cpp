#include "rayloom/reconstruct/gridding.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "rayloom/fft.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/filter.h"
#include "rayloom/reconstruct/kernels/chosen.h"

namespace rayloom {

namespace {

constexpr int window = kernels::spread_cells;
constexpr double least_oversampling = 1.4;
constexpr double fades_from = 0.4;                                                    // cycles a column
constexpr int rows_below = 1, rows_above = 3, columns_before = 8, columns_after = 3;  // what windows at the rim touch
constexpr int together = 8;  // columns that are transformed together: 64 bytes

/// The least multiple of 16 from `minimum` on without prime factors above 5.
int smooth_length(int minimum) {
  for (int length = (minimum + 15) / 16 * 16;; length += 16) {
    int rest = length;
    for (const int prime : {2, 3, 5})
      while (rest % prime == 0)
        rest /= prime;
    if (rest == 1) return length;
  }
}

/// Axis of a grid of frequencies: `cells` for `voxels`.
struct Axis {
  int voxels, cells;
  explicit Axis(int n) : voxels(n), cells(smooth_length(int(std::ceil(least_oversampling * n)))) {}
  int middle() const { return voxels / 2; }  // the voxel that waves are counted from

  /// Kaiser-Bessel shape: Beatty et al. 2005, eq. 5.
  double beta() const {
    const double oversampling = double(cells) / voxels, w = window / oversampling * (oversampling - 0.5);
    return pi * std::sqrt(w * w - 0.8);
  }
  /// The window's Fourier transform at each voxel: what spreading multiplies the image by.
  std::vector<double> fading() const {
    const double b = beta(), peak = std::cyl_bessel_i(0.0, b);
    std::vector<double> all;
    for (int i = 0; i < voxels; ++i) {
      const double t = pi * window * double(i - middle()) / cells, root = std::sqrt(b * b - t * t);
      all.push_back(window * std::sinh(root) / root / peak);
    }
    return all;
  }
};

/// The window at cells -1 to 2 around places 0 to 1 between cells 0 and 1.
std::vector<float> weights(double beta) {
  const double peak = std::cyl_bessel_i(0.0, beta);
  std::vector<float> table;
  for (int step = 0; step <= kernels::spread_steps; ++step)
    for (int cell = -1; cell < window - 1; ++cell) {
      const double u = 2 * (double(step) / kernels::spread_steps - cell) / window;
      const double root = std::sqrt(std::max(0.0, 1 - u * u));
      table.push_back(float(std::cyl_bessel_i(0.0, beta * root) / peak));
    }
  return table;
}

/// Half a plane of frequencies: rows ky from -cells/2 - 1 to cells/2 + 2, columns kx from -8 to cells/2 + 3.
struct Layout {
  Axis x, y;
  std::size_t stride, rows;
  explicit Layout(const Grid& grid) : x(grid.nx), y(grid.ny) {
    const std::size_t columns = std::size_t(x.cells / 2 + 1 + columns_before + columns_after);
    stride = ((columns + together - 1) / together | 1) * together;  // odd: rows fall on different cache sets
    rows = std::size_t(y.cells + rows_below + rows_above);
  }
  std::size_t size() const { return stride * rows; }
};

/// A plane's cells by (ky, kx).
struct Cells {
  std::complex<float>* first;
  std::size_t stride;
  int half;
  std::complex<float>* row(int ky) const {
    return first + std::size_t(ky + half + rows_below) * stride + columns_before;
  }
};

/// Adds to one another the cells that stand for the same frequency: rows a turn of the grid apart, and those of
/// opposite waves, which the half plane's edges hold both.
void fold(const Cells& cells, const Layout& at) {
  const int half_y = at.y.cells / 2, half_x = at.x.cells / 2;
  const auto add_row = [&](int from, int to) {
    for (int kx = -columns_before; kx <= half_x + columns_after; ++kx)
      cells.row(to)[kx] += cells.row(from)[kx];
  };
  add_row(-half_y - 1, half_y - 1);
  for (int ky = half_y; ky < half_y + rows_above; ++ky)
    add_row(ky, ky - at.y.cells);
  const auto opposite = [&](int ky) { return ky == -half_y ? ky : -ky; };
  for (int ky = -half_y; ky < half_y; ++ky) {
    const auto* other = cells.row(opposite(ky));
    auto* row = cells.row(ky);
    row[1] += std::conj(other[-1]);
    row[half_x - 1] += std::conj(other[half_x + 1]);
    row[half_x - 2] += std::conj(other[half_x + 2]);
  }
  for (const int kx : {0, half_x})
    for (int ky = -half_y; ky <= 0; ++ky) {
      auto &a = cells.row(ky)[kx], &b = cells.row(opposite(ky))[kx];
      a += std::conj(b);
      b = std::conj(a);
    }
}

}  // namespace

SpectrumBatch::SpectrumBatch(int bins_, int first_line_, int lines_)
    : bins(bins_),
      first_line(first_line_),
      lines(lines_),
      poses(capacity, Pose(0)),
      samples(std::size_t(capacity) * std::size_t(lines_) * std::size_t(bins_)) {}

std::size_t SpectrumBatch::bytes(int bins, int lines) {
  return std::size_t(capacity) * std::size_t(lines) * std::size_t(bins) * sizeof(std::complex<float>);
}

std::span<std::complex<float>> SpectrumBatch::row(int view, int line) {
  const std::size_t at = std::size_t(line - first_line) * std::size_t(capacity) + std::size_t(view);
  return std::span(samples).subspan(at * std::size_t(bins), std::size_t(bins));
}

std::vector<float> wave_response(int length) {
  std::vector<float> response{1.0F};
  for (int m = 1; m <= length / 2; ++m) {
    const double f = double(m) / length, sinc = std::sin(pi * f) / (pi * f);
    const double end = f > fades_from ? 0.5 + 0.5 * std::cos(pi * (f - fades_from) / (0.5 - fades_from)) : 1;
    response.push_back(float(sinc * sinc * end));
  }
  return response;
}

void centre_wave(const Geometry& geometry, const Grid& grid, const Pose& pose, int length,
                 std::span<const float> response, std::span<const std::complex<float>> spectrum,
                 std::span<std::complex<float>> out) {
  const double angle_rad = pose.angle_rad;
  const double x = grid.x_mm(Axis(grid.nx).middle()) + pose.moved_mm.x(),
               y = grid.y_mm(Axis(grid.ny).middle()) + pose.moved_mm.y();
  const double along = x * std::cos(angle_rad) + y * std::sin(angle_rad);
  const double column = geometry.detector.axis_column + 1 + along / geometry.detector.column_pitch_mm;
  const double turn = 2 * pi * column / length;
  const float sign = std::cos(angle_rad) < 0 ? -1.0F : 1.0F;
  constexpr std::size_t block = 64;  // phases within a block are the same in each
  std::array<float, block> within_re, within_im;
  for (std::size_t i = 0; i < block; ++i) {
    within_re[i] = float(std::cos(turn * double(i)));
    within_im[i] = float(std::sin(turn * double(i)));
  }
  for (std::size_t begin = 0; begin < spectrum.size(); begin += block) {
    const double start = std::fmod(turn * double(begin), 2 * pi);
    const float start_re = float(std::cos(start)), start_im = float(std::sin(start));
    const std::size_t count = std::min(block, spectrum.size() - begin);
    for (std::size_t i = 0; i < count; ++i) {
      const float re = start_re * within_re[i] - start_im * within_im[i];
      const float im = start_re * within_im[i] + start_im * within_re[i];
      const float a = spectrum[begin + i].real() * response[begin + i],
                  b = spectrum[begin + i].imag() * response[begin + i];
      out[begin + i] = {a * re - b * im, sign * (a * im + b * re)};
    }
  }
  // The opposite wave stands for the other half of each bin but the first and the last, which are one wave.
  out.front() *= 0.5F;
  out.back() *= 0.5F;
}

GriddedSlab::GriddedSlab(const Grid& grid, int first_slice, int slices, double radius_mm)
    : grid_(grid),
      first_slice_(first_slice),
      radius_mm_(radius_mm),
      weights_x_(weights(Layout(grid).x.beta())),
      weights_y_(weights(Layout(grid).y.beta())),
      cells_(std::size_t(slices) * Layout(grid).size()) {}

std::size_t GriddedSlab::bytes(const Grid& grid, int slices) {
  return std::size_t(slices) * Layout(grid).size() * sizeof(std::complex<float>);
}

void GriddedSlab::add(const Geometry& geometry, const SpectrumBatch& batch, int length, int threads) {
  const Layout at(grid_);
  const kernels::Set& set = chosen_kernels();
  const double scale = grid_.voxel_mm / geometry.detector.column_pitch_mm / length;
  constexpr int bands = 8;
  const int band = (int(at.rows) + bands - 1) / bands, half = at.y.cells / 2;
  parallel_for(batch.lines * bands, threads, [&](int n, int) {
    const int line = n / bands, b = n % bands;
    kernels::Plane plane{};
    plane.cells = reinterpret_cast<float*>(cells_.data() + std::size_t(line) * at.size());
    plane.stride = at.stride;
    plane.rows_below = half + rows_below;
    plane.columns_before = columns_before;
    plane.first_row = b * band - half - rows_below;
    plane.end_row = std::min(plane.first_row + band, half + rows_above);
    plane.weights_x = weights_x_.data();
    plane.weights_y = weights_y_.data();
    std::vector<kernels::Wave> waves;
    for (int view = 0; view < batch.views; ++view) {
      const double angle = batch.poses[std::size_t(view)].angle_rad, sign = std::cos(angle) < 0 ? -1 : 1;
      waves.push_back({reinterpret_cast<const float*>(batch.row(view, batch.first_line + line).data()), 0, 0,
                       sign * std::cos(angle) * scale * at.x.cells,
                       -sign * std::sin(angle) * scale * at.y.cells});  // rows run towards falling y
    }
    // What neighbouring views spread a block of bins over stays in the first-level cache.
    constexpr int block = 128;
    for (int first = 0; first < batch.bins; first += block)
      for (kernels::Wave& wave : waves) {
        wave.first = first;
        wave.end = std::min(first + block, batch.bins);
        set.spread(wave, plane);
      }
  });
}

void GriddedSlab::slice(int k, std::span<float> values, int threads) {
  const Layout at(grid_);
  const int half = at.y.cells / 2, half_x = at.x.cells / 2;
  std::complex<float>* plane = cells_.data() + std::size_t(k - first_slice_) * at.size();
  fold({plane, at.stride, half}, at);

  std::complex<float>* first = plane + rows_below * at.stride + columns_before;
  const ColumnFft columns(at.y.cells, together, at.stride);
  parallel_for((half_x + together) / together, threads, [&](int n, int) { columns.inverse(first + n * together); });

  const std::vector<double> fading_x = at.x.fading(), fading_y = at.y.fading();
  constexpr int batch = 8;
  const RealFft rows(at.x.cells, batch);
  parallel_for((grid_.ny + batch - 1) / batch, threads, [&](int n, int) {
    AlignedVector<std::complex<float>> spectrum(rows.spectrum());
    AlignedVector<float> samples(rows.samples());
    const int j0 = n * batch, count = std::min(batch, grid_.ny - j0);
    const auto row_of = [&](int j) { return (j - at.y.middle() + at.y.cells) % at.y.cells; };
    for (int r = 0; r < count; ++r)
      std::copy_n(first + std::size_t(row_of(j0 + r)) * at.stride, rows.bins(),
                  spectrum.begin() + std::ptrdiff_t(r) * rows.bins());
    rows.inverse(spectrum, samples);
    for (int r = 0; r < count; ++r) {
      const int j = j0 + r;
      // Frequencies count from the most negative: a turn of half the voxels.
      const double factor = ((j - at.y.middle()) % 2 == 0 ? 1 : -1) / fading_y[std::size_t(j)];
      const float* from = samples.data() + std::size_t(r) * std::size_t(at.x.cells);
      float* to = values.data() + std::size_t(j) * std::size_t(grid_.nx);
      const double y = grid_.y_mm(j);
      for (int i = 0; i < grid_.nx; ++i) {
        const int cell = i < at.x.middle() ? i - at.x.middle() + at.x.cells : i - at.x.middle();
        const double x = grid_.x_mm(i);
        const bool seen = x * x + y * y <= radius_mm_ * radius_mm_;
        to[i] = seen ? float(double(from[cell]) * factor / fading_x[std::size_t(i)]) : 0;
      }
    }
  });
}

bool can_grid(const Geometry& geometry, const Grid& grid) {
  return geometry.beam == Beam::parallel && grid.voxel_mm <= geometry.detector.column_pitch_mm * (1 + 1e-9);
}

bool gridding_pays(const Geometry& geometry, const Grid& grid, double radius_mm) {
  const double reach_mm = radius_mm - grid.voxel_mm;
  if (std::min(-grid.x_mm(0), grid.x_mm(grid.nx - 1)) < reach_mm ||
      std::min(grid.y_mm(0), -grid.y_mm(grid.ny - 1)) < reach_mm)
    return false;
  const double views = double(geometry.angles_rad.size());
  const double direct_ns = views * pi / 4 * grid.nx * grid.ny * (grid.nz < 16 ? 0.1 : 0.06);
  const Layout at(grid);
  const double gridding_ns = views * geometry.detector.columns * 15 + double(at.size()) * 20;
  return 1.5 * gridding_ns < direct_ns;
}

}  // namespace rayloom
