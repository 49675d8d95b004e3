#include "rayloom/prepare/hardening.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <cmath>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;

namespace {

/// A beam and a disk of the project's check values, 6.3.
struct Hardened {
  Spectrum spectrum;
  Substance material;
  double diameter_mm;
  SpectralAttenuation attenuation{spectrum, std::span(&material, 1)};

  double p(double length_mm) const { return attenuation.line_integral(std::span(&length_mm, 1)); }
  double mu0() const { return attenuation.thin_layer_per_mm()[0]; }
};

Hardened beam(double kv, const char* filter, double filter_mm, const char* material, double density,
              double diameter_mm) {
  return {tungsten_spectrum(kv, std::vector<XraySource::Filter>{{filter, filter_mm}}, DetectorResponse::integrating),
          {.value_per_mm = {}, .material = material, .density_g_cm3 = density},
          diameter_mm};
}
// The filter's density is 2.699 in the tables, 2.6989 in xraylib's list.
Hardened beam_a() {
  return beam(120, "Al", 2.5 * 2.699 / 2.6989, "Al", 2.699, 60);
}
Hardened beam_b() {
  return beam(225, "Cu", 1, "Fe", 7.874, 30);
}

/// Least-squares polynomial without constant term through q(p) at 101 equally spaced thicknesses.
Eigen::VectorXd fit(const Hardened& hardened, const Linearisation& map, int degree) {
  Eigen::MatrixXd powers(101, degree);
  Eigen::VectorXd q(101);
  for (int i = 0; i <= 100; ++i) {
    const double p = hardened.p(hardened.diameter_mm * i / 100);
    for (int k = 0; k < degree; ++k)
      powers(i, k) = std::pow(p, k + 1);
    q(i) = map(p);
  }
  return powers.colPivHouseholderQr().solve(q);
}

/// Cupping 1 - f(0)/f(0.95 R) of the disk's ideal reconstruction from map(p(L)), by Abel's inversion: f(r) is the mean
/// of dq/dL at L = 2 sqrt(R^2 - r^2) cos a over a from 0 to 90 degrees. Slopes are differences over 0.4 % of the
/// diameter, more than ten steps of the map's table.
double cupping(const Hardened& hardened, const Linearisation& map) {
  const auto value = [&](double r_share) {
    constexpr int steps = 500;
    const double h = 0.002 * hardened.diameter_mm;
    double sum = 0;
    for (int i = 0; i < steps; ++i) {
      const double length =
          hardened.diameter_mm * std::sqrt(1 - r_share * r_share) * std::cos((i + 0.5) * pi / 2 / steps);
      const double from = std::max(length - h, 0.0), to = length + h;
      sum += (map(hardened.p(to)) - map(hardened.p(from))) / (to - from) / steps;
    }
    return sum;
  };
  return 1 - value(0) / value(0.95);
}

}  // namespace

// Check values 6.3: computed with xraylib 4.0.0 by another program.
TEST_SUITE("linearisation: tungsten model and the polynomials of the check values") {
  // All coefficients are printed to five digits behind the first or more: half a unit is at most 5e-6 of each, up to
  // 7e-6 of the shorter ones. The table's errors, 1e-6 max|q''| and smooth, go into q at less than 1e-6 of its range:
  // the same again.
  TEST_CASE("the polynomials of A and B are those of the map from the spectrum") {
    const auto check = [](const Hardened& hardened, const std::vector<std::vector<double>>& tables) {
      const Linearisation map(hardened.spectrum, hardened.material);
      for (const auto& table : tables) {
        CAPTURE(table.size());
        const Eigen::VectorXd a = fit(hardened, map, int(table.size()));
        for (std::size_t k = 0; k < table.size(); ++k) {
          CAPTURE(k);
          CHECK(std::abs(a(Eigen::Index(k)) / table[k] - 1) < 2e-5);
        }
      }
    };
    check(beam_a(), {{1.15106, .341626, -.032120}, {1.05826, .47505, -.0888501, .0074062}});
    check(beam_b(), {{1.30167, .12259}, {1.11501, .242162, -.0174277}, {1.04178, .325939, -.0457604, .00294161}});
  }

  TEST_CASE("the printed polynomials keep their printed residuals") {
    const auto worst = [](const Hardened& hardened, const std::vector<double>& coefficients) {
      const Linearisation map(coefficients, hardened.p(hardened.diameter_mm));
      double most = 0;
      for (int i = 0; i <= 100; ++i) {
        const double length = hardened.diameter_mm * i / 100;
        most = std::max(most, std::abs(map(hardened.p(length)) - hardened.mu0() * length));
      }
      return most;
    };
    CHECK(std::abs(worst(beam_a(), {1.15106, .341626, -.032120}) - .0255) < 6e-5);
    CHECK(std::abs(worst(beam_a(), {1.05826, .47505, -.0888501, .0074062}) - .0070) < 6e-5);
    CHECK(std::abs(worst(beam_b(), {1.30167, .12259}) - .1083) < 6e-5);
    CHECK(std::abs(worst(beam_b(), {1.04178, .325939, -.0457604, .00294161}) - .0063) < 6e-5);
  }

  TEST_CASE("cupping of A and B goes from 19.5 percent to below 1") {
    const Linearisation none({1});
    for (const auto& [hardened, quartic] : {std::pair(beam_a(), std::vector{1.05826, .47505, -.0888501, .0074062}),
                                            std::pair(beam_b(), std::vector{1.04178, .325939, -.0457604, .00294161})}) {
      CHECK(std::abs(100 * cupping(hardened, none) - 19.5) < 0.1);
      // The map undoes p(L): what is left are the table's second differences.
      CHECK(std::abs(cupping(hardened, Linearisation(hardened.spectrum, hardened.material))) < 1e-4);
      CHECK(std::abs(cupping(hardened, Linearisation(quartic, hardened.p(hardened.diameter_mm)))) < 0.01);
    }
  }

  TEST_CASE("every thickness shows the attenuation of a thin layer") {
    for (const Hardened& hardened : {beam_a(), beam_b()}) {
      const Linearisation map(hardened.spectrum, hardened.material);
      for (double length = 0.001; hardened.p(length) < 12; length *= 1.7) {
        CAPTURE(length);
        // Table: step^2/8 max|q''|; q'' is below 2 for both beams (fitted polynomials: 2 a2, and 1 near p = 0).
        CHECK(std::abs(map(hardened.p(length)) - hardened.mu0() * length) < 2.2e-6);
      }
    }
  }
}

