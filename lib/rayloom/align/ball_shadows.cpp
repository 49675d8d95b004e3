#include "rayloom/align/ball_shadows.h"

#include <Eigen/Dense>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

namespace rayloom {

namespace {

constexpr double between = 1;          // pixels beside each shadow that another leaves free
constexpr double least_left = 0.75;    // of the pixels about a shadow, when others have taken theirs
constexpr double least_ground = 3;     // pixels about the shadow ..
constexpr double ground_radii = 0.4;   // .. or so much of its radius
constexpr int most_rays = 5;           // a side of a pixel ..
constexpr double rays_radius_px = 12;  // .. about so many on the radius
constexpr int full_steps = 5;          // after which they are halved: where rays graze the ball, whole ones may swing
constexpr int most_steps = 20;         // of Gauss and Newton
constexpr double far_px = 0.03, far_ln = 0.01;  // steps that call for new derivatives
constexpr double farthest_shadow = 1;           // of the radius: a shadow this far off is another's
constexpr double unlike_radius = 0.4;           // ln of the radius
constexpr double step_px = 0.02;                // of the differences
constexpr double step_ln = 0.01;
constexpr double converged_px = 3e-4, converged_ln = 1e-4;  // a tenth of the bounds of the tests' shadows
constexpr int shape_parameters = 4, parameters = shape_parameters + 6;

using Shape = Eigen::Vector4d;  // shift along columns and rows (pixels), ln of radius and of attenuation

Vec3 normal_of(const Geometry& geometry, const ViewFrame& frame) {
  return Eigen::AngleAxisd(geometry.detector.slant_rad, frame.e_v) *
         (Eigen::AngleAxisd(geometry.detector.tilt_rad, frame.e_u) * frame.n);
}

/// Where a ball's shadow must be.
struct Expected {
  DetectorPosition middle;
  double radius_px, area_px2;
};

/// Pixels about one ball, without those of others.
class Patch {
 public:
  Patch(std::span<const float> view, const Geometry& geometry, double angle_rad, const Ball& ball,
        const Expected& expected, std::span<const Expected> others)
      : radius_mm_(ball.radius_mm), radius_px_(expected.radius_px) {
    const DetectorPosition middle = expected.middle;
    const ViewFrame frame(angle_rad);
    const Vec3 normal = normal_of(geometry, frame), source = -geometry.sod_mm * frame.n;
    const ViewRays rays(geometry, angle_rad);
    // Rays of one length along the normal are linear in row and column.
    const auto ray = [&](DetectorPosition at) {
      const Vec3 direction = rays.to(at).direction;
      return Vec3(direction / direction.dot(normal));
    };
    to_middle_ = ball.middle_mm - source;
    ray_ = ray(middle);
    by_column_ = ray({middle.row, middle.column + 1}) - ray_;
    by_row_ = ray({middle.row + 1, middle.column}) - ray_;
    rays_ = std::clamp(int(std::ceil(rays_radius_px / radius_px_)), 2, most_rays);
    const double reach = reach_of(radius_px_);
    for (int r = int(std::ceil(middle.row - reach)); r <= int(std::floor(middle.row + reach)); ++r)
      for (int c = int(std::ceil(middle.column - reach)); c <= int(std::floor(middle.column + reach)); ++c) {
        const double x = c - middle.column, y = r - middle.row;
        if (x * x + y * y > reach * reach) continue;
        ++all_;
        if (std::any_of(others.begin(), others.end(), [&](const Expected& other) {
              return distance_px(other.middle, {double(r), double(c)}) < shadow_reach * other.radius_px + between;
            }))
          continue;
        places_.push_back({x, y});
        values_.push_back(view[std::size_t(r) * std::size_t(geometry.detector.columns) + std::size_t(c)]);
      }
  }

  static double reach_of(double radius_px) {
    return shadow_reach * radius_px + std::max(least_ground, ground_radii * radius_px);
  }

  /// Whether others leave enough to tell the ground by.
  bool enough() const { return double(values_.size()) >= least_left * double(all_); }

