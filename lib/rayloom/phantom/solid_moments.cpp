#include "rayloom/phantom/solid_moments.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <vector>

namespace rayloom {

namespace {

/// A solid scaled to unit size: a ball of radius 1; a cylinder, cone or capsule of radius 1 about z with z from -half
/// to half (the capsule's straight part); a cube of edge 2. Volumes scale with the product of `scale`.
struct UnitSolid {
  struct Plane {
    Vec3 normal;  ///< Unit length.
    double offset;
  };
  Solid::Shape shape;
  double half;  ///< Along z, without a capsule's ends.
  Vec3 scale;
  std::vector<Plane> planes;
  bool empty = false;  ///< A plane keeps nothing.

  double z_high() const { return shape == Solid::Shape::capsule ? half + 1 : half; }

  double radius(double z) const {
    switch (shape) {
      case Solid::Shape::ellipsoid:
        return std::sqrt(std::max(0.0, 1 - z * z));
      case Solid::Shape::cone:
        return (half - z) / (2 * half);
      case Solid::Shape::capsule: {
        const double past = std::max(0.0, std::abs(z) - half);
        return std::sqrt(std::max(0.0, 1 - past * past));
      }
      case Solid::Shape::cylinder:
      case Solid::Shape::box:
        break;
    }
    return 1;
  }
};

constexpr double same_direction = 1e-12;  ///< Sine of the angle below which planes count as parallel.

UnitSolid unit_solid(const Solid& solid, const Eigen::Matrix3d& turn) {
  UnitSolid unit{solid.shape, solid.length_mm / 2, Vec3(solid.radius_mm, solid.radius_mm, 1), {}, false};
  if (solid.shape == Solid::Shape::ellipsoid) unit.scale = solid.semi_axes_mm;
  if (solid.shape == Solid::Shape::box) unit.scale = solid.size_mm / 2;
  if (solid.shape == Solid::Shape::cylinder) unit.scale = {solid.semi_axes_mm.x(), solid.semi_axes_mm.y(), 1};
  if (solid.shape == Solid::Shape::capsule) unit.scale.z() = solid.radius_mm;
  if (solid.shape == Solid::Shape::ellipsoid || solid.shape == Solid::Shape::box) unit.half = 1;
  if (solid.shape == Solid::Shape::capsule) unit.half /= solid.radius_mm;
  const Vec3 corner(1, 1, unit.z_high());
  for (const auto& clip : solid.clip) {
    const Vec3 normal = (turn.transpose() * clip.normal).cwiseProduct(unit.scale);
    const double length = normal.norm(), offset = (clip.offset_mm - clip.normal.dot(solid.centre_mm)) / length;
    const UnitSolid::Plane plane{normal / length, offset};
    const double reach = plane.normal.cwiseAbs().dot(corner);
    if (offset <= -reach) unit.empty = true;
    const bool known = std::any_of(unit.planes.begin(), unit.planes.end(), [&](const UnitSolid::Plane& other) {
      return plane.normal == other.normal && plane.offset >= other.offset;
    });
    if (offset < reach && !known) unit.planes.push_back(plane);
  }
  return unit;
}

struct Moments {
  double volume = 0;
  Vec3 first = Vec3::Zero();
  Moments& operator+=(const Moments& other) {
    volume += other.volume;
    first += other.first;
    return *this;
  }
  Moments scaled(double factor) const { return {volume * factor, first * factor}; }
};

/// Area and first moments of the triangle from the origin to a and b within the disc of radius r about it.
void add_disc_triangle(const Eigen::Vector2d& a, const Eigen::Vector2d& b, double r, Moments& sum) {
  const auto cross = [](const Eigen::Vector2d& p, const Eigen::Vector2d& q) { return p.x() * q.y() - p.y() * q.x(); };
  const auto triangle = [&](const Eigen::Vector2d& p, const Eigen::Vector2d& q) {
    const double area = cross(p, q) / 2;
    sum += {area, Vec3((p.x() + q.x()) * area / 3, (p.y() + q.y()) * area / 3, 0)};
  };
  const auto sector = [&](const Eigen::Vector2d& p, const Eigen::Vector2d& q) {
    const double from = std::atan2(p.y(), p.x()), to = from + std::atan2(cross(p, q), p.dot(q)), r3 = r * r * r / 3;
    sum +=
        {r * r * (to - from) / 2, Vec3(r3 * (std::sin(to) - std::sin(from)), r3 * (std::cos(from) - std::cos(to)), 0)};
  };
  const Eigen::Vector2d d = b - a;
  const double qa = d.squaredNorm(), qb = a.dot(d), root = qb * qb - qa * (a.squaredNorm() - r * r);
  if (qa == 0) return;
  const double t0 = root > 0 ? std::clamp((-qb - std::sqrt(root)) / qa, 0.0, 1.0) : 1;
  const double t1 = root > 0 ? std::clamp((-qb + std::sqrt(root)) / qa, 0.0, 1.0) : 1;
  if (t0 < t1) {
    const Eigen::Vector2d in = a + t0 * d, out = a + t1 * d;
    if (t0 > 0) sector(a, in);
    triangle(in, out);
    if (t1 < 1) sector(out, b);
  } else {
    sector(a, b);
  }
}

/// Area and first moments (volume is an area here) of the section at height z.
Moments section(const UnitSolid& unit, double z) {
  const double r = unit.radius(z);
  std::vector<Eigen::Vector2d> polygon{{-r, -r}, {r, -r}, {r, r}, {-r, r}}, kept;
  for (const auto& plane : unit.planes) {
    const auto above = [&](const Eigen::Vector2d& p) {
      return plane.normal.head<2>().dot(p) + plane.normal.z() * z - plane.offset;
    };
    kept.clear();
    for (std::size_t i = 0; i < polygon.size(); ++i) {
      const Eigen::Vector2d &p = polygon[i], &q = polygon[(i + 1) % polygon.size()];
      const double hp = above(p), hq = above(q);
      if (hp <= 0) kept.push_back(p);
      if ((hp < 0 && hq > 0) || (hp > 0 && hq < 0)) kept.push_back(p + (q - p) * (hp / (hp - hq)));
    }
    polygon.swap(kept);
  }
  Moments sum;
  // Edges of a polygon give triangles with the origin, signed. A box has no disc to cut them: one that holds its
  // square.
  const double disc = unit.shape == Solid::Shape::box ? 2 : r;
  for (std::size_t i = 0; i < polygon.size(); ++i)
    add_disc_triangle(polygon[i], polygon[(i + 1) % polygon.size()], disc, sum);
  sum.first.z() = z * sum.volume;
  return sum;
}

/// A polyhedron: between the heights of its corners a section's moments are cubic in z, for which Gauss's
/// two points are exact.
Moments box(const UnitSolid& unit) {
  std::vector<UnitSolid::Plane> planes = unit.planes;
  for (int axis = 0; axis < 3; ++axis)
    for (const double sign : {-1.0, 1.0})
      planes.push_back({sign * Vec3::Unit(axis), 1});
  std::vector<double> heights{-1, 1};
  for (std::size_t i = 0; i < planes.size(); ++i)
    for (std::size_t j = 0; j < i; ++j)
      for (std::size_t k = 0; k < j; ++k) {
        const Vec3 a = planes[i].normal, b = planes[j].normal, c = planes[k].normal;
        const double determinant = a.dot(b.cross(c));
        if (std::abs(determinant) < same_direction) continue;
        const double z =
            (planes[i].offset * b.cross(c) + planes[j].offset * c.cross(a) + planes[k].offset * a.cross(b)).z() /
            determinant;
        if (std::abs(z) < 1) heights.push_back(z);
      }
  std::sort(heights.begin(), heights.end());
  Moments sum;
  for (std::size_t i = 0; i + 1 < heights.size(); ++i) {
    // Gauss's two points stay off the heights of the corners, where a whole face may lie.
    const double middle = (heights[i] + heights[i + 1]) / 2, half = (heights[i + 1] - heights[i]) / 2;
    if (half <= 0) continue;
    for (const double at : {-1.0, 1.0})
      sum += section(unit, middle + at * half / std::sqrt(3.0)).scaled(half);
  }
  return sum;
}

/// The zone of a ball between parallel planes: sections are discs of area pi (1 - t^2) along the planes' normal.
Moments ball_zone(const UnitSolid& unit) {
  const Vec3 along = unit.planes.empty() ? Vec3::UnitZ() : unit.planes[0].normal;
  double low = -1, high = 1;
  for (const auto& plane : unit.planes)
    if (plane.normal.dot(along) > 0)
      high = std::min(high, plane.offset);
    else
      low = std::max(low, -plane.offset);
  if (!(low < high)) return {};
  const auto volume = [](double t) { return t - t * t * t / 3; };
  const auto first = [](double t) { return t * t / 2 - t * t * t * t / 4; };
  return {pi * (volume(high) - volume(low)), pi * (first(high) - first(low)) * along};
}

/// A plane in coordinates (x along the common horizontal direction of all planes, z): p x + q z <= offset.
struct Line {
  double p, q, offset;
};

/// A cylinder whose planes all hold one horizontal direction y: at each x its section is a rectangle of half width
/// sqrt(1 - x^2) between straight lines in z.
Moments cylinder(double half, const std::vector<Line>& clips) {
  struct Edge {
    double at_zero, slope;
  };
  std::vector<Edge> above{{half, 0}}, below{{-half, 0}};
  std::vector<double> cuts{-1, 1};
  double low = -1, high = 1;
  for (const Line& line : clips)
    if (std::abs(line.q) < same_direction)
      (line.p > 0 ? high : low) = line.p > 0 ? std::min(high, line.offset) : std::max(low, -line.offset);
    else
      (line.q > 0 ? above : below).push_back({line.offset / line.q, -line.p / line.q});
  cuts.push_back(low);
  cuts.push_back(high);
  std::vector<Edge> edges = above;
  edges.insert(edges.end(), below.begin(), below.end());
  for (const Edge& one : edges)
    for (const Edge& other : edges)
      if (one.slope != other.slope) cuts.push_back((other.at_zero - one.at_zero) / (one.slope - other.slope));
  std::sort(cuts.begin(), cuts.end());
  Moments sum;
  for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
    const double a = std::max(cuts[i], low), b = std::min(cuts[i + 1], high), middle = (a + b) / 2;
    if (!(a < b)) continue;
    const auto lower = [middle](const Edge& e, const Edge& f) {
      return e.at_zero + e.slope * middle < f.at_zero + f.slope * middle;
    };
    const Edge top = *std::min_element(above.begin(), above.end(), lower);
    const Edge bottom = *std::max_element(below.begin(), below.end(), lower);
    if (!lower(bottom, top)) continue;
    // Integrals of x^k sqrt(1 - x^2) from a to b.
    const auto difference = [&](auto&& f) { return f(b, std::sqrt(1 - b * b)) - f(a, std::sqrt(1 - a * a)); };
    const double i0 = difference([](double x, double y) { return (x * y + std::asin(x)) / 2; });
    const double i1 = difference([](double, double y) { return -y * y * y / 3; });
    const double i2 = difference([](double x, double y) { return (std::asin(x) - x * y * (1 - 2 * x * x)) / 8; });
    const double c0 = top.at_zero - bottom.at_zero, c1 = top.slope - bottom.slope;
    sum.volume += 2 * (c0 * i0 + c1 * i1);
    sum.first.x() += 2 * (c0 * i1 + c1 * i2);
    // Half of top^2 - bottom^2.
    sum.first.z() += top.at_zero * top.at_zero * i0 + 2 * top.at_zero * top.slope * i1 + top.slope * top.slope * i2;
    sum.first.z() -= bottom.at_zero * bottom.at_zero * i0 + 2 * bottom.at_zero * bottom.slope * i1 +
                     bottom.slope * bottom.slope * i2;
  }
  return sum;
}

/// Sections, whose areas and moments are closed forms, integrated over z by an adaptive Gauss-Kronrod rule (7 and 15
/// points; Piessens et al., QUADPACK, 1983).
class Sections {
 public:
  explicit Sections(const UnitSolid& unit) : unit_(unit) {}

