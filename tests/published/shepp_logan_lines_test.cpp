// Line integrals and point values of the published head phantoms, through the shipped phantom files.
#include <doctest/doctest.h>

#include <array>
#include <cmath>

#include "rayloom/phantom/phantom.h"

using namespace rayloom;

namespace {

const std::string phantoms = std::string(RAYLOOM_SOURCE_DIR) + "/phantoms/";
constexpr double unit_mm = 100;  // the files' scale

/// Line x cos th + y sin th = t in the plane z, in phantom units.
double line(const Phantom& phantom, double th_deg, double t) {
  const double th = radians(th_deg);
  const Ray ray{unit_mm * t * Vec3(std::cos(th), std::sin(th), 0), Vec3(-std::sin(th), std::cos(th), 0)};
  return phantom.line_integral(ray, phantom.attenuations()) / unit_mm;
}

double point(const Phantom& phantom, double x, double y, double z = 0) {
  return phantom.value_at(unit_mm * Vec3(x, y, z), phantom.attenuations());
}

constexpr double printed = 1.5e-6;  // values are printed to six decimals

/// Sum of attenuation times volume, and its centroid, in phantom units: the 2-D phantoms are cylinders along z, whose
/// length is divided out again.
std::pair<double, Vec3> mass_and_centroid(const Phantom& phantom) {
  const auto attenuation = phantom.attenuations();
  double mass = 0;
  Vec3 moment = Vec3::Zero();
  for (const Solid& solid : phantom.solids) {
    const double thickness_mm = solid.shape == Solid::Shape::cylinder ? solid.length_mm : unit_mm;
    const double part = attenuation[solid.substance] * solid.volume_mm3() / (unit_mm * unit_mm * thickness_mm);
    mass += part;
    moment += part * solid.centroid_mm() / unit_mm;
  }
  return {mass, moment / mass};
}

/// Zeroth and first moment over t of the projection at th: p has square-root ends at each ellipse's edges, so n
/// midpoints leave an error below n^(-3/2) times the sum of the ellipses' heights, here below 2e-7 for n = 200000.
std::pair<double, double> moments(const Phantom& phantom, double th_deg) {
  constexpr int n = 200000;
  double zeroth = 0, first = 0;
  for (int i = 0; i < n; ++i) {
    const double t = -1 + (i + 0.5) * 2 / n, p = line(phantom, th_deg, t);
    zeroth += p * 2 / n;
    first += t * p * 2 / n;
  }
  return {zeroth, first};
}

}  // namespace

TEST_SUITE("Shepp & Logan 1974, IEEE Trans. Nucl. Sci. NS-21(3):21-43") {
  TEST_CASE("line integrals of the 1974 densities") {
    const Phantom phantom = read_phantom(phantoms + "shepp_logan_1974.json");
    constexpr std::array<double, 7> t = {-.5, -.25, 0, .1, .25, .5, .605};
    struct Row {
      double th;
      std::array<double, 7> p;
    };
    const std::array<Row, 6> rows = {{{0, {1.412382, 1.830510, 1.974260, 1.947010, 1.834211, 1.412382, 1.071944}},
                                      {30, {1.367765, 1.680383, 1.793226, 1.781326, 1.707416, 1.406405, 1.185492}},
                                      {45, {1.324320, 1.567819, 1.647072, 1.650651, 1.594761, 1.365233, 1.202587}},
                                      {60, {1.278428, 1.475797, 1.539057, 1.537760, 1.500649, 1.320724, 1.191635}},
                                      {90, {1.233392, 1.396624, 1.450712, 1.447448, 1.416796, 1.274900, 1.169308}},
                                      {135, {1.324129, 1.571424, 1.649741, 1.648448, 1.592522, 1.362552, 1.202587}}}};
    for (const Row& row : rows)
      for (std::size_t i = 0; i < t.size(); ++i)
        CHECK(std::abs(line(phantom, row.th, t[i]) - row.p[i]) < printed);
  }

  TEST_CASE("point values") {
    const Phantom original = read_phantom(phantoms + "shepp_logan_1974.json");
    const Phantom raised = read_phantom(phantoms + "shepp_logan_contrast_raised.json");
    struct Row {
      double x, y, rho, modified;
    };
    for (const Row& row : {Row{0, 0, 1.02, .2},
                           {0, .35, 1.03, .3},
                           {0, .1, 1.04, .4},
                           {0, -.1, 1.03, .3},
                           {.22, 0, 1.00, 0},
                           {-.22, 0, 1.00, 0},
                           {0, -.605, 1.03, .3},
                           {0, .9, 2.00, 1},
                           {.5, 0, 1.02, .2}}) {
      CHECK(std::abs(point(original, row.x, row.y) - row.rho) < 1e-12);
      CHECK(std::abs(point(raised, row.x, row.y) - row.modified) < 1e-12);
    }
  }

  // Ludwig 1966 and Helgason 1965, as every text has them: the integral of every projection is the mass, its first
  // moment is mass times the centroid's coordinate along t.
  TEST_CASE("mass and centroid and the moments of every projection") {
    struct Row {
      const char* file;
      double mass, x, y;
    };
    for (const Row& row : {Row{"shepp_logan_1974.json", 2.201757, 0.000197, 0.015135},
                           Row{"shepp_logan_contrast_raised.json", 0.495265, 0.008778, 0.064698}}) {
      const Phantom phantom = read_phantom(phantoms + row.file);
      const auto [mass, centroid] = mass_and_centroid(phantom);
      CHECK(std::abs(mass - row.mass) < printed);
      CHECK(std::abs(centroid.x() - row.x) < printed);
      CHECK(std::abs(centroid.y() - row.y) < printed);
      for (const double th_deg : {0.0, 37.0, 90.0, 151.0}) {
        const double th = radians(th_deg);
        const auto [zeroth, first] = moments(phantom, th_deg);
        CHECK(std::abs(zeroth - row.mass) < printed);
        CHECK(std::abs(first - row.mass * (row.x * std::cos(th) + row.y * std::sin(th))) < 2 * printed);
      }
    }
  }

  TEST_CASE("line integrals with raised contrast") {
    const Phantom phantom = read_phantom(phantoms + "shepp_logan_contrast_raised.json");
    struct Row {
      double th;
      std::array<double, 4> p;
    };
    constexpr std::array<double, 4> t = {-.5, 0, .25, .5};
    for (const Row& row :
         {Row{0, {.350762, .514600, .326017, .350762}}, Row{30, {.319205, .393451, .379809, .350748}},
          Row{45, {.306934, .242747, .361668, .335508}}, Row{90, {.273983, .207676, .281655, .338724}}})
      for (std::size_t i = 0; i < t.size(); ++i)
        CHECK(std::abs(line(phantom, row.th, t[i]) - row.p[i]) < printed);
  }
}

