// A region at high magnification, its missing rays from an overview of the whole part.
#include "rayloom/reconstruct/surround.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "align/support.h"

using namespace rayloom;

namespace {

constexpr double magnified = 4;  ///< Region's magnification over the overview's.
const Vec3 place_mm(6, -4, 1);   ///< Of the region's middle in the part.
constexpr double overview_voxel = 0.4;

Geometry scan_of(Beam beam, double pitch_mm, double sod_mm, int columns, int rows, int views) {
  Geometry g;
  g.beam = beam;
  if (beam != Beam::parallel) {
    g.sod_mm = sod_mm;
    g.sdd_mm = 480;
  }
  const double pitch = pitch_mm * g.magnification();
  const double row_pitch = beam == Beam::cone ? pitch : pitch_mm;  // a fan does not magnify along z
  g.detector = {columns, rows, pitch, row_pitch, (columns - 1) / 2.0, (rows - 1) / 2.0};
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(radians((beam == Beam::parallel ? 180.0 : 360.0) * i / views));
  return g;
}

Geometry overview_scan(Beam beam) {
  return scan_of(beam, overview_voxel, 240, 128, 80, 120);
}
Geometry region_scan(Beam beam, double times = magnified) {
  return scan_of(beam, overview_voxel / times, 240 / times, 96, 16, 140);
}

std::vector<float> project(const Geometry& g, const Phantom& phantom) {
  const std::size_t size = std::size_t(g.detector.columns) * std::size_t(g.detector.rows);
  std::vector<float> all(size * g.angles_rad.size());
  const auto mu = phantom.attenuations();
  for (std::size_t i = 0; i < g.angles_rad.size(); ++i)
    project_phantom(phantom, mu, g, g.pose(i), {1}, std::span(all).subspan(i * size, size));
  return all;
}

Volume rebuild(const Geometry& g, const std::vector<float>& data, const ReconstructOptions& options) {
  const auto plan = plan_reconstruction(g, {}, options);
  Volume volume(plan.grid);
  reconstruct(g, from_memory(g, data), plan, options,
              [&](int k, std::span<const float> slice) { std::ranges::copy(slice, volume.slice(k).begin()); });
  return volume;
}

/// A part in the region's frame, and an overview of it as `reconstruct` makes it.
struct Whole {
  Phantom phantom;
  Volume overview;

  Whole(Beam beam, const Phantom& whole)
      : phantom(whole.moved(-place_mm)),
        overview(rebuild(overview_scan(beam), project(overview_scan(beam), whole), {})) {
    overview.grid.centre_mm -= place_mm;
  }
};

Whole random_part(Beam beam, unsigned seed) {
  std::mt19937_64 random(seed);
  return {beam, align_test::random_part(random, 24, 36)};
}

struct Errors {
  double bias = 0;     ///< Mean error within 0.9 of the field of view, over the mean true value there.
  double cupping = 0;  ///< Mean error of the ring outside 0.9 less that within 0.5, over the same.
};

Errors errors_of(const Whole& part, const Geometry& region, const std::vector<float>& data, const Volume& overview,
                 const SurroundFit& fit, Method method = Method::direct) {
  ReconstructOptions options;
  options.method = method;
  const Coverage coverage = automatic_coverage(region);
  options.beyond = surrounded(std::make_shared<Surroundings>(fitted(overview, fit, region)), region, coverage);
  const Volume volume = rebuild(region, data, options);
  const Grid& grid = volume.grid;
  const double radius = field_of_view(region, coverage).radius_mm;
  const auto mu = part.phantom.attenuations();
  double inner = 0, core = 0, ring = 0, value = 0;
  int in_inner = 0, in_core = 0, in_ring = 0;
  std::vector<float> truth(std::size_t(grid.nx) * std::size_t(grid.ny));
  for (int k = grid.nz / 2 - 2; k <= grid.nz / 2 + 2; ++k) {
    rasterise_slice(part.phantom, mu, grid, k, 2, truth);
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i) {
        const double r = std::hypot(grid.x_mm(i), grid.y_mm(j)) / radius;
        const double expected = double(truth[std::size_t(j * grid.nx + i)]),
                     error = double(volume.at(i, j, k)) - expected;
        if (r <= 0.9) inner += error, value += expected, ++in_inner;
        if (r <= 0.5) core += error, ++in_core;
        if (r > 0.9 && r < 1) ring += error, ++in_ring;
      }
  }
  const double mean = value / in_inner;
  return {inner / in_inner / mean, (ring / in_ring - core / in_core) / mean};
}

/// Scans of regions of every kind.
struct Kind {
  std::string name;
  Geometry region;
  Method method = Method::direct;
};

