// Where the axis is: random parts with noise, measured data, and scans that do not tell.
#include "rayloom/align/align.h"

#include <doctest/doctest.h>

#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "align/support.h"
#include "rayloom/prepare/line_integrals.h"
#include "support/measured_scan.h"

using namespace rayloom;
using namespace rayloom::align_test;

namespace {

enum class InView { whole, part };

struct Setting {
  std::string name;
  Beam beam;
  double half_fan_deg;
  double arc_deg;  ///< 0: 180 degrees and the fan.
  int rows, columns, views;
  InView in_view;
};

// A part within the view over a turn of a parallel or fan beam is the case that must be found within 0.05 pixel.
const Setting settings[] = {{"parallel, full turn", Beam::parallel, 0, 360, 1, 256, 360, InView::whole},
                            {"parallel, full turn, sticks out", Beam::parallel, 0, 360, 1, 256, 360, InView::part},
                            {"parallel, half turn", Beam::parallel, 0, 180, 1, 256, 300, InView::whole},
                            {"fan, full turn", Beam::fan, 8, 360, 1, 256, 360, InView::whole},
                            {"fan, full turn, sticks out", Beam::fan, 8, 360, 1, 256, 360, InView::part},
                            {"fan, short scan", Beam::fan, 8, 0, 1, 256, 240, InView::whole},
                            {"fan, short scan, sticks out", Beam::fan, 8, 0, 1, 256, 240, InView::part},
                            {"narrow fan, short scan", Beam::fan, 2, 0, 1, 256, 240, InView::whole},
                            {"narrow fan, short scan, sticks out", Beam::fan, 2, 0, 1, 256, 240, InView::part}};

/// The axis up to 10 % of the width off the middle.
Geometry random_geometry(const Setting& setting, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  Geometry geometry;
  geometry.beam = setting.beam;
  Detector& d = geometry.detector;
  d.columns = setting.columns;
  d.rows = setting.rows;
  d.column_pitch_mm = d.row_pitch_mm = 0.4;
  d.midplane_row = (d.rows - 1) / 2.0;
  const double half_width = setting.columns * d.column_pitch_mm / 2;
  if (setting.beam != Beam::parallel) {
    geometry.sdd_mm = half_width / std::tan(radians(setting.half_fan_deg));
    geometry.sod_mm = geometry.sdd_mm / 2;
  }
  const double off = std::uniform_real_distribution<double>(-0.1, 0.1)(random) * setting.columns;
  d.axis_column = (setting.columns - 1) / 2.0 + off;
  const double fan_deg =
      setting.beam == Beam::parallel
          ? 0
          : 2 * degrees(std::atan((half_width + std::abs(off) * d.column_pitch_mm) / geometry.sdd_mm));
  return even_views(geometry, setting.views, setting.arc_deg > 0 ? setting.arc_deg : 180 + fan_deg);
}

/// Of a part within the view of the shorter side, or one that sticks out of it.
double random_radius(const Setting& setting, const Geometry& geometry, std::mt19937_64& random) {
  const double seen = 0.4 * setting.columns * geometry.virtual_column_pitch_mm();
  const bool whole = setting.in_view == InView::whole;
  return seen * std::uniform_real_distribution<double>(whole ? 0.6 : 1.3, whole ? 0.95 : 2)(random);
}

TestScan random_scan(const Setting& setting, std::uint64_t seed) {
  std::mt19937_64 random(seed + 1);
  const Geometry geometry = random_geometry(setting, seed);
  const double radius = random_radius(setting, geometry, random);
  return take_scan(random_part(random, radius, 0.8 * radius), geometry, 20000, seed, 2);
}

/// The same with `rows` rows about a midplane somewhat off their middle, rolled by up to 2 degrees. One ray a pixel
/// would make edges jump from row to row, which no detector sees.
TestScan random_rolled_scan(const Setting& setting, std::uint64_t seed) {
  std::mt19937_64 random(seed + 1000);
  const auto uniform = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  TestScan scan;
  scan.geometry = random_geometry(setting, seed);
  Detector& d = scan.geometry.detector;
  d.midplane_row = (d.rows - 1) / 2.0 + uniform(-3, 3);
  d.roll_rad = radians(uniform(-2, 2));
  const double radius = random_radius(setting, scan.geometry, random);
  return take_scan(random_part(random, radius, 0.8 * radius), scan.geometry, 20000, seed, 3);
}

/// As if nothing were known: the axis in the middle.
Alignment found_in(const TestScan& scan, std::optional<int> threads = {}) {
  Geometry given = scan.geometry;
  given.detector.axis_column = (given.detector.columns - 1) / 2.0;
  given.detector.roll_rad = 0;
  return align(given, from_memory(given, scan.integrals), {.threads = threads});
}

/// @return How many of `count` parts lie within the uncertainty.
int check_parts(const Setting& setting, int count) {
  int held = 0;
  double worst = 0, squares = 0;
  for (int seed = 1; seed <= count; ++seed) {
    CAPTURE(seed);
    const TestScan scan = random_scan(setting, std::uint64_t(seed));
    const Alignment found = found_in(scan);
    INFO(found.axis_column.reason);
    REQUIRE(found.axis_column.determined);
    const double error = std::abs(found.axis_column.value - scan.geometry.detector.axis_column);
    CHECK(error <= 0.05);
    CHECK(found.axis_wanders == 0);
    held += error <= found.axis_column.uncertainty;
    worst = std::max(worst, error);
    squares += error * error;
  }
  MESSAGE(setting.name << ": worst " << worst << ", RMS " << std::sqrt(squares / count)
                       << " pixels, uncertainty holds for " << held << " of " << count);
  return held;
}

const Setting rolled_settings[] = {
    {"parallel, full turn", Beam::parallel, 0, 360, 64, 192, 180, InView::whole},
    {"cone of 10 degrees, full turn", Beam::cone, 10, 360, 64, 192, 180, InView::whole},
    {"cone of 10 degrees, short scan", Beam::cone, 10, 0, 64, 192, 180, InView::whole},
    {"cone of 4 degrees, full turn", Beam::cone, 4, 360, 64, 192, 180, InView::whole},
    {"parallel, full turn, sticks out", Beam::parallel, 0, 360, 64, 192, 180, InView::part},
    {"cone of 10 degrees, full turn, sticks out", Beam::cone, 10, 360, 64, 192, 180, InView::part},
    {"cone of 10 degrees, short scan, sticks out", Beam::cone, 10, 0, 64, 192, 180, InView::part},
    {"cone of 4 degrees, short scan, sticks out", Beam::cone, 4, 0, 64, 192, 180, InView::part}};

struct Counted {
  int held = 0, roll_held = 0, near = 0;  ///< Within the uncertainties; within what is asked.
};

/// Axis within 0.05 pixel; roll within 0.02 degrees over a full turn that holds the part, else 0.1.
Counted check_rolled_parts(const Setting& setting, int first, int count) {
  Counted counted;
  double worst = 0, roll_worst = 0;
  const double roll_asked = setting.arc_deg == 360 && setting.in_view == InView::whole ? 0.02 : 0.1;
  for (int seed = first; seed < first + count; ++seed) {
    CAPTURE(seed);
    const TestScan scan = random_rolled_scan(setting, std::uint64_t(seed));
    const Alignment found = found_in(scan);
    INFO(found.axis_column.reason);
    REQUIRE(found.axis_column.determined);
    REQUIRE(found.roll_deg);
    const double error = std::abs(found.axis_column.value - scan.geometry.detector.axis_column);
    counted.held += error <= found.axis_column.uncertainty;
    CHECK(found.axis_wanders == 0);
    if (!found.roll_deg->determined) {
      MESSAGE(setting.name << ", part " << seed << ": the roll is not determined: " << found.roll_deg->reason);
      ++counted.roll_held;  // says so instead of guessing
      continue;
    }
    const double roll_error = std::abs(found.roll_deg->value - degrees(scan.geometry.detector.roll_rad));
    counted.roll_held += roll_error <= found.roll_deg->uncertainty;
    counted.near += error <= 0.05 && roll_error <= roll_asked;
    worst = std::max(worst, error);
    roll_worst = std::max(roll_worst, roll_error);
  }
  MESSAGE(setting.name << ", rolled: worst " << worst << " pixels and " << roll_worst
                       << " degrees; uncertainties hold for " << counted.held << " and " << counted.roll_held
                       << ", within what is asked " << counted.near << " of " << count);
  return counted;
}

}  // namespace

