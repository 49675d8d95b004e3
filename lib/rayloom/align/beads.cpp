#include "rayloom/align/beads.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <numeric>

#include "rayloom/align/ball_shadows.h"
#include "rayloom/align/bead_certainty.h"
#include "rayloom/align/limits.h"
#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/median.h"
#include "rayloom/reconstruct/reduce.h"

namespace rayloom {

namespace {

constexpr int views_together = 32;  // where views are stored by row
constexpr std::size_t least_beads = 2;
constexpr std::size_t least_shadows = 8;  // of a track
constexpr double most_misfit = 1.5;       // of a shadow, against the median of its bead's
constexpr double most_misfit_px = 0.5;    // a worse fit is none
constexpr double far_off = 1.1;           // times what the scan file says: more than a ruler's error

/// Calls `take(view, samples)` for every view, in parallel.
template <class Take>
void each_view(const Geometry& geometry, const ProjectionSource& source, int threads, const Hooks& hooks,
               const std::string& step, const Take& take) {
  const int rows = geometry.detector.rows, columns = geometry.detector.columns, views = int(geometry.angles_rad.size());
  const int together = source.stored == ProjectionSource::Stored::by_row ? views_together : 1;
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns);
  const int pieces = (views + together - 1) / together;
  std::vector<std::vector<float>> held{std::size_t(threads)};
  std::atomic<int> done{0};
  parallel_for(pieces, threads, [&](int piece, int thread) {
    if (hooks.stop()) throw Cancelled("stopped");
    const int first = piece * together, count = std::min(together, views - first);
    std::vector<float>& block = held[std::size_t(thread)];
    block.resize(pixels * std::size_t(count));
    source.read(first, count, 0, rows, block);
    for (int i = 0; i < count; ++i)
      take(first + i, std::span<const float>(block).subspan(std::size_t(i) * pixels, pixels));
    const int so_far = ++done;
#pragma omp critical(rayloom_beads)
    hooks.report(step, double(so_far) / pieces);
  });
}

/// From the second moments of its shadows, R^2/5 of a ball's.
double radius_of(const FittedBead& bead, const Geometry& geometry) {
  std::vector<float> radii;
  for (const TrackPoint& point : bead.track) {
    const ViewFrame frame(geometry.angles_rad[std::size_t(point.view)]);
    const double magnified = geometry.sdd_mm / (geometry.sod_mm + bead.position_mm.dot(frame.n));
    const double spread_mm2 = (point.shadow.column_spread_px2 * std::pow(geometry.detector.column_pitch_mm, 2) +
                               point.shadow.row_spread_px2 * std::pow(geometry.detector.row_pitch_mm, 2)) /
                              2;
    radii.push_back(float(std::sqrt(5 * spread_mm2) / magnified));
  }
  return double(middle_of(radii));
}

/// Every bead that was found, measured again wherever it should be seen. A shadow with something else about it fits
/// worse than most of its bead's.
std::vector<BeadTrack> measured_again(const BeadFit& fit, const ProjectionSource& source, int threads,
                                      const Hooks& hooks) {
  const Geometry& geometry = fit.geometry;
  std::vector<Ball> balls;
  for (const FittedBead& bead : fit.beads)
    balls.push_back({bead.position_mm, radius_of(bead, geometry)});
  std::vector<std::vector<std::optional<BallShadow>>> seen(geometry.angles_rad.size());
  each_view(geometry, source, threads, hooks, "measuring beads", [&](int view, std::span<const float> samples) {
    seen[std::size_t(view)] = measure_balls(samples, geometry, geometry.angles_rad[std::size_t(view)], balls);
  });
  std::vector<BeadTrack> tracks;
  for (std::size_t i = 0; i < balls.size(); ++i) {
    std::vector<float> misfits;
    for (const auto& view : seen)
      if (view[i]) misfits.push_back(float(view[i]->misfit));
    if (misfits.size() < least_shadows) continue;
    const double most = most_misfit * double(middle_of(misfits));
    BeadTrack track;
    for (int view = 0; view < int(seen.size()); ++view)
      if (const auto& shadow = seen[std::size_t(view)][i]; shadow && shadow->misfit <= most)
        track.push_back({view, shadow->shadow});
    if (track.size() >= least_shadows) tracks.push_back(std::move(track));
  }
  return tracks;
}

/// How far a shadow may move from one view to the next, and beside a straight line: at most the turn's arc on the
/// detector's half width, and what the turn bends it.
double largest_step(const Geometry& geometry) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < geometry.angles_rad.size(); ++i)
    steps.push_back(std::abs(std::remainder(geometry.angles_rad[i] - geometry.angles_rad[i - 1], 2 * pi)));
  if (steps.empty()) return 0;
  std::nth_element(steps.begin(), steps.begin() + std::ptrdiff_t(steps.size() / 2), steps.end());
  return steps[steps.size() / 2];
}

