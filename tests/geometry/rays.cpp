// Rays and detector positions against each other and against the conventions in words.
#include <doctest/doctest.h>

#include <Eigen/Geometry>

#include <cmath>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"

using namespace rayloom;

namespace {

Geometry make(Beam beam, int rows, DetectorShape shape = DetectorShape::flat) {
  Geometry g;
  g.beam = beam;
  if (beam != Beam::parallel) {
    g.sod_mm = 200;
    g.sdd_mm = 800;
  }
  g.detector = {100, rows, 0.7, 0.9, 47.3, rows == 1 ? 0.0 : 31.8, 0, 0, 0, shape};
  g.angles_rad = {0};
  return g;
}

std::vector<Geometry> all_geometries() {
  Geometry rolled = make(Beam::parallel, 80), turned = make(Beam::cone, 80), slanted = make(Beam::fan, 1);
  rolled.detector.roll_rad = 0.1;
  turned.detector.roll_rad = -0.07;
  turned.detector.tilt_rad = 0.12;
  turned.detector.slant_rad = -0.2;
  slanted.detector.slant_rad = 0.15;
  return {make(Beam::parallel, 80), rolled, make(Beam::fan, 80), slanted, make(Beam::fan, 80, DetectorShape::arc),
          make(Beam::cone, 80),     turned};
}

}  // namespace

TEST_SUITE("rays and detector positions") {
  TEST_CASE("every point of a ray projects onto the pixel that the ray was sent to") {
    std::mt19937 random(5);
    std::uniform_real_distribution<double> unit(0, 1);
    for (const Geometry& g : all_geometries()) {
      g.validate();
      for (int i = 0; i < 500; ++i) {
        const DetectorPosition at{g.detector.rows == 1 ? 0 : 80 * unit(random), 100 * unit(random)};
        const double b = 7 * unit(random) - 2;
        const Ray ray = ray_to(g, b, at);
        CHECK(ray.direction.norm() == doctest::Approx(1).epsilon(1e-12));
        const auto back = project(g, b, ray.origin + (10 + 700 * unit(random)) * ray.direction);
        // Positions of about 100 pixels from lengths of 1e3 mm in double precision: 1e-9 leaves a thousandfold margin.
        CHECK(std::abs(back.row - at.row) < 1e-9);
        CHECK(std::abs(back.column - at.column) < 1e-9);
      }
    }
  }

  TEST_CASE("a part that moved is seen where it lies") {
    std::mt19937 random(6);
    std::uniform_real_distribution<double> unit(-1, 1);
    for (const Geometry& g : all_geometries())
      for (int i = 0; i < 100; ++i) {
        const Vec3 point(40 * unit(random), 40 * unit(random), 40 * unit(random));
        const Vec3 moved(3 * unit(random), 3 * unit(random), 3 * unit(random));
        const double b = 4 * unit(random);
        const auto at = project(g, b, point + moved), known = project(g, Pose(b, moved), point);
        CHECK(std::abs(known.row - at.row) < 1e-9);
        CHECK(std::abs(known.column - at.column) < 1e-9);
        // The ray to it passes through the point of the part, which for slices is at its height.
        const Ray ray = ray_to(g, Pose(b, moved), at);
        CHECK((point - ray.origin).cross(ray.direction).norm() < 1e-9);
      }
  }

  // Written out from the conventions, not from the code: source above +y at angle 0, columns along +x, row 0 on top.
  TEST_CASE("where things are in the first view") {
    const Geometry g = make(Beam::cone, 80);
    const Ray ray = ray_to(g, 0, {31.8, 47.3});
    CHECK((ray.origin - Vec3(0, 200, 0)).norm() < 1e-12);
    CHECK((ray.direction - Vec3(0, -1, 0)).norm() < 1e-12);
    CHECK(project(g, 0, {1, 0, 0}).column == doctest::Approx(47.3 + 4 / 0.7));
    CHECK(project(g, 0, {0, 0, 1}).row == doctest::Approx(31.8 - 4 / 0.9));
    CHECK(project(g, 0, {0, 100, 1}).row == doctest::Approx(31.8 - 8 / 0.9));  // nearer the source: larger
    CHECK(project(g, radians(90), {0, 1, 0}).column == doctest::Approx(47.3 + 4 / 0.7));
    const Geometry p = make(Beam::parallel, 80);
    CHECK(project(p, radians(30), {2, 3, 0}).column ==
          doctest::Approx(47.3 + (2 * std::cos(radians(30)) + 3 * std::sin(radians(30))) / 0.7));
  }

  TEST_CASE("positive roll turns the columns towards the rows' upward axis") {
    Geometry g = make(Beam::cone, 80);
    g.detector.roll_rad = 0.1;
    // A point on the horizontal line to the right appears lower in the image of a detector turned anticlockwise.
    CHECK(project(g, 0, {1, 0, 0}).row > 31.8);
    g.detector.roll_rad = 0;
    g.detector.tilt_rad = 0.1;  // right-handed about e_u: e_v leans towards e_u x e_v = n, away from the source
    const Ray top = ray_to(g, 0, {0, 47.3});
    // e_u x e_v = n and the turn is about e_u, so e_v goes to cos e_v + sin (e_u x e_v) = cos e_v + sin n.
    const Vec3 pixel = Vec3(0, -600, 0) + 31.8 * 0.9 * (std::cos(0.1) * Vec3(0, 0, 1) + std::sin(0.1) * Vec3(0, -1, 0));
    CHECK((top.direction - (pixel - Vec3(0, 200, 0)).normalized()).norm() < 1e-12);
    // A turn about e_v takes e_u to cos e_u + sin (e_v x e_u) = cos e_u - sin n: the right side comes nearer.
    g.detector.tilt_rad = 0;
    g.detector.slant_rad = 0.1;
    const Ray side = ray_to(g, 0, {31.8, 99});
    const Vec3 right = Vec3(0, -600, 0) + 51.7 * 0.7 * (std::cos(0.1) * Vec3(1, 0, 0) - std::sin(0.1) * Vec3(0, -1, 0));
    CHECK((side.direction - (right - Vec3(0, 200, 0)).normalized()).norm() < 1e-12);
  }

  TEST_CASE("impossible geometry is refused by name") {
    const auto message = [](Geometry g) -> std::string {
      try {
        g.validate();
      } catch (const InvalidOption& error) {
        return error.what();
      }
      return "accepted";
    };
    Geometry g = make(Beam::cone, 80);
    g.sdd_mm = 200;
    CHECK(message(g).find("source_to_detector_mm: 200") == 0);
    g = make(Beam::cone, 80);
    g.detector.column_pitch_mm = 0;
    CHECK(message(g).find("detector.column_pitch_mm: 0") == 0);
    g = make(Beam::fan, 80);
    g.detector.slant_rad = 0.1;
    CHECK(message(g).find("detector.slant_deg") == 0);
    g = make(Beam::cone, 80, DetectorShape::arc);
    CHECK(message(g).find("detector.shape") == 0);
    g = make(Beam::parallel, 80);
    g.angles_rad.clear();
    CHECK(message(g).find("views.count: 0") == 0);
  }
}

