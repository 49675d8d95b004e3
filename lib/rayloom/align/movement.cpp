#include "rayloom/align/movement.h"

#include <Eigen/Cholesky>
#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstdint>

#include "rayloom/align/limits.h"
#include "rayloom/align/matched_views.h"
#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/reduce.h"

namespace rayloom {

namespace {

constexpr int coarse_columns = 36, coarse_views = 72;  // where a step is searched for ..
constexpr int fine_columns = 100, fine_views = 180;    // .. and where all is found
constexpr int groups = 12;                             // of views, at whose edges a step is tried first
constexpr int smoothing = 4;                           // passes: what linear interpolation can follow
constexpr std::size_t least_views = 48;
constexpr int least_rows = 8;          // to see heights
constexpr double farthest_way = 0.05;  // of the width: ways for which slices at such an end are left out
constexpr double difference = 0.25;    // voxels, for numerical derivatives
constexpr double longest_step = 3;     // voxels
constexpr double short_step = 0.003;   // voxels
constexpr double views_apart = 0.05;   // voxels by which interpolation puts opposite views apart
constexpr double voxels_known = 0.2;   // a way less certain than both is not determined,
constexpr double above_noise = 3;      // nor one along which views change little more than noise does
constexpr double pixels_seen = 0.05;   // a shorter way harms no volume

/// What is adjusted, mm: the way, and the axis's place on the virtual detector.
using Parameters = Eigen::Vector4d;
constexpr int axis_parameter = 3;

struct Trial {
  MovedBy course;
  int step_view = 0;  // of the whole scan
  Parameters at = Parameters::Zero();
};

/// The scan made small, and what a movement leaves over of it.
class SmallScan {
 public:
  SmallScan(const Geometry& full, const ProjectionSource& source, int columns, int views, int threads,
            const Hooks& hooks)
      : all_views_(int(full.angles_rad.size())),
        nth_(std::max(1, all_views_ / views)),
        matched_(small(full, source, columns, nth_, threads, hooks), farthest_way * width_mm(full), threads) {}

  const MatchedViews& matched() const { return matched_; }
  double voxel_mm() const { return matched_.voxel_mm(); }
  int nth() const { return nth_; }
  int views() const { return matched_.views(); }

  std::vector<Vec3> moved_by(const Trial& trial) const {
    std::vector<Vec3> moved;
    for (int i = 0; i < views(); ++i)
      moved.push_back(share(trial, i * nth_) * trial.at.head<3>());
    return moved;
  }
  /// Of the whole way that the part has gone in a view of the whole scan.
  double share(const Trial& trial, int view) const {
    return trial.course == MovedBy::step ? (view >= trial.step_view ? 1 : 0) : double(view) / all_views_;
  }

  Eigen::VectorXf left_over(const std::vector<Vec3>& moved, double axis_mm) const {
    Geometry geometry = matched_.geometry();
    geometry.part_moved_mm = moved;
    geometry.detector.axis_column += axis_mm / voxel_mm();
    return matched_.left_over(geometry);
  }
  Eigen::VectorXf left_over(const Trial& trial) const { return left_over(moved_by(trial), trial.at[axis_parameter]); }

 private:
  static ViewStack small(const Geometry& full, const ProjectionSource& source, int columns, int nth, int threads,
                         const Hooks& hooks) {
    const int wanted = together_for(full.detector.columns, columns);
    const int bin = full.detector.rows == 1 ? wanted : std::min(wanted, full.detector.rows);
    const auto [geometry, reduced_source] = reduced(full, source, nth, bin);
    ViewStack stack = read_stack(geometry, reduced_source, {0, geometry.detector.rows, 1}, threads, hooks);
    smooth(stack, smoothing, threads);
    return stack;
  }
  static double width_mm(const Geometry& full) { return full.detector.columns * full.virtual_column_pitch_mm(); }

