#include "rayloom/align/bead_fit.h"

#include <Eigen/Dense>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

#include "rayloom/align/ball_shadows.h"
#include "rayloom/prepare/median.h"

namespace rayloom {

namespace {

constexpr double difference_step[bead_parameters] = {1e-2, 1e-2, 1e-4, 1e-4, 1e-4, 1e-4, 1e-4};  // of the differences
constexpr double tukey = 4.685;                  // standard deviations at which a shadow counts no more
constexpr double least_centre_deviation = 2e-3;  // pixels, of a centre
constexpr double foreign = 6;                    // times the usual deviation: a track that is no bead of this scan
constexpr std::size_t most_tracks = 150;
constexpr double first_size_deviation = 0.1, least_size_deviation = 1e-5;
constexpr double distance_deviation = 1e-5;         // relative, of what is given as known
constexpr int loose_rounds = 3, strict_rounds = 3;  // of weights

using Vec2 = Eigen::Vector2d;
using Block = Eigen::Matrix<double, 2, bead_parameters + 3>;  // derivatives by parameters, then by x, y, z

/// What a view's shadows need of a geometry.
struct FittedDetector {
  const Geometry& geometry;
  DetectorFoot foot;

  explicit FittedDetector(const Geometry& g) : geometry(g), foot(g) {}

  Vec2 from_foot(const DetectorPosition& seen) const {
    const Detector& d = geometry.detector;
    return {(seen.column - foot.at.column) * d.column_pitch_mm, (foot.at.row - seen.row) * d.row_pitch_mm};
  }

  /// Seen less predicted, in pixels (column, row).
  Vec2 residual(const TrackPoint& point, const Vec3& position) const {
    const Detector& d = geometry.detector;
    const DetectorPosition& seen = point.shadow.centre;
    const DetectorPosition middle = project(geometry, geometry.angles_rad[std::size_t(point.view)], position);
    const Vec2 place = from_foot(seen);
    const double spread_mm2 = (point.shadow.column_spread_px2 * d.column_pitch_mm * d.column_pitch_mm +
                               point.shadow.row_spread_px2 * d.row_pitch_mm * d.row_pitch_mm) /
                              2;
    const Vec2 shift =
        8 * spread_mm2 / (2 * foot.height_mm * foot.height_mm + place.squaredNorm()) * place;  // see the header
    return {seen.column - shift.x() / d.column_pitch_mm - middle.column,
            seen.row + shift.y() / d.row_pitch_mm - middle.row};
  }

  /// Mean over a bead's shadows of ln(weight D^2 cos a/L^2).
  double log_size(const FittedBead& bead, const Vec3& position) const {
    double sum = 0, weights = 0;
    for (std::size_t k = 0; k < bead.track.size(); ++k) {
      const TrackPoint& point = bead.track[k];
      const double to_detector2 = foot.height_mm * foot.height_mm + from_foot(point.shadow.centre).squaredNorm();
      const ViewFrame frame(geometry.angles_rad[std::size_t(point.view)]);
      const double to_bead2 = (position + geometry.sod_mm * frame.n).squaredNorm();
      sum += bead.weight[k] * std::log(point.shadow.size_px2 * to_bead2 * foot.height_mm / std::pow(to_detector2, 1.5));
      weights += bead.weight[k];
    }
    return weights > 0 ? sum / weights : 0;
  }
};

/// The point nearest to all rays.
Vec3 triangulated(const Geometry& geometry, const BeadTrack& track) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Vec3 right = Vec3::Zero();
  for (const TrackPoint& point : track) {
    const Ray ray = ray_to(geometry, geometry.angles_rad[std::size_t(point.view)], point.shadow.centre);
    const Eigen::Matrix3d across = Eigen::Matrix3d::Identity() - ray.direction * ray.direction.transpose();
    normal += across;
    right += across * ray.origin;
  }
  return normal.ldlt().solve(right);
}

/// What is being fitted.
struct State {
  Geometry geometry;
  std::vector<Vec3> positions;
  double log_size = 0;  ///< Of every bead.
};

struct Problem {
  std::vector<FittedBead>& beads;
  const std::array<bool, bead_parameters>& adjust;
  std::span<const KnownDistance> distances;
  double size_deviation = first_size_deviation;

  /// Known less fitted, relative to what is known.
  static double residual(const KnownDistance& known, const State& state) {
    return 1 - (state.positions[known.a] - state.positions[known.b]).norm() / known.mm;
  }