KnownDistance farthest(const std::vector<FittedBead>& beads) {
  KnownDistance pair;
  for (std::size_t i = 0; i < beads.size(); ++i)
    for (std::size_t j = i + 1; j < beads.size(); ++j)
      if (const double mm = (beads[i].position_mm - beads[j].position_mm).norm(); mm > pair.mm) pair = {i, j, mm};
  return pair;
}

void require_distance(double mm) {
  if (!(mm > 0 && std::isfinite(mm))) throw InvalidOption("bead_distance: " + to_text(mm) + "; must be above 0 (mm)");
}

void check(const Geometry& geometry, const BeadOptions& options) {
  geometry.validate();
  ReconstructOptions{.threads = options.threads}.validate();
  if (geometry.beam != Beam::cone)
    throw InvalidOption("beam: \"" + to_string(geometry.beam) + "\"; must be \"cone\" to be aligned by beads");
  if (options.farthest_mm) require_distance(*options.farthest_mm);
  for (const KnownDistance& known : options.distances) {
    require_distance(known.mm);
    if (known.a == known.b)
      throw InvalidOption("bead_distance: of bead " + to_text(double(known.a + 1)) + " from itself; must be of two");
  }
}

/// The distances that are known, by the numbers of beads in `fit`.
std::vector<KnownDistance> known_distances(const BeadFit& fit, const BeadOptions& options) {
  std::vector<KnownDistance> known = options.distances;
  for (const KnownDistance& distance : known)
    if (const std::size_t last = std::max(distance.a, distance.b); last >= fit.beads.size())
      throw InvalidOption("bead_distance: of bead " + to_text(double(last + 1)) + "; must be one of the " +
                          to_text(double(fit.beads.size())) + " found");
  if (options.farthest_mm) {
    known.push_back(farthest(fit.beads));
    known.back().mm = *options.farthest_mm;
  }
  return known;
}

/// As it was given.
std::string in_words(const KnownDistance& known, const BeadOptions& options) {
  for (const KnownDistance& given : options.distances)
    if (given.a == known.a && given.b == known.b && given.mm == known.mm)
      return to_text(double(known.a + 1)) + "," + to_text(double(known.b + 1)) + "," + to_text(known.mm, 6);
  return to_text(known.mm, 6) + " of the two farthest apart";
}

void require_agreement(const CertainFit& shadows, const std::vector<KnownDistance>& distances,
                       const BeadOptions& options, int threads) {
  const auto found = contradiction(shadows, distances, threads);
  if (!found) return;
  std::string text = "bead_distance: ";
  text.append(in_words(found->one, options)).append(" and ").append(in_words(found->other, options));
  text.append(" contradict each other: if the first is right, the second must be ")
      .append(to_text(found->implied_mm, 5));
  text.append(" +- ").append(to_text(found->uncertainty_mm, 2)).append(" mm by the shadows");
  throw InvalidOption(text, "are the beads counted from the top, as in beads.csv? which distance is a mistake?");
}

