#include "rayloom/geometry/geometry.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <limits>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

/// A plane detector's own axes in a view, after roll, tilt and slant about the unturned n, e_u, e_v.
struct Plane {
  Vec3 a, b, m;  // along columns, upwards along rows, normal
};

Plane plane_of(const Detector& detector, const ViewFrame& frame) {
  if (!detector.turned()) return {frame.e_u, frame.e_v, frame.n};
  const Eigen::Matrix3d turn =
      (Eigen::AngleAxisd(detector.slant_rad, frame.e_v) * Eigen::AngleAxisd(detector.tilt_rad, frame.e_u) *
       Eigen::AngleAxisd(detector.roll_rad, frame.n))
          .toRotationMatrix();
  return {turn * frame.e_u, turn * frame.e_v, turn * frame.n};
}

void require(bool holds, const std::string& key, double value, const std::string& must) {
  if (!holds) throw InvalidOption(key + ": " + to_text(value) + "; must " + must);
}

}  // namespace

ViewFrame::ViewFrame(double angle_rad)
    : e_u(std::cos(angle_rad), std::sin(angle_rad), 0), e_v(0, 0, 1), n(std::sin(angle_rad), -std::cos(angle_rad), 0) {}

void Geometry::validate() const {
  const Detector& d = detector;
  require(d.columns >= 1, "detector.columns", d.columns, "be at least 1");
  require(d.rows >= 1, "detector.rows", d.rows, "be at least 1");
  require(d.column_pitch_mm > 0 && std::isfinite(d.column_pitch_mm), "detector.column_pitch_mm", d.column_pitch_mm,
          "be above 0");
  require(d.row_pitch_mm > 0 && std::isfinite(d.row_pitch_mm), "detector.row_pitch_mm", d.row_pitch_mm, "be above 0");
  require(std::isfinite(d.axis_column), "detector.axis_column", d.axis_column, "be a number");
  require(std::isfinite(d.midplane_row), "detector.midplane_row", d.midplane_row, "be a number");

  if (beam != Beam::parallel) {
    require(sod_mm > 0 && std::isfinite(sod_mm), "source_to_object_mm", sod_mm, "be above 0");
    require(sdd_mm > sod_mm && std::isfinite(sdd_mm), "source_to_detector_mm", sdd_mm,
            "be above source_to_object_mm (" + to_text(sod_mm) + ")");
  }
  if (d.shape == DetectorShape::arc) {
    if (beam != Beam::fan)
      throw InvalidOption("detector.shape: \"arc\" with beam \"" + to_string(beam) +
                          "\"; must be \"flat\" unless the beam is fan");
    const double reach = std::max(d.axis_column + 0.5, d.columns - 0.5 - d.axis_column) * d.column_pitch_mm / sdd_mm;
    require(reach < radians(80), "detector.columns", d.columns, "span less than 80 degrees on either side of the axis");
  }
  const double limit = radians(60);
  const bool roll_allowed = beam != Beam::fan;
  const bool slant_allowed = beam == Beam::cone || (beam == Beam::fan && d.shape == DetectorShape::flat && d.rows == 1);
  const std::string why = " for beam " + to_string(beam) + (beam == Beam::fan ? " (slant: one flat row only)" : "");
  require(d.roll_rad == 0 || roll_allowed, "detector.roll_deg", degrees(d.roll_rad), "be 0" + why);
  require(d.tilt_rad == 0 || beam == Beam::cone, "detector.tilt_deg", degrees(d.tilt_rad), "be 0" + why);
  require(d.slant_rad == 0 || slant_allowed, "detector.slant_deg", degrees(d.slant_rad), "be 0" + why);
  require(std::abs(d.roll_rad) <= limit, "detector.roll_deg", degrees(d.roll_rad),
          "lie within 60 degrees of upright (use images.turned_deg for quarter turns)");
  require(std::abs(d.tilt_rad) <= limit, "detector.tilt_deg", degrees(d.tilt_rad), "lie within 60 degrees");
  require(std::abs(d.slant_rad) <= limit, "detector.slant_deg", degrees(d.slant_rad), "lie within 60 degrees");

  require(!angles_rad.empty(), "views.count", 0, "be at least 1");
  for (const double angle : angles_rad)
    require(std::isfinite(angle), "views", degrees(angle), "hold finite angles");
  require(part_moved_mm.empty() || part_moved_mm.size() == angles_rad.size(), "views.part_moved_mm",
          double(part_moved_mm.size()), "be one shift a view, " + std::to_string(angles_rad.size()));
  for (const Vec3& moved : part_moved_mm)
    require(moved.allFinite(), "views.part_moved_mm", moved.sum(), "hold finite shifts");
}

