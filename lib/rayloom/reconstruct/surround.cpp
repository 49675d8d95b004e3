#include "rayloom/reconstruct/surround.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "rayloom/parallel.h"
#include "rayloom/reconstruct/resample.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom {

namespace {

constexpr int most_across_read = 320, least_across_view = 32;
constexpr std::size_t most_voxels_read = std::size_t{1} << 25;

/// Voxels of n each way taken together; single slices stay.
Grid coarser(const Grid& from, int n) {
  const int deep = from.nz == 1 ? 1 : n;
  const auto blocks = [](int size, int block) { return (size + block - 1) / block; };
  Grid to{blocks(from.nx, n), blocks(from.ny, n), blocks(from.nz, deep), from.voxel_mm * n, Vec3::Zero()};
  const double middle = (n - 1) / 2.0;  // of the first block, which begins with the first voxel
  to.centre_mm = from.centre_of(middle + n * (to.nx - 1) / 2.0, middle + n * (to.ny - 1) / 2.0,
                                (deep - 1) / 2.0 + deep * (to.nz - 1) / 2.0);
  return to;
}

/// Means of blocks of n voxels each way. @param slice_of  Gives slice k of the fine volume.
template <class SliceOf>
Volume coarser(const Grid& from, int n, const SliceOf& slice_of) {
  Volume volume(coarser(from, n));
  const Grid& to = volume.grid;
  const int deep = from.nz == 1 ? 1 : n;
  std::vector<double> sums(std::size_t(to.nx) * std::size_t(to.ny));
  for (int k = 0; k < to.nz; ++k) {
    std::ranges::fill(sums, 0.0);
    const int first = k * deep, end = std::min(first + deep, from.nz);
    for (int z = first; z < end; ++z) {
      const std::span<const float> slice = slice_of(z);
      for (int y = 0; y < from.ny; ++y)
        for (int x = 0; x < from.nx; ++x)
          sums[std::size_t(y / n * to.nx + x / n)] +=
              double(slice[std::size_t(y) * std::size_t(from.nx) + std::size_t(x)]);
    }
    for (int j = 0; j < to.ny; ++j)
      for (int i = 0; i < to.nx; ++i) {
        const int count = std::min(n, from.nx - i * n) * std::min(n, from.ny - j * n) * (end - first);
        volume.at(i, j, k) = float(sums[std::size_t(j * to.nx + i)] / count);
      }
  }
  return volume;
}

/// How many voxels are taken together when a volume is read.
int block_when_read(const Grid& grid) {
  int n = (std::max(grid.nx, grid.ny) + most_across_read - 1) / most_across_read;
  while (coarser(grid, n).voxels() > most_voxels_read)
    ++n;
  return n;
}

/// Columns and rows of the detector that one voxel near the axis covers.
struct RayStep {
  int columns, rows;
  RayStep(const Geometry& geometry, double voxel_mm)
      : columns(std::max(1, int(std::lround(voxel_mm / geometry.virtual_column_pitch_mm())))),
        rows(geometry.detector.rows == 1 ? 1
                                         : std::max(1, int(std::lround(voxel_mm / geometry.virtual_row_pitch_mm())))) {}
};

/// How far apart the rays beside the view may lie.
double widest_step_mm(const Geometry& geometry) {
  return geometry.detector.columns * geometry.virtual_column_pitch_mm() / least_across_view;
}

/// A block of pixels: where its middle is, and its mean.
struct Block {
  int view;
  DetectorPosition middle;
  float mean;
};

/// Starts of at most `most` blocks of `size`, evenly spread over `total`.
std::vector<int> starts(int total, int size, int most) {
  const int fit = std::max(1, total / size), count = std::min(fit, most);
  std::vector<int> all;
  for (int i = 0; i < count; ++i)
    all.push_back(count == 1 ? (total - std::min(size, total)) / 2
                             : int(std::int64_t(i) * (total - size) / (count - 1)));
  return all;
}

/// Means of blocks of pixels, as large as a voxel, in some views.
std::vector<Block> look_at(const Geometry& geometry, const ProjectionSource& source, const RayStep& step, int threads) {
  const Detector& d = geometry.detector;
  const int views = int(geometry.angles_rad.size()), high = std::min(step.rows, d.rows),
            wide = std::min(step.columns, d.columns);
  const std::vector<int> some_views = starts(views, 1, 16), rows = starts(d.rows, high, 8),
                         columns = starts(d.columns, wide, 32);
  const bool by_row = source.stored == ProjectionSource::Stored::by_row;
  std::vector<std::vector<Block>> found(by_row ? rows.size() : some_views.size());
  const auto add = [&](std::vector<Block>& blocks, std::span<const float> band, int view, int row) {
    for (const int column : columns) {
      double sum = 0;
      for (int r = 0; r < high; ++r)
        for (int c = 0; c < wide; ++c)
          sum += double(band[std::size_t(r) * std::size_t(d.columns) + std::size_t(column + c)]);
      blocks.push_back({view, {row + (high - 1) / 2.0, column + (wide - 1) / 2.0}, float(sum / (high * wide))});
    }
  };
  const std::size_t band = std::size_t(high) * std::size_t(d.columns);
  parallel_for(int(found.size()), threads, [&](int i, int) {
    std::vector<Block>& blocks = found[std::size_t(i)];
    if (by_row) {
      const int row = rows[std::size_t(i)];
      std::vector<float> all(std::size_t(views) * band);
      source.read(0, views, row, high, all);
      for (const int view : some_views)
        add(blocks, std::span(all).subspan(std::size_t(view) * band, band), view, row);
    } else {
      const int view = some_views[std::size_t(i)];
      std::vector<float> all(std::size_t(d.rows) * std::size_t(d.columns));
      source.read(view, 1, 0, d.rows, all);
      for (const int row : rows)
        add(blocks, std::span(all).subspan(std::size_t(row) * std::size_t(d.columns), band), view, row);
    }
  });
  std::vector<Block> blocks;
  for (const auto& some : found)
    blocks.insert(blocks.end(), some.begin(), some.end());
  return blocks;
}

/// Line integrals along `rays` through the overview shifted.
std::vector<float> shifted_integrals(const Volume& overview, std::vector<Ray> rays, const Vec3& shift_mm, int threads) {
  for (Ray& ray : rays)
    ray.origin -= shift_mm;
  std::vector<float> integrals(rays.size());
  constexpr std::size_t piece = 256;
  parallel_for(int((rays.size() + piece - 1) / piece), threads, [&](int i, int) {
    const std::size_t begin = std::size_t(i) * piece, count = std::min(piece, rays.size() - begin);
    line_integrals(overview, std::span(rays).subspan(begin, count), std::span(integrals).subspan(begin, count));
  });
  return integrals;
}

/// Farthest that a voxel which is not 0 reaches from the z axis.
double reach_mm(const Volume& volume) {
  const Grid& grid = volume.grid;
  double most = 0;
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i) {
      const double r = std::hypot(grid.x_mm(i), grid.y_mm(j));
      if (r <= most) continue;
      for (int k = 0; k < grid.nz; ++k)
        if (volume.at(i, j, k) != 0) {
          most = r;
          break;
        }
    }
  return most + grid.voxel_mm;
}

