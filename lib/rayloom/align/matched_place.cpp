#include "rayloom/align/matched_place.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>

#include "rayloom/align/matched_views.h"
#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"
#include "rayloom/reconstruct/reduce.h"

namespace rayloom {

namespace {

constexpr int most_match_columns = 256, most_match_views = 180, most_match_rows = 64;
constexpr int least_match_rows = 16;
constexpr double steepest_ray = 0.06;       // against the midplane: farther away circular scans tell too little
constexpr double nearly_level = 0.03;       // likewise: below, little of what is left over is the cone's
constexpr int match_smoothing = 1;          // passes: what linear interpolation can follow
constexpr float darkest = 1e-6F;            // transmission, where noise leaves less
constexpr double turned_by = 3 * pi / 180;  // either way: rows that are left out for it where the part sticks out
constexpr double shifted = 0.25;            // pixels at a third of the width, for numerical derivatives
constexpr int most_fits = 4;
constexpr double covered = 2;          // deviations that are to hold what rings, drift and scatter do
constexpr double small_step = 0.003;   // likewise ..
constexpr double least_error = 0.003;  // .. and what interpolation leaves, a standard deviation

ProjectionSource transmissions(const ProjectionSource& source) {
  return {[source](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            source.read(first_view, view_count, first_row, row_count, out);
            for (float& sample : out)
              sample = std::exp(-sample);
          },
          source.stored};
}

/// Made small and smooth as transmissions: pixels average intensities, and how a line integral's edge lies between them
/// would otherwise depend on where it meets a pixel.
ViewStack stack_for(const Geometry& full, const ProjectionSource& source, int bin, int threads, const Hooks& hooks) {
  const int nth = together_for(int(full.angles_rad.size()), most_match_views);
  const auto [small, small_source] = reduced(full, transmissions(source), nth, bin);
  const Detector& d = small.detector;
  int reach = most_match_rows / 2;
  if (small.beam == Beam::cone) reach = std::min(reach, int(steepest_ray * small.sdd_mm / d.row_pitch_mm));
  const int middle = int(std::lround(d.midplane_row + 0.5));
  const int first = std::clamp(middle - reach, 0, d.rows), end = std::clamp(middle + reach, 0, d.rows);
  if (end - first < least_match_rows) return {};
  ViewStack stack = read_stack(small, small_source, {first, end - first, 1}, threads, hooks);
  smooth(stack, match_smoothing, threads);
  for (float& sample : stack.samples)
    sample = -std::log(std::max(sample, darkest));
  return stack;
}

/// Takes from every view what all have in common, in place. @param values  [view][sample], `compared` samples a view.
void take_common_away(float* values, std::size_t compared, int views) {
  Eigen::Map<Eigen::MatrixXf> by_view(values, Eigen::Index(compared), views);
  const Eigen::VectorXf common = by_view.rowwise().mean();
  by_view.colwise() -= common;
}

Eigen::Vector2d step_by(const Eigen::MatrixXf& slopes, const Eigen::VectorXf& rest) {
  const Eigen::Matrix2d normal = (slopes.transpose() * slopes).cast<double>();
  return -normal.ldlt().solve((slopes.transpose() * rest).cast<double>());
}

}  // namespace

MatchedPlace match_place(const Geometry& full, const ProjectionSource& source, const DetectorPlace& start, int threads,
                         const Hooks& hooks) {
  MatchedPlace result{start};
  Geometry placed = full;
  placed.detector.axis_column = start.axis_column;
  placed.detector.roll_rad = start.roll_rad;
  if (!view_set(full.angles_rad, full.beam == Beam::parallel ? pi : 2 * pi).closed ||
      automatic_coverage(placed) == Coverage::displaced)
    return result;
  const int bin = together_for(full.detector.columns, most_match_columns);
  ViewStack stack = stack_for(placed, source, bin, threads, hooks);
  if (stack.samples.empty()) return result;
  const Detector d = stack.geometry.detector;
  const double margin_mm = d.columns / 2.0 * std::sin(turned_by) * stack.geometry.virtual_row_pitch_mm();
  const MatchedViews views(std::move(stack), margin_mm, threads);
  if (views.cut_off()) return result;

  // In pixels at the axis and, for the roll, at a third of the width.
  const double lever = d.columns / 3.0;
  Eigen::Vector2d at = Eigen::Vector2d::Zero();
  int evaluations = 0;
  const auto left_over = [&](const Eigen::Vector2d& by, int again) {
    hooks.report("projecting the volume again", std::min(1.0, evaluations++ / 7.0));
    if (hooks.stop()) throw Cancelled("stopped");
    Geometry geometry = views.geometry();
    geometry.detector.axis_column += by[0];
    geometry.detector.roll_rad += by[1] / lever;
    return views.left_over(geometry, MatchedViews::Compared::transmissions, again);
  };
  Eigen::MatrixXf slopes;
  for (const int parameter : {0, 1}) {
    const Eigen::Vector2d by = shifted * Eigen::Vector2d::Unit(parameter);
    const Eigen::VectorXf slope = (left_over(by, 0) - left_over(-by, 0)) / float(2 * shifted);
    slopes.conservativeResize(slope.size(), parameter + 1);
    slopes.col(parameter) = slope;
  }
  // Twice leaves less of what interpolation does, but more of what the cone does.
  const double steepest =
      views.geometry().beam == Beam::cone ? d.rows / 2.0 * d.row_pitch_mm / views.geometry().sdd_mm : 0;
  const int again = steepest < nearly_level ? 2 : 1;
  Eigen::VectorXf rest;
  for (int i = 0; i < most_fits && !result.converged; ++i) {
    rest = left_over(at, again);
    const Eigen::Vector2d step = step_by(slopes, rest);
    if (!(step.norm() < 2)) return result;
    at += step;
    result.converged = step.norm() < small_step;
  }
  hooks.report("projecting the volume again", 1);
  Eigen::Matrix2d in_pixels = Eigen::Matrix2d::Zero();
  in_pixels.diagonal() << bin, 1 / lever;
  result.place.axis_column += bin * at[0];
  result.place.roll_rad += at[1] / lever;
  const Eigen::Matrix2d floor = least_error * least_error * Eigen::Matrix2d::Identity();
  Eigen::Matrix2d covariance = clustered_covariance(views, slopes, rest) + floor;
  // Rings, drifting gain, scatter and a wrong level of air stand still while the part turns, and noise does not tell of
  // them: how far the place moves without what all views have in common does.
  take_common_away(rest.data(), views.compared(), views.views());
  for (const int parameter : {0, 1})
    take_common_away(slopes.col(parameter).data(), views.compared(), views.views());
  const Eigen::Vector2d without = step_by(slopes, rest) / covered;
  covariance += without.cwiseAbs2().asDiagonal();
  result.covariance = in_pixels * covariance * in_pixels;
  return result;
}

}  // namespace rayloom