Pose Geometry::pose(std::size_t view) const {
  return part_moved_mm.empty() ? Pose(angles_rad[view]) : Pose(angles_rad[view], part_moved_mm[view]);
}

MovedReach Geometry::moved_reach() const {
  if (part_moved_mm.empty()) return {};
  MovedReach reach{0, part_moved_mm[0].z(), part_moved_mm[0].z()};
  for (const Vec3& moved : part_moved_mm) {
    reach.across_mm = std::max(reach.across_mm, moved.head<2>().norm());
    reach.z_low_mm = std::min(reach.z_low_mm, moved.z());
    reach.z_high_mm = std::max(reach.z_high_mm, moved.z());
  }
  return reach;
}

Geometry with_views(const Geometry& geometry, std::span<const int> views) {
  Geometry some = geometry;
  some.angles_rad.clear();
  some.part_moved_mm.clear();
  for (const int view : views) {
    some.angles_rad.push_back(geometry.angles_rad[std::size_t(view)]);
    if (!geometry.part_moved_mm.empty()) some.part_moved_mm.push_back(geometry.part_moved_mm[std::size_t(view)]);
  }
  return some;
}

ViewRays::ViewRays(const Geometry& geometry, const Pose& pose)
    : geometry_(geometry), pose_(pose), frame_(pose.angle_rad) {
  const Plane plane = plane_of(geometry.detector, frame_);
  along_ = plane.a;
  up_ = plane.b;
}

Ray ViewRays::to(DetectorPosition position) const {
  const Detector& d = geometry_.detector;
  const double u = (position.column - d.axis_column) * d.column_pitch_mm;
  const double v = (d.midplane_row - position.row) * d.row_pitch_mm;
  if (geometry_.beam == Beam::parallel) return {u * along_ + v * up_ - pose_.moved_mm, frame_.n};

  Vec3 source = -geometry_.sod_mm * frame_.n - pose_.moved_mm;
  if (geometry_.beam == Beam::cone) return {source, (geometry_.sdd_mm * frame_.n + u * along_ + v * up_).normalized()};
  source.z() += v;  // every row of a fan scan has its source in its own plane
  if (d.shape == DetectorShape::arc) {
    const double gamma = u / geometry_.sdd_mm;
    return {source, std::cos(gamma) * frame_.n + std::sin(gamma) * frame_.e_u};
  }
  return {source, (geometry_.sdd_mm * frame_.n + u * along_).normalized()};
}

Ray ray_to(const Geometry& geometry, const Pose& pose, DetectorPosition position) {
  return ViewRays(geometry, pose).to(position);
}

DetectorPosition project(const Geometry& geometry, const Pose& pose, const Vec3& point_mm) {
  const Detector& d = geometry.detector;
  const ViewFrame frame(pose.angle_rad);
  const Vec3 at = point_mm + pose.moved_mm;
  const Plane plane = plane_of(d, frame);
  const double t = at.dot(frame.e_u);
  const double depth = geometry.sod_mm + at.dot(frame.n);  // from the source along n
  const double height = at.z();

  double u = 0, v = height;
  if (geometry.beam == Beam::parallel) {
    const Vec3 on_detector = t * frame.e_u + height * frame.e_v;
    u = on_detector.dot(plane.a);
    v = on_detector.dot(plane.b);
  } else if (!(depth > 0)) {
    u = v = std::numeric_limits<double>::quiet_NaN();
  } else if (d.shape == DetectorShape::arc) {
    u = std::atan2(t, depth) * geometry.sdd_mm;
  } else {
    // The ray source + lambda (point - source) meets the plane through SDD n with normal m.
    Vec3 from_source = t * frame.e_u + depth * frame.n;
    if (geometry.beam == Beam::cone) from_source += height * frame.e_v;
    const double towards = from_source.dot(plane.m);
    const double lambda =
        towards > 0 ? geometry.sdd_mm * frame.n.dot(plane.m) / towards : std::numeric_limits<double>::quiet_NaN();
    const Vec3 on_detector = lambda * from_source - geometry.sdd_mm * frame.n;
    u = on_detector.dot(plane.a);
    if (geometry.beam == Beam::cone) v = on_detector.dot(plane.b);
  }
  return {d.midplane_row - v / d.row_pitch_mm, d.axis_column + u / d.column_pitch_mm};
}

std::string to_string(Beam beam) {
  switch (beam) {
    case Beam::parallel:
      return "parallel";
    case Beam::fan:
      return "fan";
    case Beam::cone:
      break;
  }
  return "cone";
}

std::string to_string(DetectorShape shape) {
  return shape == DetectorShape::flat ? "flat" : "arc";
}

}  // namespace rayloom