  Moments integrate() const {
    const double high = unit_.z_high();
    std::vector<double> cuts{-high, high, -unit_.half, unit_.half};
    for (int i = 1; i < 32; ++i)
      cuts.push_back(high * (i - 16) / 16);
    for (const auto& plane : unit_.planes)  // where a plane meets the axis, or touches the cylinder about the solid
      for (const double side : {-1.0, 0.0, 1.0}) {
        const double z = (plane.offset + side * plane.normal.head<2>().norm()) / plane.normal.z();
        if (std::abs(z) < high) cuts.push_back(z);
      }
    std::sort(cuts.begin(), cuts.end());
    Moments sum;
    for (std::size_t i = 0; i + 1 < cuts.size(); ++i)
      if (cuts[i] < cuts[i + 1]) sum += piece(cuts[i], cuts[i + 1], 30);
    return sum;
  }

 private:
  Moments piece(double a, double b, int depth) const {
    // Positive abscissae, Kronrod's weights, and Gauss's at every second abscissa.
    constexpr std::array<double, 8> x{0.991455371120812639206854697526329, 0.949107912342758524526189684047851,
                                      0.864864423359769072789712788640926, 0.741531185599394439863864773280788,
                                      0.586087235467691130294144691693013, 0.405845151377397166906606412076961,
                                      0.207784955007898467600689403773245, 0};
    constexpr std::array<double, 8> kronrod{0.022935322010529224963732008058970, 0.063092092629978553290700663189204,
                                            0.104790010322250183839876322541518, 0.140653259715525918745189590510238,
                                            0.169004726639267902826583426598550, 0.190350578064785409913256402421014,
                                            0.204432940075298892414161999234649, 0.209482141084727828012999174891714};
    constexpr std::array<double, 4> gauss{0.129484966168869693270611432679082, 0.279705391489276667901467771423780,
                                          0.381830050505118944950369775488975, 0.417959183673469387755102040816327};
    const double middle = (a + b) / 2, half = (b - a) / 2;
    Moments fine, coarse;
    for (std::size_t i = 0; i < x.size(); ++i)
      for (const double side : {-1.0, 1.0}) {
        if (x[i] == 0 && side > 0) continue;
        const Moments at = section(unit_, middle + side * half * x[i]);
        fine += at.scaled(half * kronrod[i]);
        if (i % 2 == 1) coarse += at.scaled(half * gauss[i / 2]);
      }
    constexpr double tolerance = 1e-12;  // of a solid of about unit size
    const double error = std::abs(fine.volume - coarse.volume) + (fine.first - coarse.first).lpNorm<1>();
    if (depth == 0 || error <= tolerance * (1 + unit_.half)) return fine;
    Moments sum = piece(a, middle, depth - 1);
    sum += piece(middle, b, depth - 1);
    return sum;
  }