  int all_views_, nth_;
  MatchedViews matched_;
};

/// Derivatives of what is left over, a column a free parameter.
struct Slopes {
  Eigen::MatrixXf columns;
  Eigen::MatrixXd normal;
};

Slopes slopes_at(const SmallScan& scan, const Trial& trial, const std::vector<int>& free) {
  Slopes slopes;
  for (const int parameter : free) {
    Trial more = trial, less = trial;
    const double h = difference * scan.voxel_mm();
    more.at[parameter] += h;
    less.at[parameter] -= h;
    const Eigen::VectorXf column = (scan.left_over(more) - scan.left_over(less)) / float(2 * h);
    slopes.columns.conservativeResize(column.size(), slopes.columns.cols() + 1);
    slopes.columns.rightCols(1) = column;
  }
  slopes.normal = (slopes.columns.transpose() * slopes.columns).cast<double>();
  return slopes;
}

double squares(const Eigen::VectorXf& values) {
  return values.cast<double>().squaredNorm();
}

/// Gauss-Newton with the slopes kept. @return what is left over in the end.
Eigen::VectorXf refine(const SmallScan& scan, const Slopes& slopes, const std::vector<int>& free, int iterations,
                       Trial& trial) {
  Eigen::VectorXf rest = scan.left_over(trial);
  for (int i = 0; i < iterations; ++i) {
    Eigen::VectorXd step = -slopes.normal.ldlt().solve((slopes.columns.transpose() * rest).cast<double>());
    const double longest = longest_step * scan.voxel_mm(), length = step.norm();
    if (!std::isfinite(length)) break;  // nothing depends on a parameter
    if (length > longest) step *= longest / length;
    Trial next = trial;
    for (std::size_t p = 0; p < free.size(); ++p)
      next.at[free[p]] += step[Eigen::Index(p)];
    Eigen::VectorXf next_rest = scan.left_over(next);
    if (!(squares(next_rest) < squares(rest))) break;
    trial = next;
    rest = std::move(next_rest);
    if (length < short_step * scan.voxel_mm()) break;
  }
  return rest;
}

/// The best edge of the groups for a step, from what shifts of each group would change: all edges at once, to first
/// order.
void search_step(const SmallScan& scan, const std::vector<int>& free, int all_views, Trial& trial) {
  const std::vector<Vec3> still(std::size_t(scan.views()), Vec3::Zero());
  const Eigen::VectorXf rest = scan.left_over(still, 0);
  const double h = 2 * difference * scan.voxel_mm();
  const Eigen::Index samples = rest.size();
  const auto n = Eigen::Index(free.size());
  const auto edge = [&](int group) { return group * scan.views() / groups; };
  // Of shifts from a group's first view to the end of the scan, last group first.
  double best = 0;
  for (int group = groups - 1; group >= 1; --group) {
    Eigen::MatrixXf columns(samples, n);
    for (std::size_t p = 0; p < free.size(); ++p) {
      Parameters by = Parameters::Zero();
      by[free[p]] = h;
      std::vector<Vec3> moved = still;
      std::fill(moved.begin() + edge(group), moved.end(), Vec3(by.head<3>()));
      columns.col(Eigen::Index(p)) = (scan.left_over(moved, by[axis_parameter]) - rest) / float(h);
    }
    const Eigen::MatrixXd normal = (columns.transpose() * columns).cast<double>();
    const Eigen::VectorXd right = (columns.transpose() * rest).cast<double>();
    const Eigen::VectorXd step = -normal.ldlt().solve(right);
    if (const double gain = -right.dot(step); gain > best) {
      best = gain;
      trial.step_view = std::min(edge(group) * scan.nth(), all_views - 1);
      trial.at.setZero();
      for (std::size_t p = 0; p < free.size(); ++p)
        trial.at[free[p]] = step[Eigen::Index(p)];
      const double longest = longest_step * scan.voxel_mm();
      if (trial.at.norm() > longest) trial.at *= longest / trial.at.norm();
    }
  }
}

/// Moves the step's view to where least is left over, by `reach` of the level's views and less.
void search_view(const SmallScan& scan, int reach, int all_views, Trial& trial) {
  double least = squares(scan.left_over(trial));
  for (int by = reach; by >= 1; by /= 2)
    for (const int direction : {-1, 1})
      while (true) {
        Trial next = trial;
        next.step_view += direction * by * scan.nth();
        if (next.step_view < 1 || next.step_view >= all_views) break;
        const double left = squares(scan.left_over(next));
        if (!(left < least)) break;
        least = left;
        trial = next;
      }
}

/// Noise alone in place of the views.
ProjectionSource noise_like(const Geometry& geometry) {
  const std::size_t rows = std::size_t(geometry.detector.rows), columns = std::size_t(geometry.detector.columns);
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            std::size_t i = 0;
            for (std::size_t view = 0; view < std::size_t(view_count); ++view)
              for (std::size_t row = 0; row < std::size_t(row_count); ++row)
                for (std::size_t column = 0; column < columns; ++column) {
                  std::uint64_t n = ((std::size_t(first_view) + view) * rows + std::size_t(first_row) + row) * columns;
                  n = (n + column + 1) * 0x9e3779b97f4a7c15U;  // splitmix64
                  n = (n ^ (n >> 30)) * 0xbf58476d1ce4e5b9U;
                  n = (n ^ (n >> 27)) * 0x94d049bb133111ebU;
                  out[i++] = float(n >> 40) / float(1 << 23) - 1;
                }
          },
          ProjectionSource::Stored::by_view};
}