TEST_SUITE("Kak & Slaney 1988, ch. 3: the head phantom in three dimensions") {
  TEST_CASE("point values") {
    const Phantom phantom = read_phantom(phantoms + "shepp_logan_3d.json");
    CHECK(std::abs(point(phantom, 0, 0, 0) - 1.02) < 1e-12);
    CHECK(std::abs(point(phantom, 0, .1001, -.25) - 1.06) <
          1e-12);  // printed for y = .1, on ellipsoid 5's very surface
    CHECK(std::abs(point(phantom, -.08, -.65, -.25) - 1.03) < 1e-12);
    CHECK(std::abs(point(phantom, .06, -.105, .625) - 1.04) < 1e-12);
    CHECK(std::abs(point(phantom, 0, .35, -.25) - 1.04) < 1e-12);
    CHECK(std::abs(point(phantom, .22, 0, -.25) - 1.00) < 1e-12);
    CHECK(std::abs(point(phantom, -.22, 0, -.25) - 1.00) < 1e-12);
    CHECK(std::abs(point(phantom, .06, -.65, -.25) - 1.03) < 1e-12);
    CHECK(std::abs(point(phantom, 0, .1, .625) - 1.00) < 1e-12);
    CHECK(std::abs(point(phantom, 0, .9, 0) - 2.00) < 1e-12);
    CHECK(std::abs(point(phantom, 0, 0, .885) - 2.00) < 1e-12);
  }

  TEST_CASE("mass") {
    CHECK(std::abs(mass_and_centroid(read_phantom(phantoms + "shepp_logan_3d.json")).first - 2.695337) < printed);
  }

  TEST_CASE("cone-beam line integrals from three units away") {
    const Phantom phantom = read_phantom(phantoms + "shepp_logan_3d.json");
    const auto attenuation = phantom.attenuations();
    constexpr std::array<std::pair<double, double>, 7> targets = {
        {{0, 0}, {.2, 0}, {0, .25}, {0, -.25}, {-.3, .5}, {.1, -.6}, {.4, .625}}};
    struct Row {
      double b;
      std::array<double, 7> p;
    };
    for (const Row& row : {Row{0, {1.461696, 1.436893, 1.408720, 1.397469, 1.156682, 1.116189, 0.924864}},
                           Row{30, {1.551144, 1.500153, 1.494555, 1.483007, 1.223277, 1.180402, 0.971833}},
                           Row{45, {1.659284, 1.592149, 1.598240, 1.588667, 1.292014, 1.263210, 1.014055}},
                           Row{90, {1.975620, 1.888349, 1.896063, 1.904485, 1.453018, 1.494065, 1.046631}},
                           Row{200, {1.501576, 1.454672, 1.446997, 1.435593, 1.189034, 1.144364, 0.949359}}}) {
      const double b = radians(row.b);
      const Vec3 source = 3 * Vec3(std::cos(b), std::sin(b), 0);
      for (std::size_t i = 0; i < targets.size(); ++i) {
        const auto [u, v] = targets[i];
        const Vec3 target(-u * std::sin(b), u * std::cos(b), v);
        const Ray ray{unit_mm * source, (target - source).normalized()};
        CHECK(std::abs(phantom.line_integral(ray, attenuation) / unit_mm - row.p[i]) < printed);
      }
    }
  }
}

// Closed form: a chord at distance d from the centre of the unit ball is 2 sqrt(1 - d^2), with
// d^2 = D^2 (u^2 + v^2) / (D^2 + u^2 + v^2) for the ray from distance D to (u, v) on the plane through the centre.
TEST_SUITE("the uniform ball") {
  TEST_CASE("chords from a point source") {
    Phantom phantom;
    phantom.substances.push_back({1.0, "", 0});
    phantom.solids.emplace_back().semi_axes_mm = {1, 1, 1};
    struct Row {
      double D, u, v, chord;
    };
    for (const Row& row : {Row{5, .5, 0, 1.734906623}, Row{5, .5, .5, 1.428011095}, Row{5, .9, .3, 0.724635443},
                           Row{3, .6, .6, 1.154700538}}) {
      const Vec3 source(0, row.D, 0);
      const Ray ray{source, (Vec3(row.u, 0, row.v) - source).normalized()};
      CHECK(std::abs(phantom.line_integral(ray, phantom.attenuations()) - row.chord) < 1.5e-9);
    }
  }
}