TEST_SUITE("align: the axis of random parts") {
  TEST_CASE("rolled by up to 2 degrees: within 0.05 pixel and 0.02 degrees (short scan or sticking out: 0.1)") {
    for (const Setting& setting : rolled_settings) {
      CAPTURE(setting.name);
      CHECK(check_rolled_parts(setting, setting.in_view == InView::whole ? 2 : 3, 1).near == 1);
    }
  }

  // Few lines alone are 0.118 degrees off in the first, as are rays that were not made level (0.121); many alone are
  // 0.136 off in the second, and these two bands of lines without those between 0.107 and 0.126 in the last ones.
  TEST_CASE("lines of a cone beam: few are noisy, many astray") {
    CHECK(check_rolled_parts(rolled_settings[6], 48, 1).near == 1);
    for (const int part : {13, 27, 48})
      CHECK(check_rolled_parts(rolled_settings[7], part, 1).near == 1);
  }

  TEST_CASE("a short scan of 64 columns, which are not halved") {
    CHECK(check_rolled_parts({"small cone", Beam::cone, 6, 0, 32, 64, 90, InView::whole}, 1, 1).near == 1);
  }

  TEST_CASE("within 0.05 pixel") {
    for (const Setting& setting : settings) {
      CAPTURE(setting.name);
      check_parts(setting, 2);
    }
  }

  TEST_CASE("rows and averaged columns: four fan rows of 1100 columns") {
    check_parts({"wide fan", Beam::fan, 12, 360, 4, 1100, 300, InView::whole}, 1);
  }

  // Views of a part that stood still and opposite ones of the part moved by d across put the axis d/2 beside each
  // other.
  TEST_CASE("a part that moved: views disagree on the axis, and it is as uncertain") {
    for (const Setting& setting : settings) {
      if (setting.arc_deg != 360 || setting.in_view != InView::whole) continue;
      CAPTURE(setting.name);
      for (const bool at_once : {true, false}) {
        CAPTURE(at_once);
        std::mt19937_64 random(5);
        const Geometry still = random_geometry(setting, 4);
        const double radius = random_radius(setting, still, random);
        Geometry moved = still;
        for (int view = 0; view < setting.views; ++view) {
          const double part = at_once ? view >= 0.4 * setting.views : double(view) / setting.views;
          moved.part_moved_mm.push_back(part * still.virtual_column_pitch_mm() * (at_once ? 1 : 1.5) *
                                        Vec3(0.6, 0.8, 0));
        }
        TestScan scan = take_scan(random_part(random, radius, 0.8 * radius), moved, 20000, 4, 2);
        scan.geometry = still;
        const Alignment found = found_in(scan);
        const double error = std::abs(found.axis_column.value - still.detector.axis_column);
        CAPTURE(error);
        CHECK(found.axis_wanders > 0.1);
        CHECK(found.axis_wanders < 0.5);
        CHECK(error <= found.axis_column.uncertainty);
      }
    }
  }

  TEST_CASE("the same whatever the threads") {
    const TestScan scan = random_scan(settings[3], 3);
    const Alignment one = found_in(scan, 1), three = found_in(scan, 3);
    CHECK(one.axis_column.value == three.axis_column.value);
    CHECK(one.axis_column.uncertainty == three.axis_column.uncertainty);
  }

  // Its faces look alike in all views: what they tell is less than it seems, and so is what chance would give.
  TEST_CASE("a flat plate tells its detector's roll") {
    Geometry plate = random_geometry(rolled_settings[0], 4);
    plate.detector.column_pitch_mm = plate.detector.row_pitch_mm = 90.0 / plate.detector.columns;
    plate.detector.axis_column = (plate.detector.columns - 1) / 2.0 + 6;
    plate.detector.roll_rad = radians(1);
    const Phantom part = read_phantom(std::filesystem::path(RAYLOOM_SOURCE_DIR) / "phantoms/pump_end_plate.json");
    TestScan scan = take_scan(part, plate, 20000, 1, 2);
    const Alignment found = found_in(scan);
    REQUIRE(found.roll_deg);
    INFO(found.roll_deg->reason);
    CHECK(found.roll_deg->determined);
    CHECK(std::abs(found.roll_deg->value - 1) < 0.02);
    CHECK(std::abs(found.axis_column.value - plate.detector.axis_column) < 0.05);
  }
}