/// A distance in the wrong unit, or of other beads, leads to another SOD.
void warn_if_far(const std::string& name, const Estimate& found, double given, bool by_distance, const Hooks& hooks) {
  const double times = found.value / given;
  if (!found.determined || (times <= far_off && times >= 1 / far_off)) return;
  std::string text = name + ": " + to_text(found.value, 5) + " mm found, ";
  text.append(to_text(times, 2)).append(" times the ").append(to_text(given, 5)).append(" of the scan file");
  text.append(by_distance ? "; is the bead distance right, in mm, and of these beads?" : "; is the pixel pitch right?");
  hooks.warn(text);
}

/// Numbers the beads from the top.
void sort_from_top(BeadFit& fit) {
  std::vector<Eigen::Index> order(fit.beads.size());
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](Eigen::Index a, Eigen::Index b) {
    return fit.beads[std::size_t(a)].position_mm.z() > fit.beads[std::size_t(b)].position_mm.z();
  });
  std::vector<FittedBead> beads;
  std::vector<Eigen::Index> in_covariance(first_place);
  std::iota(in_covariance.begin(), in_covariance.end(), 0);
  for (const Eigen::Index i : order) {
    beads.push_back(std::move(fit.beads[std::size_t(i)]));
    for (int axis = 0; axis < 3; ++axis)
      in_covariance.push_back(first_place + 3 * i + axis);
  }
  fit.beads = std::move(beads);
  fit.covariance = fit.covariance(in_covariance, in_covariance).eval();
}

std::vector<BeadTrack> tracks_of(const BeadFit& fit) {
  std::vector<BeadTrack> tracks;
  for (const FittedBead& bead : fit.beads)
    tracks.push_back(bead.track);
  return tracks;
}

}  // namespace