/// With x and z exchanged. z is then the quickest in memory, and rays one above the other meet neighbours.
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

/// What is supplied beyond the ends of rows: alike in all views. Samples are counted outwards.
struct Ends {
  int columns;  // measured
  RayStep step;
  bool at_left, at_right;
  int seam;  // samples within the detector
  /// Columns that samples lie outwards of the end: a step apart within the detector and beside it, farther apart
  /// farther out, since the ramp filter's 1/x^2 smooths what lies far away the more.
  std::vector<double> outwards{};
  /// Of column j beyond the end: the sample before it, how far on it lies, and what is left of the lift.
  std::vector<int> sample{};
  std::vector<float> fraction{}, fade{};

  Ends(const Geometry& geometry, const RayStep& step_, int beyond, bool left, bool right)
      : columns(geometry.detector.columns),
        step(step_),
        at_left(left),
        at_right(right),
        seam(std::min(seam_samples, std::max(1, columns / step.columns))) {
    for (int i = 0; i < seam; ++i)
      outwards.push_back((i - seam + 0.5) * step.columns);
    do
      outwards.push_back(outwards.back() + std::max(double(step.columns), outwards.back() / steady_samples));
    while (outwards.back() < beyond);
    int before = 0;
    for (int j = 0; j < beyond; ++j) {
      const double at = j + 0.5, faded = 4.0 * j / columns, left_over = std::exp(-faded * faded);
      while (outwards[std::size_t(before) + 1] < at)
        ++before;
      const double from = outwards[std::size_t(before)], to = outwards[std::size_t(before) + 1];
      sample.push_back(before);
      fraction.push_back(float((at - from) / (to - from)));
      fade.push_back(left_over < 1e-6 ? 0.0F : float(left_over));  // denormal numbers would take long
    }
  }