TEST_SUITE("linearisation: properties") {
  TEST_CASE("one energy is left alone") {
    Hardened a = beam_a();
    const Spectrum one{.energy_kev = {60.5}, .share = {1}};
    const Linearisation map(one, a.material);
    for (double p = -1; p < 15; p += 0.37)
      CHECK(std::abs(map(p) - p) < 3e-9);  // thicknesses to 1e-13 of 12, their last step carried on from 12 to 15
    const Linearisation given({1});
    for (double p = -1; p < 15; p += 0.37)
      CHECK(std::abs(given(p) - p) < 1e-13);
  }

  TEST_CASE("straight below 0 and beyond the range") {
    const Linearisation map({2, 0.5, -0.01}, 4);
    CHECK(map(0) == 0);
    CHECK(std::abs(map(-0.3) + 0.6) < 0.3 * 0.5 * 12 / 4096 + 1e-9);  // the slope of the table's first step
    const double end = 2 * 4 + 0.5 * 16 - 0.01 * 64, slope = 2 + 2 * 0.5 * 4 - 3 * 0.01 * 16;
    for (const double p : {4.5, 11.5, 14.0})
      CHECK(std::abs(map(p) - (end + slope * (p - 4))) < 1e-6);
  }

  TEST_CASE("maps that do not rise are refused by name") {
    CHECK(message_of<InvalidOption>([] {
            Linearisation({1, -0.2});
          }) ==
          "hardening: 1,-0.2: does not rise at a line integral of 2.502; must rise from 0 to 12\n"
          "hint: say up to which line integral it was fitted, e.g. 1,-0.2:2");
    CHECK(message_of<InvalidOption>([] { Linearisation({-1}); }) ==
          "hardening: -1: does not rise at a line integral of 0; must rise from 0 to 12");
    CHECK(message_of<InvalidOption>([] { Linearisation(std::vector<double>{}); }) ==
          "hardening: 0 coefficients; must be 1 to 10");
    CHECK(message_of<InvalidOption>([] { Linearisation({1}, 0); }) ==
          "hardening: made for line integrals up to 0; must be above 0 and at most 12");
    CHECK_NOTHROW(Linearisation({1, -0.2}, 2.4));
    CHECK_THROWS_AS(Linearisation({1, -0.2}, 2.6), InvalidOption);
  }

  // Neighbours 1 and 3 mend the bad pixel to 2, which becomes 2 + 2^2; mapped first, it would be (2 + 12)/2 = 7.
  TEST_CASE("bad pixels are mended first") {
    const test::TemporaryFolder folder;
    write_tiff(folder / "view0.tif", 1, 3, std::vector<float>{1, 9, 3}, SampleType::float32);
    write_tiff(folder / "bad.tif", 1, 3, std::vector<float>{0, 1, 0}, SampleType::float32);
    const Scan scan =
        parse_scan({{"rayloom_scan", 1},
                    {"beam", "parallel"},
                    {"detector", {{"columns", 3}, {"rows", 1}, {"column_pitch_mm", 1}}},
                    {"views", {{"count", 1}, {"arc_deg", 180}}},
                    {"images", {{"kind", "line_integrals"}, {"projections", "view*.tif"}, {"defects", "bad.tif"}}}},
                   folder / "scan.json");
    std::vector<float> values(3);
    LineIntegrals(scan, {}, {.hardening = Linearisation({1, 1})}).read(0, 1, 0, 1, values);
    for (const auto& [at, expected] : {std::pair{0, 2.0}, {1, 6.0}, {2, 12.0}})
      CHECK(std::abs(double(values[std::size_t(at)]) - expected) < 4e-6);
  }

  TEST_CASE("volume.json says how to repeat it") {
    CHECK(to_json(Corrections{.hardening = Linearisation({1, 0.25}, 4)}).dump() ==
          R"({"hardening":{"coefficients":[1.0,0.25],"up_to":4.0}})");
    CHECK(Linearisation::fitted({1, 0.25}, 4).record().dump() ==
          R"({"fitted":true,"coefficients":[1.0,0.25],"up_to":4.0})");
    const auto record = Linearisation(beam_b().spectrum, beam_b().material).record();
    CHECK(record["material"] == "Fe");
    CHECK(record["density_g_cm3"] == 7.874);
    CHECK(record["response"] == "integrating");
    CHECK(std::abs(record["thin_layer_per_mm"].get<double>() - .318010) < 5e-7);
  }
}
