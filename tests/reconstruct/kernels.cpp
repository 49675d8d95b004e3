// Every instruction set's kernels against the textbook's loop in double precision, and against themselves.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdlib>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/reconstruct/backproject.h"

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
};

// Steps along the detector: below one pixel, above one, above two; grids off the axis and partly off the detector.
const Case cases[] = {
    {"cone fine", Beam::cone, DetectorShape::flat, 0.45, 37, 29, 41, Vec3(1.3, -2.1, 0.4), 7},
    {"cone as sampled", Beam::cone, DetectorShape::flat, 1.0, 33, 40, 300, Vec3(-2.2, 0.7, 3.1), 5},
    {"cone coarse", Beam::cone, DetectorShape::flat, 1.6, 21, 20, 35, Vec3(0.1, 0.2, -4), 32},
    {"cone apart", Beam::cone, DetectorShape::flat, 3.3, 11, 12, 19, Vec3(0.1, 0.2, 1), 3},
    {"parallel", Beam::parallel, DetectorShape::flat, 0.8, 45, 37, 70, Vec3(0.5, -3, 0), 32},
    {"parallel single slice", Beam::parallel, DetectorShape::flat, 1.1, 30, 43, 1, Vec3(2, 1, 0), 9},
    {"fan flat", Beam::fan, DetectorShape::flat, 0.7, 41, 52, 130, Vec3(-1, 2, 0), 11},
    {"fan arc", Beam::fan, DetectorShape::arc, 0.9, 40, 39, 17, Vec3(0.3, 0.9, 0), 13},
    {"fan arc coarse", Beam::fan, DetectorShape::arc, 4.5, 9, 9, 33, Vec3(0.3, 0.9, 0), 6},
};

Geometry geometry_of(const Case& c, std::mt19937& random) {
  Geometry g;
  g.beam = c.beam;
  g.detector.shape = c.shape;
  g.detector.columns = 61;
  g.detector.rows = c.beam == Beam::cone ? 58 : c.nz;
  const double magnification = c.beam == Beam::parallel ? 1 : 2;
  g.detector.column_pitch_mm = magnification;
  g.detector.row_pitch_mm = c.beam == Beam::cone ? magnification : c.voxel_mm;
  g.detector.axis_column = 30.7;
  g.detector.midplane_row = g.detector.rows / 2.0 - 0.9;
  g.sod_mm = 90;
  g.sdd_mm = 180;
  std::uniform_real_distribution<double> angle(0, 2 * pi);
  for (int i = 0; i < c.views; ++i)
    g.angles_rad.push_back(angle(random));
  return g;
}

constexpr double radius_mm = 27;

ViewBatch random_batch(const Case& c, const Geometry& g, const Grid& grid, std::mt19937& random) {
  const auto [first, last] = lines_needed(g, grid, radius_mm, 0, grid.nz);
  ViewBatch batch(g.detector.columns, first, last - first + 1);
  batch.views = c.views;
  std::normal_distribution<float> normal;
  for (int view = 0; view < c.views; ++view) {
    batch.angles_rad[std::size_t(view)] = g.angles_rad[std::size_t(view)];
    for (int column = 0; column < batch.columns; ++column)
      for (int line = 0; line < batch.lines; ++line)
        batch.column(view, column)[line] = normal(random);
  }
  return batch;
}

/// Kak & Slaney 1988, ch. 3, voxel by voxel: t = x cos b + y sin b, depth = D + x sin b - y cos b.
double textbook(const Geometry& g, const ViewBatch& batch, const Grid& grid, int i, int j, int k) {
  const double x = grid.x_mm(i), y = grid.y_mm(j), z = grid.z_mm(k);
  if (std::hypot(x, y) > radius_mm) return 0;
  double sum = 0;
  for (int view = 0; view < batch.views; ++view) {
    const double b = g.angles_rad[std::size_t(view)];
    const double t = x * std::cos(b) + y * std::sin(b), depth = g.sod_mm + x * std::sin(b) - y * std::cos(b);
    double u = t, weight = 1, line = k - batch.first_line;
    if (g.detector.shape == DetectorShape::arc) {
      u = g.sdd_mm * std::atan2(t, depth);
      weight = g.sod_mm * g.sod_mm / (t * t + depth * depth);
    } else if (g.beam != Beam::parallel) {
      u = t * g.sdd_mm / depth;
      weight = std::pow(g.sod_mm / depth, 2);
    }
    if (g.beam == Beam::cone)
      line = g.detector.rows - 1 - g.detector.midplane_row + z * g.sdd_mm / depth / g.detector.row_pitch_mm -
             batch.first_line;
    const double column = u / g.detector.column_pitch_mm + g.detector.axis_column + 1;
    const int c = int(std::floor(column)), l = int(std::floor(line));
    const double fc = column - c, fl = line - l;
    const float* a = batch.column(view, c);
    const float* d = batch.column(view, c + 1);
    double value = (1 - fc) * a[l] + fc * d[l];
    if (fl > 0) value = (1 - fl) * value + fl * ((1 - fc) * a[l + 1] + fc * d[l + 1]);
    sum += weight * value;
  }
  return sum;
}

