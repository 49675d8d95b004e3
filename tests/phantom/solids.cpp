// Solids against brute force: the same ray sampled point by point with membership tests written out here.
#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/phantom/phantom.h"

using namespace rayloom;

namespace {

/// Membership from the definition of each shape, independent of the library's intervals.
bool inside(const Solid& s, const Vec3& point) {
  const Eigen::Matrix3d turn =
      (Eigen::AngleAxisd(s.rotation_rad[0], Vec3::UnitZ()) * Eigen::AngleAxisd(s.rotation_rad[1], Vec3::UnitY()) *
       Eigen::AngleAxisd(s.rotation_rad[2], Vec3::UnitX()))
          .toRotationMatrix();
  for (const auto& clip : s.clip)
    if (clip.normal.dot(point) > clip.offset_mm) return false;
  const Vec3 p = turn.transpose() * (point - s.centre_mm);
  const double half = s.length_mm / 2, r = std::hypot(p.x(), p.y());
  switch (s.shape) {
    case Solid::Shape::ellipsoid:
      return p.cwiseQuotient(s.semi_axes_mm).norm() <= 1;
    case Solid::Shape::box:
      return (p.cwiseAbs() - s.size_mm / 2).maxCoeff() <= 0;
    case Solid::Shape::cylinder:
      return std::abs(p.z()) <= half && std::hypot(p.x() / s.semi_axes_mm.x(), p.y() / s.semi_axes_mm.y()) <= 1;
    case Solid::Shape::cone:
      return std::abs(p.z()) <= half && r <= s.radius_mm * (half - p.z()) / s.length_mm;
    case Solid::Shape::capsule:
      return std::hypot(r, std::max(std::abs(p.z()) - half, 0.0)) <= s.radius_mm;
  }
  return false;
}

Solid random_solid(std::mt19937& random, int shape) {
  std::uniform_real_distribution<double> unit(0, 1);
  const auto within = [&](double a, double b) { return a + (b - a) * unit(random); };
  Solid s;
  s.shape = static_cast<Solid::Shape>(shape);
  s.centre_mm = {within(-3, 3), within(-3, 3), within(-3, 3)};
  s.rotation_rad = {within(-3, 3), within(-3, 3), within(-3, 3)};
  s.semi_axes_mm = {within(1, 5), within(1, 5), within(1, 5)};
  s.size_mm = {within(1, 9), within(1, 9), within(1, 9)};
  s.radius_mm = within(1, 4);
  s.length_mm = within(1, 8);
  if (unit(random) < 0.4) s.clip.push_back({Vec3(within(-1, 1), within(-1, 1), within(-1, 1)), within(-1, 3)});
  return s;
}

Ray random_ray(std::mt19937& random) {
  std::normal_distribution<double> normal;
  return {Vec3(normal(random), normal(random), normal(random)) * 3,
          Vec3(normal(random), normal(random), normal(random)).normalized()};
}

struct TemporaryFile {
  std::filesystem::path path = std::filesystem::temp_directory_path() / "rayloom_phantom_test.json";
  explicit TemporaryFile(const std::string& text) { std::ofstream(path) << text; }
  ~TemporaryFile() { std::filesystem::remove(path); }
};

}  // namespace

