#include "rayloom/align/align.h"

#include <algorithm>
#include <cmath>

#include "rayloom/align/level_rays.h"
#include "rayloom/align/limits.h"
#include "rayloom/align/matched_place.h"
#include "rayloom/align/opposite_rays.h"
#include "rayloom/align/plane_consistency.h"
#include "rayloom/align/sharpness.h"
#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/reduce.h"

namespace rayloom {

namespace {

constexpr int most_rows = 16;         // where rows only add to each other (fan, or a single row) ..
constexpr int most_rolled_rows = 64;  // .. and where the roll shows along them (parallel)
constexpr int least_rolled_rows = 8;
constexpr double searched_roll = 3 * pi / 180;
constexpr double likely_roll = 2 * pi / 180;          // of detectors that nobody has squared up (common practice)
constexpr int first_columns = 64, first_views = 120;  // of the first search
constexpr double searched = 0.25;                     // of the width, either side of the middle
constexpr double alike_measure = 0.5;  // measure above which opposite rays have too little in common to be compared
constexpr double seam_factor =
    1.5;  // on the deviation of a half turn's ends, whose errors hang together along the rows
constexpr double cone_factor = 1.3;            // likewise for a cone's opposite rays, which are few and cross
constexpr double roll_per_slope = 0.14;        // rad by which lines of a cone beam may be astray, for their slope
constexpr double axis_per_slope = 0.0125;      // likewise widths of the detector
constexpr double plane_factor = 1.7;           // likewise for planes of narrow cones, whose lines are few
constexpr double least_deviation = 0.003;      // pixels: what interpolation alone leaves
constexpr double least_roll_deviation = 2e-5;  // rad
constexpr double degrees_known = 0.5;
constexpr double wander_noticed = 0.1;  // columns: an axis wrong by more shows in the volume (common practice)
constexpr int most_plane_pixels = 256, most_plane_views = 360;  // of which all rows are held together

Estimate undetermined(std::string reason) {
  return {.determined = false, .reason = std::move(reason)};
}

/// The roll from planes through two sources, with the axis as found (in pixels of `full`).
PlaneFit fit_planes(const Geometry& full, const ProjectionSource& source, const DetectorPlace& found, int threads,
                    const Hooks& hooks) {
  const int bin = together_for(full.detector.columns, most_plane_pixels),
            nth = together_for(int(full.angles_rad.size()), most_plane_views);
  const auto [small, small_source] = reduced(full, source, nth, bin);
  const Detector& d = small.detector;
  if (d.rows < least_rolled_rows) return {};
  const int count = std::min(d.rows, most_plane_pixels);
  const int first = std::clamp(int(std::lround(d.midplane_row)) - count / 2, 0, d.rows - count);
  const PlaneConsistency planes(read_stack(small, small_source, {first, count, 1}, threads, hooks),
                                {(found.axis_column + 0.5) / bin - 0.5, found.roll_rad}, threads);
  if (hooks.stop()) throw Cancelled("stopped");
  return planes.fit();
}

/// Where the measure is least over the middle half of the detector.
DetectorPlace search(const OppositeRays& rays, const Detector& detector, int views) {
  const double middle = (detector.columns - 1) / 2.0, reach = searched * detector.columns;
  const int stride = std::max(1, views / first_views);
  DetectorPlace best{middle, detector.roll_rad};
  double least = INFINITY;
  for (double column = middle - reach; column <= middle + reach; column += 0.5)
    if (const OppositeMisfit misfit = rays.misfit({column, detector.roll_rad}, stride);
        misfit.pairs > 0 && misfit.measure() < least) {
      least = misfit.measure();
      best.axis_column = column;
    }
  return best;
}

/// Of two values by their certainty.
double mean(double a, double a_deviation, double b, double b_deviation) {
  const double x = 1 / (a_deviation * a_deviation), y = 1 / (b_deviation * b_deviation);
  return (x * a + y * b) / (x + y);
}

/// By how much less certain two values are than they say, if they do not agree (Birge 1932, Phys. Rev. 40:207-227).
double apart(double a, double a_deviation, double b, double b_deviation) {
  return std::max(1.0, std::abs(a - b) / std::hypot(a_deviation, b_deviation));
}

/// What opposite rays say of axis and roll. Of a cone beam the mean of bands of lines about the midplane by their
/// certainty: narrow ones are true but noisy, wide ones less noisy but may be astray.
OppositeFit fit_rays(const OppositeRays& rays, const Geometry& geometry, const DetectorPlace& place, Adjust adjust) {
  if (geometry.beam != Beam::cone) return rays.fit(place, adjust);
  const auto of_lines = [&](double steepest) {
    OppositeFit fit = rays.fit(place, adjust, steepest);
    fit.covariance(0, 0) += std::pow(axis_per_slope * steepest * geometry.detector.columns, 2);
    fit.covariance(1, 1) += std::pow(roll_per_slope * steepest, 2);
    fit.covariance *= cone_factor * cone_factor;
    return fit;
  };
  OppositeFit result = of_lines(few_lines);
  if (adjust == Adjust::axis) return result;
  Eigen::Array2d weights = Eigen::Array2d::Zero(), sums = weights, least = Eigen::Array2d::Constant(INFINITY);
  for (const double steepest : {few_lines, 0.003, 0.005, 0.007, many_lines}) {
    const OppositeFit fit = steepest == few_lines ? result : of_lines(steepest);
    if (!fit.converged || !fit.roll_told) continue;
    const Eigen::Array2d variances = fit.covariance.diagonal();
    weights += 1 / variances;
    sums += Eigen::Array2d(fit.place.axis_column, fit.place.roll_rad) / variances;
    least = least.min(variances);
    result.converged = result.roll_told = true;
  }
  if (weights[0] > 0) {
    result.place = {sums[0] / weights[0], sums[1] / weights[1]};
    // They share lines, so that the mean is taken to be as uncertain as the best.
    result.covariance = least.matrix().asDiagonal();
  }
  return result;
}

/// The roll, beginning with that of opposite rays, and the axis once more where it is found with it.
void find_roll(const Geometry& full, const ProjectionSource& source, const OppositeFit& fit, int threads,
               const Hooks& hooks, Alignment& result) {
  if (!fit.roll_told) {
    result.roll_deg = undetermined("opposite rays change with it by no more than noise does");
    return;
  }
  double roll_rad = fit.place.roll_rad;
  double deviation = std::hypot(std::sqrt(std::max(fit.covariance(1, 1), 0.0)), least_roll_deviation);
  const MatchedPlace matched = match_place(full, source, {result.axis_column.value, roll_rad}, threads, hooks);
  if (const double own = std::sqrt(matched.covariance(1, 1)); matched.converged && own < deviation) {
    result.measure += "; then projections of the volume (Dengler 1989; Gursoy et al. 2017), least squares";
    // All rest on the same views, so that a mean is taken to be as uncertain as the better of two that agree.
    Estimate& axis = result.axis_column;
    const double rays_own = axis.uncertainty / deviations_stated, volume_own = std::sqrt(matched.covariance(0, 0));
    axis.uncertainty = deviations_stated * std::min(rays_own, volume_own) *
                       apart(axis.value, rays_own, matched.place.axis_column, volume_own);
    axis.value = mean(axis.value, rays_own, matched.place.axis_column, volume_own);
    deviation = own * apart(roll_rad, deviation, matched.place.roll_rad, own);
    roll_rad = matched.place.roll_rad;
  }
  if (full.beam == Beam::cone && full.detector.tilt_rad == 0 && full.detector.slant_rad == 0) {
    hooks.report("comparing planes", 0);
    const PlaneFit planes = fit_planes(full, source, {result.axis_column.value, roll_rad}, threads, hooks);
    if (planes.converged) {
      result.measure += "; roll: planes through two sources (Grangeat 1991; Aichert et al. 2015), least squares";
      const double of_planes = plane_factor * std::hypot(std::sqrt(planes.variance), least_roll_deviation);
      roll_rad = mean(roll_rad, deviation, planes.roll_rad, of_planes);
      deviation = std::min(deviation, of_planes);
    }
    hooks.report("comparing planes", 1);
  }
  const double uncertainty = deviations_stated * degrees(deviation);
  result.roll_deg = uncertainty < degrees_known
                        ? Estimate{true, degrees(roll_rad), uncertainty, {}}
                        : undetermined("it is uncertain by " + to_text(uncertainty, 2) + " degrees");
}

}  // namespace

void require_unmoved(const Geometry& geometry) {
  if (!geometry.part_moved_mm.empty())
    throw InvalidOption("views.part_moved_mm: given; must be absent, since the scan is compared with itself as taken");
}

Alignment align(const Geometry& full, const ProjectionSource& source, const AlignOptions& options, const Hooks& hooks) {
  full.validate();
  require_unmoved(full);
  ReconstructOptions{.threads = options.threads}.validate();
  const int threads = thread_count(options.threads);
  const int bin = std::max(1, full.detector.columns / most_columns_used);
  const int nth = std::max(1, int(full.angles_rad.size()) / most_views_used);
  const auto [small, small_source] = reduced(full, source, nth, bin);

  const int rows = small.detector.rows;
  const bool rolls = small.beam != Beam::fan && rows >= least_rolled_rows;
  const int together = std::max(1, rows / (rolls ? most_rolled_rows : most_rows));
  RowBand band{0, rows, together};
  if (small.beam == Beam::cone) {
    const double reach = small.detector.columns / 2.0 * std::sin(searched_roll + std::abs(small.detector.roll_rad)) +
                         many_lines * small.sdd_mm / small.detector.row_pitch_mm + 4;
    const int low = std::max(int(std::floor(small.detector.midplane_row - reach)), 0),
              high = std::min(int(std::ceil(small.detector.midplane_row + reach)), rows - 1);
    if (small.detector.midplane_row < 0 || small.detector.midplane_row > rows - 1 || low > high) {
      Alignment result;
      result.axis_column = undetermined("the midplane (row " + to_text(full.detector.midplane_row, 5) +
                                        ") lies off the detector, so that no ray has an opposite one");
      return result;
    }
    band = {low, high - low + 1, 1};
  }
  const Adjust adjust = rolls ? Adjust::axis_and_roll : Adjust::axis;
  std::vector<ViewStack> levels;
  levels.push_back(read_stack(small, small_source, band, threads, hooks));
  while (levels.back().geometry.detector.columns > first_columns)
    levels.push_back(halved(levels.back()));

  // A full turn has all its opposite rays, which know the roll without.
  const bool levelled = rolls && small.beam == Beam::cone && !view_set(small.angles_rad, 2 * pi).closed;
  Alignment result;
  result.measure = "opposite rays (Kak & Slaney 1988, ch. 3), least squares";
  DetectorPlace place;
  OppositeFit fit;
  bool seam = false;
  ViewStack sharp;
  for (auto level = levels.rbegin(); level != levels.rend(); ++level) {
    hooks.report("comparing opposite rays", double(level - levels.rbegin()) / double(levels.size()));
    if (hooks.stop()) throw Cancelled("stopped");
    const OppositeRays rays(*level, threads);
    if (!rays.any()) {
      result.axis_column = undetermined("no ray has an opposite one");
      return result;
    }
    seam = rays.seam_only();
    // Views that move by more than a pixel can only be interpolated once they are as smooth.
    if (seam && !rolls && level + 1 == levels.rend()) sharp = *level;  // before it is smoothed
    // Small scans have one level, before which no place is known.
    const bool placed =
        level != levels.rbegin() && place.axis_column >= 0 && place.axis_column <= level->geometry.detector.columns - 1;
    if (levelled && placed && level + 1 == levels.rend()) {
      level->geometry.detector.axis_column = place.axis_column;
      level->geometry.detector.roll_rad = place.roll_rad;
      make_rays_level(*level, rays.views_compared(), threads, hooks);
      result.measure += "; what rays beside the midplane meet more than level ones taken off by the volume";
    }
    const double moved = level->geometry.detector.columns / 2.0 * 2 * pi / double(level->views()) * (seam ? 0.5 : 0);
    for (float& sample : level->samples)
      sample = std::exp(-sample);
    smooth(*level, std::clamp(int(std::ceil(moved * moved)), 2, 60), threads);
    if (level == levels.rbegin()) {
      place = search(rays, level->geometry.detector, level->views());
    }
    fit = fit_rays(rays, level->geometry, place, adjust);
    double by_roll = 0;
    if (rolls && !(fit.converged && fit.roll_told)) {  // the roll stays, and what it may be is the axis's uncertainty
      by_roll = fit.axis_per_roll * likely_roll / deviations_stated;
      fit = fit_rays(rays, level->geometry, {place.axis_column, small.detector.roll_rad}, Adjust::axis);
    }
    fit.covariance(0, 0) += by_roll * by_roll;
    place = fit.place;
    if (level == levels.rbegin())
      if (const double measure = rays.misfit(place).measure(); !(measure < alike_measure)) {
        result.axis_column = undetermined(
            "opposite rays do not see the same wherever in the detector's middle half the axis is put (measure " +
            to_text(measure, 2) + ", must be below " + to_text(alike_measure) +
            (small.beam == Beam::cone ? "); they meet in the midplane alone: does it cross the part?" : ")"));
        return result;
      }
    if (level + 1 == levels.rend())
      for (int i = -20; i <= 20; ++i) {
        const double column = place.axis_column + 0.25 * i;
        if (const OppositeMisfit misfit = rays.misfit({column, place.roll_rad}); misfit.pairs > 0)
          result.curve.push_back({(column + 0.5) * bin - 0.5, misfit.measure()});
      }
    else {
      place.axis_column = (place.axis_column + 0.5) * 2 - 0.5;
    }
  }
  hooks.report("comparing opposite rays", 1);
  double deviation = std::hypot(std::sqrt(std::max(fit.covariance(0, 0), 0.0)), least_deviation);
  if (seam) {
    deviation *= seam_factor;
    result.measure = "the ends of the half turn as opposite views, least squares";
    // Slices of a rolled detector are not sharp anywhere, and many rows know the axis well enough.
    if (const auto sharpest = rolls ? SharpestAxis() : sharpest_axis(sharp, place.axis_column, 1.0, threads);
        sharpest.found) {
      result.measure += ", and the least total variation of slices (Donath et al. 2006)";
      const double disagreement = apart(place.axis_column, deviation, sharpest.axis_column, sharpest.deviation);
      const double precision = 1 / (deviation * deviation) + 1 / (sharpest.deviation * sharpest.deviation);
      place.axis_column = mean(place.axis_column, deviation, sharpest.axis_column, sharpest.deviation);
      deviation = disagreement / std::sqrt(precision);
    }
  }
  const double uncertainty = deviations_stated * deviation * bin;
  if (!fit.converged || !(uncertainty < pixels_known * bin)) {
    result.axis_column = undetermined(fit.converged ? "it is uncertain by " + to_text(uncertainty, 2) + " pixels"
                                                    : "opposite rays lead to no certain place");
    return result;
  }
  result.axis_column = {true, (place.axis_column + 0.5) * bin - 0.5, uncertainty, {}};
  if (rolls) find_roll(full, source, fit, threads, hooks, result);
  if (const double wanders = fit.axis_wanders * bin; wanders > wander_noticed) {
    result.axis_wanders = wanders;
    result.axis_column.uncertainty = std::max(result.axis_column.uncertainty, deviations_stated * wanders);
  }
  return result;
}

}  // namespace rayloom