  int sides() const { return int(at_left) + int(at_right); }
  int side() const { return int(outwards.size()); }

 private:
  static constexpr int seam_samples = 3, steady_samples = 4;
};

/// Projections of the overview beyond the ends of one view's rows, a sample a step each way.
class View {
 public:
  /// @param laid  The overview, laid down.
  View(const Volume& laid, const Geometry& geometry, const std::shared_ptr<const Ends>& ends, int view, int first_row,
       int last_row)
      : ends_(ends), first_(first_row / ends->step.rows), rows_(last_row / ends->step.rows + 2 - first_) {
    const ViewRays rays(geometry, geometry.pose(std::size_t(view)));
    const RayStep& step = ends->step;
    std::vector<Ray> all;
    all.reserve(std::size_t(rows_ * ends->sides() * ends->side()));
    for (const bool left : {true, false}) {
      if (!(left ? ends->at_left : ends->at_right)) continue;
      for (const double outwards : ends->outwards)
        for (int r = 0; r < rows_; ++r)
          all.push_back(laid_down(
              rays.to({double((first_ + r) * step.rows), left ? -0.5 - outwards : ends->columns - 0.5 + outwards})));
    }
    samples_.resize(all.size());
    line_integrals(laid, all, samples_);
  }

  void fill(double row, std::span<const float> measured, std::span<float> left, std::span<float> right) const {
    const Ends& ends = *ends_;
    const int last = ends.columns - 1;
    if (ends.at_left)
      side(
          0, row, [&](int c) { return measured[std::size_t(std::min(c, last))]; },
          [&](std::size_t j) -> float& { return left[left.size() - 1 - j]; }, left.size());
    else
      std::ranges::fill(left, 0.0F);
    if (ends.at_right)
      side(
          ends.sides() - 1, row, [&](int c) { return measured[std::size_t(std::max(last - c, 0))]; },
          [&](std::size_t j) -> float& { return right[j]; }, right.size());
    else
      std::ranges::fill(right, 0.0F);
  }

 private:
  /// @param inwards  Measured column c from this end. @param outwards  Where column j < count beyond it goes.
  template <class Inwards, class Outwards>
  void side(int n, double row, const Inwards& inwards, const Outwards& outwards, std::size_t count) const {
    const Ends& ends = *ends_;
    const double place = row / ends.step.rows, below = std::floor(place);
    const float share = float(place - below);  // whatever the band's first row, to the last bit
    const float* at_row = samples_.data() + n * ends.side() * rows_ + int(below) - first_;
    std::vector<float> projected(std::size_t(ends.side()));
    for (float& value : projected) {
      value = at_row[0] + share * (at_row[1] - at_row[0]);
      at_row += rows_;
    }
    float lift = 0;  // what is measured more than projected beside the seam
    for (int i = 0; i < ends.seam; ++i) {
      const int from = (ends.seam - 1 - i) * ends.step.columns;
      float mean = 0;
      for (int c = 0; c < ends.step.columns; ++c)
        mean += inwards(from + c) / float(ends.step.columns);
      lift += (mean - projected[std::size_t(i)]) / float(ends.seam);
    }
    for (std::size_t j = 0; j < count; ++j) {
      const float* at = projected.data() + ends.sample[j];
      outwards(j) = at[0] + ends.fraction[j] * (at[1] - at[0]) + lift * ends.fade[j];
    }
  }