TEST_SUITE("solids") {
  // Each solid is convex: it meets the ray in one interval, so counting samples of step h misses at most h at either
  // end.
  TEST_CASE("line integrals of every shape agree with sampling the ray") {
    std::mt19937 random(11);
    const double step = 0.002, reach = 40;
    for (int shape = 0; shape < 5; ++shape)
      for (int i = 0; i < 40; ++i) {
        Phantom phantom;
        phantom.substances.push_back({1.0, "", 0});
        phantom.solids.push_back(random_solid(random, shape));
        const Ray ray = random_ray(random);
        long count = 0;
        for (double s = -reach; s < reach; s += step)
          count += inside(phantom.solids[0], ray.origin + s * ray.direction) ? 1 : 0;
        CAPTURE(shape);
        CAPTURE(i);
        CHECK(std::abs(phantom.line_integral(ray, phantom.attenuations()) - double(count) * step) <= 2 * step);
      }
  }

  TEST_CASE("a point is inside by the shape's definition") {
    std::mt19937 random(12);
    std::uniform_real_distribution<double> place(-7, 7);
    int hits = 0;
    for (int i = 0; i < 20000; ++i) {
      const Solid solid = random_solid(random, i % 5);
      const Vec3 point(place(random), place(random), place(random));
      hits += inside(solid, point) ? 1 : 0;
      CHECK(solid.contains(point) == inside(solid, point));
    }
    CHECK(hits > 300);
  }

  // Sampling n points of a box of volume B finds volume V within 4.5 sqrt(V (B - V) / n), 4.5 standard deviations.
  TEST_CASE("volume and centroid agree with random sampling") {
    std::mt19937 random(13);
    std::uniform_real_distribution<double> place(-12, 12);
    const int n = 400000;
    const double box = 24.0 * 24 * 24;
    for (int shape = 0; shape < 5; ++shape) {
      Solid solid = random_solid(random, shape);
      solid.clip.clear();
      Vec3 sum = Vec3::Zero();
      long hits = 0;
      for (int i = 0; i < n; ++i) {
        const Vec3 p(place(random), place(random), place(random));
        if (!inside(solid, p)) continue;
        ++hits;
        sum += p;
      }
      const double V = solid.volume_mm3();
      CAPTURE(shape);
      CHECK(std::abs(box * double(hits) / n - V) < 4.5 * std::sqrt(V * (box - V) / n));
      // A coordinate spreads by at most the solid's extent, here below 4 mm of standard deviation.
      CHECK((sum / double(hits) - solid.centroid_mm()).norm() < 4.5 * 4 * std::sqrt(3.0 / double(hits)));
    }
  }

  TEST_CASE("adding and replacing agree with looking point by point") {
    std::mt19937 random(14);
    for (int i = 0; i < 30; ++i) {
      Phantom phantom;
      for (std::size_t k = 0; k < 6; ++k) {
        phantom.substances.push_back({0.1 * double(k + 1), "", 0});
        Solid solid = random_solid(random, int(random() % 5));
        solid.substance = k;
        solid.mode = random() % 2 == 0 ? Solid::Mode::add : Solid::Mode::replace;
        phantom.solids.push_back(solid);
      }
      const auto mu = phantom.attenuations();
      const Ray ray = random_ray(random);
      const double step = 0.002;
      double sum = 0;
      std::vector<double> lengths(6), expected(6);
      for (double s = -40; s < 40; s += step) {
        std::vector<bool> there(6, false);
        for (std::size_t k = 0; k < 6; ++k)
          if (inside(phantom.solids[k], ray.origin + s * ray.direction)) {
            if (phantom.solids[k].mode == Solid::Mode::replace) there.assign(6, false);
            there[k] = true;
          }
        for (std::size_t k = 0; k < 6; ++k)
          if (there[k]) {
            sum += step * mu[k];
            expected[k] += step;
          }
      }
      phantom.lengths(ray, lengths);
      // At most 12 ends, each off by at most a step, of values up to 2.1 in sum.
      CHECK(std::abs(phantom.line_integral(ray, mu) - sum) < 12 * step * 2.1);
      for (std::size_t k = 0; k < 6; ++k)
        CHECK(std::abs(lengths[k] - expected[k]) < 12 * step);
    }
  }

  TEST_CASE("rasterised mass is the volume") {
    Phantom phantom;
    phantom.substances.push_back({1.0, "", 0});
    Solid solid;
    solid.semi_axes_mm = {6, 5, 4};
    phantom.solids.push_back(solid);
    const Grid grid{28, 28, 20, 0.5, Vec3(0.1, 0, 0)};
    std::vector<float> slice(28 * 28);
    double mass = 0;
    for (int k = 0; k < grid.nz; ++k) {
      rasterise_slice(phantom, phantom.attenuations(), grid, k, 3, slice);
      for (const float value : slice)
        mass += value * 0.125;
    }
    // Cells of h = 1/6 mm at the surface are in or out at random: about area/h^2 = 11000 of them, each off by
    // h^3/sqrt(12).
    CHECK(std::abs(mass - solid.volume_mm3()) < 5 * std::sqrt(11000.0 / 12) * std::pow(1.0 / 6, 3));
  }
}

