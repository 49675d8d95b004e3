// Spectra, filters and attenuation against tables computed independently with xraylib 4.0.0 from the same model, and
// against published attenuation.
#include "rayloom/simulate/spectrum.h"

#include <doctest/doctest.h>
#include <xraylib.h>

#include <cmath>
#include <cstring>
#include <map>

#include "rayloom/errors.h"
#include "rayloom/simulate/project_phantom.h"

using namespace rayloom;

namespace {

Substance substance(const std::string& material, double density) {
  return {.value_per_mm = {}, .material = material, .density_g_cm3 = density};
}

/// One spectrum and one material.
struct HardenedBeam {
  Spectrum spectrum;
  SpectralAttenuation attenuation;
  HardenedBeam(double kv, const std::string& filter, double thickness, DetectorResponse response,
               const std::string& material, double density)
      : spectrum(tungsten_spectrum(kv, std::vector<XraySource::Filter>{{filter, thickness}}, response)),
        attenuation(spectrum, std::vector<Substance>{substance(material, density)}) {}

  double p(double length_mm) const { return attenuation.line_integral(std::vector<double>{length_mm}); }
  double mu0_per_cm() const { return 10 * attenuation.thin_layer_per_mm()[0]; }
  /// Length behind which the signal is exp(-p), by halving.
  double length_of(double value) const {
    double low = 0, high = 1000;
    for (int i = 0; i < 60; ++i)
      (p((low + high) / 2) < value ? low : high) = (low + high) / 2;
    return low;
  }
  double hvl1() const { return length_of(std::log(2.0)); }
  double hvl2() const { return length_of(std::log(4.0)) - hvl1(); }
};

/// Within half a unit of the last printed digit.
bool printed(double value, double table, int digits_behind_point) {
  CAPTURE(value);
  CAPTURE(table);
  return std::abs(value - table) <= 0.5 * std::pow(10.0, -digits_behind_point);
}

/// Value at radius r of the image that an ideal parallel-beam reconstruction makes of a disk, by Abel's inversion
/// f(r) = -1/pi int_r^R p'(t) dt / sqrt(t^2 - r^2). With t^2 = r^2 + (R^2 - r^2) sin^2 a the chord is
/// L = 2 sqrt(R^2 - r^2) cos a, and what remains is the mean of dp/dL over a: f(r) = (2/pi) int_0^(pi/2) p'(L) da.
double disk_value(const HardenedBeam& beam, double radius, double r) {
  constexpr int steps = 2000;
  double sum = 0;
  for (int i = 0; i < steps; ++i) {
    const double length = 2 * std::sqrt(radius * radius - r * r) * std::cos((i + 0.5) * pi / 2 / steps), h = 1e-4;
    sum += (beam.p(length + h) - beam.p(std::max(length - h, 0.0))) / (length + h - std::max(length - h, 0.0));
  }
  return sum / steps;
}

/// Filter of 2.5 mm as the tables have it: with a density of 2.699, where xraylib lists 2.6989.
constexpr double al_filter_mm = 2.5 * 2.699 / 2.6989;

constexpr auto counting = DetectorResponse::counting, integrating = DetectorResponse::integrating;

}  // namespace