  double size_information(const FittedBead& bead) const { return bead.size_weight / (size_deviation * size_deviation); }

  double cost(const State& state) const {
    const FittedDetector detector(state.geometry);
    double sum = 0;
    for (std::size_t i = 0; i < beads.size(); ++i)
      for (std::size_t k = 0; k < beads[i].track.size(); ++k) {
        const double square = detector.residual(beads[i].track[k], state.positions[i]).squaredNorm();
        sum += beads[i].weight[k] * square / (beads[i].deviation_px * beads[i].deviation_px);
      }
    for (std::size_t i = 0; i < beads.size(); ++i)
      sum += size_information(beads[i]) * std::pow(detector.log_size(beads[i], state.positions[i]) - state.log_size, 2);
    for (const KnownDistance& known : distances)
      sum += std::pow(residual(known, state) / distance_deviation, 2);
    return std::isfinite(sum) ? sum : INFINITY;
  }

  /// Normal equations; parameters that are not adjusted have a row of their own with nothing but 1 on the diagonal.
  void linearise(const State& state, Eigen::MatrixXd& normal, Eigen::VectorXd& right) const {
    const Eigen::Index size = first_place + 3 * Eigen::Index(beads.size());
    normal = Eigen::MatrixXd::Zero(size, size);
    right = Eigen::VectorXd::Zero(size);
    const BeadParameters at = parameters_of(state.geometry);
    std::vector<Geometry> less, more;
    for (int p = 0; p < bead_parameters; ++p) {
      BeadParameters below = at, above = at;
      below[std::size_t(p)] -= difference_step[p];
      above[std::size_t(p)] += difference_step[p];
      less.push_back(with_parameters(state.geometry, below));
      more.push_back(with_parameters(state.geometry, above));
    }
    std::vector<FittedDetector> below, above;
    for (int p = 0; p < bead_parameters; ++p) {
      below.emplace_back(less[std::size_t(p)]);
      above.emplace_back(more[std::size_t(p)]);
    }
    const FittedDetector here(state.geometry);
    const double move_mm = 1e-6 * state.geometry.sod_mm;
    for (std::size_t i = 0; i < beads.size(); ++i) {
      const Vec3& position = state.positions[i];
      Eigen::Matrix<double, bead_parameters + 3, bead_parameters + 3> sum;
      Eigen::Matrix<double, bead_parameters + 3, 1> sum_right;
      sum.setZero();
      sum_right.setZero();
      for (std::size_t k = 0; k < beads[i].track.size(); ++k) {
        if (!(beads[i].weight[k] > 0)) continue;
        const TrackPoint& point = beads[i].track[k];
        Block block = Block::Zero();  // of the prediction: minus the residual's
        for (int p = 0; p < bead_parameters; ++p)
          if (adjust[std::size_t(p)])
            block.col(p) =
                (below[std::size_t(p)].residual(point, position) - above[std::size_t(p)].residual(point, position)) /
                (2 * difference_step[p]);
        for (int axis = 0; axis < 3; ++axis) {
          const Vec3 by = Vec3::Unit(axis) * move_mm;
          block.col(bead_parameters + axis) =
              (here.residual(point, position - by) - here.residual(point, position + by)) / (2 * move_mm);
        }
        const double weight = beads[i].weight[k] / (beads[i].deviation_px * beads[i].deviation_px);
        sum += weight * block.transpose() * block;
        sum_right += weight * block.transpose() * here.residual(point, position);
      }
      const Eigen::Index own = first_place + 3 * Eigen::Index(i);
      normal.topLeftCorner<bead_parameters, bead_parameters>() += sum.topLeftCorner<bead_parameters, bead_parameters>();
      normal.block<bead_parameters, 3>(0, own) = sum.topRightCorner<bead_parameters, 3>();
      normal.block<3, bead_parameters>(own, 0) = sum.bottomLeftCorner<3, bead_parameters>();
      normal.block<3, 3>(own, own) = sum.bottomRightCorner<3, 3>();
      right.head<bead_parameters>() += sum_right.head<bead_parameters>();
      right.segment<3>(own) = sum_right.tail<3>();

      Eigen::VectorXd by = Eigen::VectorXd::Zero(size);  // of the bead's mass
      by[bead_parameters] = 1;
      for (int p = 0; p < bead_parameters; ++p)
        if (adjust[std::size_t(p)])
          by[p] = (below[std::size_t(p)].log_size(beads[i], position) -
                   above[std::size_t(p)].log_size(beads[i], position)) /
                  (2 * difference_step[p]);
      for (int axis = 0; axis < 3; ++axis) {
        const Vec3 step_mm = Vec3::Unit(axis) * move_mm;
        by[own + axis] =
            (here.log_size(beads[i], position - step_mm) - here.log_size(beads[i], position + step_mm)) / (2 * move_mm);
      }
      const double information = size_information(beads[i]);
      normal += information * by * by.transpose();
      right += information * (here.log_size(beads[i], position) - state.log_size) * by;
    }
    for (const KnownDistance& known : distances) {
      const Vec3 along = (state.positions[known.a] - state.positions[known.b]).normalized() / known.mm;
      Eigen::VectorXd by = Eigen::VectorXd::Zero(size);
      by.segment<3>(first_place + 3 * Eigen::Index(known.a)) = along;
      by.segment<3>(first_place + 3 * Eigen::Index(known.b)) = -along;
      constexpr double information = 1 / (distance_deviation * distance_deviation);
      normal += information * by * by.transpose();
      right += information * residual(known, state) * by;
    }
    for (Eigen::Index i = 0; i < size; ++i)
      if (!(normal(i, i) > 0)) normal(i, i) = 1;
  }

