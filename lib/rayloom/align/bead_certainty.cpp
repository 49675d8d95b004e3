#include "rayloom/align/bead_certainty.h"

#include <cmath>

#include "rayloom/align/limits.h"
#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

// What blobs of few pixels, and ground that is not a plane, may leave in common to all views.
constexpr double least_pixels = 1e-3, least_angle = 2e-5, least_relative = 5e-5;
constexpr double least_deviations[bead_parameters] = {least_pixels, least_pixels,   least_angle,   least_angle,
                                                      least_angle,  least_relative, least_relative};

/// A parameter known no better than this is not determined.
constexpr double angle_known = 0.5 * pi / 180, relative_known = 0.01;
constexpr double known_within[bead_parameters] = {pixels_known, pixels_known,   angle_known,   angle_known,
                                                  angle_known,  relative_known, relative_known};

constexpr double distance_known = 1e-3;  // of what is given as known, relative

using Flags = std::array<bool, bead_parameters>;

/// Standard deviations of what is left open: half a range over sqrt 3.
BeadParameters open_deviations(const Detector& d) {
  BeadParameters half = {0.1 * d.columns, 0.1 * d.rows, radians(3), radians(3), radians(3), 0.03, 0.03};
  for (double& value : half)
    value /= std::sqrt(3);
  return half;
}

/// Fits with what is left open at the corners. All lengths scale with SOD, so that it moves nothing else unless a
/// distance is known.
std::vector<MovedFit> fits_at_corners(const BeadFit& fit, const Flags& determined,
                                      const std::vector<KnownDistance>& distances, int threads) {
  std::vector<int> open;
  for (int p = 0; p < bead_parameters; ++p)
    if (!determined[std::size_t(p)] && (p != log_sod || !distances.empty())) open.push_back(p);
  if (open.empty()) return {};
  const BeadParameters deviations = open_deviations(fit.geometry.detector), at = parameters_of(fit.geometry);
  std::vector<MovedFit> fits(std::size_t(1) << open.size());
  parallel_for(int(fits.size()), threads, [&](int corner, int) {
    BeadParameters values = at;
    for (std::size_t i = 0; i < open.size(); ++i)
      values[std::size_t(open[i])] += (corner >> i & 1 ? 1 : -1) * deviations[std::size_t(open[i])];
    fits[std::size_t(corner)] = moved_fit(fit, with_parameters(fit.geometry, values), determined, distances);
  });
  return fits;
}

std::string in_words(BeadParameter parameter, double uncertainty) {
  std::string text = "the beads leave it uncertain by ";
  if (parameter >= log_sdd)
    text.append(to_text(100 * uncertainty, 2)).append(" %");
  else if (parameter <= midplane_row)
    text.append(to_text(uncertainty, 2)).append(" pixels");
  else
    text.append(to_text(degrees(uncertainty), 2)).append(" degrees");
  return text;
}

/// Standard deviations of what is determined, all others taken as known.
BeadParameters deviations_of(const BeadFit& fit) {
  BeadParameters all{};
  for (int p = 0; p < bead_parameters; ++p)
    all[std::size_t(p)] = std::hypot(std::sqrt(std::max(fit.covariance(p, p), 0.0)), least_deviations[p]);
  return all;
}

void count_open(const BeadFit& fit, const std::vector<MovedFit>& corners, BeadParameters& deviations) {
  const BeadParameters at = parameters_of(fit.geometry);
  for (std::size_t p = 0; p < deviations.size(); ++p) {
    double squares = 0;
    for (const MovedFit& corner : corners)
      squares += std::pow(corner.values[p] - at[p], 2) / double(corners.size());
    deviations[p] = std::hypot(deviations[p], std::sqrt(squares));
  }
}

}  // namespace