// Tables of the project's check values, 6.3: computed with xraylib 4.0.0 by another program.
TEST_SUITE("tungsten model: spectra and hardening as tabulated") {
  TEST_CASE("A: 120 kV behind 2.5 mm Al on Al") {
    const HardenedBeam energy(120, "Al", al_filter_mm, integrating, "Al", 2.699),
        photon(120, "Al", al_filter_mm, counting, "Al", 2.699);
    CHECK(energy.spectrum.energy_kev.front() == 10.5);
    CHECK(energy.spectrum.energy_kev.back() == 119.5);
    CHECK(printed(photon.spectrum.mean_energy_kev(), 50.57, 2));
    CHECK(printed(energy.spectrum.mean_energy_kev(), 59.54, 2));
    CHECK(printed(energy.mu0_per_cm(), 1.33936, 5));
    CHECK(printed(photon.mu0_per_cm(), 1.92974, 5));
    CHECK(printed(energy.hvl1(), 6.959, 3));
    CHECK(printed(energy.hvl2(), 9.273, 3));
    CHECK(printed(photon.hvl1(), 5.033, 3));
    CHECK(std::abs(photon.hvl2() - 7.405) < 6e-4);  // 7.40449: the table's root is found to some 1e-5
    const std::map<double, std::pair<double, double>> table = {
        {5, {.52507, .68951}},    {10, {.93497, 1.17699}},  {20, {1.64085, 1.97229}}, {30, {2.27591, 2.66298}},
        {40, {2.87281, 3.30005}}, {50, {3.44495, 3.90348}}, {60, {3.99939, 4.48342}}};
    for (const auto& [length, p] : table) {
      CAPTURE(length);
      CHECK(printed(energy.p(length), p.first, 5));
      CHECK(printed(photon.p(length), p.second, 5));
    }
  }

  TEST_CASE("B: 225 kV behind 1 mm Cu on Fe") {
    const HardenedBeam energy(225, "Cu", 1, integrating, "Fe", 7.874), photon(225, "Cu", 1, counting, "Fe", 7.874);
    CHECK(printed(photon.spectrum.mean_energy_kev(), 108.01, 2));
    CHECK(printed(energy.spectrum.mean_energy_kev(), 121.76, 2));
    CHECK(printed(energy.mu0_per_cm(), 3.18010, 5));
    CHECK(printed(photon.mu0_per_cm(), 4.17591, 5));
    CHECK(printed(energy.hvl1(), 2.705, 3));
    CHECK(printed(energy.hvl2(), 3.465, 3));
    CHECK(printed(photon.hvl1(), 2.117, 3));
    const std::map<double, std::pair<double, double>> table = {
        {2, {.53325, .66109}},    {5, {1.16475, 1.38641}},  {10, {2.05787, 2.36475}}, {15, {2.86023, 3.21964}},
        {20, {3.61283, 4.00969}}, {25, {4.33296, 4.75860}}, {30, {5.02983, 5.47862}}};
    for (const auto& [length, p] : table) {
      CAPTURE(length);
      CHECK(printed(energy.p(length), p.first, 5));
      CHECK(printed(photon.p(length), p.second, 5));
    }
  }

  TEST_CASE("C: 225 kV behind 1 mm Cu on Al") {
    const HardenedBeam beam(225, "Cu", 1, integrating, "Al", 2.699);
    CHECK(printed(beam.mu0_per_cm(), .45674, 5));
    const std::map<double, double> table = {{10, .44851},  {20, .88369},  {40, 1.72578},
                                            {60, 2.54096}, {80, 3.33672}, {100, 4.11749}};
    for (const auto& [length, p] : table)
      CHECK(printed(beam.p(length), p, 5));
  }

  TEST_CASE("air-kerma half-value layers of A") {
    // Kerma weights photons by E mu_en/rho of air; its half-value layer is what tube tests quote.
    Spectrum kerma = tungsten_spectrum(120, std::vector<XraySource::Filter>{{"Al", al_filter_mm}}, integrating);
    double sum = 0;
    for (std::size_t i = 0; i < kerma.share.size(); ++i)
      sum += kerma.share[i] *= CS_Energy_CP("Air, Dry (near sea level)", kerma.energy_kev[i], nullptr);
    for (double& share : kerma.share)
      share /= sum;
    const std::vector<Substance> metals = {substance("Al", 2.699), substance("Cu", 8.96)};
    const SpectralAttenuation attenuation(kerma, metals);
    CHECK(std::abs(attenuation.line_integral(std::vector<double>{3.403, 0}) - std::log(2.0)) < 2e-4);
    CHECK(std::abs(attenuation.line_integral(std::vector<double>{0, .1253}) - std::log(2.0)) < 5e-4);
  }

  TEST_CASE("cupping of uncorrected disks by Abel's inversion") {
    const HardenedBeam al(120, "Al", al_filter_mm, integrating, "Al", 2.699),
        fe(225, "Cu", 1, integrating, "Fe", 7.874), hard(225, "Cu", 1, integrating, "Al", 2.699);
    // The middle of the disk by three digits: the printed values come from a numerical derivative of another kind.
    CHECK(std::abs(10 * disk_value(al, 30, 0) - .62835) < 5e-4);
    CHECK(std::abs(10 * disk_value(al, 30, 28.5) - .78086) < 5e-4);
    CHECK(std::abs(10 * disk_value(fe, 15, 0) - 1.58041) < 1e-3);
    CHECK(std::abs(10 * disk_value(fe, 15, 14.25) - 1.96347) < 1e-3);
    CHECK(printed(100 * (1 - disk_value(al, 30, 0) / disk_value(al, 30, 28.5)), 19.5, 1));
    CHECK(printed(100 * (1 - disk_value(fe, 15, 0) / disk_value(fe, 15, 14.25)), 19.5, 1));
    CHECK(printed(100 * (1 - disk_value(hard, 50, 0) / disk_value(hard, 50, 47.5)), 6.2, 1));
  }
}

