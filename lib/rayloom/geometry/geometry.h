/// @file
/// Where every ray is: beams, the detector, and the way between a point of the part and a place on the detector.
///
///            z (axis, up)         View angle b (Kak & Slaney 1988, ch. 3):
///            |   e_v                e_u = (cos b, sin b, 0)     detector columns
///     source |    |                 e_v = (0, 0, 1)             detector rows, upwards
///        *---+----+--> n            n   = e_u x e_v = (sin b, -cos b, 0), away from the source
///        SOD | part    \e_u         source = -SOD n;  detector centre = (SDD - SOD) n
#pragma once
#include <Eigen/Core>
#include <span>
#include <string>
#include <vector>

namespace rayloom {

using Vec3 = Eigen::Vector3d;

inline constexpr double pi = 3.14159265358979323846;
constexpr double radians(double degrees) {
  return degrees * (pi / 180);
}
constexpr double degrees(double radians) {
  return radians * (180 / pi);
}

enum class Beam {
  parallel,  ///< Rows are slices; every ray at right angles to the axis.
  fan,       ///< Rows are independent slices, each with its own source in its plane, unmagnified along z.
  cone       ///< Point source, flat panel.
};
enum class DetectorShape {
  flat,
  arc  ///< Columns equally spaced in angle about the source (fan only); the pitch is along the arc at SDD.
};

/// The detector as seen in upright images: row 0 on top, columns rising along e_u.
/// Pixel (r, c) has its centre at u = (c - axis_column) column_pitch, v = (midplane_row - r) row_pitch.
struct Detector {
  int columns = 0, rows = 0;
  double column_pitch_mm = 0, row_pitch_mm = 0;
  double axis_column = 0;   ///< Column on which the rotation axis falls.
  double midplane_row = 0;  ///< Row on which the plane through the source perpendicular to the axis falls.
  /// Right-handed turns about the unturned n, e_u, e_v, in this order, about (axis_column, midplane_row).
  double roll_rad = 0, tilt_rad = 0, slant_rad = 0;
  DetectorShape shape = DetectorShape::flat;

  bool turned() const { return roll_rad != 0 || tilt_rad != 0 || slant_rad != 0; }
};

/// How the part stands in a view: turned with the table, and moved on it.
struct Pose {
  double angle_rad = 0;
  /// In the part frame, which turns with the table: what lay at x lies at x + moved_mm.
  Vec3 moved_mm = Vec3::Zero();
  Pose(double angle) : angle_rad(angle) {}  ///< A part that did not move.
  Pose(double angle, const Vec3& moved) : angle_rad(angle), moved_mm(moved) {}
};

/// How far a part moves over a scan.
struct MovedReach {
  double across_mm = 0;                ///< Farthest from its place, at right angles to the axis.
  double z_low_mm = 0, z_high_mm = 0;  ///< Least and greatest shift along the axis.
};

/// A scan's geometry. SOD and SDD are 0 for parallel beam.
struct Geometry {
  Beam beam = Beam::parallel;
  double sod_mm = 0;  ///< Source to rotation axis.
  double sdd_mm = 0;  ///< Source to detector along the ray through the origin.
  Detector detector;
  std::vector<double> angles_rad;   ///< One a view, in the order of the images.
  std::vector<Vec3> part_moved_mm;  ///< One a view, see Pose; empty: the part did not move.

  double magnification() const { return beam == Beam::parallel ? 1 : sdd_mm / sod_mm; }
  double virtual_column_pitch_mm() const { return detector.column_pitch_mm / magnification(); }
  /// Row spacing at the axis; fan beam does not magnify along z.
  double virtual_row_pitch_mm() const { return detector.row_pitch_mm / (beam == Beam::cone ? magnification() : 1); }
  Pose pose(std::size_t view) const;
  MovedReach moved_reach() const;
  /// @throws InvalidOption naming the scan-file key, its value and what must hold.
  void validate() const;
};

/// The same scan with these views only, in this order.
Geometry with_views(const Geometry& geometry, std::span<const int> views);

/// A straight line: origin + s direction, |direction| = 1. For fan and cone beam the origin is the source.
struct Ray {
  Vec3 origin, direction;
};

/// A place on the detector in fractional pixels of the upright image.
struct DetectorPosition {
  double row, column;
};

/// e_u, e_v, n of a view, unturned.
struct ViewFrame {
  Vec3 e_u, e_v, n;
  explicit ViewFrame(double angle_rad);
};

/// All rays of a view in the part frame, where a part that moved has its source and detector moved the other way. Keeps
/// the geometry by reference.
class ViewRays {
 public:
  ViewRays(const Geometry& geometry, const Pose& pose);
  /// The ray that meets the detector at (row, column).
  Ray to(DetectorPosition position) const;

 private:
  const Geometry& geometry_;
  Pose pose_;
  ViewFrame frame_;
  Vec3 along_, up_;  ///< The detector's own axes: along its columns, upwards along its rows.
};

/// A single ray of a view.
Ray ray_to(const Geometry& geometry, const Pose& pose, DetectorPosition position);

/// Where the ray through `point_mm` meets the detector, the inverse of `ray_to`. Not limited to the detector's size.
/// For fan and parallel beam, the point's own height is kept (rows are slices). Points at or behind the source give
/// NaN.
DetectorPosition project(const Geometry& geometry, const Pose& pose, const Vec3& point_mm);

std::string to_string(Beam beam);
std::string to_string(DetectorShape shape);

}  // namespace rayloom
