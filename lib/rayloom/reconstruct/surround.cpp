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

/// RMS over the measured, above which an overview is of another part or the geometry wrong (common practice).
constexpr double doubtful_difference = 0.1;
/// Share of the squares left over that a fit must not exceed to be clearly better.
constexpr double clearly = 0.6;

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

/// Farthest from the z axis that the middle of a voxel lies which is not 0; 0 if none is.
double outermost_mm(const Volume& volume) {
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
  return most;
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

/// A value of the scan file that may be wrong.
struct Suspect {
  std::string key;
  double step;            ///< Over which slopes are taken, each way.
  double least, most;     ///< A mistake below is of no consequence, one beyond is not told from another part.
  double clearly_better;  ///< Share of the squares left over that a fit must not exceed.
  double (*read)(const Geometry&);
  void (*add)(Geometry&, double);
};

std::vector<Suspect> suspects(const Geometry& geometry) {
  constexpr double clearly_of_roll = 0.75;  // which moves little in small views
  std::vector<Suspect> all = {
      {"views.first_deg", 0.5, 0.5, 20, clearly, [](const Geometry& g) { return degrees(g.angles_rad.front()); },
       [](Geometry& g, double by) {
         for (double& angle : g.angles_rad)
           angle += radians(by);
       }},
      {"detector.axis_column", 1, 0.5, 0.25 * geometry.detector.columns, clearly,
       [](const Geometry& g) { return g.detector.axis_column; },
       [](Geometry& g, double by) { g.detector.axis_column += by; }}};
  if (geometry.beam != Beam::parallel)
    all.push_back({"source_to_object_mm", 0.01 * geometry.sod_mm, 0.02 * geometry.sod_mm,
                   std::min(0.3 * geometry.sod_mm, geometry.sdd_mm - geometry.sod_mm), clearly,
                   [](const Geometry& g) { return g.sod_mm; }, [](Geometry& g, double by) { g.sod_mm += by; }});
  if (geometry.detector.rows > 1)
    all.push_back({"detector.roll_deg", 0.5, 0.3, 15, clearly_of_roll,
                   [](const Geometry& g) { return degrees(g.detector.roll_rad); },
                   [](Geometry& g, double by) { g.detector.roll_rad += radians(by); }});
  return all;
}

/// Where an overview stands before a scan, and how much of a suspect value is added.
struct Stand {
  Vec3 shift_mm = Vec3::Zero();
  double scale = 1, added = 0;
};

/// Measured blocks of a scan beside the overview's projections, and how these change.
class Comparison {
 public:
  Comparison(const Volume& overview, const Geometry& geometry, const ProjectionSource& source, int threads)
      : overview_(overview),
        geometry_(geometry),
        threads_(threads),
        blocks_(look_at(geometry, source, RayStep(geometry, overview.grid.voxel_mm), threads)) {
    for (const Block& block : blocks_)
      square_ += std::pow(double(block.mean), 2);
  }

  /// The same rows as another geometry would have them.
  Comparison(const Comparison& rows, const Geometry& geometry)
      : overview_(rows.overview_),
        geometry_(geometry),
        threads_(rows.threads_),
        blocks_(rows.blocks_),
        square_(rows.square_) {}

  bool of_air() const { return square_ == 0; }
  /// Farther, and slopes have to be taken anew.
  double near_mm() const { return overview_.grid.voxel_mm / 2; }

  std::vector<float> projected(const Stand& at, const Suspect* suspect) const {
    Geometry geometry = geometry_;
    if (suspect != nullptr) suspect->add(geometry, at.added);
    std::vector<Ray> rays;
    rays.reserve(blocks_.size());
    for (const Block& block : blocks_)
      rays.push_back(ray_to(geometry, geometry.pose(std::size_t(block.view)), block.middle));
    return shifted_integrals(overview_, std::move(rays), at.shift_mm, threads_);
  }

  /// RMS over the measured.
  double error(const Stand& at, const std::vector<float>& projected) const {
    return residuals(at, projected).norm() / std::sqrt(square_);
  }

  /// Of the projections unscaled: per mm of shift, and per unit of the suspect value if there is one.
  Eigen::MatrixXd slopes(const Stand& at, const Suspect* suspect) const {
    Eigen::MatrixXd all(Eigen::Index(blocks_.size()), suspect != nullptr ? 4 : 3);
    for (int axis = 0; axis < 3; ++axis)
      all.col(axis) = slope(at, suspect, near_mm(), [&](Stand& to, double by) { to.shift_mm[axis] += by; });
    if (suspect != nullptr) all.col(3) = slope_of(at, *suspect);
    return all;
  }
  Eigen::VectorXd slope_of(const Stand& at, const Suspect& suspect) const {
    return slope(at, &suspect, suspect.step, [](Stand& to, double by) { to.added += by; });
  }

  /// Gauss-Newton's step, shift, scale and suspect value: as `slopes` say.
  struct Step {
    Stand by;
    double error;  ///< After it, by the slopes.
  };
  Step step(const Stand& at, const std::vector<float>& projected, const Eigen::MatrixXd& slopes) const {
    const Eigen::Index unknowns = slopes.cols() + 1, scale = slopes.cols();
    Eigen::MatrixXd all(slopes.rows(), unknowns);
    all << at.scale * slopes, Eigen::Map<const Eigen::VectorXf>(projected.data(), slopes.rows()).cast<double>();
    const Eigen::VectorXd left = residuals(at, projected);
    Eigen::MatrixXd normal = all.transpose() * all;
    Eigen::VectorXd towards = all.transpose() * left;
    // Shifts are expected within two voxels: that decides where the rows do not.
    const double expected = 4 * near_mm(), noise = left.squaredNorm() / double(blocks_.size()) + 1e-12 * square_;
    for (int axis = 0; axis < 3; ++axis) {
      normal(axis, axis) += noise / (expected * expected);
      towards[axis] -= noise / (expected * expected) * at.shift_mm[axis];
    }
    normal(scale, scale) += noise;
    towards[scale] -= noise * (at.scale - 1);
    if (unknowns == 5) normal(3, 3) *= 1 + 1e-9;  // where it shows nothing
    const Eigen::VectorXd change = normal.ldlt().solve(towards);
    return {{change.head<3>(), change[scale], unknowns == 5 ? change[3] : 0},
            (left - all * change).norm() / std::sqrt(square_)};
  }

 private:
  Eigen::VectorXd residuals(const Stand& at, const std::vector<float>& projected) const {
    Eigen::VectorXd left(Eigen::Index(blocks_.size()));
    for (std::size_t i = 0; i < blocks_.size(); ++i)
      left[Eigen::Index(i)] = double(blocks_[i].mean) - at.scale * double(projected[i]);
    return left;
  }

  template <class Add>
  Eigen::VectorXd slope(const Stand& at, const Suspect* suspect, double step, const Add& add) const {
    Stand ahead = at, behind = at;
    add(ahead, step);
    add(behind, -step);
    const std::vector<float> more = projected(ahead, suspect), less = projected(behind, suspect);
    Eigen::VectorXd all(Eigen::Index(more.size()));
    for (std::size_t i = 0; i < more.size(); ++i)
      all[Eigen::Index(i)] = (double(more[i]) - double(less[i])) / (2 * step);
    return all;
  }

  const Volume& overview_;
  const Geometry& geometry_;
  int threads_;
  std::vector<Block> blocks_;
  double square_ = 0;
};

/// Gauss-Newton until nothing moves, at most 8 steps.
void refine(const Comparison& rows, const Suspect* suspect, Stand& at) {
  Eigen::MatrixXd slopes;
  Stand slopes_at;
  for (int turn = 0; turn < 8; ++turn) {
    if (turn == 0 || !((at.shift_mm - slopes_at.shift_mm).norm() < rows.near_mm()) ||
        (suspect != nullptr && !(std::abs(at.added - slopes_at.added) < suspect->step))) {
      slopes_at = at;
      slopes = rows.slopes(at, suspect);
    }
    const Stand by = rows.step(at, rows.projected(at, suspect), slopes).by;
    at.shift_mm += by.shift_mm;
    at.scale += by.scale;
    at.added += by.added;
    if (by.shift_mm.norm() < 0.01 * rows.near_mm() && std::abs(by.scale) < 1e-4 &&
        (suspect == nullptr || std::abs(by.added) < 0.01 * suspect->step))
      break;
  }
}

/// @param here  Where the overview fits best with all values as said. @param projected  From there.
std::optional<BetterValue> better_value(const Comparison& rows, const Geometry& geometry, const Stand& here,
                                        const std::vector<float>& projected) {
  Eigen::MatrixXd slopes(Eigen::Index(projected.size()), 4);
  slopes.leftCols<3>() = rows.slopes(here, nullptr);
  constexpr double maybe_better = 0.9;
  const double error_here = rows.error(here, projected);
  const auto left_over = [&](double error) { return std::pow(error / error_here, 2); };
  std::optional<BetterValue> best;
  for (const Suspect& suspect : suspects(geometry)) {
    slopes.col(3) = rows.slope_of(here, suspect);  // which tell most right scans without a fit
    if (!(left_over(rows.step(here, projected, slopes).error) < maybe_better)) continue;
    Stand at = here;
    refine(rows, &suspect, at);
    const double error = rows.error(at, rows.projected(at, &suspect));
    if (!(left_over(error) < suspect.clearly_better) || error > doubtful_difference ||
        std::abs(at.added) < suspect.least || std::abs(at.added) > suspect.most || (best && best->error_after < error))
      continue;
    const double said = suspect.read(geometry);
    best = {suspect.key, said, said + at.added, error};
  }
  return best;
}

}  // namespace