TEST_SUITE("attenuation") {
  // Hubbell & Seltzer 1995, NISTIR 5632 (NIST SRD 126, 2004), mu/rho in cm2/g; 0.5 %, as editions of tables differ.
  TEST_CASE("of elements and water as Hubbell and Seltzer print it") {
    const double kev[] = {40, 60, 80, 100, 150, 200, 300};
    const std::map<std::string, std::vector<double>> table = {
        {"Al", {.5685, .2778, .2018, .1704, .1378, .1223, .1042}},
        {"Fe", {3.629, 1.205, .5952, .3717, .1964, .1460, .1099}}};
    for (const auto& [material, values] : table)
      for (std::size_t i = 0; i < 7; ++i)
        CHECK(10 * attenuation_per_mm(material, 1, kev[i]) == doctest::Approx(values[i]).epsilon(.005));
    const double water[] = {.1837, .1707, .1505, .1370, .1186};
    for (std::size_t i = 0; i < 5; ++i)
      CHECK(10 * attenuation_per_mm("H2O", 1, kev[i + 2]) == doctest::Approx(water[i]).epsilon(.005));
    CHECK(10 * attenuation_per_mm("W", 1, 80) == doctest::Approx(7.810).epsilon(.005));
    CHECK(10 * attenuation_per_mm("W", 1, 100) == doctest::Approx(4.438).epsilon(.005));
    CHECK(10 * attenuation_per_mm("W", 1, 150) == doctest::Approx(1.581).epsilon(.005));
    CHECK(10 * attenuation_per_mm("Pb", 1, 100) == doctest::Approx(5.549).epsilon(.005));
  }

  // xraylib 4.0.0, the project's check values 6.1.
  TEST_CASE("of metals and plastics as tabulated with xraylib") {
    const double kev[] = {40, 60, 80, 100, 150, 200, 300};
    const std::map<std::string, std::vector<double>> table = {
        {"Ti", {2.213, .7660, .4053, .2721, .1649, .1314, .1043}},
        {"Cu", {4.861, 1.593, .7630, .4585, .2217, .1559, .1119}},
        {"Sn", {19.43, 6.566, 3.029, 1.677, .6092, .3261, .1639}},
        {"W", {10.67, 3.713, 7.809, 4.437, 1.581, .7845, .3238}},
        {"Pb", {14.36, 5.020, 2.420, 5.549, 2.015, .9987, .4032}},
        {"C", {.2076, .1753, .1610, .1514, .1347, .1229, .1066}},
        {"C5H8O2", {.2350, .1924, .1751, .1641, .1457, .1329, .1152}},
        {"CH2O", {.2440, .1937, .1746, .1630, .1442, .1314, .1139}},
        {"CH2", {.2275, .1970, .1823, .1720, .1535, .1402, .1217}},
        {"C2F4", {.2647, .1880, .1632, .1500, .1310, .1189, .1027}},
        {"Al2O3", {.4225, .2368, .1858, .1632, .1370, .1230, .1055}}};
    for (const auto& [material, values] : table)
      for (std::size_t i = 0; i < 7; ++i) {
        CAPTURE(material);
        CAPTURE(kev[i]);
        CHECK(10 * attenuation_per_mm(material, 1, kev[i]) == doctest::Approx(values[i]).epsilon(4e-4));
      }
  }

  TEST_CASE("listed densities") {
    const std::map<std::string, double> table = {{"Al", 2.699}, {"Ti", 4.54}, {"Fe", 7.874}, {"Cu", 8.96},
                                                 {"Sn", 7.31},  {"W", 19.3},  {"Pb", 11.35}, {"Polyethylene", .94}};
    for (const auto& [material, density] : table)
      CHECK(listed_density_g_cm3(material) == doctest::Approx(density).epsilon(1e-4));
    CHECK_THROWS_WITH_AS(listed_density_g_cm3("C5H8O2"),
                         "material: 'C5H8O2'; must be an element symbol or a compound whose density is listed",
                         InvalidOption);
  }
}

