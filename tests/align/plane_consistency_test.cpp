// Planes through two sources: two views of a cone beam measure the same on them.
#include "rayloom/align/plane_consistency.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>

#include "align/support.h"

using namespace rayloom;
using namespace rayloom::align_test;

namespace {

struct Blob {
  Vec3 centre_mm;
  double sigma_mm, line_integral;  ///< Through its middle.
};
const Blob blobs[] = {{{1, -1, 0}, 3, 1}, {{-6, 3, 4}, 2, 0.6}, {{5, 4, -4}, 1.8, 0.8}, {{4, -6, 3}, 1.6, -0.4}};

/// Gaussian blobs, whose line integrals are closed: value exp(-distance^2 / (2 sigma^2)). No noise; the detector rolled
/// by 2 degrees, 15 degrees half fan and 11 down the rows, so that a missing weight shows.
ViewStack smooth_scan() {
  Geometry g;
  g.beam = Beam::cone;
  Detector& d = g.detector;
  d.columns = 128;
  d.rows = 96;
  d.column_pitch_mm = 0.5;
  d.row_pitch_mm = 0.5;
  d.axis_column = 66.2;
  d.midplane_row = 46.1;
  d.roll_rad = radians(2);
  g.sdd_mm = 32 / std::tan(radians(15));
  g.sod_mm = 0.6 * g.sdd_mm;
  g = even_views(g, 90, 360);
  ViewStack stack{g, {}};
  for (int i = 0; i < stack.views(); ++i)
    for (int r = 0; r < d.rows; ++r)
      for (int c = 0; c < d.columns; ++c) {
        const Ray ray = ray_to(g, g.pose(std::size_t(i)), {double(r), double(c)});
        double sum = 0;
        for (const Blob& blob : blobs) {
          const double distance = (blob.centre_mm - ray.origin).cross(ray.direction).norm();
          sum += blob.line_integral * std::exp(-std::pow(distance / blob.sigma_mm, 2) / 2);
        }
        stack.samples.push_back(float(sum));
      }
  return stack;
}

/// What a smaller detector would have seen: rows [row, row + rows) and columns [column, column + columns).
ViewStack cut_out(const ViewStack& whole, int row, int rows, int column, int columns) {
  ViewStack cut{whole.geometry, {}};
  Detector& d = cut.geometry.detector;
  const int wide = d.columns;
  d.rows = rows;
  d.midplane_row -= row;
  d.columns = columns;
  d.axis_column -= column;
  for (int i = 0; i < whole.views(); ++i)
    for (int r = row; r < row + rows; ++r) {
      const float* from = whole.view(i) + r * wide + column;
      cut.samples.insert(cut.samples.end(), from, from + columns);
    }
  return cut;
}

}  // namespace

TEST_SUITE("Grangeat 1991: planes through two sources") {
  // Smoothing by a variance of 1/2 pixel^2 changes a derivative of a blob that is s = 5 to 10 pixels wide by about
  // 3/4 / s^2 = 0.8 to 3 %, in both views alike but for their magnifications, which differ by a tenth about the mean:
  // squared, some 1e-5 and less; the roll is off by 0.0001 degrees. Without (D^2 + s^2)/D^2 the measure is 5e-4 and the
  // roll 0.1 degrees off, without the cosine weight 0.002.
  TEST_CASE("views agree at the true roll alone") {
    const ViewStack stack = smooth_scan();
    const Detector& d = stack.geometry.detector;
    const DetectorPlace truth{d.axis_column, d.roll_rad}, start{d.axis_column, d.roll_rad + radians(0.2)};
    const PlaneConsistency planes(stack, start, 2);
    const double at_truth = planes.measure(truth);
    CHECK(at_truth <= 1e-5);
    CHECK(planes.measure(start) >= 10 * at_truth);
    const PlaneFit fit = planes.fit();
    MESSAGE(planes.pairs() << " pairs; measure " << at_truth << ", 0.2 degrees off " << planes.measure(start)
                           << "; roll off by " << degrees(fit.roll_rad) - 2);
    CHECK(fit.converged);
    CHECK(std::abs(degrees(fit.roll_rad) - 2) <= 0.001);
    CHECK(PlaneConsistency(stack, start, 1).fit().roll_rad == fit.roll_rad);
  }

  TEST_CASE("lines that lack what is above and below the detector are left out") {
    const ViewStack cut = cut_out(smooth_scan(), 20, 56, 0, 128);
    const Detector& d = cut.geometry.detector;
    const DetectorPlace truth{d.axis_column, d.roll_rad};
    const PlaneConsistency planes(cut, truth, 2);
    const PlaneFit fit = planes.fit();
    MESSAGE(planes.pairs() << " pairs; measure " << planes.measure(truth) << "; roll off by "
                           << degrees(fit.roll_rad) - 2);
    CHECK(planes.measure(truth) <= 1e-5);
    CHECK(std::abs(degrees(fit.roll_rad) - 2) <= 0.001);
  }

  TEST_CASE("a part that sticks out on both sides tells nothing") {
    const ViewStack cut = cut_out(smooth_scan(), 0, 96, 50, 24);
    CHECK_FALSE(
        PlaneConsistency(cut, {cut.geometry.detector.axis_column, cut.geometry.detector.roll_rad}, 2).fit().converged);
  }
}
