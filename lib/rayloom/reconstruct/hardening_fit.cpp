#include "rayloom/reconstruct/hardening_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

namespace {

constexpr int degree = 3;
constexpr int most_views = 360, most_columns = 128, most_columns_of_one_row = 256;
constexpr double half_cone_tangent = 0.05;
constexpr int surface_voxels = 2;
constexpr std::size_t least_voxels = 500;

using Powers = std::array<std::vector<float>, degree>;

/// The detector's rows near the midplane only.
struct Band {
  Geometry geometry;
  ProjectionSource source;
};

Band near_midplane(const Geometry& geometry, const ProjectionSource& source) {
  const Detector& d = geometry.detector;
  if (geometry.beam != Beam::cone || d.rows == 1) return {geometry, source};
  const double reach = half_cone_tangent * geometry.sdd_mm / d.row_pitch_mm;
  const int first = std::clamp(int(std::floor(d.midplane_row - reach)), 0, d.rows - 1);
  const int last = std::clamp(int(std::ceil(d.midplane_row + reach)), first, d.rows - 1);
  Band band{geometry, source};
  band.geometry.detector.rows = last - first + 1;
  band.geometry.detector.midplane_row -= first;
  band.source.read = [=](int view, int views, int row, int rows, std::span<float> out) {
    source.read(view, views, first + row, rows, out);
  };
  return band;
}

/// Views first, first + 2, .. of those given.
Geometry half_of(const Geometry& geometry, std::size_t first) {
  std::vector<int> views;
  for (int i = int(first); i < int(geometry.angles_rad.size()); i += 2)
    views.push_back(i);
  return with_views(geometry, views);
}

/// p, p^2 and p^3 of the views of `geometry`, each binned.
Powers binned_powers(const Geometry& geometry, const ProjectionSource& source, int bin, int threads,
                     const Hooks& hooks) {
  const Geometry coarse = binned(geometry, bin);
  const std::size_t fine_pixels = std::size_t(geometry.detector.rows) * std::size_t(geometry.detector.columns);
  const std::size_t pixels = std::size_t(coarse.detector.rows) * std::size_t(coarse.detector.columns);
  const int views = int(geometry.angles_rad.size());
  Powers powers;
  for (auto& power : powers)
    power.resize(std::size_t(views) * pixels);
  int done = 0;
  parallel_for(views, threads, [&](int v, int) {
    std::vector<float> p(fine_pixels), power(fine_pixels, 1);
    source.read(v, 1, 0, geometry.detector.rows, p);
    const Geometry one = with_views(geometry, std::vector<int>{v});
    for (auto& all : powers) {
      for (std::size_t i = 0; i < fine_pixels; ++i)
        power[i] *= p[i];
      binned(one, from_memory(one, power), bin)
          .read(0, 1, 0, coarse.detector.rows, std::span(all).subspan(std::size_t(v) * pixels, pixels));
    }
    bool stop = false;
#pragma omp critical(rayloom_hardening_fit)
    {
      hooks.report("reading coarse views for the fit of hardening", double(++done) / views);
      stop = hooks.stop();
    }
    if (stop) throw Cancelled("stopped while fitting hardening");
  });
  return powers;
}

/// One volume a power, from every other view.
std::array<Volume, degree> basis_volumes(const Geometry& geometry, const Powers& powers, std::size_t first_view,
                                         const ReconstructPlan& plan, const ReconstructOptions& options,
                                         const Hooks& hooks) {
  const Geometry half = half_of(geometry, first_view);
  const ProjectionSource all[degree] = {from_memory(geometry, powers[0]), from_memory(geometry, powers[1]),
                                        from_memory(geometry, powers[2])};
  std::array<Volume, degree> volumes = {Volume(plan.grid), Volume(plan.grid), Volume(plan.grid)};
  ReconstructPlan of_half = plan;
  of_half.redundancy = redundancy(half, plan.redundancy.coverage);
  for (std::size_t k = 0; k < degree; ++k) {
    const ProjectionSource source{[&, k](int view, int views, int row, int rows, std::span<float> out) {
                                    const std::size_t block = out.size() / std::size_t(views);
                                    for (int v = 0; v < views; ++v)
                                      all[k].read(int(first_view) + 2 * (view + v), 1, row, rows,
                                                  out.subspan(std::size_t(v) * block, block));
                                  },
                                  ProjectionSource::Stored::by_view};
    reconstruct(half, source, of_half, options,
                [&](int slice, std::span<const float> values) {
                  std::copy(values.begin(), values.end(), volumes[k].slice(slice).begin());
                },
                {.progress = {}, .warning = {}, .cancelled = hooks.cancelled});
  }
  return volumes;
}

/// The value that parts a histogram of 256 bins into two classes with the greatest variance between them.
double otsu_threshold(std::span<const float> values) {
  const auto [low, high] = std::minmax_element(values.begin(), values.end());
  constexpr int bins = 256;
  const double width = (double(*high) - double(*low)) / bins;
  std::array<double, bins> count{};
  for (const float value : values)
    ++count[std::size_t(std::clamp((double(value) - double(*low)) / width, 0.0, bins - 1.0))];
  double n = 0, sum = 0;
  for (int i = 0; i < bins; ++i)
    n += count[std::size_t(i)], sum += i * count[std::size_t(i)];
  double below = 0, sum_below = 0, most = -1;
  int best = 0;
  for (int i = 0; i < bins - 1; ++i) {
    below += count[std::size_t(i)], sum_below += i * count[std::size_t(i)];
    if (below == 0 || below == n) continue;
    const double apart = sum_below / below - (sum - sum_below) / (n - below);
    if (const double between = below * (n - below) * apart * apart; between > most) most = between, best = i;
  }
  return double(*low) + (best + 1) * width;
}

/// Voxels of the field of view that are dense together with all within `surface_voxels` of them (one slice up and
/// down).
std::vector<std::size_t> inside(const Volume& volume, double threshold, double radius_mm) {
  const Grid& grid = volume.grid;
  std::vector<std::size_t> found;
  const int rise = std::min(1, (grid.nz - 1) / 2);
  for (int k = rise; k < grid.nz - rise; ++k)
    for (int j = surface_voxels; j < grid.ny - surface_voxels; ++j)
      for (int i = surface_voxels; i < grid.nx - surface_voxels; ++i) {
        if (std::hypot(grid.x_mm(i), grid.y_mm(j)) > radius_mm - (surface_voxels + 1) * grid.voxel_mm) continue;
        bool dense = true;
        for (int c = k - rise; c <= k + rise && dense; ++c)
          for (int b = j - surface_voxels; b <= j + surface_voxels && dense; ++b)
            for (int a = i - surface_voxels; a <= i + surface_voxels && dense; ++a)
              dense = double(volume.at(a, b, c)) > threshold;
        if (dense) found.push_back(volume.index(i, j, k));
      }
  return found;
}

using Vector = Eigen::Vector<double, degree>;
using Matrix = Eigen::Matrix<double, degree, degree>;

/// Mean of the basis values over these voxels, and covariance between the two halves.
struct Moments {
  Vector mean = Vector::Zero();
  Matrix covariance = Matrix::Zero();
};

Moments moments_of(const std::array<Volume, degree>& a, const std::array<Volume, degree>& b,
                   const std::vector<std::size_t>& voxels) {
  Vector mean_a = Vector::Zero(), mean_b = Vector::Zero();
  Matrix product = Matrix::Zero();
  for (const std::size_t i : voxels) {
    Vector at_a, at_b;
    for (std::size_t k = 0; k < degree; ++k)
      at_a(Eigen::Index(k)) = double(a[k].samples[i]), at_b(Eigen::Index(k)) = double(b[k].samples[i]);
    mean_a += at_a, mean_b += at_b;
    product += at_a * at_b.transpose();
  }
  const double n = double(voxels.size());
  product = product / n - (mean_a / n) * (mean_b / n).transpose();
  return {(mean_a + mean_b) / (2 * n), (product + product.transpose()) / 2};
}

}  // namespace