  /// @return False if no ball fits.
  bool fit(Shape& shape, double& misfit) const {
    const Eigen::Index n = Eigen::Index(values_.size());
    if (n < 2 * parameters) return false;
    shape = first_guess();
    Eigen::MatrixXd slopes(n, parameters);
    const Eigen::VectorXd values = Eigen::Map<const Eigen::VectorXf>(values_.data(), n).cast<double>();
    for (Eigen::Index i = 0; i < n; ++i) {
      const double x = places_[std::size_t(i)].x() / radius_px_, y = places_[std::size_t(i)].y() / radius_px_;
      slopes.row(i).tail<6>() << 1, x, y, x * x, x * y, y * y;
    }
    Eigen::Matrix<double, 6, 1> ground;
    ground.setZero();
    bool far = true;
    for (int step = 0; step < most_steps; ++step) {
      const Eigen::VectorXd here = image(shape);
      for (int p = 0; p < shape_parameters && far; ++p) {
        const double by = p < 2 ? step_px : step_ln;
        slopes.col(p) = (image(shape + by * Shape::Unit(p)) - here) / by;
      }
      const Eigen::VectorXd weights = (-(here + slopes.rightCols<6>() * ground)).array().min(0).exp();
      const Eigen::VectorXd left = values - here;
      const Eigen::VectorXd found = (slopes.transpose() * weights.asDiagonal() * slopes)
                                        .ldlt()
                                        .solve(slopes.transpose() * weights.asDiagonal() * left);
      if (!found.allFinite()) return false;
      Shape by = found.head<shape_parameters>();
      by.head<2>() = by.head<2>().cwiseMax(-radius_px_ / 4).cwiseMin(radius_px_ / 4);
      by.tail<2>() = by.tail<2>().cwiseMax(-0.2).cwiseMin(0.2);
      if (step >= full_steps) by /= 2;
      shape += by;
      far = by.head<2>().norm() > far_px || by.tail<2>().norm() > far_ln;
      ground = found.tail<6>();
      if (shape.head<2>().norm() > farthest_shadow * radius_px_ || std::abs(shape[2]) > unlike_radius) return false;
      if (by.head<2>().norm() < converged_px && by.tail<2>().norm() < converged_ln) {
        const Eigen::VectorXd rest = left - slopes * found;
        misfit = std::sqrt((weights.array() * rest.array().square()).sum() / double(n - parameters));
        return true;
      }
    }
    return false;
  }

 private:
  /// As if it lay at its place; the attenuation from the middle against the rim.
  Shape first_guess() const {
    double middle = 0, inside = 0, rim = 0, outside = 0;
    const double near = std::max(radius_px_ / 2, 1.0);
    for (std::size_t i = 0; i < values_.size(); ++i) {
      const double from = places_[i].norm();
      if (from <= near) {
        middle += double(values_[i]);
        ++inside;
      } else if (from > shadow_reach * radius_px_ + 1) {
        rim += double(values_[i]);
        ++outside;
      }
    }
    const double height = middle / std::max(inside, 1.0) - rim / std::max(outside, 1.0);
    return {0, 0, 0, std::log(std::max(height, 1e-3) / (1.8 * radius_mm_))};
  }

  /// What the ball alone shows.
  Eigen::VectorXd image(const Shape& shape) const {
    const double radius2 = std::pow(radius_mm_ * std::exp(shape[2]), 2), twice = 2 * std::exp(shape[3]);
    Eigen::VectorXd image(Eigen::Index(places_.size()));
    const double edge = shadow_reach * radius_px_ * std::exp(shape[2]) + 1;
    for (std::size_t i = 0; i < places_.size(); ++i) {
      if ((places_[i] - shape.head<2>()).norm() > edge) {
        image[Eigen::Index(i)] = 0;
        continue;
      }
      double through = 0;
      for (int a = 0; a < rays_; ++a)
        for (int b = 0; b < rays_; ++b) {
          const double x = places_[i].x() - shape[0] + (a + 0.5) / rays_ - 0.5;
          const double y = places_[i].y() - shape[1] + (b + 0.5) / rays_ - 0.5;
          const Vec3 ray = ray_ + x * by_column_ + y * by_row_;
          const double from2 = ray.cross(to_middle_).squaredNorm() / ray.squaredNorm();
          through += from2 < radius2 ? std::exp(-twice * std::sqrt(radius2 - from2)) : 1;
        }
      image[Eigen::Index(i)] = -std::log(std::max(through / (rays_ * rays_), 1e-30));
    }
    return image;
  }