std::vector<Kind> kinds(Beam beam) {
  if (beam == Beam::parallel)
    return {{"parallel", region_scan(beam)}, {"parallel, gridding", region_scan(beam), Method::gridding}};
  std::vector<Kind> all = {{to_string(beam), region_scan(beam)}};
  all.reserve(8);  // references stay
  const auto add = [&](const std::string& name) -> Geometry& {
    return all.emplace_back(name, region_scan(beam)).region;
  };
  if (beam == Beam::fan) {
    add("arc").detector.shape = DetectorShape::arc;
    return all;
  }
  Geometry& turned = add("turned detector");
  turned.detector.roll_rad = 0.03;
  turned.detector.tilt_rad = -0.02;
  turned.detector.slant_rad = 0.04;
  Geometry& displaced = add("displaced detector");
  displaced.detector.columns = 64;  // 48 to the left, 16 to the right
  displaced.detector.axis_column = 47.5;
  Geometry& short_scan = add("short scan");
  for (double& angle : short_scan.angles_rad)
    angle *= 200.0 / 360;
  Geometry& moving = add("part that moves");
  for (std::size_t i = 0; i < moving.angles_rad.size(); ++i)
    moving.part_moved_mm.push_back(i < 80 ? Vec3(0, 0, 0) : Vec3(0.9, -0.8, 0.3));
  all.push_back({"half as magnified", region_scan(beam, magnified / 2)});
  return all;
}

}  // namespace