TEST_SUITE("a spectrum behind several substances") {
  TEST_CASE("p over length falls and a spectrum of one energy is exponential") {
    const HardenedBeam beam(120, "Al", al_filter_mm, integrating, "Fe", 7.874);
    double before = beam.mu0_per_cm() / 10;
    for (double length = 0.5; length < 80; length += 0.5) {
      CHECK(beam.p(length) / length < before);
      before = beam.p(length) / length;
    }
    const Spectrum line{{80}, {1}};
    const SpectralAttenuation mono(line, std::vector<Substance>{substance("Fe", 7.874)});
    CHECK(mono.line_integral(std::vector<double>{12}) ==
          doctest::Approx(12 * attenuation_per_mm("Fe", 7.874, 80)).epsilon(1e-14));
  }

  TEST_CASE("lengths of all substances count together and however long they are") {
    const Spectrum spectrum = tungsten_spectrum(160, {}, counting);
    const std::vector<Substance> substances = {
        substance("Al", 2.7), substance("Pb", 11.35), {.value_per_mm = 0.01, .material = {}, .density_g_cm3 = 0}};
    const SpectralAttenuation attenuation(spectrum, substances);
    long double sum = 0;
    for (std::size_t i = 0; i < spectrum.share.size(); ++i)
      sum += static_cast<long double>(spectrum.share[i]) *
             std::exp(static_cast<long double>(-20 * attenuation_per_mm("Al", 2.7, spectrum.energy_kev[i]) -
                                               0.3 * attenuation_per_mm("Pb", 11.35, spectrum.energy_kev[i]) - 0.5));
    CHECK(attenuation.line_integral(std::vector<double>{20, 0.3, 50}) ==
          doctest::Approx(double(-std::log(sum))).epsilon(1e-13));
    CHECK(attenuation.line_integral(std::vector<double>{0, 0, 0}) == 0);
    // One metre of lead: the most penetrating bin alone, far below the smallest double.
    double least = 1e9;
    std::size_t at = 0;
    for (std::size_t i = 0; i < spectrum.share.size(); ++i)
      if (const double mu = attenuation_per_mm("Pb", 11.35, spectrum.energy_kev[i]); mu < least) least = mu, at = i;
    const double deep = attenuation.line_integral(std::vector<double>{0, 1000, 0});
    CHECK(deep > 745);
    CHECK(deep < 1000 * least - std::log(spectrum.share[at]));
    CHECK(deep > 1000 * least);
  }

  TEST_CASE("a phantom's projection takes the lengths along each ray") {
    Phantom phantom;
    phantom.substances = {substance("Al", 2.7), substance("Fe", 7.87)};
    Solid ball, core;
    ball.semi_axes_mm = {10, 10, 10};
    core.semi_axes_mm = {4, 4, 4};
    core.mode = Solid::Mode::replace;
    core.substance = 1;
    phantom.solids = {ball, core};
    Geometry geometry;
    geometry.detector = {.columns = 5, .rows = 1, .column_pitch_mm = 3, .row_pitch_mm = 3, .axis_column = 2};
    geometry.angles_rad = {0};
    const Spectrum spectrum = tungsten_spectrum(120, {}, integrating);
    const SpectralAttenuation attenuation(spectrum, phantom.substances);
    std::vector<float> view(5);
    project_phantom(phantom, attenuation, geometry, 0.7, {}, view);
    for (int c = 0; c < 5; ++c) {
      const double t = 3.0 * (c - 2), outer = 2 * std::sqrt(std::max(0.0, 100 - t * t)),
                   inner = 2 * std::sqrt(std::max(0.0, 16 - t * t));
      const double p = attenuation.line_integral(std::vector<double>{outer - inner, inner});
      CHECK(view[std::size_t(c)] == doctest::Approx(p).epsilon(1e-6));  // float
    }
  }

  TEST_CASE("a filter hardens as the same thickness of the part does") {
    // Behind 5 + 5 mm of Al: p(10) - p(5) without the filter is p(5) with it.
    const double density = listed_density_g_cm3("Al");
    const HardenedBeam bare(100, "Al", 0, integrating, "Al", density),
        filtered(100, "Al", 5, integrating, "Al", density);
    CHECK(filtered.p(5) == doctest::Approx(bare.p(10) - bare.p(5)).epsilon(1e-12));
  }

  TEST_CASE("what makes no spectrum is refused by name") {
    CHECK_THROWS_WITH_AS(tungsten_spectrum(5, {}, counting),
                         "source.voltage_kv: 5; must be from 12 to 600 for a spectrum", InvalidOption);
    CHECK_THROWS_WITH_AS(tungsten_spectrum(100, std::vector<XraySource::Filter>{{"Unobtainium", 1}}, counting),
                         "source.filters: material: 'Unobtainium'; must be an element symbol or a compound whose "
                         "density is listed",
                         InvalidOption);
    CHECK_THROWS_AS(tungsten_spectrum(100, std::vector<XraySource::Filter>{{"Pb", 1e4}}, counting), InvalidOption);
  }
}