  std::shared_ptr<const Ends> ends_;
  int first_, rows_;  // of the samples, in steps
  std::vector<float> samples_;
};

}  // namespace

SurroundFit fit_surround(const Volume& overview, const Geometry& geometry, const ProjectionSource& source,
                         int threads) {
  const std::vector<Block> blocks = look_at(geometry, source, RayStep(geometry, overview.grid.voxel_mm), threads);
  std::vector<Ray> rays;
  double measured_square = 0;
  for (const Block& block : blocks) {
    rays.push_back(ray_to(geometry, geometry.pose(std::size_t(block.view)), block.middle));
    measured_square += std::pow(double(block.mean), 2);
  }
  const double half = overview.grid.voxel_mm / 2;
  SurroundFit fit;
  if (measured_square == 0) {  // air: nothing to fit to
    const std::vector<float> here = shifted_integrals(overview, rays, fit.shift_mm, threads);
    fit.error_before = fit.error_after = std::ranges::any_of(here, [](float value) { return value != 0; }) ? 1 : 0;
    return fit;
  }
  const auto error_of = [&](const std::vector<float>& projected) {
    double sum = 0;
    for (std::size_t i = 0; i < blocks.size(); ++i)
      sum += std::pow(double(blocks[i].mean) - fit.scale * double(projected[i]), 2);
    return sum;
  };
  std::vector<Vec3> slopes(rays.size());  // of the projections unscaled, per mm
  Vec3 slopes_at = Vec3::Constant(std::numeric_limits<double>::infinity());
  for (int turn = 0; turn < 8; ++turn) {
    const std::vector<float> here = shifted_integrals(overview, rays, fit.shift_mm, threads);
    const double error = error_of(here);
    if (turn == 0) fit.error_before = std::sqrt(error / measured_square);
    if (!((fit.shift_mm - slopes_at).norm() < half)) {  // slopes serve half a voxel about
      slopes_at = fit.shift_mm;
      for (int axis = 0; axis < 3; ++axis) {
        const Vec3 step = half * Vec3::Unit(axis);
        const std::vector<float> ahead = shifted_integrals(overview, rays, fit.shift_mm + step, threads),
                                 behind = shifted_integrals(overview, rays, fit.shift_mm - step, threads);
        for (std::size_t i = 0; i < rays.size(); ++i)
          slopes[i][axis] = (double(ahead[i]) - double(behind[i])) / (2 * half);
      }
    }
    Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
    Eigen::Vector4d towards = Eigen::Vector4d::Zero();
    for (std::size_t i = 0; i < blocks.size(); ++i) {
      Eigen::Vector4d slope;
      slope << fit.scale * slopes[i], double(here[i]);
      normal += slope * slope.transpose();
      towards += slope * (double(blocks[i].mean) - fit.scale * double(here[i]));
    }
    // Shifts are expected within two voxels: that decides where the rows do not.
    const double expected = 4 * half, noise = error / double(blocks.size()) + 1e-12 * measured_square;
    for (int axis = 0; axis < 3; ++axis) {
      normal(axis, axis) += noise / (expected * expected);
      towards[axis] -= noise / (expected * expected) * fit.shift_mm[axis];
    }
    normal(3, 3) += noise;
    towards[3] -= noise * (fit.scale - 1);
    const Eigen::Vector4d change = normal.ldlt().solve(towards);
    fit.shift_mm += change.head<3>();
    fit.scale += change[3];
    if (change.head<3>().norm() < 0.01 * half && std::abs(change[3]) < 1e-4) break;
  }
  const double error = error_of(shifted_integrals(overview, rays, fit.shift_mm, threads));
  fit.error_after = std::sqrt(error / measured_square);
  return fit;
}