  double radius_mm_, radius_px_;
  Vec3 to_middle_, ray_, by_column_, by_row_;
  int rays_ = 2, all_ = 0;
  std::vector<Eigen::Vector2d> places_;  ///< Columns and rows from the middle.
  std::vector<float> values_;
};

}  // namespace

DetectorFoot::DetectorFoot(const Geometry& geometry) {
  const ViewFrame frame(0);
  const Vec3 normal = normal_of(geometry, frame);
  at = project(geometry, 0, geometry.sod_mm * (normal - frame.n));
  height_mm = geometry.sdd_mm * normal.dot(frame.n);
}

std::vector<std::optional<BallShadow>> measure_balls(std::span<const float> view, const Geometry& geometry,
                                                     double angle_rad, std::span<const Ball> balls) {
  const Detector& d = geometry.detector;
  const DetectorFoot foot(geometry);
  const ViewFrame frame(angle_rad);
  std::vector<Expected> seen;
  for (const Ball& ball : balls) {
    const DetectorPosition middle = project(geometry, angle_rad, ball.middle_mm);
    const double u = (middle.column - foot.at.column) * d.column_pitch_mm;
    const double v = (middle.row - foot.at.row) * d.row_pitch_mm;
    const double to_detector2 = foot.height_mm * foot.height_mm + u * u + v * v;
    const double to_ball2 = (ball.middle_mm + geometry.sod_mm * frame.n).squaredNorm();
    // The ellipse pi R^2 L^3/(h D^2): the ball's disc, larger by (L/D)^2, on a plane aslant by cos a = h/L.
    const double area_px2 = pi * ball.radius_mm * ball.radius_mm * std::pow(to_detector2, 1.5) /
                            (foot.height_mm * to_ball2 * d.column_pitch_mm * d.row_pitch_mm);
    seen.push_back({middle, std::sqrt(area_px2 / pi), area_px2});
  }
  std::vector<std::optional<BallShadow>> found(balls.size());
  for (std::size_t i = 0; i < balls.size(); ++i) {
    const Expected& one = seen[i];
    const double reach = Patch::reach_of(one.radius_px);
    if (one.middle.row - reach < 0 || one.middle.row + reach > d.rows - 1 || one.middle.column - reach < 0 ||
        one.middle.column + reach > d.columns - 1)
      continue;
    std::vector<Expected> others;
    bool touched = false;
    for (std::size_t j = 0; j < balls.size() && !touched; ++j) {
      if (i == j) continue;
      const double apart = distance_px(one.middle, seen[j].middle) - shadow_reach * seen[j].radius_px;
      if (apart < reach + between) others.push_back(seen[j]);
      touched = apart < shadow_reach * one.radius_px + 2 * between;
    }
    if (touched) continue;
    Shape shape;
    BallShadow shadow;
    const Patch patch(view, geometry, angle_rad, balls[i], one, others);
    if (!patch.enough() || !patch.fit(shape, shadow.misfit)) continue;
    shadow.shadow.centre = {one.middle.row + shape[1], one.middle.column + shape[0]};
    shadow.shadow.radius_px = one.radius_px * std::exp(shape[2]);
    shadow.shadow.size_px2 = one.area_px2 * std::exp(2 * shape[2]);
    shadow.shadow.height = 2 * balls[i].radius_mm * std::exp(shape[2] + shape[3]);
    shadow.shadow.clear = true;
    found[i] = shadow;
  }
  return found;
}

}  // namespace rayloom