  /// Marquardt's steps until the cost stays as it is.
  void solve(State& state) const {
    double damping = 1e-3, least = cost(state);
    Eigen::MatrixXd normal;
    Eigen::VectorXd right;
    for (int pass = 0; pass < 60; ++pass) {
      linearise(state, normal, right);
      bool better = false;
      double gained = 0;
      for (; damping < 1e12 && !better; damping *= better ? 1 : 10) {
        Eigen::MatrixXd damped = normal;
        damped.diagonal() *= 1 + damping;
        const Eigen::VectorXd by = damped.ldlt().solve(right);
        State next = moved(state, by);
        const double there = next.geometry.sod_mm < next.geometry.sdd_mm ? cost(next) : INFINITY;
        if (there < least) {
          gained = (least - there) / least;
          least = there;
          state = std::move(next);
          better = true;
        }
      }
      damping = std::max(damping / 10, 1e-9);
      if (!better || gained < 1e-9) return;
    }
  }

  State moved(const State& state, const Eigen::VectorXd& by) const {
    BeadParameters values = parameters_of(state.geometry);
    for (int p = 0; p < bead_parameters; ++p)
      if (adjust[std::size_t(p)]) values[std::size_t(p)] += by[p];
    State next{with_parameters(state.geometry, values), state.positions, state.log_size + by[bead_parameters]};
    for (std::size_t i = 0; i < beads.size(); ++i)
      next.positions[i] += by.segment<3>(first_place + 3 * Eigen::Index(i));
    return next;
  }