bool SurroundFit::doubtful() const {
  return error_after > doubtful_difference;
}

SurroundFit fit_surround(const Volume& overview, const Geometry& geometry, const ProjectionSource& source,
                         int threads) {
  const Comparison rows(overview, geometry, source, threads);
  Stand at;
  const std::vector<float> before = rows.projected(at, nullptr);
  if (rows.of_air()) {  // nothing to fit to
    const double error = std::ranges::any_of(before, [](float value) { return value != 0; }) ? 1 : 0;
    return {Vec3::Zero(), 1, error, error};
  }
  const double error_before = rows.error(at, before);
  refine(rows, nullptr, at);
  const std::vector<float> after = rows.projected(at, nullptr);
  SurroundFit fit{at.shift_mm, at.scale, error_before, rows.error(at, after)};
  fit.better = better_value(rows, geometry, at, after);
  if (!fit.better) {
    Geometry turned = geometry;
    for (double& angle : turned.angles_rad)
      angle = 2 * geometry.angles_rad.front() - angle;
    const Comparison other(rows, turned);
    Stand there;
    refine(other, nullptr, there);
    const double error = other.error(there, other.projected(there, nullptr));
    fit.turned_otherwise = error < doubtful_difference && std::pow(error / fit.error_after, 2) < clearly;
  }
  return fit;
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
  const double outermost = outermost_mm(volume);
  return {laid_down(volume), outermost > 0 ? outermost + volume.grid.voxel_mm : 0, outermost_mm(overview)};
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