// One case a setting with rows, so that each ends within minutes.
TEST_SUITE("align: the axis of fifty random parts" * doctest::skip()) {
  TEST_CASE("single rows: within 0.05 pixel; the uncertainty holds for 90 percent") {
    for (const Setting& setting : settings) {
      CAPTURE(setting.name);
      CHECK(check_parts(setting, 50) >= 45);
    }
  }

  TEST_CASE_TEMPLATE("rolled: as asked and within the uncertainty for 90 percent", Index,
                     std::integral_constant<int, 0>, std::integral_constant<int, 1>, std::integral_constant<int, 2>,
                     std::integral_constant<int, 3>, std::integral_constant<int, 4>, std::integral_constant<int, 5>,
                     std::integral_constant<int, 6>, std::integral_constant<int, 7>) {
    const Setting& setting = rolled_settings[Index::value];
    CAPTURE(setting.name);
    const Counted here = check_rolled_parts(setting, 1, 50);
    const bool best = setting.arc_deg == 360 && setting.in_view == InView::whole;
    CHECK(here.near >= (best ? 50 : 45));
    CHECK(here.held >= 45);
    CHECK(here.roll_held >= 45);
  }
}

namespace {

/// A detector of 128 x 64 pixels of 0.4 mm, its axis at 66.2, rolled.
Geometry rolled_detector(Beam beam, double roll_deg, int views, double arc_deg) {
  Geometry g;
  g.beam = beam;
  if (beam == Beam::cone) {
    g.sod_mm = 100;
    g.sdd_mm = 300;
  }
  g.detector = {128, 64, 0.4, 0.4};
  g.detector.axis_column = 66.2;
  g.detector.midplane_row = 31.5;
  g.detector.roll_rad = radians(roll_deg);
  for (int i = 0; i < views; ++i)
    g.angles_rad.push_back(radians(arc_deg * i / views));
  return g;
}

Phantom of_solids(const std::vector<Solid>& solids) {
  Phantom phantom;
  phantom.substances.push_back({0.1, {}, 0});
  phantom.solids = solids;
  return phantom;
}

Solid upright_cylinder(double radius_mm, double length_mm, const Vec3& centre_mm) {
  Solid solid;
  solid.shape = Solid::Shape::cylinder;
  solid.semi_axes_mm = {radius_mm, radius_mm, 0};
  solid.length_mm = length_mm;
  solid.centre_mm = centre_mm;
  return solid;
}

}  // namespace

