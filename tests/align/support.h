/// @file
/// Scans of random parts, in memory, with the noise of raw counts and of the open-beam images that they are divided by.
#pragma once
#include <cmath>
#include <random>
#include <vector>

#include "rayloom/parallel.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/simulate/project_phantom.h"
#include "rayloom/simulate/raw_scan.h"

namespace rayloom::align_test {

struct TestScan {
  Geometry geometry;             ///< True.
  std::vector<float> integrals;  ///< [view][row][column].
};

/// A body with holes, inclusions and edges at random places; the longest line integral of the body is about 2.
inline Phantom random_part(std::mt19937_64& random, double radius_mm, double height_mm) {
  const auto uniform = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  Phantom phantom;
  for (const double value : {1.0, 0.0, 1.8, 0.5})
    phantom.substances.push_back({value / radius_mm, {}, 0});
  const auto turned = [&] { return Vec3(uniform(0, 2 * pi), uniform(-0.6, 0.6), uniform(-0.6, 0.6)); };
  Solid body;
  body.mode = Solid::Mode::replace;
  body.centre_mm = {uniform(-0.1, 0.1) * radius_mm, uniform(-0.1, 0.1) * radius_mm, 0};
  switch (random() % 3) {
    case 0:
      body.shape = Solid::Shape::ellipsoid;
      body.semi_axes_mm = {radius_mm * uniform(0.6, 0.9), radius_mm * uniform(0.6, 0.9), height_mm * uniform(0.4, 0.6)};
      break;
    case 1:
      body.shape = Solid::Shape::box;
      body.size_mm = {radius_mm * uniform(0.8, 1.2), radius_mm * uniform(0.8, 1.2), height_mm * uniform(0.7, 1.1)};
      break;
    default:
      body.shape = Solid::Shape::cylinder;
      body.semi_axes_mm = {radius_mm * uniform(0.6, 0.85), radius_mm * uniform(0.6, 0.85), 0};
      body.length_mm = height_mm * uniform(0.7, 1.1);
  }
  body.rotation_rad = {uniform(0, 2 * pi), uniform(-0.1, 0.1), uniform(-0.1, 0.1)};
  phantom.solids.push_back(body);
  const int features = 8 + int(random() % 12);
  for (int i = 0; i < features; ++i) {
    Solid solid;
    solid.mode = Solid::Mode::replace;
    solid.substance = 1 + random() % 3;
    const double r = radius_mm * 0.7 * std::sqrt(uniform(0, 1)), a = uniform(0, 2 * pi);
    solid.centre_mm = {r * std::cos(a), r * std::sin(a), height_mm * uniform(-0.45, 0.45)};
    const double size = radius_mm * uniform(0.04, 0.2);
    switch (random() % 3) {
      case 0:
        solid.shape = Solid::Shape::ellipsoid;
        solid.semi_axes_mm = {size, size * uniform(0.5, 1.5), size * uniform(0.5, 2.5)};
        break;
      case 1:
        solid.shape = Solid::Shape::box;
        solid.size_mm = {2 * size, 2 * size * uniform(0.3, 1.5), 2 * size * uniform(0.5, 2.5)};
        break;
      default:
        solid.shape = Solid::Shape::cylinder;
        solid.semi_axes_mm = {size * uniform(0.5, 1), size * uniform(0.5, 1), 0};
        solid.length_mm = size * uniform(1, 5);
    }
    solid.rotation_rad = turned();
    phantom.solids.push_back(solid);
  }
  return phantom;
}

/// Line integrals as a raw scan gives them: exact ones through `rays` rays a pixel and side, `open_counts` photons,
/// gain pattern, divided by the mean of 16 open-beam images.
inline TestScan take_scan(const Phantom& phantom, const Geometry& geometry, double open_counts, std::uint64_t seed,
                          int rays) {
  constexpr int exposures = 16;
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns), views = geometry.angles_rad.size();
  RawDetector detector;
  detector.open_counts = open_counts;
  detector.seed = seed;
  const DetectorPattern pattern = detector_pattern(detector, rows, columns);
  std::vector<float> counts(pixels), dark(pixels, 0.0F), open(pixels, 0.0F);
  for (int i = 0; i < exposures; ++i) {
    expose(detector, pattern, {}, views + std::uint64_t(i), counts);
    for (std::size_t p = 0; p < pixels; ++p)
      open[p] += counts[p] / exposures;
    expose_dark(detector, pattern, views + exposures + std::uint64_t(i), counts);
    for (std::size_t p = 0; p < pixels; ++p)
      dark[p] += counts[p] / exposures;
  }
  TestScan scan{geometry, std::vector<float>(pixels * views)};
  const auto attenuation = phantom.attenuations();
  parallel_for(int(views), thread_count({}), [&](int i, int) {
    const std::size_t view = std::size_t(i);
    std::vector<float> through(pixels), taken(pixels);
    project_phantom(phantom, attenuation, geometry, geometry.pose(view), {rays, PixelSampling::Average::transmission},
                    through);
    expose(detector, pattern, through, view, taken);
    for (std::size_t p = 0; p < pixels; ++p)
      scan.integrals[view * pixels + p] = -std::log(std::max((taken[p] - dark[p]) / (open[p] - dark[p]), 1e-5F));
  });
  return scan;
}

inline Geometry even_views(Geometry geometry, int views, double arc_deg) {
  geometry.angles_rad.clear();
  for (int i = 0; i < views; ++i)
    geometry.angles_rad.push_back(radians(arc_deg) * i / views);
  return geometry;
}

}  // namespace rayloom::align_test
