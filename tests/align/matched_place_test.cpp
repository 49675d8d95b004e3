// Axis and roll from projections of the volume, begun beside the truth, with pixels averaged.
#include "rayloom/align/matched_place.h"

#include <doctest/doctest.h>

#include "align/support.h"

using namespace rayloom;
using namespace rayloom::align_test;

namespace {

/// 300 x 60 pixels, of which two by two are averaged; 10 degrees half fan.
TestScan scan_of(Beam beam, double arc_deg, double radius_mm) {
  std::mt19937_64 random(11);
  Geometry g;
  g.beam = beam;
  Detector& d = g.detector;
  d.columns = 300;
  d.rows = 60;
  d.column_pitch_mm = d.row_pitch_mm = 0.4;
  d.axis_column = 153.2;
  d.midplane_row = 28.3;
  d.roll_rad = radians(0.8);
  if (beam == Beam::cone) {
    g.sdd_mm = 340;
    g.sod_mm = 170;
  }
  return take_scan(random_part(random, radius_mm, 0.8 * radius_mm), even_views(g, 120, arc_deg), 20000, 3, 2);
}

MatchedPlace matched(const TestScan& scan) {
  const Detector& d = scan.geometry.detector;
  return match_place(scan.geometry, from_memory(scan.geometry, scan.integrals),
                     {d.axis_column + 0.7, d.roll_rad - radians(0.3)}, 2, {});
}

}  // namespace

TEST_SUITE("projections of the volume") {
  // Pixels are averaged two by two: a step in averaged pixels taken for one in the scan's stops half-way.
  TEST_CASE("lead from 0.7 pixels and 0.3 degrees beside it to the true place") {
    for (const Beam beam : {Beam::parallel, Beam::cone}) {
      const TestScan scan = scan_of(beam, 360, beam == Beam::cone ? 22 : 45);
      const Detector& d = scan.geometry.detector;
      const MatchedPlace found = matched(scan);
      REQUIRE(found.converged);
      const double axis_error = std::abs(found.place.axis_column - d.axis_column),
                   roll_error = std::abs(found.place.roll_rad - d.roll_rad);
      MESSAGE(to_string(beam) << ": off by " << axis_error << " pixels, " << degrees(roll_error) << " degrees; +- "
                              << 3 * std::sqrt(found.covariance(0, 0)) << ", "
                              << 3 * degrees(std::sqrt(found.covariance(1, 1))));
      CHECK(axis_error < std::min(0.05, 3 * std::sqrt(found.covariance(0, 0))));
      CHECK(roll_error < std::min(radians(0.05), 3 * std::sqrt(found.covariance(1, 1))));
    }
  }

  TEST_CASE("say how far a wrong level of air may have led them") {
    TestScan scan = scan_of(Beam::cone, 360, 22);
    for (float& sample : scan.integrals)
      sample -= 0.05F;
    const MatchedPlace found = matched(scan);
    REQUIRE(found.converged);
    const double error = std::abs(found.place.axis_column - scan.geometry.detector.axis_column);
    MESSAGE("off by " << error << " pixels; +- " << 3 * std::sqrt(found.covariance(0, 0)));
    CHECK(error < 3 * std::sqrt(found.covariance(0, 0)));
  }

  TEST_CASE("tell nothing of a short cone scan or a part that sticks out") {
    CHECK_FALSE(matched(scan_of(Beam::cone, 210, 22)).converged);
    CHECK_FALSE(matched(scan_of(Beam::parallel, 360, 110)).converged);
  }
}