  void take_residuals(const State& state) const {
    const FittedDetector detector(state.geometry);
    for (std::size_t i = 0; i < beads.size(); ++i) {
      FittedBead& bead = beads[i];
      bead.position_mm = state.positions[i];
      for (std::size_t k = 0; k < bead.track.size(); ++k) {
        const Vec2 off = detector.residual(bead.track[k], state.positions[i]);
        bead.residual[k] = {off.y(), off.x()};
      }
      bead.size_residual = detector.log_size(bead, state.positions[i]) - state.log_size;
    }
  }
};

/// Standard deviation of one coordinate, from the median absolute value.
double robust_deviation(const FittedBead& bead) {
  std::vector<float> sizes;
  for (const DetectorPosition& off : bead.residual) {
    sizes.push_back(float(std::abs(off.row)));
    sizes.push_back(float(std::abs(off.column)));
  }
  return std::max(1.4826 * double(middle_of(sizes)), least_centre_deviation);
}

double usual_deviation(const std::vector<FittedBead>& beads) {
  std::vector<float> all;
  for (const FittedBead& bead : beads)
    all.push_back(float(robust_deviation(bead)));
  return double(middle_of(all));
}

/// How far beads are alike, those left out that are plainly not; their weights, less for those seen in fewer views.
double weigh_sizes(std::vector<FittedBead>& beads) {
  std::vector<float> sizes;
  std::size_t most = 1;
  for (const FittedBead& bead : beads) {
    sizes.push_back(float(std::abs(bead.size_residual)));
    most = std::max(most, bead.track.size());
  }
  const double usual = std::max(1.4826 * double(middle_of(sizes)), least_size_deviation);
  double squares = 0, count = 0;
  for (FittedBead& bead : beads) {
    const bool alike = std::abs(bead.size_residual) <= tukey * usual;
    bead.size_weight = alike ? double(bead.track.size()) / double(most) : 0;
    squares += bead.size_weight * bead.size_residual * bead.size_residual;
    count += alike;
  }
  // Of the mean and the tilt, two are lost; of so few that nothing is left, nothing is known.
  return count > 2 ? std::max(std::sqrt(squares / (count - 2)), least_size_deviation) : first_size_deviation;
}

FittedBead as_bead(BeadTrack track) {
  FittedBead bead;
  bead.weight.assign(track.size(), 1.0);
  bead.residual.assign(track.size(), {0, 0});
  bead.deviation_px = 1;
  bead.track = std::move(track);
  return bead;
}

/// Joins tracks that never share a view and lie at one place: within the bead. @return Whether there were any.
bool join_alike(std::vector<FittedBead>& beads, const Geometry& geometry) {
  const double pixel_mm = geometry.virtual_column_pitch_mm();
  bool any = false;
  for (std::size_t i = 0; i < beads.size(); ++i)
    for (std::size_t j = i + 1; j < beads.size();) {
      const double near = beads[i].track.front().shadow.radius_px * pixel_mm / 2;
      std::vector<bool> seen(geometry.angles_rad.size(), false);
      for (const TrackPoint& point : beads[i].track)
        seen[std::size_t(point.view)] = true;
      const bool together = std::any_of(beads[j].track.begin(), beads[j].track.end(),
                                        [&](const TrackPoint& point) { return seen[std::size_t(point.view)]; });
      if (together || (beads[i].position_mm - beads[j].position_mm).norm() > near) {
        ++j;
        continue;
      }
      BeadTrack track = beads[i].track;
      track.insert(track.end(), beads[j].track.begin(), beads[j].track.end());
      std::sort(track.begin(), track.end(), [](const TrackPoint& a, const TrackPoint& b) { return a.view < b.view; });
      const Vec3 position = (double(beads[i].track.size()) * beads[i].position_mm +
                             double(beads[j].track.size()) * beads[j].position_mm) /
                            double(track.size());
      beads[i] = as_bead(std::move(track));
      beads[i].position_mm = position;
      beads.erase(beads.begin() + std::ptrdiff_t(j));
      any = true;
    }
  return any;
}

/// How much larger the variance of a mean is than were neighbouring views' errors independent, (1 + r)/(1 - r) for
/// errors that hang together by r from one view to the next.
double hanging_together(const std::vector<FittedBead>& beads) {
  double products = 0, squares = 0;
  for (const FittedBead& bead : beads)
    for (std::size_t k = 0; k + 1 < bead.track.size(); ++k) {
      const double weight = bead.weight[k] * bead.weight[k + 1] / (bead.deviation_px * bead.deviation_px);
      const DetectorPosition &a = bead.residual[k], &b = bead.residual[k + 1];
      products += weight * (a.row * b.row + a.column * b.column);
      squares += weight * (a.row * a.row + a.column * a.column + b.row * b.row + b.column * b.column) / 2;
    }
  const double r = squares > 0 ? std::clamp(products / squares, 0.0, 0.9) : 0;
  return (1 + r) / (1 - r);
}

/// Fits with weights that follow the residuals, loosely at first, by bead later.
void fit_rounds(Problem& problem, State& state, int loose, int strict) {
  std::vector<FittedBead>& beads = problem.beads;
  for (int round = 0; round < loose + strict; ++round) {
    problem.solve(state);
    problem.take_residuals(state);
    const double usual = usual_deviation(beads);
    problem.size_deviation = weigh_sizes(beads);
    if (round + 1 == loose) {
      for (std::size_t i = beads.size(); i-- > 0;)
        if (robust_deviation(beads[i]) > foreign * usual && beads.size() > 1) {
          beads.erase(beads.begin() + std::ptrdiff_t(i));
          state.positions.erase(state.positions.begin() + std::ptrdiff_t(i));
        }
    }
    for (FittedBead& bead : beads) {
      const bool by_bead = round + 1 >= loose;
      bead.deviation_px = by_bead ? std::max(robust_deviation(bead), usual / 3) : usual;
      for (std::size_t k = 0; k < bead.track.size(); ++k) {
        const double t = std::hypot(bead.residual[k].row, bead.residual[k].column) / bead.deviation_px;
        if (by_bead)
          bead.weight[k] = t < tukey ? std::pow(1 - t * t / (tukey * tukey), 2) : 0;
        else
          bead.weight[k] = 1 / (1 + t * t / 4);
      }
    }
  }
}

}  // namespace