HardeningFit fit_hardening(const Geometry& geometry, const ProjectionSource& source, std::optional<Coverage> coverage,
                           int threads, const Hooks& hooks) {
  const Band band = near_midplane(geometry, source);
  const int nth = std::max(1, (int(geometry.angles_rad.size()) + most_views - 1) / most_views);
  const Geometry fewer = every(band.geometry, nth);
  const int most = geometry.detector.rows == 1 ? most_columns_of_one_row : most_columns;
  const int wanted = (std::max(fewer.detector.columns, fewer.detector.rows) + most - 1) / most;
  const int bin = fewer.detector.rows == 1 ? wanted : std::min(wanted, fewer.detector.rows);
  const Geometry coarse = binned(fewer, bin);
  if (coarse.angles_rad.size() < 4)
    throw BadInput("hardening: " + std::to_string(coarse.angles_rad.size()) +
                   " views; must be at least 4 to fit it from the scan");

  Powers powers = binned_powers(fewer, every(band.geometry, band.source, nth), bin, threads, hooks);
  ReconstructOptions options;
  options.coverage = coverage.value_or(automatic_coverage(geometry));
  options.method = Method::direct;
  options.threads = threads;
  options.memory_bytes = std::numeric_limits<std::size_t>::max();
  const ReconstructPlan plan = plan_reconstruction(coarse, {}, options);
  const auto even = basis_volumes(coarse, powers, 0, plan, options, hooks);
  const auto odd = basis_volumes(coarse, powers, 1, plan, options, hooks);

  Volume both(plan.grid);
  std::vector<float> seen;
  for (std::size_t i = 0; i < both.samples.size(); ++i) {
    both.samples[i] = (even[0].samples[i] + odd[0].samples[i]) / 2;
    if (both.samples[i] != 0) seen.push_back(both.samples[i]);
  }
  if (seen.empty()) throw BadInput("hardening: the scan shows nothing; must show a part to fit it from the scan");
  const auto voxels = inside(both, otsu_threshold(seen), plan.field.radius_mm);
  if (voxels.size() < least_voxels)
    throw BadInput("hardening: only " + std::to_string(voxels.size()) +
                       " voxels of the coarse volume lie well inside the part; must be at least " +
                       std::to_string(least_voxels) + " to fit it from the scan",
                   "give coefficients, or the part's material");
  const Moments moments = moments_of(even, odd, voxels);

  std::vector<float>& met = powers[0];  // all line integrals but a few odd ones are below `up_to`
  const auto rank = met.begin() + std::ptrdiff_t(double(met.size() - 1) * 0.9995);
  std::nth_element(met.begin(), rank, met.end());
  const double up_to = std::clamp(double(*rank), 0.01, Linearisation::table_end);

  Matrix scale = Matrix::Zero();  // powers of p/up_to, so that the numbers are alike
  for (int k = 0; k < degree; ++k)
    scale(k, k) = std::pow(up_to, -k);
  const Eigen::MatrixXd uneven = scale * moments.covariance * scale;
  const Eigen::VectorXd mean = scale * moments.mean;
  const auto unevenness = [&](const Vector& a) {
    return std::sqrt(std::max(0.0, a.dot(moments.covariance * a))) / std::abs(a.dot(moments.mean));
  };
  for (int d = degree; d > 1; --d) {
    // min a^T U a with m^T a = m_1: a = m_1 U^-1 m / (m^T U^-1 m)
    const Eigen::VectorXd direction = uneven.topLeftCorner(d, d).ldlt().solve(mean.head(d));
    Vector a = Vector::Zero();
    for (int k = 0; k < d; ++k)
      a(k) = scale(k, k) * direction(k) * moments.mean(0) / mean.head(d).dot(direction);
    try {
      return {Linearisation::fitted({a.data(), a.data() + d}, up_to), unevenness(Vector::Unit(0)), unevenness(a)};
    } catch (const InvalidOption&) {
      continue;  // does not rise
    }
  }
  throw BadInput("hardening: the map that would make the part flat does not rise; must rise to undo hardening",
                 "is the part of one material, and is all of it in view?");
}

}  // namespace rayloom