TEST_SUITE("Hubbell & Seltzer, NISTIR 5632 / NIST SRD 126 (1995, updated 2004), rows as transcribed") {
  TEST_CASE("mass attenuation within half a per cent") {
    struct Row {
      const char* material;
      double kev, cm2_g;
    };
    for (const Row& row : {Row{"Al", 40, .5685},
                           {"Al", 100, .1704},
                           {"Al", 300, .1042},
                           {"Fe", 40, 3.629},
                           {"Fe", 100, .3717},
                           {"Fe", 300, .1099},
                           {"H2O", 80, .1837},
                           {"H2O", 300, .1186},
                           {"W", 80, 7.810},
                           {"W", 150, 1.581},
                           {"Pb", 100, 5.549}})
      CHECK(attenuation_per_mm(row.material, 1, row.kev) == doctest::Approx(row.cm2_g / 10).epsilon(5e-3));
  }

  TEST_CASE("20 mm of iron at 200 keV let 10 per cent through") {
    CHECK(std::exp(-20 * attenuation_per_mm("Fe", 7.874, 200)) == doctest::Approx(0.100).epsilon(1e-2));
  }

  TEST_CASE("unknown materials and energies are refused by name") {
    CHECK_THROWS_WITH_AS(attenuation_per_mm("Unobtainium", 1, 100), doctest::Contains("Unobtainium"), InvalidOption);
    CHECK_THROWS_WITH_AS(attenuation_per_mm("Al", 1, 0), doctest::Contains("energy: 0"), InvalidOption);
  }
}

TEST_SUITE("phantom files") {
  TEST_CASE("each fault is named") {
    const auto message = [](const std::string& solid) -> std::string {
      const TemporaryFile file(R"({"rayloom_phantom": 1, "solids": [)" + solid + "]}");
      try {
        read_phantom(file.path);
      } catch (const BadInput& error) {
        return error.what();
      }
      return "accepted";
    };
    CHECK(message(R"({"shape": "ellipsoid", "semi_axes_mm": [1, 2, 3], "value_per_mm": 1})") == "accepted");
    CHECK(message(R"({"shape": "egg", "value_per_mm": 1})").find("solids[0].shape: \"egg\"") != std::string::npos);
    CHECK(message(R"({"shape": "box", "size_mm": [1, 0, 3], "value_per_mm": 1})").find("solids[0].size_mm") !=
          std::string::npos);
    CHECK(message(R"({"shape": "cone", "radius_mm": 1, "value_per_mm": 1})").find("length_mm: missing") !=
          std::string::npos);
    CHECK(message(R"({"shape": "box", "size_mm": [1, 1, 3]})").find("either value_per_mm or material") !=
          std::string::npos);
    CHECK(message(R"({"shape": "box", "size_mm": [1, 1, 3], "material": "Qq", "density_g_cm3": 1})")
              .find("material: \"Qq\"") != std::string::npos);
    CHECK(message(R"({"shape": "box", "size_mm": [1, 1, 3], "value_per_mm": 1, "colour": 2})")
              .find("colour: unknown key") != std::string::npos);
    CHECK(
        message(
            R"({"shape": "box", "size_mm": [1, 1, 3], "value_per_mm": 1, "clip": [{"normal": [0,0,0], "offset_mm": 1}]})")
            .find("clip[0].normal") != std::string::npos);
  }

  TEST_CASE("every phantom that we ship can be read and has an extent") {
    for (const auto& entry : std::filesystem::directory_iterator(RAYLOOM_SOURCE_DIR "/phantoms")) {
      if (entry.path().extension() != ".json" || entry.path().string().find("_scan") != std::string::npos) continue;
      CAPTURE(entry.path().string());
      const Phantom phantom = read_phantom(entry.path());
      CHECK(phantom.extent().radius_mm > 0);
      CHECK(!phantom.source.empty());
    }
  }
}