BeadParameters parameters_of(const Geometry& geometry) {
  const Detector& d = geometry.detector;
  return {d.axis_column,
          d.midplane_row,
          d.roll_rad,
          d.tilt_rad,
          d.slant_rad,
          std::log(geometry.sdd_mm),
          std::log(geometry.sod_mm)};
}

Geometry with_parameters(Geometry geometry, const BeadParameters& values) {
  Detector& d = geometry.detector;
  d.axis_column = values[axis_column];
  d.midplane_row = values[midplane_row];
  d.roll_rad = values[roll_rad];
  d.tilt_rad = values[tilt_rad];
  d.slant_rad = values[slant_rad];
  geometry.sdd_mm = std::exp(values[log_sdd]);
  geometry.sod_mm = std::exp(values[log_sod]);
  return geometry;
}

BeadFit fit_beads(const Geometry& start, std::vector<BeadTrack> tracks, const std::array<bool, bead_parameters>& adjust,
                  std::span<const KnownDistance> distances) {
  if (distances.empty()) {
    std::stable_sort(tracks.begin(), tracks.end(),
                     [](const BeadTrack& a, const BeadTrack& b) { return a.size() > b.size(); });
    tracks.resize(std::min(tracks.size(), most_tracks));
  }
  BeadFit fit;
  State state{start, {}};
  for (BeadTrack& track : tracks) {
    state.positions.push_back(triangulated(start, track));
    fit.beads.push_back(as_bead(std::move(track)));
  }
  Problem problem{fit.beads, adjust, distances};
  const FittedDetector first(start);
  std::vector<float> sizes_of_beads;
  for (std::size_t i = 0; i < fit.beads.size(); ++i)
    sizes_of_beads.push_back(float(first.log_size(fit.beads[i], state.positions[i])));
  state.log_size = double(middle_of(sizes_of_beads));
  fit_rounds(problem, state, distances.empty() ? loose_rounds : 0, strict_rounds);
  if (distances.empty() && join_alike(fit.beads, state.geometry)) {
    state.positions.clear();
    for (const FittedBead& bead : fit.beads)
      state.positions.push_back(bead.position_mm);
    fit_rounds(problem, state, 1, strict_rounds);
  }
  fit.geometry = state.geometry;
  fit.deviation_px = usual_deviation(fit.beads);
  fit.size_deviation = problem.size_deviation;

  Eigen::MatrixXd normal;
  Eigen::VectorXd right;
  problem.linearise(state, normal, right);
  double squares = 0, count = 0;
  for (const FittedBead& bead : fit.beads)
    for (std::size_t k = 0; k < bead.track.size(); ++k) {
      const DetectorPosition& off = bead.residual[k];
      squares +=
          bead.weight[k] * (off.row * off.row + off.column * off.column) / (bead.deviation_px * bead.deviation_px);
      count += 2 * bead.weight[k];
    }
  const double free = std::max(count - double(normal.rows()), 1.0);
  const Eigen::VectorXd scale = normal.diagonal().cwiseSqrt().cwiseInverse();  // of parameters of many sizes
  const Eigen::MatrixXd scaled = scale.asDiagonal() * normal * scale.asDiagonal();
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> parts(scaled);
  const Eigen::VectorXd inverse = parts.eigenvalues().cwiseMax(1e-15).cwiseInverse();  // what is not seen is unsure
  const Eigen::MatrixXd vectors = scale.asDiagonal() * parts.eigenvectors();
  fit.covariance =
      squares / free * hanging_together(fit.beads) * (vectors * inverse.asDiagonal() * vectors.transpose());
  for (int p = 0; p < bead_parameters; ++p)
    if (!adjust[std::size_t(p)]) fit.covariance(p, p) = 0;
  return fit;
}

MovedFit moved_fit(const BeadFit& fit, const Geometry& start, const std::array<bool, bead_parameters>& adjust,
                   std::span<const KnownDistance> distances) {
  std::vector<FittedBead> beads = fit.beads;
  const FittedDetector detector(start);
  State state{start, {}};
  for (const FittedBead& bead : beads) {
    state.positions.push_back(bead.position_mm);
    state.log_size += detector.log_size(bead, bead.position_mm) / double(beads.size());
  }
  const Problem problem{beads, adjust, distances, fit.size_deviation};
  problem.solve(state);
  return {parameters_of(state.geometry), std::move(state.positions)};
}

}  // namespace rayloom
