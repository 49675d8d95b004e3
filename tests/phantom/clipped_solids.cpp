// Volumes and centroids of clipped solids: printed formulas, planes that share a volume out, and random sampling.
#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <cmath>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/phantom/phantom.h"

using namespace rayloom;

namespace {

using Shape = Solid::Shape;

Solid solid_of(Shape shape, double radius_mm, double length_mm) {
  Solid solid;
  solid.shape = shape;
  solid.radius_mm = radius_mm;
  solid.length_mm = length_mm;
  solid.semi_axes_mm = Vec3::Constant(radius_mm);
  solid.size_mm = {2 * radius_mm, 2 * radius_mm, length_mm};
  return solid;
}

/// The solid with one more plane.
Solid cut(Solid solid, const Vec3& normal, double offset_mm) {
  solid.clip.push_back({normal, offset_mm});
  return solid;
}

Eigen::Matrix3d turn_of(const Vec3& rotation_rad) {
  return (Eigen::AngleAxisd(rotation_rad[0], Vec3::UnitZ()) * Eigen::AngleAxisd(rotation_rad[1], Vec3::UnitY()) *
          Eigen::AngleAxisd(rotation_rad[2], Vec3::UnitX()))
      .toRotationMatrix();
}

/// The solid and its planes turned, then shifted.
Solid moved(Solid solid, const Vec3& by_mm, const Vec3& rotation_rad) {
  const Eigen::Matrix3d turn = turn_of(rotation_rad);
  solid.centre_mm = by_mm;
  solid.rotation_rad = rotation_rad;
  for (auto& clip : solid.clip) {
    clip.normal = turn * clip.normal;
    clip.offset_mm += clip.normal.dot(by_mm);
  }
  return solid;
}

struct Known {
  const char* name;
  Solid solid;
  double volume;
  Vec3 centroid;
};

/// Closed forms that handbooks print, computed here by their own formulas.
std::vector<Known> known() {
  const double R = 3, h = 1.25, H = 4, d = R - h;
  // Segment of a circle: area and centroid from the centre (Bronshtein et al., Handbook of Mathematics, plane
  // geometry).
  const double half_angle = std::acos(d / R), segment = R * R * (half_angle - std::sin(2 * half_angle) / 2);
  const double segment_at = 2 * std::pow(R * std::sin(half_angle), 3) / (3 * segment);
  const double small = R / 4;  // radius of the cone a quarter of its length below the apex
  const double frustum = pi * (0.75 * H) / 3 * (R * R + R * small + small * small);
  return {
      // Spherical cap of height h: pi h^2 (3R - h) / 3, centroid 3 (2R - h)^2 / (4 (3R - h)) from the centre (ibid.).
      {"cap", cut(solid_of(Shape::ellipsoid, R, 0), {0, 0, -1}, -d), pi * h * h * (3 * R - h) / 3,
       Vec3(0, 0, 3 * std::pow(2 * R - h, 2) / (4 * (3 * R - h)))},
      {"hemisphere", cut(solid_of(Shape::ellipsoid, R, 0), {-2, 0, 0}, 0), 2 * pi * R * R * R / 3,
       Vec3(3 * R / 8, 0, 0)},
      // Spherical zone of radii a and b and height h: pi h (3a^2 + 3b^2 + h^2) / 6 (ibid.); symmetric here.
      {"zone", cut(cut(solid_of(Shape::ellipsoid, R, 0), {0, 1, 0}, 1), {0, -1, 0}, 1),
       pi * 2 * (6 * (R * R - 1) + 4) / 6, Vec3(0, 0, 0)},
      // Ungula through a diameter of the base, height H: 2 R^2 H / 3 (Archimedes, The Method, prop. 11 to 15); centroid
      // 3 pi R / 16 from the axis and 3 pi H / 32 above the base, by integration.
      {"ungula", cut(solid_of(Shape::cylinder, R, H), {-H, 0, R}, -R * H / 2), 2 * R * R * H / 3,
       Vec3(3 * pi * R / 16, 0, -H / 2 + 3 * pi * H / 32)},
      // A cylinder cut obliquely from height 0 to H: half of it; centroid R / 4 off the axis, 5 H / 16 above the base.
      {"oblique cylinder", cut(solid_of(Shape::cylinder, R, H), {-H, 0, 2 * R}, 0), pi * R * R * H / 2,
       Vec3(R / 4, 0, -H / 2 + 5 * H / 16)},
      {"cylinder segment", cut(solid_of(Shape::cylinder, R, H), {0, -1, 0}, -d), segment * H, Vec3(0, segment_at, 0)},
      {"shortened cylinder", cut(solid_of(Shape::cylinder, R, H), {0, 0, 1}, 1), pi * R * R * 3, Vec3(0, 0, -0.5)},
      // Frustum: pi h (R^2 + R r + r^2) / 3, centroid h (R^2 + 2 R r + 3 r^2) / (4 (R^2 + R r + r^2)) above the base.
      {"frustum", cut(solid_of(Shape::cone, R, H), {0, 0, 1}, H / 4), frustum,
       Vec3(0, 0,
            -H / 2 +
                0.75 * H * (R * R + 2 * R * small + 3 * small * small) / (4 * (R * R + R * small + small * small)))},
      {"tip", cut(solid_of(Shape::cone, R, H), {0, 0, -1}, -H / 4), pi * small * small * H / 4 / 3,
       Vec3(0, 0, H / 4 + H / 16)},
      {"half cone", cut(solid_of(Shape::cone, R, H), {-1, 0, 0}, 0), pi * R * R * H / 6, Vec3(R / pi, 0, -H / 4)},
      // A corner cut off a cube of edge 2 through three neighbouring corners: a tetrahedron, a sixth of the cube.
      {"corner", cut(solid_of(Shape::box, 1, 2), {-1, -1, -1}, -1), 8.0 / 6, Vec3(0.5, 0.5, 0.5)},
      {"half capsule", cut(solid_of(Shape::capsule, R, H), {0, 0, -1}, -H / 2), 2 * pi * R * R * R / 3,
       Vec3(0, 0, H / 2 + 3 * R / 8)},
      {"nothing cut", cut(solid_of(Shape::cone, R, H), {1, 1, 1}, 9), pi * R * R * H / 3, Vec3(0, 0, -H / 4)},
  };
}

Solid random_solid(std::mt19937& random, Shape shape) {
  std::uniform_real_distribution<double> unit(0, 1);
  const auto within = [&](double a, double b) { return a + (b - a) * unit(random); };
  Solid solid = solid_of(shape, within(1, 4), within(1, 8));
  if (shape != Shape::cylinder) solid.semi_axes_mm = {within(1, 5), within(1, 5), within(1, 5)};
  if (shape == Shape::cylinder) solid.semi_axes_mm = {within(1, 5), within(1, 5), 0};
  solid.centre_mm = {within(-3, 3), within(-3, 3), within(-3, 3)};
  solid.rotation_rad = {within(-3, 3), within(-3, 3), within(-3, 3)};
  return solid;
}

Vec3 random_direction(std::mt19937& random) {
  std::normal_distribution<double> normal;
  return Vec3(normal(random), normal(random), normal(random)).normalized();
}

Vec3 first_moment(const Solid& solid) {
  const double volume = solid.volume_mm3();
  return volume > 0 ? Vec3(volume * solid.centroid_mm()) : Vec3(Vec3::Zero());
}

constexpr Shape every_shape[] = {Shape::ellipsoid, Shape::cylinder, Shape::box, Shape::cone, Shape::capsule};

}  // namespace