TEST_SUITE("views and their weights") {
  const auto turn = [](int n, double step_deg) {
    std::vector<double> angles;
    for (int i = 0; i < n; ++i)
      angles.push_back(radians(10 + i * step_deg));
    return angles;
  };

  TEST_CASE("a closed turn shares the circle and an open arc ends half a gap outside") {
    const auto full = view_set(turn(360, 1), 2 * pi);
    CHECK(full.closed);
    for (const double w : full.weight_rad)
      CHECK(w == doctest::Approx(radians(1)));
    const auto open = view_set(turn(201, 1), 2 * pi);
    CHECK(!open.closed);
    CHECK(open.arc_rad == doctest::Approx(radians(201)));
    CHECK(open.start_rad == doctest::Approx(radians(9.5)));
    CHECK(open.from_start_rad[0] == doctest::Approx(radians(0.5)));
    const auto backwards = view_set(turn(201, -1), 2 * pi);
    CHECK(backwards.arc_rad == doctest::Approx(open.arc_rad));
    CHECK(backwards.from_start_rad[200] == doctest::Approx(radians(0.5)));
  }

  TEST_CASE("repeated views share one weight and the last that repeats the first is one of them") {
    auto angles = turn(361, 1);
    const auto set = view_set(angles, 2 * pi);
    CHECK(set.closed);
    CHECK(set.distinct == 360);
    CHECK(set.weight_rad.front() == doctest::Approx(radians(0.5)));
    CHECK(set.weight_rad.back() == doctest::Approx(radians(0.5)));
    CHECK(set.weight_rad[1] == doctest::Approx(radians(1)));
  }

  TEST_CASE("uneven views weigh half the gap to each neighbour") {
    const auto set = view_set(std::vector<double>{0, 0.5, 1.5, 2, 3, 4, 5, 6}, 2 * pi);
    CHECK(set.closed == true);
    CHECK(set.weight_rad[1] == doctest::Approx(0.75));
    CHECK(set.weight_rad[0] == doctest::Approx((0.5 + 2 * pi - 6) / 2));
  }

  TEST_CASE("a gap is open only beyond five degrees and ten median gaps") {
    CHECK(view_set(turn(352, 1), 2 * pi).closed);      // 9 degrees, 9 gaps
    CHECK(!view_set(turn(349, 1), 2 * pi).closed);     // 12 degrees, 12 gaps
    CHECK(view_set(turn(3553, 0.1), 2 * pi).closed);   // 4.8 degrees, 48 gaps
    CHECK(!view_set(turn(3545, 0.1), 2 * pi).closed);  // 5.6 degrees, 56 gaps
  }
}

TEST_SUITE("field of view") {
  // Handbook relation: W = 400, SDD = 1000 gives half fan 11.310 deg, radius 196.116 per SOD 1000.
  TEST_CASE("radius from the half fan") {
    Geometry g;
    g.beam = Beam::fan;
    g.sod_mm = 999.999999;
    g.sdd_mm = 1000;
    g.detector = {400, 1, 1, 1, 199.5, 0};
    g.angles_rad = {0};
    CHECK(field_of_view(g, Coverage::symmetric).radius_mm == doctest::Approx(196.116).epsilon(1e-6));
    g.detector.axis_column = 99.5;
    CHECK(field_of_view(g, Coverage::displaced).radius_mm == doctest::Approx(g.sod_mm * std::sin(std::atan(0.3))));
    CHECK(field_of_view(g, Coverage::symmetric).radius_mm == doctest::Approx(g.sod_mm * std::sin(std::atan(0.1))));
  }
}
