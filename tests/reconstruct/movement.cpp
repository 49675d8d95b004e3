// A part that moved on the table: with its movement known, the volume is that of the part at rest.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>

#include "rayloom/errors.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/simulate/project_phantom.h"

using namespace rayloom;

namespace {

constexpr int views = 120;

/// A body with holes and inclusions up to its rim and its ends, none of them symmetric.
Phantom part() {
  Phantom phantom;
  const auto add = [&](Solid::Shape shape, Vec3 centre, Vec3 size, Vec3 turn_deg, double value) {
    Solid solid;
    solid.shape = shape;
    solid.mode = Solid::Mode::replace;
    solid.centre_mm = centre;
    solid.semi_axes_mm = size;
    solid.size_mm = size;
    solid.rotation_rad = turn_deg * (pi / 180);
    solid.substance = phantom.substances.size();
    phantom.substances.push_back({value, "", 0});
    phantom.solids.push_back(solid);
  };
  add(Solid::Shape::ellipsoid, {1, -1, 0}, {32, 29, 22}, {20, 5, 0}, 0.02);
  add(Solid::Shape::box, {19, 8, 6}, {7, 5, 6}, {-30, 10, 20}, 0.04);
  add(Solid::Shape::ellipsoid, {-18, 6, -7}, {4, 6, 4}, {10, 0, 30}, 0);
  add(Solid::Shape::box, {4, -21, 5}, {5, 5, 8}, {40, 0, 10}, 0.03);
  add(Solid::Shape::ellipsoid, {-12, -12, 8}, {5, 3, 3}, {0, 20, 0}, 0.035);
  return phantom;
}

/// Virtual pixels of 1 mm, half fan 15 degrees.
Geometry scan_of(Beam beam, DetectorShape shape = DetectorShape::flat) {
  Geometry g;
  g.beam = beam;
  constexpr int columns = 84, rows = 64;
  if (beam != Beam::parallel) {
    g.sod_mm = columns / 2.0 / std::tan(radians(15));
    g.sdd_mm = 2 * g.sod_mm;
  }
  const double pitch = g.magnification();
  g.detector = {columns, rows, pitch, beam == Beam::cone ? pitch : 1, (columns - 1) / 2.0, (rows - 1) / 2.0};
  g.detector.shape = shape;
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(radians(7 + 360.0 * i / views));
  return g;
}

using Course = std::function<Vec3(double)>;
const Vec3 by_mm(1.9, -1.6, 2.4);  // 3.4 pixels

Geometry moved(Geometry g, const Course& course) {
  for (int i = 0; i < views; ++i)
    g.part_moved_mm.push_back(course(double(i) / views));
  return g;
}
Vec3 step(double time) {
  return time >= 0.4 ? by_mm : Vec3(Vec3::Zero());
}
Vec3 ramp(double time) {
  return by_mm * time;
}

/// By the phantom's own movement, which knows nothing of the geometry's.
std::vector<float> project(const Geometry& g) {
  const std::size_t size = std::size_t(g.detector.columns) * std::size_t(g.detector.rows);
  std::vector<float> all(size * views);
  const Phantom phantom = part();
  const auto mu = phantom.attenuations();
  for (std::size_t i = 0; i < views; ++i)
    project_phantom(phantom.moved(g.pose(i).moved_mm), mu, g, g.angles_rad[i], {2},
                    std::span(all).subspan(i * size, size));
  return all;
}

const Grid grid{70, 70, 48, 1, {0, 0, 0}};

std::vector<float> rebuild(const Geometry& g, const std::vector<float>& data, std::optional<Method> method = {}) {
  ReconstructOptions options;
  options.method = method;
  const auto plan = plan_reconstruction(g, {.voxel_mm = 1, .size = {{grid.nx, grid.ny, grid.nz}}}, options);
  std::vector<float> volume;
  reconstruct(g, from_memory(g, data), plan, options,
              [&](int, std::span<const float> slice) { volume.insert(volume.end(), slice.begin(), slice.end()); });
  return volume;
}

double rms_difference(const std::vector<float>& a, const std::vector<float>& b) {
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += std::pow(double(a[i]) - double(b[i]), 2);
  return std::sqrt(sum / double(a.size()));
}

/// Detector images moved by what the movement does to a point on the axis: what shifting images alone can do.
std::vector<float> images_shifted(const Geometry& g, const std::vector<float>& data) {
  const int rows = g.detector.rows, columns = g.detector.columns;
  std::vector<float> shifted(data.size());
  for (int i = 0; i < views; ++i) {
    Geometry still = g;
    still.part_moved_mm.clear();
    const Pose pose = g.pose(std::size_t(i));
    const auto there = project(still, pose, Vec3::Zero()), here = project(still, pose.angle_rad, Vec3::Zero());
    const double down = there.row - here.row, right = there.column - here.column;
    const auto at = [&](int r, int c) {
      return double(
          data[std::size_t((i * rows + std::clamp(r, 0, rows - 1)) * columns + std::clamp(c, 0, columns - 1))]);
    };
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c) {
        const double y = r + down, x = c + right;
        const int r0 = int(std::floor(y)), c0 = int(std::floor(x));
        const double f = y - r0, h = x - c0;
        shifted[std::size_t((i * rows + r) * columns + c)] =
            float((1 - f) * ((1 - h) * at(r0, c0) + h * at(r0, c0 + 1)) +
                  f * ((1 - h) * at(r0 + 1, c0) + h * at(r0 + 1, c0 + 1)));
      }
  }
  return shifted;
}

}  // namespace