std::optional<double> better_sod_mm(const Volume& overview, const Geometry& geometry, const ProjectionSource& source,
                                    const SurroundFit& fit, int threads) {
  if (geometry.beam == Beam::parallel) return {};
  const auto error_square = [&](double off) {
    Geometry other = geometry;
    other.sod_mm *= 1 + off;
    return std::pow(fit_surround(overview, other, source, threads).error_after, 2);
  };
  // Squares of what is left over are a parabola of the distance; its foot by three of them.
  constexpr double step = 0.03, least_off = 0.02, most_off = 0.2, clearly_better = 0.6;
  const double here = std::pow(fit.error_after, 2), nearer = error_square(-step), farther = error_square(step);
  const double bend = nearer - 2 * here + farther;
  if (!(bend > 0)) return {};
  const double off = std::clamp(step * (nearer - farther) / (2 * bend), -most_off, most_off);
  if (std::abs(off) < least_off || geometry.sod_mm * (1 + off) >= geometry.sdd_mm ||
      !(error_square(off) < clearly_better * here))
    return {};
  return geometry.sod_mm * (1 + off);
}

std::size_t overview_bytes(const Grid& stored) {
  return coarser(stored, block_when_read(stored)).voxels() * sizeof(float);
}

Volume read_overview(const StoredVolume& stored, const Vec3& part_moved_mm) {
  const Grid& grid = stored.grid();
  std::vector<float> slice(std::size_t(grid.nx) * std::size_t(grid.ny));
  Volume volume = coarser(grid, block_when_read(grid), [&](int k) {
    stored.read_slice(k, slice);
    return std::span<const float>(slice);
  });
  volume.grid.centre_mm += part_moved_mm;
  return volume;
}

Surroundings fitted(const Volume& overview, const SurroundFit& fit, const Geometry& geometry) {
  const int n = std::max(1, int(widest_step_mm(geometry) / overview.grid.voxel_mm));
  Volume volume = coarser(overview.grid, n, [&](int k) { return overview.slice(k); });
  volume.grid.centre_mm += fit.shift_mm;
  for (float& value : volume.samples)
    value *= float(fit.scale);
  return {laid_down(volume), reach_mm(volume)};
}

Beyond surrounded(const std::shared_ptr<const Surroundings>& overview, const Geometry& geometry, Coverage coverage) {
  const Detector& d = geometry.detector;
  const double left = d.axis_column + 0.5, right = d.columns - 0.5 - d.axis_column;
  const bool displaced = coverage == Coverage::displaced;
  const bool at_left = !displaced || left >= right, at_right = !displaced || right > left;
  const double reach = overview->reach_mm;
  double columns = reach / d.column_pitch_mm;  // from the axis
  if (geometry.beam != Beam::parallel) {
    const double fan = std::asin(std::min(reach / geometry.sod_mm, 0.95));
    columns = geometry.sdd_mm * (d.shape == DetectorShape::arc ? fan : std::tan(fan)) / d.column_pitch_mm;
  }
  Beyond beyond;
  beyond.columns =
      std::max({0, int(std::ceil(columns - left)) * int(at_left), int(std::ceil(columns - right)) * int(at_right)});
  const Geometry ideal = ideal_geometry(geometry);
  const RayStep step(ideal, std::max(overview->laid.grid.voxel_mm, widest_step_mm(ideal)));
  const auto ends = std::make_shared<const Ends>(ideal, step, beyond.columns, at_left, at_right);
  beyond.thread_bytes =
      std::size_t(d.rows / step.rows + 2) * std::size_t(ends->sides() * ends->side()) * (sizeof(Ray) + sizeof(float));
  beyond.of_view = [=](int view, int first_row, int last_row) -> RowEnds {
    const auto samples = std::make_shared<const View>(overview->laid, ideal, ends, view, first_row, last_row);
    return [samples](double row, std::span<const float> measured, std::span<float> to_left, std::span<float> to_right) {
      samples->fill(row, measured, to_left, to_right);
    };
  };
  return beyond;
}

}  // namespace rayloom