CertainFit fit_what_is_determined(const Geometry& given, Geometry start, const std::vector<BeadTrack>& tracks,
                                  const std::vector<KnownDistance>& distances, LeftOpen left, int bin, int threads,
                                  const Hooks& hooks) {
  CertainFit certain;
  certain.determined.fill(true);
  if (distances.empty()) {
    certain.determined[log_sod] = false;
    certain.reasons[log_sod] = "shadows do not tell how far the beads are apart; give a distance";
  }
  const BeadParameters as_given = parameters_of(given);
  while (true) {
    if (hooks.stop()) throw Cancelled("stopped");
    certain.fit = fit_beads(start, tracks, certain.determined, distances);
    BeadParameters deviations = deviations_of(certain.fit);
    const auto worst = [&] {
      int at = -1;
      double most = 1;
      for (int p = 0; p < bead_parameters; ++p) {
        const double over = deviations_stated * deviations[std::size_t(p)] / known_within[p];
        if (!certain.determined[std::size_t(p)] || over <= most) continue;
        at = p;
        most = over;
      }
      return at;
    };
    int least_certain = worst();
    if (least_certain < 0 && left == LeftOpen::counted) {
      count_open(certain.fit, fits_at_corners(certain.fit, certain.determined, distances, threads), deviations);
      least_certain = worst();
    }
    for (std::size_t p = 0; p < deviations.size(); ++p)
      certain.uncertainty[p] = deviations_stated * deviations[p];
    if (least_certain < 0) return certain;
    const std::size_t p = std::size_t(least_certain);
    certain.determined[p] = false;
    certain.reasons[p] = in_words(BeadParameter(p), certain.uncertainty[p] * (least_certain <= midplane_row ? bin : 1));
    BeadParameters values = parameters_of(start);
    values[p] = as_given[p];
    start = with_parameters(start, values);
  }
}

std::optional<Contradiction> contradiction(const CertainFit& shadows, const std::vector<KnownDistance>& distances,
                                           int threads) {
  if (distances.size() < 2) return {};
  const BeadFit& fit = shadows.fit;
  std::vector<Vec3> places;
  for (const FittedBead& bead : fit.beads)
    places.push_back(bead.position_mm);
  const auto between = [](const std::vector<Vec3>& at, const KnownDistance& known) -> Vec3 {
    return at[known.a] - at[known.b];
  };
  // Derivatives of ln(distance) by all that was fitted.
  std::vector<Eigen::VectorXd> slopes;
  for (const KnownDistance& known : distances) {
    const Vec3 apart = between(places, known), by = apart / apart.squaredNorm();
    slopes.push_back(Eigen::VectorXd::Zero(fit.covariance.rows()));
    slopes.back().segment<3>(first_place + 3 * Eigen::Index(known.a)) = by;
    slopes.back().segment<3>(first_place + 3 * Eigen::Index(known.b)) = -by;
  }
  const std::vector<MovedFit> corners = fits_at_corners(fit, shadows.determined, {}, threads);
  std::optional<Contradiction> worst;
  double most = 1;
  for (std::size_t i = 0; i < distances.size(); ++i)
    for (std::size_t j = i + 1; j < distances.size(); ++j) {
      const auto ln_ratio = [&](const std::vector<Vec3>& at) {
        return std::log(between(at, distances[j]).norm() / between(at, distances[i]).norm());
      };
      const double seen = ln_ratio(places), off = std::log(distances[j].mm / distances[i].mm) - seen;
      const Eigen::VectorXd slope = slopes[j] - slopes[i];
      double variance = std::max(slope.dot(fit.covariance * slope), 0.0);
      for (const MovedFit& corner : corners)
        variance += std::pow(ln_ratio(corner.positions) - seen, 2) / double(corners.size());
      const double uncertainty = deviations_stated * std::sqrt(variance) + distance_known;
      if (!(std::abs(off) > most * uncertainty)) continue;
      most = std::abs(off) / uncertainty;
      const double implied = distances[i].mm * std::exp(seen);
      worst = {distances[i], distances[j], implied, implied * uncertainty};
    }
  return worst;
}

}  // namespace rayloom