TEST_SUITE("align: what detectors do to edges") {
  // Counts are means over a pixel, and their logarithm is not the mean of logarithms: compared as line integrals, flat
  // ends on a rolled detector led to 0.82 and 0.88 degrees by opposite rays, to 0.9 by the volume's projections.
  TEST_CASE("the roll by flat ends, full and half turn") {
    for (const double arc_deg : {360.0, 180.0}) {
      CAPTURE(arc_deg);
      const Phantom part = of_solids({upright_cylinder(12, 15, {3, 2, 0}), upright_cylinder(3, 20, {-10, 4, 0})});
      const TestScan scan =
          take_scan(part, rolled_detector(Beam::parallel, 0.7, arc_deg == 360 ? 180 : 90, arc_deg), 20000, 1, 8);
      const Alignment found = found_in(scan);
      CHECK(found.measure.find("projections of the volume") != std::string::npos);
      REQUIRE(found.roll_deg->determined);
      CHECK(std::abs(found.roll_deg->value - 0.7) < std::min(0.05, found.roll_deg->uncertainty));
      CHECK(std::abs(found.axis_column.value - 66.2) < 0.02);
    }
  }
}

TEST_SUITE("align: what stands still while the part turns") {
  // Without heed to what all views have in common, air that reads 3 % wrong led axes 5 pixels off the middle astray by
  // 0.08 pixel, 5 % of scatter by 0.15, each with +- 0.01; gain that drifts by 2 % a pixel led rolls by 0.03 degrees
  // with +- 0.014. matched_place_test.cpp has the fit alone.
  TEST_CASE("a wrong level of air and drifting gain move neither axis nor roll beyond what is said of them") {
    const TestScan scan = random_rolled_scan(rolled_settings[1], 3);
    const auto check = [&](const TestScan& spoilt) {
      const Alignment found = found_in(spoilt);
      REQUIRE(found.axis_column.determined);
      REQUIRE(found.roll_deg->determined);
      const double error = found.axis_column.value - scan.geometry.detector.axis_column;
      const double roll_error = found.roll_deg->value - degrees(scan.geometry.detector.roll_rad);
      MESSAGE(error << " +- " << found.axis_column.uncertainty << " pixels, " << roll_error << " +- "
                    << found.roll_deg->uncertainty << " degrees");
      CHECK(std::abs(error) <= std::min(found.axis_column.uncertainty, 0.05));
      CHECK(std::abs(roll_error) <= found.roll_deg->uncertainty);
    };
    for (const float level : {-0.03F, 0.03F}) {
      CAPTURE(level);
      TestScan spoilt = scan;
      for (float& sample : spoilt.integrals)
        sample += level;
      check(spoilt);
    }
    TestScan drifting = scan;
    std::mt19937_64 random(7);
    std::normal_distribution<float> normal(0, 0.02F);
    const std::size_t views = scan.geometry.angles_rad.size(), pixels = scan.integrals.size() / views;
    for (std::size_t p = 0; p < pixels; ++p) {
      const float by_the_end = normal(random);
      for (std::size_t view = 0; view < views; ++view)
        drifting.integrals[view * pixels + p] += by_the_end * float(view) / float(views);
    }
    check(drifting);
  }
}