TEST_SUITE("clipped solids") {
  TEST_CASE("volume and centroid by the handbook's formulas in any place and turn") {
    std::mt19937 random(31);
    for (const Known& k : known())
      for (int i = 0; i < 8; ++i) {
        const Vec3 by = i == 0 ? Vec3(0, 0, 0) : Vec3(10 * random_direction(random));
        const Vec3 turn = i == 0 ? Vec3(0, 0, 0) : Vec3(3 * random_direction(random));
        const Solid there = moved(k.solid, by, turn);
        CAPTURE(k.name);
        CHECK(there.volume_mm3() == doctest::Approx(k.volume).epsilon(1e-10));
        CHECK((there.centroid_mm() - by - turn_of(turn) * k.centroid).norm() < 1e-9);
      }
  }

  // Whatever the formulas, the two sides of a plane make the whole. Sections are integrated to 1e-11 of the unclipped
  // volume (below 1000 mm^3), first moments to that times the extent (below 20 mm).
  TEST_CASE("both sides of a plane add up to the solid with none to three planes before") {
    std::mt19937 random(32);
    std::uniform_real_distribution<double> place(-2, 2);
    for (const Shape shape : every_shape)
      for (int i = 0; i < 60; ++i) {
        Solid whole = random_solid(random, shape);
        const Vec3 direction = random_direction(random);
        for (int planes = i % 4; planes > 0; --planes) {
          const Vec3 normal = i < 30 ? direction : random_direction(random);  // parallel ones in the first half
          whole = cut(whole, planes % 2 == 0 ? normal : Vec3(-normal),
                      place(random) + 1 + normal.dot(whole.centre_mm) * (planes % 2 == 0 ? 1 : -1));
        }
        const Vec3 normal = i % 3 == 0 ? direction : random_direction(random);
        const double offset = normal.dot(whole.centre_mm) + place(random);
        const Solid low = cut(whole, normal, offset), high = cut(whole, -normal, -offset);
        CAPTURE(int(shape));
        CAPTURE(i);
        CHECK(low.volume_mm3() >= 0);
        CHECK(std::abs(low.volume_mm3() + high.volume_mm3() - whole.volume_mm3()) < 3e-8);
        CHECK((first_moment(low) + first_moment(high) - first_moment(whole)).norm() < 6e-7);
      }
  }

  // As for unclipped solids: 4.5 standard deviations of n samples in a box.
  TEST_CASE("volume and centroid of clipped solids agree with random sampling") {
    std::mt19937 random(33);
    std::uniform_real_distribution<double> place(-10, 10), offset(-1.5, 1.5);
    const int n = 100000;
    const double box = 20.0 * 20 * 20;
    for (const Shape shape : every_shape)
      for (int planes = 1; planes <= 3; ++planes)
        for (int i = 0; i < 3; ++i) {
          Solid solid = random_solid(random, shape);
          const Vec3 middle = solid.centre_mm;
          for (int p = 0; p < planes; ++p) {
            const Vec3 normal = random_direction(random);
            solid = cut(solid, normal * 2, 2 * (normal.dot(middle) + offset(random)));
          }
          long hits = 0;
          Vec3 sum = Vec3::Zero(), squares = Vec3::Zero();
          for (int k = 0; k < n; ++k) {
            const Vec3 p = middle + Vec3(place(random), place(random), place(random));
            if (!solid.contains(p)) continue;
            ++hits;
            sum += p - middle;
            squares += (p - middle).cwiseAbs2();
          }
          const double volume = solid.volume_mm3();
          CAPTURE(int(shape));
          CAPTURE(planes);
          CHECK(std::abs(box * double(hits) / n - volume) <= 4.5 * std::sqrt((volume + box / n) * box / n));
          if (hits < 100) continue;
          const Vec3 mean = sum / double(hits), variance = squares / double(hits) - mean.cwiseAbs2();
          const Vec3 off = solid.centroid_mm() - middle - mean;
          for (int axis = 0; axis < 3; ++axis)
            CHECK(std::abs(off[axis]) < 4.8 * std::sqrt(variance[axis] / double(hits)));
        }
  }

  TEST_CASE("nothing left") {
    const Solid none = cut(solid_of(Shape::ellipsoid, 2, 0), {0, 0, 1}, -2.5);
    CHECK(none.volume_mm3() == 0);
    CHECK_THROWS_WITH_AS(none.centroid_mm(), doctest::Contains("nothing of the solid is left"), InvalidOption);
  }
}