  const UnitSolid& unit_;
};

bool parallel_planes(const UnitSolid& unit) {
  return std::all_of(unit.planes.begin(), unit.planes.end(), [&](const UnitSolid::Plane& plane) {
    return plane.normal.cross(unit.planes[0].normal).norm() < same_direction;
  });
}

/// Moments of a cylinder whose planes all hold one horizontal direction, in closed form; otherwise nothing.
std::optional<Moments> about_one_direction(const UnitSolid& unit) {
  Vec3 across = Vec3::UnitX();
  for (const auto& plane : unit.planes)
    if (const Vec3 flat(plane.normal.x(), plane.normal.y(), 0); flat.norm() >= same_direction) {
      across = flat.normalized();
      break;
    }
  std::vector<Line> lines;
  for (const auto& plane : unit.planes) {
    if (std::abs(plane.normal.x() * across.y() - plane.normal.y() * across.x()) >= same_direction) return {};
    lines.push_back({plane.normal.dot(across), plane.normal.z(), plane.offset});
  }
  const Moments flat = cylinder(unit.half, lines);
  return Moments{flat.volume, flat.first.x() * across + flat.first.z() * Vec3::UnitZ()};
}

Moments moments_of(const UnitSolid& unit) {
  if (unit.empty) return {};
  switch (unit.shape) {
    case Solid::Shape::box:
      return box(unit);
    case Solid::Shape::ellipsoid:
      if (parallel_planes(unit)) return ball_zone(unit);
      break;
    case Solid::Shape::cone:
      if (unit.planes.empty()) return {2 * pi * unit.half / 3, -pi * unit.half * unit.half / 3 * Vec3::UnitZ()};
      break;
    case Solid::Shape::cylinder:
      if (const auto closed = about_one_direction(unit)) return *closed;
      break;
    case Solid::Shape::capsule:
      if (unit.planes.empty()) return {2 * pi * unit.half + 4 * pi / 3, Vec3::Zero()};
      break;
  }
  return Sections(unit).integrate();
}

}  // namespace

SolidMoments moments_of(const Solid& solid, const Eigen::Matrix3d& turn) {
  const UnitSolid unit = unit_solid(solid, turn);
  const Moments moments = moments_of(unit);
  const double factor = unit.scale.prod();
  return {moments.volume * factor, moments.first.cwiseProduct(unit.scale) * factor};
}

}  // namespace rayloom