TEST_SUITE("a part that moved by a known way") {
  // With the movement known each view measures what a scan at rest does, at other places between pixels. What that may
  // change is seen from a part that lies elsewhere all the time: interpolation differs most half a pixel away, and a
  // mixture of places lies in between. At a step, rays of a fan are counted twice or not at all over d/SOD = 0.016 rad
  // of the 2 pi of views, which is less. Bounds and what they must tell apart are measured in the same run.
  TEST_CASE("is reconstructed as at rest as far as sampling goes") {
    for (const auto& [beam, shape] : {std::pair{Beam::parallel, DetectorShape::flat},
                                      {Beam::fan, DetectorShape::flat},
                                      {Beam::fan, DetectorShape::arc},
                                      {Beam::cone, DetectorShape::flat}}) {
      CAPTURE(to_string(beam));
      const Geometry still = scan_of(beam, shape);
      const std::vector<float> at_rest = rebuild(still, project(still));
      const Geometry elsewhere = moved(still, [](double) { return Vec3(0.5, -0.5, 1.5); });
      const double sampling = rms_difference(rebuild(elsewhere, project(elsewhere)), at_rest);
      for (const Course& course : {Course(step), Course(ramp)}) {
        const Geometry known = moved(still, course);
        const std::vector<float> data = project(known);
        const double found = rms_difference(rebuild(known, data), at_rest);
        MESSAGE(to_string(beam) << ": differs by " << found << ", sampling by " << sampling);
        CHECK(found <= sampling);
        // What the bound must tell apart.
        Geometry reversed = known, flat = known;
        for (Vec3& shift : reversed.part_moved_mm)
          shift = -shift;
        for (Vec3& shift : flat.part_moved_mm)
          shift.z() = 0;
        CHECK(rms_difference(rebuild(still, data), at_rest) > 2 * sampling);
        CHECK(rms_difference(rebuild(reversed, data), at_rest) > 2 * sampling);
        CHECK(rms_difference(rebuild(flat, data), at_rest) > 2 * sampling);
        const double images = rms_difference(rebuild(still, images_shifted(known, data)), at_rest);
        if (beam == Beam::cone) CHECK(images > sampling);  // magnification changes, too
      }
    }
  }

  TEST_CASE("through Fourier space too") {
    const Geometry still = scan_of(Beam::parallel), known = moved(still, ramp);
    const std::vector<float> at_rest = rebuild(still, project(still), Method::gridding);
    const Geometry elsewhere = moved(still, [](double) { return Vec3(0.5, -0.5, 1.5); });
    const double sampling = rms_difference(rebuild(elsewhere, project(elsewhere), Method::gridding), at_rest);
    const std::vector<float> data = project(known);
    CHECK(rms_difference(rebuild(known, data, Method::gridding), at_rest) <= sampling);
    CHECK(rms_difference(rebuild(still, data, Method::gridding), at_rest) > 2 * sampling);
  }

  TEST_CASE("what some view does not see is outside the field of view") {
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      const Geometry still = scan_of(beam), known = moved(still, ramp);
      const FieldOfView whole = field_of_view(still, Coverage::symmetric),
                        field = field_of_view(known, Coverage::symmetric);
      const Vec3 last = known.part_moved_mm.back();
      CHECK(field.radius_mm == doctest::Approx(whole.radius_mm - last.head<2>().norm()));
      CHECK(field.z_high_mm == doctest::Approx(whole.z_high_mm - last.z()));
      CHECK(field.z_low_mm == whole.z_low_mm);
    }
  }

  TEST_CASE("a movement out of the field of view is refused by name") {
    const Geometry far = moved(scan_of(Beam::cone), [](double time) { return Vec3(60 * time, 0, 0); });
    CHECK_THROWS_WITH_AS(plan_reconstruction(far, {}, {}), doctest::Contains("views.part_moved_mm: 59.5 mm across"),
                         InvalidOption);
    Geometry short_list = scan_of(Beam::cone);
    short_list.part_moved_mm.resize(3, Vec3::Zero());
    CHECK_THROWS_WITH_AS(short_list.validate(), doctest::Contains("views.part_moved_mm: 3; must be one shift a view"),
                         InvalidOption);
  }
}