/// How far views change with each free parameter, over what the trial leaves over of them. Seen from a part at rest,
/// since a way that does not show would have been led anywhere by noise, to where even ends of the volume show.
Eigen::VectorXd clearness(const SmallScan& scan, const Trial& trial, const std::vector<int>& free) {
  Trial rest = trial;
  rest.at.setZero();
  return slopes_at(scan, rest, free).normal.diagonal() / squares(scan.left_over(trial));
}

std::vector<int> hidden_ways(const SmallScan& scan, const SmallScan& noise, const Trial& trial,
                             const std::vector<int>& free) {
  const Eigen::VectorXd clear = clearness(scan, trial, free), of_noise = clearness(noise, trial, free);
  std::vector<int> hidden;
  for (std::size_t p = 0; p < free.size(); ++p)
    if (const auto i = Eigen::Index(p); free[p] != axis_parameter && !(clear[i] > above_noise * of_noise[i]))
      hidden.push_back(free[p]);
  return hidden;
}

/// Without the parameter.
void take_out(int parameter, std::vector<int>& free, Slopes& slopes) {
  const auto at = std::ranges::find(free, parameter) - free.begin();
  std::vector<Eigen::Index> kept;
  for (Eigen::Index i = 0; i < slopes.columns.cols(); ++i)
    if (i != at) kept.push_back(i);
  slopes.columns = slopes.columns(Eigen::all, kept).eval();
  slopes.normal = slopes.normal(kept, kept).eval();
  free.erase(free.begin() + at);
}

}  // namespace

std::string to_string(MovedBy course) {
  return course == MovedBy::step ? "step" : "ramp";
}

std::string why_no_movement(const Geometry& geometry) {
  if (geometry.angles_rad.size() < least_views) return "there are fewer than " + std::to_string(least_views) + " views";
  // Where few rays are measured twice, a movement is hardly told from another part about another axis.
  if (!view_set(geometry.angles_rad, 2 * pi).closed) return "the views make no full turn";
  if (automatic_coverage(geometry) == Coverage::displaced) return "most rays are measured once by a displaced detector";
  return {};
}