TEST_SUITE("a region with an overview around it") {
  // What is asked is 1 per cent. Left as they are, misplacement and scale spoil that, by up to 3.4 per cent; so what is
  // left of them after the fit, a fifth and a sixth, may spoil 0.7.
  TEST_CASE("bias and cupping below 1 per cent though the overview lies half a voxel off and is 3 per cent too low") {
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      const Whole part = random_part(beam, 41);
      const Vec3 misplaced = overview_voxel * Vec3(0.4, -0.3, 0.1);
      Volume overview = part.overview;
      overview.grid.centre_mm += misplaced;
      for (float& value : overview.samples)
        value *= 0.97F;
      for (const Kind& kind : kinds(beam)) {
        CAPTURE(kind.name);
        const std::vector<float> data = project(kind.region, part.phantom);
        const SurroundFit fit = fit_surround(overview, kind.region, from_memory(kind.region, data), 2);
        const Errors errors = errors_of(part, kind.region, data, overview, fit, kind.method);
        const Vec3 off = (fit.shift_mm + misplaced) / overview_voxel;
        MESSAGE(kind.name << ": bias " << 100 * errors.bias << " %, cupping " << 100 * errors.cupping
                          << " %; shift off by " << off.x() << " " << off.y() << " " << off.z() << " voxels; scale "
                          << fit.scale << "; difference " << fit.error_before << ", then " << fit.error_after);
        CHECK(std::abs(errors.bias) < 0.01);
        CHECK(std::abs(errors.cupping) < 0.01);
        CHECK(off.norm() < 0.1);
        const Vec3 laid = fitted(overview, fit, kind.region).laid.grid.centre_mm;
        CHECK((Vec3(laid.z(), laid.y(), laid.x()) - part.overview.grid.centre_mm).norm() < 0.1 * overview_voxel);
        CHECK(std::abs(fit.scale * 0.97 - 1) < 0.005);
        CHECK(fit.error_after < 0.3 * fit.error_before);
      }
      const Geometry region = region_scan(beam);
      CHECK(std::abs(errors_of(part, region, project(region, part.phantom), overview, {}).bias) > 0.01);
    }
  }

  // Of what is left over of right scans' squares no value takes more than a fiftieth; a roll, which moves little in
  // 96 columns, takes a quarter or more of what 2 degrees leave over.
  TEST_CASE(
      "a wrong source_to_object_mm, first_deg, axis_column, roll_deg or sense of rotation shows and right ones are not "
      "doubted") {
    struct Wrong {
      std::string key;
      double by, within;
      void (*add)(Geometry&, double);
    };
    const auto turn = [](Geometry& g, double deg) {
      for (double& angle : g.angles_rad)
        angle += radians(deg);
    };
    const auto move_axis = [](Geometry& g, double columns) { g.detector.axis_column += columns; };
    const auto move_source = [](Geometry& g, double mm) { g.sod_mm += mm; };
    const std::vector<Wrong> wrongs = {
        {"", 0, 0, turn},
        {"views.first_deg", 5, 0.5, turn},
        {"views.first_deg", -5, 0.5, turn},
        {"detector.axis_column", 3, 0.3, move_axis},
        {"detector.roll_deg", -2, 0.3, [](Geometry& g, double deg) { g.detector.roll_rad += radians(deg); }},
        {"source_to_object_mm", -3, 1.2, move_source},
        {"source_to_object_mm", 3, 1.2, move_source}};
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone})
      for (const unsigned seed : {41, 42, 43}) {
        const Whole part = random_part(beam, seed);
        const Geometry region = region_scan(beam);
        const std::vector<float> data = project(region, part.phantom);
        for (const Wrong& wrong : wrongs) {
          if (beam == Beam::parallel && wrong.key == "source_to_object_mm") continue;
          CAPTURE(to_string(beam));
          CAPTURE(seed);
          CAPTURE(wrong.key);
          Geometry said = region;
          wrong.add(said, wrong.by);
          const ProjectionSource source = from_memory(said, data);
          const auto better = fit_surround(part.overview, said, source, 2).better;
          REQUIRE(better.has_value() == !wrong.key.empty());
          if (!better) continue;
          CHECK(better->key == wrong.key);
          CHECK(std::abs(better->better - better->said + wrong.by) < wrong.within);
        }
      }
    for (const Beam beam : {Beam::parallel, Beam::fan, Beam::cone}) {
      CAPTURE(to_string(beam));
      const Whole part = random_part(beam, 41);
      Geometry said = region_scan(beam);
      const std::vector<float> data = project(said, part.phantom);
      CHECK_FALSE(fit_surround(part.overview, said, from_memory(said, data), 2).turned_otherwise);
      for (double& angle : said.angles_rad)
        angle = -angle;
      const SurroundFit fit = fit_surround(part.overview, said, from_memory(said, data), 2);
      CHECK_FALSE(fit.better);
      CHECK(fit.turned_otherwise);
    }
    const std::vector<float> data(96 * 16 * 140, 1.0F);
    const Geometry parallel = region_scan(Beam::parallel);
    CHECK_FALSE(fit_surround(Volume(Grid{8, 8, 8, 4, Vec3::Zero()}), parallel, from_memory(parallel, data), 2).better);
  }

  TEST_CASE("a scan of air gives nothing to fit to, and says whether the overview is air as well") {
    const Geometry region = region_scan(Beam::cone);
    const std::vector<float> air(96 * 16 * 140, 0.0F);
    Volume overview(Grid{32, 32, 24, 1.6, Vec3::Zero()});
    for (const float value : {0.0F, 0.02F}) {
      std::ranges::fill(overview.samples, value);
      const SurroundFit fit = fit_surround(overview, region, from_memory(region, air), 2);
      CHECK(fit.shift_mm == Vec3::Zero());
      CHECK(fit.scale == 1);
      CHECK(fit.error_after == (value == 0 ? 0 : 1));
    }
  }

  // The lines that leave a cube of 0.02 /mm, 51.2 mm wide, have a closed form: at angle 0 the ray to column c meets
  // both faces across y where it lies at z = 0, so that its integral is 0.02 x 51.2 x its length over that along y.
  TEST_CASE("what is supplied are the overview's line integrals, up to its last voxel") {
    Volume overview(Grid{64, 64, 48, 0.8, Vec3::Zero()});
    std::ranges::fill(overview.samples, 0.02F);
    Geometry region = region_scan(Beam::cone);
    const Beyond beyond =
        surrounded(std::make_shared<Surroundings>(fitted(overview, {}, region)), region, Coverage::symmetric);
    const double pitch = region.detector.column_pitch_mm;
    CHECK(beyond.columns * pitch > 25.6 * std::sqrt(2.0) * region.sdd_mm / region.sod_mm - 48 * pitch);
    const std::size_t count = std::size_t(beyond.columns);
    std::vector<float> measured(96), left(count), right(count);
    const auto integral = [&](double column) {
      const double u = (column - 47.5) * pitch;
      return 0.02 * 51.2 * std::hypot(region.sdd_mm, u) / region.sdd_mm;
    };
    for (int c = 0; c < 96; ++c)
      measured[std::size_t(c)] = float(integral(c));
    beyond.of_view(0, 0, 15)(7.5, measured, left, right);
    // Rays leave by the faces across y up to u = SDD (half width) / (SOD + half width).
    const double last = region.sdd_mm * 25.6 / (region.sod_mm + 25.6) / pitch - 48 - 40;
    for (std::size_t j = 0; double(j) < last; ++j) {
      CAPTURE(j);
      CHECK(std::abs(double(right[j]) / integral(96 + double(j)) - 1) < 0.01);
      CHECK(std::abs(double(left[count - 1 - j]) / integral(-1 - double(j)) - 1) < 0.01);
    }
    CHECK(right[count - 1] < 0.1F);

    // Where more is measured, no seam: the first column goes on at that level, one a view's width away is the
    // overview's.
    for (float& value : measured)
      value *= 1.05F;
    beyond.of_view(0, 0, 15)(7.5, measured, left, right);
    for (const double level : {double(right[0]) / integral(96), double(left[count - 1]) / integral(-1)})
      CHECK(std::abs(level - 1.05) < 0.005);
    CHECK(std::abs(double(right[90]) / integral(186) - 1) < 0.01);
  }
}
