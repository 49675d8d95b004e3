// Every instruction set's kernels against the textbook's loop in double precision, and against themselves.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdlib>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/reconstruct/backproject.h"
#include "support/textbook.h"

using namespace rayloom;

namespace {

/// Forces an instruction set for as long as it lives.
struct Forced {
  explicit Forced(const std::string& name) { setenv("RAYLOOM_KERNELS", name.c_str(), 1); }
  ~Forced() { unsetenv("RAYLOOM_KERNELS"); }
};

struct Case {
  const char* name;
  Beam beam;
  DetectorShape shape;
  double voxel_mm;  // the virtual pixel has 1 mm
  int nx, ny, nz;
  Vec3 centre_mm;
  int views;
  int columns = 61;
  double radius_mm = 27;
};

// Steps along the detector: below one pixel, above one, above two; grids off the axis and partly off the detector.
const Case cases[] = {
    {"cone fine", Beam::cone, DetectorShape::flat, 0.45, 37, 29, 41, Vec3(1.3, -2.1, 0.4), 7},
    {"cone as sampled", Beam::cone, DetectorShape::flat, 1.0, 33, 40, 300, Vec3(-2.2, 0.7, 3.1), 5},
    {"cone coarse", Beam::cone, DetectorShape::flat, 1.6, 21, 20, 35, Vec3(0.1, 0.2, -4), 32},
    {"cone apart", Beam::cone, DetectorShape::flat, 3.3, 11, 12, 19, Vec3(0.1, 0.2, 1), 3},
    {"parallel", Beam::parallel, DetectorShape::flat, 0.8, 45, 37, 70, Vec3(0.5, -3, 0), 64},
    {"cone single slice", Beam::cone, DetectorShape::flat, 0.8, 300, 29, 1, Vec3(1.3, -2.1, 3.4), 7},
    {"cone few slices", Beam::cone, DetectorShape::flat, 2.3, 21, 29, 5, Vec3(1.3, -2.1, -5), 9},
    // Voxels beside the radius lie beyond the lines, some beyond the source.
    {"cone very coarse slices", Beam::cone, DetectorShape::flat, 30, 4, 4, 3, Vec3(0.5, 0.3, 1), 7},
    {"parallel few slices", Beam::parallel, DetectorShape::flat, 0.1003, 519, 43, 7, Vec3(2, 1, 0), 12},
    {"parallel single coarse slice", Beam::parallel, DetectorShape::flat, 2.9, 19, 18, 1, Vec3(2, 1, 0), 12},
    {"parallel single slice", Beam::parallel, DetectorShape::flat, 1.1, 30, 43, 1, Vec3(2, 1, 0), 9},
    {"parallel wide slice", Beam::parallel, DetectorShape::flat, 1.0, 620, 31, 1, Vec3(0.4, 200, 0), 6, 701, 310},
    {"parallel wide coarse slice", Beam::parallel, DetectorShape::flat, 1.75, 354, 50, 1, Vec3(2, 1, 0), 6, 701, 310},
    {"parallel very coarse slice", Beam::parallel, DetectorShape::flat, 6.0, 100, 6, 1, Vec3(2, 1, 0), 60, 701, 310},
    {"fan flat", Beam::fan, DetectorShape::flat, 0.7, 41, 52, 130, Vec3(-1, 2, 0), 11},
    {"fan arc", Beam::fan, DetectorShape::arc, 0.9, 40, 39, 17, Vec3(0.3, 0.9, 0), 13},
    {"fan arc fine", Beam::fan, DetectorShape::arc, 0.3, 70, 61, 18, Vec3(11, -9, 0), 13},
    {"fan arc coarse", Beam::fan, DetectorShape::arc, 4.5, 9, 9, 33, Vec3(0.3, 0.9, 0), 6},
};

/// Still, or moved by up to 1 mm each way across the axis and 2 mm along it.
enum class Part { still, moved };

Geometry geometry_of(const Case& c, Part part, std::mt19937& random) {
  Geometry g;
  g.beam = c.beam;
  g.detector.shape = c.shape;
  g.detector.columns = c.columns;
  g.detector.rows = c.beam == Beam::cone ? 58 : c.nz;
  const double magnification = c.beam == Beam::parallel ? 1 : 2;
  g.detector.column_pitch_mm = magnification;
  g.detector.row_pitch_mm = c.beam == Beam::cone ? magnification : c.voxel_mm;
  g.detector.axis_column = (c.columns - 1) / 2.0 + 0.7;
  g.detector.midplane_row = g.detector.rows / 2.0 - 0.9;
  g.sod_mm = 90;
  g.sdd_mm = 180;
  std::uniform_real_distribution<double> angle(0, 2 * pi);
  for (int i = 0; i < c.views; ++i)
    g.angles_rad.push_back(angle(random));
  std::uniform_real_distribution<double> shift(-1, 1);
  for (int i = 0; part == Part::moved && i < c.views; ++i)
    g.part_moved_mm.emplace_back(shift(random), shift(random), 2 * shift(random));
  return g;
}

ViewBatch random_batch(const Case& c, const Geometry& g, const Grid& grid, std::mt19937& random) {
  const auto [first, last] = lines_needed(g, grid, c.radius_mm, 0, grid.nz);
  ViewBatch batch(g.beam, g.detector.columns, first, last - first + 1);
  batch.views = c.views;
  std::normal_distribution<float> normal;
  for (int view = 0; view < c.views; ++view) {
    batch.poses[std::size_t(view)] = g.pose(std::size_t(view));
    for (int column = 0; column < batch.columns; ++column)
      for (int line = 0; line < batch.lines; ++line)
        batch.column(view, column)[line] = normal(random);
  }
  return batch;
}

/// Calls check(case, geometry, grid, batch) for every case under every instruction set.
template <class Check>
void for_each_case(unsigned seed, const Check& check) {
  for (const std::string& name : kernel_names()) {
    const Forced forced(name);
    CAPTURE(name);
    std::mt19937 random(seed);
    for (const Case& c : cases)
      for (const Part part : {Part::still, Part::moved}) {
        CAPTURE(std::string(c.name));
        CAPTURE(part == Part::moved);
        const Geometry g = geometry_of(c, part, random);
        const Grid grid{c.nx, c.ny, c.nz, c.voxel_mm, c.centre_mm};
        check(c, g, grid, random_batch(c, g, grid, random));
      }
  }
}

}  // namespace