TEST_SUITE("align: what the scan does not determine") {
  TEST_CASE("the roll, by a ball that looks the same however the detector is turned") {
    Solid ball;
    ball.semi_axes_mm = {4, 4, 4};
    for (const double z_mm : {0.0, 3.0}) {
      CAPTURE(z_mm);
      ball.centre_mm = {0, 0, z_mm};
      const TestScan scan = take_scan(of_solids({ball}), rolled_detector(Beam::cone, 2, 90, 360), 20000, 2, 3);
      const Alignment found = found_in(scan);
      CHECK_FALSE(found.roll_deg->determined);
      REQUIRE(found.axis_column.determined);
      CHECK(std::abs(found.axis_column.value - 66.2) < found.axis_column.uncertainty);
      // Seen from the midplane it tells the axis; above it, the axis moves by what the roll may be.
      CHECK((found.axis_column.uncertainty < 0.05) == (z_mm == 0));
    }
  }

  TEST_CASE("air and noise alone") {
    Setting setting = settings[3];
    Phantom nothing;
    Solid speck;
    speck.semi_axes_mm = {1e-3, 1e-3, 1e-3};
    nothing.substances.push_back({1e-9, {}, 0});
    nothing.solids.push_back(speck);
    const TestScan scan = take_scan(nothing, random_scan(setting, 1).geometry, 20000, 5, 1);
    const Alignment found = found_in(scan);
    CHECK_FALSE(found.axis_column.determined);
    CHECK(found.axis_column.reason.find("opposite rays") != std::string::npos);
  }

  TEST_CASE("fewer than half a turn") {
    Setting setting = settings[0];
    setting.arc_deg = 120;
    const Alignment found = found_in(random_scan(setting, 1));
    CHECK_FALSE(found.axis_column.determined);
    CHECK(found.axis_column.reason == "no ray has an opposite one");
  }

  TEST_CASE("one view") {
    Setting setting = settings[3];
    setting.views = 1;
    CHECK_FALSE(found_in(random_scan(setting, 1)).axis_column.determined);
  }
}