float at(const Slab& slab, int i, int j, int k) {
  return slab.samples[(std::size_t(j) * std::size_t(slab.grid.nx) + std::size_t(i)) * slab.stride +
                      std::size_t(k - slab.base_slice)];
}

}  // namespace

TEST_SUITE("back-projection kernels") {
  // Positions are split into whole and fraction in double precision, so a value is off by a few roundings of float32,
  // 6e-8 each; fractions by 16 steps of up to 2 pixels in float32, 2e-6 of a pixel. Half white noise is the worst case.
  TEST_CASE("agree with the textbook's loop in double precision") {
    for (const std::string& name : kernel_names()) {
      const Forced forced(name);
      CAPTURE(name);
      std::mt19937 random(5);
      for (const Case& c : cases) {
        CAPTURE(c.name);
        const Geometry g = geometry_of(c, random);
        const Grid grid{c.nx, c.ny, c.nz, c.voxel_mm, c.centre_mm};
        const ViewBatch batch = random_batch(c, g, grid, random);
        Slab slab(grid, 0, c.nz, radius_mm);
        backproject(g, batch, slab, 2);
        double off = 0, size = 0, worst = 0;
        for (int j = 0; j < c.ny; ++j)
          for (int i = 0; i < c.nx; ++i)
            for (int k = 0; k < c.nz; ++k) {
              const double expected = textbook(g, batch, grid, i, j, k), d = at(slab, i, j, k) - expected;
              off += d * d;
              size += expected * expected;
              worst = std::max(worst, std::abs(d));
            }
        REQUIRE(size > 0);
        CHECK(std::sqrt(off / size) < 1e-5);
        CHECK(worst < 2e-4);  // 10 neighbours' differences of 4 sigma, 2e-6 of a pixel each
      }
    }
  }

  TEST_CASE("slabs and threads do not change a byte") {
    for (const std::string& name : kernel_names()) {
      const Forced forced(name);
      CAPTURE(name);
      std::mt19937 random(6);
      for (const Case& c : cases) {
        CAPTURE(c.name);
        const Geometry g = geometry_of(c, random);
        const Grid grid{c.nx, c.ny, c.nz, c.voxel_mm, c.centre_mm};
        const ViewBatch batch = random_batch(c, g, grid, random);
        Slab whole(grid, 0, c.nz, radius_mm);
        backproject(g, batch, whole, 1);
        bool same = true;
        for (int first = 0, count = 1; first < c.nz; first += count, count = 3 * count % 17 + 1) {
          const int slices = std::min(count, c.nz - first);
          Slab part(grid, first, slices, radius_mm);
          const auto [line0, line1] = lines_needed(g, grid, radius_mm, first, slices);
          ViewBatch band(g.detector.columns, line0, line1 - line0 + 1);
          band.views = batch.views;
          band.angles_rad = batch.angles_rad;
          for (int view = 0; view < batch.views; ++view)
            for (int column = 0; column < batch.columns; ++column)
              std::copy_n(batch.column(view, column) + (line0 - batch.first_line), band.lines,
                          band.column(view, column));
          backproject(g, band, part, 3);
          for (int j = 0; j < c.ny; ++j)
            for (int i = 0; i < c.nx; ++i)
              for (int k = first; k < first + slices; ++k)
                same = same && at(part, i, j, k) == at(whole, i, j, k);
        }
        CHECK(same);
      }
    }
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