TEST_SUITE("back-projection kernels") {
  // Positions are split into whole and fraction in double precision, so a value is off by a few roundings of float32,
  // 6e-8 each; fractions by 16 steps of up to 2 pixels in float32, 2e-6 of a pixel. Half white noise is the worst case.
  TEST_CASE("agree with the textbook's loop in double precision") {
    for_each_case(5, [](const Case& c, const Geometry& g, const Grid& grid, const ViewBatch& batch) {
      Slab slab(g.beam, grid, 0, c.nz, c.radius_mm);
      backproject(g, batch, slab, 2);
      double off = 0, size = 0, worst = 0;
      for (int j = 0; j < c.ny; ++j)
        for (int i = 0; i < c.nx; ++i)
          for (int k = 0; k < c.nz; ++k) {
            const bool inside = std::hypot(grid.x_mm(i), grid.y_mm(j)) <= c.radius_mm;
            const double expected = inside ? textbook_voxel<double>(g, batch, grid, i, j, k) : 0;
            const double d = slab.at(i, j, k) - expected;
            off += d * d;
            size += expected * expected;
            worst = std::max(worst, std::abs(d));
          }
      REQUIRE(size > 0);
      CHECK(std::sqrt(off / size) < 1e-5);
      CHECK(worst < 2e-4);  // 10 neighbours' differences of 4 sigma, 2e-6 of a pixel each
    });
  }

  TEST_CASE("slabs and threads do not change a byte") {
    for_each_case(6, [](const Case& c, const Geometry& g, const Grid& grid, const ViewBatch& batch) {
      Slab whole(g.beam, grid, 0, c.nz, c.radius_mm);
      backproject(g, batch, whole, 1);
      bool same = true;
      for (int first = 0, count = 1; first < c.nz; first += count, count = 3 * count % 17 + 1) {
        const int slices = std::min(count, c.nz - first);
        Slab part(g.beam, grid, first, slices, c.radius_mm);
        const auto [line0, line1] = lines_needed(g, grid, c.radius_mm, first, slices);
        ViewBatch band(g.beam, g.detector.columns, line0, line1 - line0 + 1);
        band.views = batch.views;
        band.poses = batch.poses;
        for (int view = 0; view < batch.views; ++view)
          for (int column = 0; column < batch.columns; ++column)
            std::copy_n(batch.column(view, column) + (line0 - batch.first_line), band.lines, band.column(view, column));
        backproject(g, band, part, 3);
        for (int j = 0; j < c.ny; ++j)
          for (int i = 0; i < c.nx; ++i)
            for (int k = first; k < first + slices; ++k)
              same = same && part.at(i, j, k) == whole.at(i, j, k);
      }
      CHECK(same);
    });
  }

  TEST_CASE("a set that is not there is refused by name") {
    const Forced forced("punched-cards");
    CHECK_THROWS_WITH_AS(kernel_name(), doctest::Contains("RAYLOOM_KERNELS: 'punched-cards'; must be one"),
                         InvalidOption);
  }

  TEST_CASE("the best set is the default") {
    CHECK(kernel_name() == kernel_names().front());
    CHECK(kernel_names().back() == "portable");
  }
}