// Measured fan-beam data: Meaney, Silva de Moura & Siltanen, Helsinki Tomography Challenge 2022,
// doi 10.5281/zenodo.6984868, CC BY 4.0. Its authors have corrected the axis to the detector's middle, which we take to
// hold to 0.1 pixel. The part or the table moved a little: the shift of opposite views swings between 0.02 and 0.24
// pixel over the turn, which is within what the estimate says of itself; variance and negative parts of the slice, too,
// are best at 0.11 to 0.13 pixel. The interpolation that shifts the sinogram adds up to a hundredth.
TEST_SUITE("Helsinki Tomography Challenge 2022 (doi 10.5281/zenodo.6984868)") {
  TEST_CASE("the axis is in the middle within 0.1 pixel and its uncertainty; known shifts come back within 0.02") {
    const auto measured = test::measured_scan();
    if (!measured) {
      MESSAGE("skipped: the measured scan is not at hand");
      return;
    }
    const Scan& scan = *measured;
    const int columns = 560, views = 721;
    std::vector<float> sinogram(std::size_t{columns} * views);
    LineIntegrals(scan).read(0, views, 0, 1, sinogram);
    double unshifted = 0;
    // Shifted by cubic convolution (Keys 1981), written out here.
    for (const double shift : {0.0, 0.3, -0.5, 7.77}) {
      CAPTURE(shift);
      std::vector<float> shifted(sinogram.size());
      for (int view = 0; view < views; ++view)
        for (int c = 0; c < columns; ++c) {
          double sum = 0;
          for (int k = -1; k <= 2; ++k) {
            const double x = c - shift;
            const int from = int(std::floor(x)) + k;
            const double t = std::abs(x - from);
            const double weight = t < 1   ? 1.5 * t * t * t - 2.5 * t * t + 1
                                  : t < 2 ? -0.5 * t * t * t + 2.5 * t * t - 4 * t + 2
                                          : 0;
            sum += weight * double(sinogram[std::size_t(view * columns + std::clamp(from, 0, columns - 1))]);
          }
          shifted[std::size_t(view * columns + c)] = float(sum);
        }
      const Alignment found = align(scan.geometry, from_memory(scan.geometry, shifted));
      REQUIRE(found.axis_column.determined);
      MESSAGE("shift " << shift << ": " << found.axis_column.value - 279.5 - shift << " +- "
                       << found.axis_column.uncertainty << " pixels off");
      CHECK(std::abs(found.axis_column.value - (279.5 + shift)) <= 0.1 + found.axis_column.uncertainty);
      CHECK(found.axis_column.uncertainty <= 0.06);
      if (shift == 0) unshifted = found.axis_column.value;
      CHECK(std::abs(found.axis_column.value - unshifted - shift) <= 0.02);
    }
  }
}
