// Exact projections: what is not looked at for a block of pixels is not met by its rays.
#include "rayloom/simulate/project_phantom.h"

#include <doctest/doctest.h>

#include <cmath>
#include <random>

using namespace rayloom;

namespace {

/// Small and large solids about, beside and behind the axis.
Phantom many_solids(std::mt19937& random) {
  const auto uniform = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  Phantom phantom;
  phantom.substances.push_back({0.01, "", 0});
  for (int i = 0; i < 40; ++i) {
    Solid& solid = phantom.solids.emplace_back();
    solid.centre_mm = Vec3(uniform(-60, 60), uniform(-60, 60), uniform(-40, 40));
    solid.rotation_rad = {uniform(0, 6), uniform(0, 6), uniform(0, 6)};
    solid.radius_mm = uniform(0.2, 8);
    solid.length_mm = uniform(0.5, 50);
    solid.semi_axes_mm = Vec3(uniform(0.2, 10), uniform(0.2, 10), uniform(0.2, 10));
    solid.shape = i % 3 == 0 ? Solid::Shape::ellipsoid : i % 3 == 1 ? Solid::Shape::capsule : Solid::Shape::cone;
  }
  return phantom;
}

}  // namespace

TEST_SUITE("exact projections") {
  TEST_CASE("every pixel of a view is its own ray's line integral") {
    std::mt19937 random(8);
    const Phantom phantom = many_solids(random);
    const auto attenuation = phantom.attenuations();
    std::size_t met = 0;
    const auto check = [&](Geometry g, double angle_rad) {
      g.angles_rad = {angle_rad};
      const Detector& d = g.detector;
      std::vector<float> view(std::size_t(d.rows) * std::size_t(d.columns));
      project_phantom(phantom, attenuation, g, angle_rad, {}, view);
      std::size_t wrong = 0;
      for (int r = 0; r < d.rows; ++r)
        for (int c = 0; c < d.columns; ++c) {
          const double expected = phantom.line_integral(ray_to(g, angle_rad, {double(r), double(c)}), attenuation);
          const double found = double(view[std::size_t(r) * std::size_t(d.columns) + std::size_t(c)]);
          met += expected > 0;
          wrong += std::abs(found - expected) > 1e-6 * (1 + expected);
        }
      CHECK(wrong == 0);
    };
    Geometry g;
    g.detector = {67, 45, 2, 2, 31.3, 20.2};
    for (const double angle : {0.0, 0.7, 2.9}) {
      CAPTURE(angle);
      g.beam = Beam::parallel;
      g.sod_mm = g.sdd_mm = 0;
      check(g, angle);
      g.sod_mm = 90;
      g.sdd_mm = 150;
      g.beam = Beam::fan;
      check(g, angle);
      Geometry arc = g;
      arc.detector.shape = DetectorShape::arc;
      check(arc, angle);
      g.beam = Beam::cone;
      check(g, angle);
      Geometry turned = g;
      turned.detector.roll_rad = 0.4;
      turned.detector.tilt_rad = -0.3;
      turned.detector.slant_rad = 0.5;
      check(turned, angle);
    }
    // A block that sees nearly half of space: rays to its corners go at right angles to the middle one, and beyond.
    Geometry wide = g;
    wide.sod_mm = 100;
    wide.sdd_mm = 110;
    wide.detector = {8, 8, 200, 200, 1.1, 1.1};
    for (int i = 0; i < 12; ++i)
      check(wide, i * 0.5);
    CHECK(met > 10000);
  }

  // Of n x n rays in a square grid an edge along rows would meet n places only, and lie wrong by half of one: 1/4 pixel
  // for n = 2.
  TEST_CASE("an edge along rows or columns covers as much of a pixel as n^2 places tell") {
    Geometry g;
    g.angles_rad = {0};
    g.detector = {9, 9, 1, 1};
    g.detector.axis_column = g.detector.midplane_row = 4;
    std::vector<float> view(81);
    for (const int n : {1, 2, 3, 4})
      for (const bool along_rows : {true, false})
        for (int i = 0; i <= 40; ++i) {
          CAPTURE(n);
          CAPTURE(along_rows);
          const double covered = i / 40.0;  // of the middle pixel
          Phantom phantom;
          phantom.substances.push_back({0.1, "", 0});
          Solid& box = phantom.solids.emplace_back();
          box.shape = Solid::Shape::box;
          box.size_mm = Vec3(20, 20, 20);
          // Detector columns run along x, rows down z at angle 0.
          (along_rows ? box.centre_mm.z() : box.centre_mm.x()) = covered - 0.5 - 10;
          project_phantom(phantom, phantom.attenuations(), g, Pose(0), {n, PixelSampling::Average::line_integral},
                          view);
          CHECK(std::abs(double(view[40]) / 2 - covered) < 0.5 / (n * n) + 1e-6);
        }
  }
}
