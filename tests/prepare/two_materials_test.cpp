#include "rayloom/prepare/two_materials.h"

#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "scan/support.h"

using namespace rayloom;

namespace {

const Substance al{.value_per_mm = {}, .material = "Al", .density_g_cm3 = 2.699},
    fe{.value_per_mm = {}, .material = "Fe", .density_g_cm3 = 7.874};

Spectrum beam() {
  return tungsten_spectrum(225, std::vector<XraySource::Filter>{{"Cu", 1}}, DetectorResponse::integrating);
}

}  // namespace

TEST_SUITE("Joseph & Spital 1978: hardening of two materials") {
  // Between rows, at lengths l_i = 20 (i/40)^2, interpolation in L_m at constant p misses by at most h^2/8
  // |d2q/dL_m^2|, h the step there. With p_b, p_m the slopes of p(L_b, L_m), s = p_m/p_b and the like for second ones,
  //   d2q/dL_m^2 = -mu_b (p_mm - 2 s p_bm + s^2 p_bb)/p_b,
  // here by differences over 0.05 mm; half as much again for its change within a step, and 2.2e-6 for the rows' tables.
  TEST_CASE("lengths of both come back as one energy shows them") {
    const Spectrum spectrum = beam();
    const TwoMaterials map(spectrum, al, fe, 20);
    const std::vector<Substance> both = {al, fe};
    const SpectralAttenuation attenuation(spectrum, both);
    CHECK(std::abs(map.lighter_per_mm() - .045674) < 6e-7);                         // check values 6.3 C
    CHECK(std::abs(al.attenuation_per_mm(map.energy_kev()) / .045674 - 1) < 1e-3);  // linear within a bin of 1 keV
    CHECK(map.metal_per_mm() == fe.attenuation_per_mm(map.energy_kev()));
    const auto p = [&](double lighter, double metal) {
      return attenuation.line_integral(std::vector<double>{lighter, metal});
    };
    for (const double lighter : {1.0, 10.0, 40.0, 90.0})
      for (double metal = 0.1; metal <= 20; metal += 0.173) {
        CAPTURE(lighter);
        CAPTURE(metal);
        const double d = 0.05, here = p(lighter, metal);
        const double b_up = p(lighter + d, metal), b_down = p(lighter - d, metal), m_up = p(lighter, metal + d),
                     m_down = p(lighter, metal - d);
        const double p_b = (b_up - b_down) / (2 * d), s = (m_up - m_down) / (b_up - b_down);
        const double p_bb = (b_up - 2 * here + b_down) / (d * d), p_mm = (m_up - 2 * here + m_down) / (d * d);
        const double p_bm = (p(lighter + d, metal + d) - p(lighter + d, metal - d) - p(lighter - d, metal + d) +
                             p(lighter - d, metal - d)) /
                            (4 * d * d);
        const double bend = map.lighter_per_mm() * std::abs(p_mm - 2 * s * p_bm + s * s * p_bb) / p_b;
        const double i = std::floor(40 * std::sqrt(metal / 20)), step = 20 * (2 * i + 1) / 1600;
        const double off = map(here, metal) - map.lighter_per_mm() * lighter - map.metal_per_mm() * metal;
        CHECK(std::abs(off) <= 1.5 * step * step / 8 * bend + 2.2e-6);
      }
    for (const double lighter : {0.0, 1.0, 10.0, 40.0, 90.0})
      CHECK(std::abs(map(p(lighter, 0), 0) - map.lighter_per_mm() * lighter) < 2.2e-6);
  }

  TEST_CASE("without metal it is the map of the lighter material") {
    const Spectrum spectrum = beam();
    const TwoMaterials map(spectrum, al, fe, 5);
    const Linearisation one(spectrum, al);
    for (double p = -0.5; p < 11; p += 0.31)
      CHECK(std::abs(map(p, 0) - one(p)) < 1e-11);
  }

  TEST_CASE("one energy is left alone") {
    const TwoMaterials map({.energy_kev = {90.5}, .share = {1}}, al, fe, 5);
    CHECK(map.energy_kev() == 90.5);
    for (double p = 0; p < 8; p += 0.7)
      for (const double metal : {0.0, 0.3, 4.0})
        CHECK(std::abs(map(p, metal) - p) < 1e-9);
  }

  TEST_CASE("metal must stand out") {
    CHECK_HOLDS(test::message_of<InvalidOption>([] { TwoMaterials(beam(), fe, al, 5); }), "metal: attenuation 0.0");
    CHECK_HOLDS(test::message_of<InvalidOption>([] { TwoMaterials(beam(), fe, al, 5); }), "must be at least twice");
  }
}
