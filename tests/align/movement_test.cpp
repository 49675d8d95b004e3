// How the part moved: random parts with noise, moved in three directions during the scan.
#include "rayloom/align/movement.h"

#include <doctest/doctest.h>

#include <tuple>

#include "align/support.h"
#include "rayloom/errors.h"
#include "rayloom/reconstruct/reduce.h"

using namespace rayloom;
using namespace rayloom::align_test;

namespace {

struct Setting {
  std::string name;
  Beam beam;
  int columns, rows, views;
  double open_counts;
};

/// Virtual pixels of 1 mm, half fan 5 degrees.
Geometry geometry_of(const Setting& setting) {
  Geometry g;
  g.beam = setting.beam;
  if (g.beam != Beam::parallel) {
    g.sod_mm = setting.columns / 2.0 / std::tan(radians(5));
    g.sdd_mm = 2 * g.sod_mm;
  }
  const double pitch = g.magnification();
  g.detector = {
      setting.columns,         setting.rows, pitch, g.beam == Beam::cone ? pitch : 1, (setting.columns - 1) / 2.0,
      (setting.rows - 1) / 2.0};
  return even_views(g, setting.views, 360);
}

std::vector<Vec3> course(MovedBy kind, const Vec3& by_mm, int from_view, int views) {
  std::vector<Vec3> moved;
  for (int i = 0; i < views; ++i)
    moved.push_back((kind == MovedBy::step ? (i >= from_view ? 1.0 : 0.0) : double(i) / views) * by_mm);
  return moved;
}

std::vector<float> rebuild(const Geometry& g, const std::vector<float>& data, int across, int slices,
                           const Vec3& centre) {
  const auto plan =
      plan_reconstruction(g, {.voxel_mm = 1, .size = {{across, across, slices}}, .centre_mm = centre}, {});
  std::vector<float> volume;
  reconstruct(g, from_memory(g, data), plan, {},
              [&](int, std::span<const float> slice) { volume.insert(volume.end(), slice.begin(), slice.end()); });
  return volume;
}

struct Truth {
  Grid grid;
  std::vector<float> values;
};

/// The part's mean in each voxel.
Truth truth_of(const Phantom& phantom, int across, int slices) {
  Truth truth{{across, across, slices, 1, Vec3::Zero()}, {}};
  const Tracer tracer(phantom);
  const auto mu = phantom.attenuations();
  constexpr int parts = 2;
  for (int k = 0; k < slices; ++k)
    for (int j = 0; j < across; ++j)
      for (int i = 0; i < across; ++i) {
        double sum = 0;
        for (int n = 0; n < parts * parts * parts; ++n) {
          const auto part = [](int m) { return (m + 0.5) / parts - 0.5; };
          sum += tracer.value_at(
              truth.grid.centre_of(i + part(n % parts), j + part(n / parts % parts), k + part(n / parts / parts)), mu);
        }
        truth.values.push_back(float(sum / (parts * parts * parts)));
      }
  return truth;
}

double rms(const std::vector<float>& a, const std::vector<float>& b) {
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += std::pow(double(a[i]) - double(b[i]), 2);
  return std::sqrt(sum / double(a.size()));
}

/// Least RMS error over all shifts of the whole volume, which no scan shows: by reconstructing on shifted grids.
double registered_rms(const Geometry& g, const std::vector<float>& data, const Truth& truth, Vec3 shift) {
  const auto error = [&](const Vec3& by) {
    return rms(rebuild(g, data, truth.grid.nx, truth.grid.nz, by), truth.values);
  };
  double least = error(shift);
  for (const double step : {0.4, 0.2})
    for (int axis = 0; axis < 3; ++axis) {
      // The error's square is nearly a parabola about its least.
      Vec3 more = shift, less = shift;
      more[axis] += step;
      less[axis] -= step;
      const double a = std::pow(error(less), 2), b = least * least, c = std::pow(error(more), 2);
      if (!(a - 2 * b + c > 0)) continue;
      Vec3 next = shift;
      next[axis] += step * std::clamp(0.5 * (a - c) / (a - 2 * b + c), -1.0, 1.0);
      if (const double there = error(next); there < least) {
        least = there;
        shift = next;
      }
    }
  return least;
}

struct Outcome {
  double still, ignored, found, known;  ///< RMS errors, /mm; the last with the true movement.
  FoundMovement movement;
  Vec3 off_mm;  ///< Found less true.
};

Outcome run(const Setting& setting, MovedBy kind, const Vec3& by_mm, int from_view, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  const double radius = 0.42 * setting.columns;
  const Phantom part = random_part(random, radius, 0.7 * setting.rows);
  const Geometry still = geometry_of(setting);
  Geometry moved = still;
  moved.part_moved_mm = course(kind, by_mm, from_view, setting.views);
  const std::vector<float> at_rest = take_scan(part, still, setting.open_counts, seed, 2).integrals,
                           data = take_scan(part, moved, setting.open_counts, seed, 2).integrals;
  const Truth truth = truth_of(part, int(0.8 * setting.columns), int(0.7 * setting.rows));
  Outcome outcome;
  outcome.movement = find_movement(still, from_memory(still, data), kind);
  Geometry found = still;
  found.part_moved_mm = outcome.movement.part_moved_mm;
  found.detector.axis_column = outcome.movement.axis_column.value;
  outcome.still = registered_rms(still, at_rest, truth, Vec3::Zero());
  outcome.ignored = registered_rms(still, data, truth, -by_mm / 2);
  outcome.found = registered_rms(found, data, truth, Vec3::Zero());
  outcome.known = rms(rebuild(moved, data, truth.grid.nx, truth.grid.nz, Vec3::Zero()), truth.values);
  for (int i = 0; i < 3; ++i)
    outcome.off_mm[i] = outcome.movement.by_mm[std::size_t(i)].value - by_mm[i];
  return outcome;
}

/// Up to 3 pixels in any direction.
Vec3 random_way(std::mt19937_64& random) {
  std::uniform_real_distribution<double> unit(-1, 1);
  while (true)
    if (const Vec3 way(unit(random), unit(random), unit(random)); way.norm() < 1 && way.norm() > 0.2)
      return way / way.cwiseAbs().maxCoeff() * 3 * (0.6 + 0.4 * std::abs(unit(random)));
}

/// @return how many of the three ways hold the true one within their uncertainty.
int check(const Setting& setting, MovedBy kind, std::uint64_t seed) {
  CAPTURE(setting.name);
  CAPTURE(seed);
  std::mt19937_64 random(seed + 77);
  const Vec3 by = random_way(random);
  const int from = int(setting.views * std::uniform_real_distribution<double>(0.1, 0.9)(random));
  const Outcome o = run(setting, kind, by, from, seed);
  const FoundMovement& m = o.movement;
  MESSAGE(setting.name << ", " << to_string(kind) << ", seed " << seed << ": by " << by.transpose() << " from view "
                       << from << "; off by " << o.off_mm.transpose() << " +- " << m.by_mm[0].uncertainty << " "
                       << m.by_mm[1].uncertainty << " " << m.by_mm[2].uncertainty << ", view " << m.view << ", axis by "
                       << m.axis_column.value - (setting.columns - 1) / 2.0 << " +- " << m.axis_column.uncertainty
                       << "; RMS errors at rest " << o.still << ", found " << o.found << ", known " << o.known
                       << ", ignored " << o.ignored);
  // Slices of a fan are apart: rows are blended for a way along z, however well it is known.
  if (setting.beam != Beam::fan) CHECK(o.found <= 1.3 * o.still);
  CHECK(o.found <= 1.05 * o.known);
  CHECK(o.ignored > 2 * o.still);  // or the part would show nothing
  CHECK(m.seen);
  CHECK(m.part_moved_mm.front().isZero(0));
  if (kind == MovedBy::step) CHECK(std::abs(m.view - from) <= 1);
  int held = 0;
  for (int i = 0; i < 3; ++i) {
    const Estimate& way = m.by_mm[std::size_t(i)];
    CHECK(way.determined);
    held += std::abs(o.off_mm[i]) <= way.uncertainty ? 1 : 0;
  }
  return held;
}

const Setting smallest{"cone", Beam::cone, 48, 36, 72, 20000};

}  // namespace