FoundMovement find_movement(const Geometry& geometry, const ProjectionSource& source, MovedBy course,
                            const AlignOptions& options, const Hooks& hooks) {
  geometry.validate();
  require_unmoved(geometry);
  ReconstructOptions{.threads = options.threads}.validate();
  const int threads = thread_count(options.threads), all_views = int(geometry.angles_rad.size());
  const auto say = [&](double fraction) {
    if (hooks.stop()) throw Cancelled("stopped");
    hooks.report("looking for movement", fraction);
  };
  FoundMovement found;
  found.course = course;
  found.axis_column.value = geometry.detector.axis_column;
  Trial trial{course};
  std::vector<int> free = {0, 1, 2, axis_parameter};
  const auto undetermined = [&](int way, const std::string& reason) {
    found.by_mm[std::size_t(way)].reason = reason;
    trial.at[way] = 0;
    std::erase(free, way);
  };
  const auto nothing = [&](const std::string& reason) {
    for (const int way : {0, 1, 2})
      if (found.by_mm[std::size_t(way)].reason.empty()) undetermined(way, reason);
    found.part_moved_mm.assign(std::size_t(all_views), Vec3::Zero());
    return found;
  };
  if (const std::string reason = why_no_movement(geometry); !reason.empty()) return nothing(reason);
  if (geometry.detector.rows < least_rows)
    undetermined(2, "heights do not show in fewer than " + std::to_string(least_rows) + " rows");

  const SmallScan coarse(geometry, source, coarse_columns, coarse_views, threads, hooks);
  if (coarse.matched().cut_off()) return nothing("the part sticks out of the view at the sides");
  if (course == MovedBy::step) search_step(coarse, free, all_views, trial);
  const auto approach = [&] {
    refine(coarse, slopes_at(coarse, trial, free), free, 3, trial);
    if (course == MovedBy::step) search_view(coarse, std::max(1, coarse.views() / groups / 2), all_views, trial);
  };
  for (int i = 0; i < 2; ++i) {
    say(0.1 + 0.1 * i);
    approach();
  }
  say(0.3);
  const SmallScan noise(geometry, noise_like(geometry), coarse_columns, coarse_views, threads, Hooks());
  const std::vector<int> hidden = hidden_ways(coarse, noise, trial, free);
  const std::string no_more = "the views change with it no more than noise does";
  for (const int way : hidden)
    undetermined(way, no_more);
  if (free == std::vector<int>{axis_parameter}) return nothing(no_more);
  if (!hidden.empty()) approach();

  const SmallScan fine(geometry, source, fine_columns, fine_views, threads, hooks);
  say(0.4);
  Slopes slopes = slopes_at(fine, trial, free);
  say(0.7);
  Eigen::VectorXf rest = refine(fine, slopes, free, 4, trial);
  if (course == MovedBy::step) {
    search_view(fine, std::max(1, coarse.nth() / fine.nth()), all_views, trial);
    rest = refine(fine, slopes, free, 4, trial);
  }
  const double pixel_mm = geometry.virtual_column_pitch_mm(),
               known_mm = std::max(pixels_known * pixel_mm, voxels_known * fine.voxel_mm());
  while (true) {
    const Eigen::MatrixXd covariance = clustered_covariance(fine.matched(), slopes.columns, rest);
    std::optional<std::pair<int, double>> worst;
    for (std::size_t p = 0; p < free.size(); ++p) {
      const auto i = Eigen::Index(p);
      // Opposite views are apart by all of a step's way, by half of a ramp's.
      const double floor =
          free[p] == axis_parameter ? 0 : views_apart * fine.voxel_mm() * (course == MovedBy::ramp ? 2 : 1);
      const double uncertainty = std::hypot(deviations_stated * std::sqrt(std::max(covariance(i, i), 0.0)), floor);
      if (free[p] == axis_parameter) {
        found.axis_column = {
            true, geometry.detector.axis_column + trial.at[axis_parameter] / pixel_mm, uncertainty / pixel_mm, {}};
        continue;
      }
      found.by_mm[std::size_t(free[p])] = {true, trial.at[free[p]], uncertainty, {}};
      if (!(uncertainty < known_mm) && !(worst && worst->second > uncertainty)) worst = {free[p], uncertainty};
    }
    if (!worst) break;
    take_out(worst->first, free, slopes);
    found.by_mm[std::size_t(worst->first)] = {};
    undetermined(worst->first, "it is uncertain by " + to_text(worst->second, 2) + " mm");
    rest = refine(fine, slopes, free, 4, trial);
  }
  const double samples = double(rest.size());
  found.misfit = std::sqrt(squares(rest) / samples);
  found.misfit_before = std::sqrt(squares(fine.left_over(Trial{course})) / samples);
  say(1);
  for (const Estimate& way : found.by_mm)
    found.seen = found.seen || std::abs(way.value) > std::max(way.uncertainty, pixels_seen * pixel_mm);
  found.view = trial.step_view;
  for (int view = 0; view < all_views; ++view)
    found.part_moved_mm.push_back(fine.share(trial, view) * trial.at.head<3>() + Vec3::Zero());  // no -0
  return found;
}

}  // namespace rayloom