BeadAlignment align_by_beads(const Geometry& full, const ProjectionSource& source, const BeadOptions& options,
                             const Hooks& hooks) {
  check(full, options);
  require_unmoved(full);
  const int bin = std::max(1, full.detector.columns / most_columns_used);
  const int nth = std::max(1, int(full.angles_rad.size()) / most_views_used);
  const ReducedScan scan = reduced(full, source, nth, bin);
  const Geometry& small = scan.geometry;
  const int threads = thread_count(options.threads);
  std::vector<std::vector<BeadShadow>> shadows(small.angles_rad.size());
  each_view(small, scan.source, threads, hooks, "looking for beads", [&](int view, std::span<const float> samples) {
    shadows[std::size_t(view)] = find_bead_shadows(samples, small.detector.rows, small.detector.columns);
  });
  const double turn = largest_step(small), half = small.detector.columns / 2.0;
  const std::vector<BeadTrack> tracks =
      join_tracks(shadows, 1.5 * turn * half + 1, 1.5 * turn * turn * half, least_shadows);
  if (tracks.size() < least_beads)
    throw BadInput("beads found that can be followed over " + to_text(double(least_shadows)) +
                       " views: " + to_text(double(tracks.size())) + "; must be at least 2",
                   "beads must be round, far denser than their holder, narrower than a sixth of the view, and move by "
                   "little from view to view");

  const auto fit_with = [&](const Geometry& start, const std::vector<BeadTrack>& from,
                            const std::vector<KnownDistance>& distances, LeftOpen left) {
    return fit_what_is_determined(small, start, from, distances, left, bin, threads, hooks);
  };
  CertainFit fitted = fit_with(small, tracks, {}, LeftOpen::taken_as_known);
  if (fitted.fit.beads.size() < least_beads || !(fitted.fit.deviation_px <= most_misfit_px))
    throw BadInput("beads: their shadows lie " + to_text(fitted.fit.deviation_px * bin, 2) +
                       " pixels off the orbits that fit them best; must lie within " + to_text(most_misfit_px * bin, 2),
                   "are the angles right, and their sense? must anything but the beads have turned?");

  const bool any_distance = options.farthest_mm || !options.distances.empty();
  fitted = fit_with(fitted.fit.geometry, measured_again(fitted.fit, scan.source, threads, hooks), {},
                    any_distance ? LeftOpen::taken_as_known : LeftOpen::counted);
  sort_from_top(fitted.fit);
  if (const auto distances = known_distances(fitted.fit, options); !distances.empty()) {
    require_agreement(fitted, distances, options, threads);
    Geometry start = fitted.fit.geometry;
    const KnownDistance& one = distances.front();
    start.sod_mm *= one.mm / (fitted.fit.beads[one.a].position_mm - fitted.fit.beads[one.b].position_mm).norm();
    if (!(start.sod_mm < start.sdd_mm))
      throw InvalidOption("bead_distance: " + to_text(one.mm) +
                          " mm puts the axis behind the detector; must be less than " +
                          to_text(one.mm * start.sdd_mm / start.sod_mm, 4));
    fitted = fit_with(start, tracks_of(fitted.fit), distances, LeftOpen::counted);
  }
  BeadFit& fit = fitted.fit;

  BeadAlignment found;
  const auto estimate = [&](BeadParameter p, double value, double unit) {
    if (!fitted.determined[std::size_t(p)])
      return Estimate{.determined = false, .reason = fitted.reasons[std::size_t(p)]};
    return Estimate{true, value, unit * fitted.uncertainty[std::size_t(p)], {}};
  };
  const Detector& d = fit.geometry.detector;
  found.axis_column = estimate(axis_column, (d.axis_column + 0.5) * bin - 0.5, bin);
  found.midplane_row = estimate(midplane_row, (d.midplane_row + 0.5) * bin - 0.5, bin);
  found.roll_deg = estimate(roll_rad, degrees(d.roll_rad), degrees(1));
  found.tilt_deg = estimate(tilt_rad, degrees(d.tilt_rad), degrees(1));
  found.slant_deg = estimate(slant_rad, degrees(d.slant_rad), degrees(1));
  found.sdd_mm = estimate(log_sdd, fit.geometry.sdd_mm, fit.geometry.sdd_mm);
  found.sod_mm = estimate(log_sod, fit.geometry.sod_mm, fit.geometry.sod_mm);
  warn_if_far("source_to_detector_mm", found.sdd_mm, full.sdd_mm, false, hooks);
  warn_if_far("source_to_object_mm", found.sod_mm, full.sod_mm, true, hooks);
  found.farthest = farthest(fit.beads);
  found.alike = fit.size_deviation;

  found.geometry = full;
  Detector& to = found.geometry.detector;
  if (found.axis_column.determined) to.axis_column = found.axis_column.value;
  if (found.midplane_row.determined) to.midplane_row = found.midplane_row.value;
  if (found.roll_deg.determined) to.roll_rad = radians(found.roll_deg.value);
  if (found.tilt_deg.determined) to.tilt_rad = radians(found.tilt_deg.value);
  if (found.slant_deg.determined) to.slant_rad = radians(found.slant_deg.value);
  if (found.sdd_mm.determined) found.geometry.sdd_mm = found.sdd_mm.value;
  if (found.sod_mm.determined) found.geometry.sod_mm = found.sod_mm.value;

  double squares = 0, count = 0;
  for (FittedBead& bead : fit.beads) {
    for (std::size_t k = 0; k < bead.track.size(); ++k) {
      TrackPoint& point = bead.track[k];
      point.view *= nth;
      BeadShadow& shadow = point.shadow;
      shadow.centre = {(shadow.centre.row + 0.5) * bin - 0.5, (shadow.centre.column + 0.5) * bin - 0.5};
      shadow.radius_px *= bin;
      shadow.column_spread_px2 *= bin * bin;
      shadow.row_spread_px2 *= bin * bin;
      bead.residual[k].row *= bin;
      bead.residual[k].column *= bin;
      if (!(bead.weight[k] > 0)) continue;
      squares += std::pow(bead.residual[k].row, 2) + std::pow(bead.residual[k].column, 2);
      count += 2;
    }
    bead.deviation_px *= bin;
  }
  found.rms_px = std::sqrt(squares / std::max(count, 1.0));
  found.beads = std::move(fit.beads);
  return found;
}

}  // namespace rayloom