TEST_SUITE("align: how the part moved") {
  TEST_CASE("a step and a ramp of up to 3 pixels in a cone beam: errors within 1.3 times those at rest") {
    CHECK(check(smallest, MovedBy::step, 1) == 3);
    CHECK(check(smallest, MovedBy::ramp, 2) == 3);
  }

  TEST_CASE("a part at rest") {
    std::mt19937_64 random(5);
    const TestScan scan = take_scan(random_part(random, 20, 24), geometry_of(smallest), smallest.open_counts, 5, 1);
    for (const MovedBy kind : {MovedBy::step, MovedBy::ramp}) {
      const FoundMovement found = find_movement(scan.geometry, from_memory(scan.geometry, scan.integrals), kind);
      MESSAGE(found.by_mm[0].value << " " << found.by_mm[1].value << " " << found.by_mm[2].value);
      CHECK_FALSE(found.seen);
    }
  }
}

TEST_SUITE("align: movements that the scan does not tell") {
  /// Prisms higher than the view.
  Phantom bar(double height_mm) {
    Phantom phantom;
    phantom.substances = {{0.05, {}, 0}, {0, {}, 0}};
    for (const auto& [centre, size, substance] : {std::tuple{Vec3(1, 2, 0), Vec3(24, 17, 0), 0},
                                                  {Vec3(6, -2, 0), Vec3(5, 4, 0), 1},
                                                  {Vec3(-6, 3, 0), Vec3(3, 6, 0), 1}}) {
      Solid solid;
      solid.shape = Solid::Shape::box;
      solid.mode = Solid::Mode::replace;
      solid.centre_mm = centre;
      solid.size_mm = size + Vec3(0, 0, height_mm);
      solid.substance = std::size_t(substance);
      phantom.solids.push_back(solid);
    }
    return phantom;
  }

  TEST_CASE("heights of a bar that sticks out above and below") {
    const Setting setting{"cone", Beam::cone, 48, 24, 72, 20000};
    Geometry moved = geometry_of(setting);
    moved.part_moved_mm = course(MovedBy::step, {1.5, -1, 2}, 30, setting.views);
    const TestScan scan = take_scan(bar(200), moved, setting.open_counts, 7, 1);
    const Geometry still = geometry_of(setting);
    const FoundMovement found = find_movement(still, from_memory(still, scan.integrals), MovedBy::step);
    MESSAGE(found.by_mm[0].value << " " << found.by_mm[1].value << " " << found.by_mm[2].value << " +- "
                                 << found.by_mm[2].uncertainty);
    CHECK_FALSE(found.by_mm[2].determined);
    CHECK(found.by_mm[2].reason.find("no more than noise does") != std::string::npos);
    CHECK(found.part_moved_mm.back().z() == 0);
    CHECK(std::abs(found.by_mm[0].value - 1.5) < 0.1);
    CHECK(std::abs(found.by_mm[1].value + 1) < 0.1);
  }

  TEST_CASE("heights in a single row; anything in few views or half a turn") {
    // Enough columns and views that the small scans take some together and leave some out.
    const Setting setting{"fan", Beam::fan, 128, 1, 360, 20000};
    const Geometry still = geometry_of(setting);
    Geometry off = still;  // as if the axis were known badly
    off.detector.axis_column += 1.3;
    for (const MovedBy kind : {MovedBy::step, MovedBy::ramp}) {
      Geometry moved = still;
      moved.part_moved_mm = course(kind, {1.5, -1, 0}, 101, setting.views);
      const TestScan scan = take_scan(bar(10), moved, setting.open_counts, 7, 1);
      const FoundMovement found = find_movement(off, from_memory(still, scan.integrals), kind);
      CHECK(found.by_mm[2].reason == "heights do not show in fewer than 8 rows");
      // 0.05 voxels of the small volume, which are of 2 mm; opposite views see half of a ramp.
      const double near_mm = kind == MovedBy::step ? 0.1 : 0.2;
      CHECK(std::abs(found.by_mm[0].value - 1.5) < near_mm);
      CHECK(std::abs(found.by_mm[1].value + 1) < near_mm);
      CHECK(std::abs(found.axis_column.value - still.detector.axis_column) < 0.05);
      if (kind == MovedBy::step) CHECK(std::abs(found.view - 101) <= 1);
      const FoundMovement none =
          find_movement(every(still, 8), every(still, from_memory(still, scan.integrals), 8), kind);
      CHECK_FALSE(none.seen);
      CHECK(none.by_mm[0].reason == "there are fewer than 48 views");
      const Geometry half = even_views(still, 360, 210);
      const FoundMovement open = find_movement(half, from_memory(half, scan.integrals), kind);
      CHECK_FALSE(open.seen);
      CHECK(open.by_mm[1].reason == "the views make no full turn");
    }
  }

  TEST_CASE("a part wider than the view; a displaced detector") {
    Geometry narrow = geometry_of({"fan", Beam::fan, 20, 1, 72, 20000});
    CHECK(find_movement(narrow, from_memory(narrow, take_scan(bar(10), narrow, 20000, 7, 1).integrals), MovedBy::step)
              .by_mm[0]
              .reason == "the part sticks out of the view at the sides");
    narrow.detector.axis_column += 5;
    CHECK(find_movement(narrow, from_memory(narrow, std::vector<float>(20 * 72)), MovedBy::step).by_mm[0].reason ==
          "most rays are measured once by a displaced detector");
  }

  TEST_CASE("noise alone; nothing at all") {
    const Geometry still = geometry_of(smallest);
    std::vector<float> views(std::size_t(smallest.views * smallest.rows * smallest.columns));
    std::mt19937_64 random(3);
    for (const auto& [height, kind] : {std::pair(0.01F, MovedBy::step), std::pair(0.0F, MovedBy::ramp)}) {
      std::normal_distribution<float> noise(0, 1);
      for (std::size_t p = 0; p < views.size(); ++p)  // not at the sides, where it would look like a part
        if (const int column = int(p % std::size_t(smallest.columns)); column >= 8 && column < smallest.columns - 8)
          views[p] = height * noise(random);
      const FoundMovement found = find_movement(still, from_memory(still, views), kind);
      CHECK_FALSE(found.seen);
      for (const Estimate& way : found.by_mm) {
        CHECK_FALSE(way.determined);
        CHECK(way.reason == "the views change with it no more than noise does");
      }
    }
  }

  TEST_CASE("a scan file that holds a movement is refused") {
    Geometry moved = geometry_of({"cone", Beam::cone, 48, 24, 72, 20000});
    moved.part_moved_mm.assign(72, Vec3::Zero());
    const std::vector<float> none(72 * 48 * 24);
    CHECK_THROWS_WITH_AS(find_movement(moved, from_memory(moved, none), MovedBy::step),
                         doctest::Contains("views.part_moved_mm: given; must be absent"), InvalidOption);
    CHECK_THROWS_AS(align(moved, from_memory(moved, none)), InvalidOption);
  }
}

TEST_SUITE("align: many random parts that moved" * doctest::skip()) {
  void check_all(const Setting& setting) {
    constexpr int parts = 10;
    int held = 0;
    for (std::uint64_t seed = 10; seed < 10 + parts; ++seed)
      for (const MovedBy kind : {MovedBy::step, MovedBy::ramp})
        held += check(setting, kind, seed);
    CHECK(held >= 0.9 * 2 * 3 * parts);
  }

  TEST_CASE("cone of 5 degrees") {
    check_all({"cone", Beam::cone, 64, 64, 96, 20000});
  }
  TEST_CASE("fan") {
    check_all({"fan", Beam::fan, 64, 24, 120, 20000});
  }
  TEST_CASE("parallel beam") {
    check_all({"parallel", Beam::parallel, 64, 48, 120, 20000});
  }
}
