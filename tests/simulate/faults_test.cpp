// Each fault is measured back from the images by its own formula. Where noise enters, limits are five standard errors
// with fixed seeds: they pass always or never, and a fair sample passes all but once in a million.
#include "rayloom/simulate/faults.h"

#include <doctest/doctest.h>
#include <omp.h>
#include <stdlib.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <functional>
#include <map>
#include <set>
#include <vector>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/blur.h"
#include "rayloom/simulate/faulty_detector.h"

using namespace rayloom;

namespace {

constexpr int rows = 60, columns = 80, views = 40;
constexpr std::size_t pixels = rows * columns;

Geometry cone(int view_count = views) {
  Geometry geometry;
  geometry.beam = Beam::cone;
  geometry.sod_mm = 100;
  geometry.sdd_mm = 400;
  geometry.detector = {.columns = columns,
                       .rows = rows,
                       .column_pitch_mm = 0.5,
                       .row_pitch_mm = 0.25,
                       .axis_column = 39.5,
                       .midplane_row = 29.5};
  for (int i = 0; i < view_count; ++i)
    geometry.angles_rad.push_back(2 * pi * i / view_count);
  return geometry;
}

using Counts = std::vector<float>;
const Counts air(pixels, 0.0F);

/// Means, so that only rounding to whole counts (half a count at most) stands between a fault and its formula.
RawDetector noise_free() {
  return {.open_counts = 40000, .noise = CountNoise::none};
}

Counts taken(const std::function<void(Counts&)>& expose) {
  Counts counts(pixels);
  expose(counts);
  return counts;
}
Counts open_of(const FaultyDetector& detector, std::uint64_t exposure = 1000) {
  return taken([&](Counts& counts) { detector.open(exposure, counts); });
}
Counts dark_of(const FaultyDetector& detector, std::uint64_t exposure = 2000) {
  return taken([&](Counts& counts) { detector.dark(exposure, counts); });
}
Counts view_of(FaultyDetector& detector, int view, const Counts& line_integrals = air) {
  return taken([&](Counts& counts) { detector.view(view, line_integrals, counts); });
}

std::size_t at(int row, int column) {
  return std::size_t(row * columns + column);
}
std::size_t at(const DefectPixel& pixel) {
  return at(pixel.row, pixel.column);
}

double mean(const std::vector<double>& values) {
  double sum = 0;
  for (const double value : values)
    sum += value;
  return sum / double(values.size());
}
double deviation(const std::vector<double>& values) {
  const double middle = mean(values);
  double sum = 0;
  for (const double value : values)
    sum += (value - middle) * (value - middle);
  return std::sqrt(sum / double(values.size() - 1));
}
double median(std::vector<double> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// Mean of `count` exposures.
std::vector<double> averaged(int count, const std::function<Counts(int)>& exposure) {
  std::vector<double> sum(pixels);
  for (int i = 0; i < count; ++i) {
    const Counts counts = exposure(i);
    for (std::size_t p = 0; p < pixels; ++p)
      sum[p] += counts[p];  // whole numbers: exact
  }
  for (double& value : sum)
    value /= count;
  return sum;
}

/// Median of the 21 x 21 pixels around one, fewer at the border.
double median_around(const std::vector<double>& image, std::size_t pixel) {
  const int r = int(pixel) / columns, c = int(pixel) % columns;
  std::vector<double> around;
  for (int y = std::max(r - 10, 0); y <= std::min(r + 10, rows - 1); ++y)
    for (int x = std::max(c - 10, 0); x <= std::min(c + 10, columns - 1); ++x)
      around.push_back(image[at(y, x)]);
  return median(around);
}

std::set<std::size_t> of_class(const FaultTruth& truth, DefectClass kind) {
  std::set<std::size_t> places;
  for (const DefectPixel& pixel : truth.pixels)
    if (pixel.kind == kind) places.insert(at(pixel));
  return places;
}

double transfer(const BlurKernel& kernel, double f) {
  double sum = 0;
  const int half = int(kernel.size() / 2);
  for (int i = -half; i <= half; ++i)
    sum += kernel[std::size_t(i + half)] * std::cos(2 * pi * f * i);
  return sum;
}

}  // namespace

TEST_SUITE("blur") {
  TEST_CASE("a box has the share of each pixel that it covers") {
    const std::map<double, BlurKernel> known = {{0, {1}},
                                                {0.9, {1}},
                                                {1, {1}},
                                                {2, {.25, .5, .25}},
                                                {2.5, {.3, .4, .3}},
                                                {3, {1 / 3., 1 / 3., 1 / 3.}},
                                                {4, {.125, .25, .25, .25, .125}}};
    for (const auto& [width, weights] : known) {
      CAPTURE(width);
      const BlurKernel kernel = box_kernel(width);
      REQUIRE(kernel.size() == weights.size());
      for (std::size_t i = 0; i < kernel.size(); ++i)
        CHECK(kernel[i] == doctest::Approx(weights[i]).epsilon(1e-14));
    }
  }

  TEST_CASE("the discrete Gaussian has its variance and transfer function however narrow") {
    // The kernel is cut where its weights fall below 1e-9 of the middle; what is cut is below 1e-8 of variance.
    for (const double sigma : {0.2, 0.5, 1.0, 3.7, 20.0}) {
      CAPTURE(sigma);
      const BlurKernel kernel = gaussian_kernel(sigma);
      const int half = int(kernel.size() / 2);
      double variance = 0;
      for (int i = -half; i <= half; ++i)
        variance += kernel[std::size_t(i + half)] * i * i;
      CHECK(variance == doctest::Approx(sigma * sigma).epsilon(1e-6));
      for (const double f : {0.05, 0.2, 0.5})
        CHECK(std::abs(transfer(kernel, f) - std::exp(sigma * sigma * (std::cos(2 * pi * f) - 1))) < 1e-7);
    }
    CHECK(gaussian_kernel(0) == BlurKernel{1});
  }

  TEST_CASE("an impulse becomes the kernels' product and the border goes on beyond the edge") {
    Image image(9, 11);
    image.at(4, 5) = 1;
    const BlurKernel across = {.1, .2, .4, .2, .1}, down = {.25, .5, .25};
    blur(image, across, down);
    for (int r = 0; r < 9; ++r)
      for (int c = 0; c < 11; ++c) {
        const bool in = std::abs(r - 4) <= 1 && std::abs(c - 5) <= 2;
        CHECK(image.at(r, c) ==
              doctest::Approx(in ? down[std::size_t(r - 3)] * across[std::size_t(c - 3)] : 0).epsilon(1e-6));
      }
    Image flat(3, 4, 7);
    blur(flat, gaussian_kernel(5), box_kernel(30));
    for (const float sample : flat.samples)
      CHECK(sample == doctest::Approx(7).epsilon(1e-6));
  }

  TEST_CASE("a focal spot blurs by f (M - 1) in transmission") {
    // M = 4: 0.5 mm become 1.5 mm on the detector, 3 columns of 0.5 mm, 6 rows of 0.25 mm. Over an edge the
    // transmission rises in thirds; down a step of rows in twelfths and sixths.
    Faults faults;
    faults.focal_spot_mm = 0.5;
    const double low = std::exp(-2.0);
    const auto seen = [&](const Geometry& geometry, bool columns_step) {
      Counts view(pixels);
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c)
          view[at(r, c)] = (columns_step ? c >= 40 : r >= 30) ? 0 : 2;
      blur_and_scatter(faults, geometry, view);
      std::vector<double> rise;  // share of the step, around the edge
      for (int i = -4; i < 4; ++i)
        rise.push_back((std::exp(-double(columns_step ? view[at(20, 40 + i)] : view[at(30 + i, 20)])) - low) /
                       (1 - low));
      return rise;
    };
    const auto same = [](const std::vector<double>& a, const std::vector<double>& b) {
      for (std::size_t i = 0; i < a.size(); ++i)
        CHECK(std::abs(a[i] - b[i]) < 1e-6);
    };
    same(seen(cone(), true), {0, 0, 0, 1 / 3., 2 / 3., 1, 1, 1});
    same(seen(cone(), false), {0, 1 / 12., 3 / 12., 5 / 12., 7 / 12., 9 / 12., 11 / 12., 1});
    Geometry fan = cone();
    fan.beam = Beam::fan;
    same(seen(fan, true), {0, 0, 0, 1 / 3., 2 / 3., 1, 1, 1});
    same(seen(fan, false), {0, 0, 0, 0, 1, 1, 1, 1});
    // The detector's own blur acts both ways and without magnification.
    faults = {};
    faults.blur_px = 1.3;
    const BlurKernel kernel = gaussian_kernel(1.3);
    std::vector<double> sums;
    for (int i = -4; i < 4; ++i) {
      double sum = 0;
      for (int j = -int(kernel.size() / 2); j <= std::min(i, int(kernel.size() / 2)); ++j)
        sum += kernel[std::size_t(j + int(kernel.size() / 2))];
      sums.push_back(sum);
    }
    same(seen(cone(), true), sums);
    same(seen(cone(), false), sums);
  }

  TEST_CASE("scatter adds its share of the open beam everywhere") {
    Faults faults;
    faults.scatter = 0.03;
    Counts view(pixels);
    for (std::size_t i = 0; i < pixels; ++i)
      view[i] = float(i) / 1000;  // up to 4.8
    const Counts before = view;
    blur_and_scatter(faults, cone(), view);
    for (std::size_t i = 0; i < pixels; ++i)
      CHECK(std::exp(-double(view[i])) - std::exp(-double(before[i])) == doctest::Approx(0.03).epsilon(1e-4));
    view = before;
    blur_and_scatter({}, cone(), view);
    CHECK(view == before);
  }
}

TEST_SUITE("movement of the part") {
  TEST_CASE("ramp and step") {
    const Movement ramp{Movement::Course::ramp, {1, -2, 0.5}, 0};
    CHECK(ramp.at(0, 200) == Vec3(0, 0, 0));
    CHECK(ramp.at(50, 200).isApprox(Vec3(0.25, -0.5, 0.125)));
    CHECK(ramp.at(200, 200) == Vec3(1, -2, 0.5));
    const Movement step{Movement::Course::step, {1, -2, 0.5}, 7};
    CHECK(step.at(6, 200) == Vec3(0, 0, 0));
    CHECK(step.at(7, 200) == Vec3(1, -2, 0.5));
    CHECK(step.at(200, 200) == Vec3(1, -2, 0.5));
    Faults faults;
    faults.movement = step;
    const FaultTruth truth = draw_faults({}, faults, cone());
    CHECK(truth.displacements_mm.size() == views);
    CHECK(truth.displacements_mm[6] == Vec3(0, 0, 0));
    CHECK(truth.displacements_mm[39] == Vec3(1, -2, 0.5));
  }

  TEST_CASE("a moved phantom is the phantom seen along rays moved back") {
    Phantom phantom;
    phantom.substances = {{.value_per_mm = 0.1, .material = {}, .density_g_cm3 = 0}};
    Solid box;
    box.shape = Solid::Shape::box;
    box.size_mm = {8, 6, 4};
    box.centre_mm = {1, 2, -1};
    box.rotation_rad = {0.3, 0.5, -0.2};
    box.clip = {{{1, 0.5, 2}, 1.5}};
    phantom.solids = {box};
    const std::vector<double> mu = {0.1};
    const Vec3 by(1.5, -0.7, 0.4);
    const Phantom moved = phantom.moved(by);
    for (int i = 0; i < 40; ++i) {
      const Vec3 direction = Vec3(std::sin(i), std::cos(2 * i), std::sin(3 * i + 1)).normalized();
      const Ray ray{Vec3(1 + 0.1 * i, 2, -1.3) - 20 * direction, direction};
      CHECK(moved.line_integral({ray.origin + by, ray.direction}, mu) ==
            doctest::Approx(phantom.line_integral(ray, mu)).epsilon(1e-9));
    }
  }
}

TEST_SUITE("a detector without faults") {
  TEST_CASE("gives the very counts of plain exposures") {
    RawDetector plain;
    plain.seed = 12;
    const DetectorPattern pattern = detector_pattern(plain, rows, columns);
    FaultyDetector detector(plain, {}, cone());
    Counts view(pixels), counts(pixels);
    for (std::size_t i = 0; i < pixels; ++i)
      view[i] = float(i % 50) / 20;
    expose(plain, pattern, view, 3, counts);
    CHECK(view_of(detector, 3, view) == counts);
    expose(plain, pattern, {}, 77, counts);
    CHECK(open_of(detector, 77) == counts);
    CHECK(taken([&](Counts& c) { detector.open_after(77, c); }) == counts);
    expose_dark(plain, pattern, 78, counts);
    CHECK(dark_of(detector, 78) == counts);
    expose(plain, pattern, view, 79, counts);
    CHECK(taken([&](Counts& c) { detector.return_view(79, view, c); }) == counts);
    CHECK(to_json(plain, {}, detector.truth()).empty());
  }
}

TEST_SUITE("bad pixels by the classes of ASTM E2597") {
  // Limits as in E2597: over-responding above 1.3 and under-responding below 0.6 of the median of 21 x 21 pixels; noisy
  // above 6 median standard deviations over 100 dark images; non-uniform beyond 1 % after correction.
  TEST_CASE("found in the images where they were put and as strong") {
    RawDetector settings{.open_counts = 30000};
    settings.seed = 5;
    Faults faults;
    faults.dead = 8;
    faults.over_responding = faults.under_responding = faults.noisy = faults.non_uniform = 6;
    FaultyDetector detector(settings, faults, cone());
    const FaultTruth& truth = detector.truth();
    CHECK(truth.pixels.size() == 32);

    constexpr int open_images = 64, dark_images = 100;
    std::vector<Counts> darks;
    for (int i = 0; i < dark_images; ++i)
      darks.push_back(dark_of(detector, std::uint64_t(100 + i)));
    const auto dark = averaged(dark_images, [&](int i) { return darks[std::size_t(i)]; });
    const auto open = averaged(open_images, [&](int i) { return open_of(detector, std::uint64_t(300 + i)); });
    const auto seen = averaged(views, [&](int i) { return view_of(detector, i); });

    std::vector<double> noise(pixels), range(pixels);
    std::set<std::size_t> dead, over, under, noisy, non_uniform;
    for (std::size_t p = 0; p < pixels; ++p) {
      std::vector<double> series;
      for (const Counts& image : darks)
        series.push_back(image[p]);
      noise[p] = deviation(series);
      range[p] = open[p] - dark[p];
      if (noise[p] == 0 && range[p] == 0) dead.insert(p);
    }
    const double typical_noise = median(noise);
    for (std::size_t p = 0; p < pixels; ++p) {
      if (dead.count(p) != 0) continue;
      const double response = range[p] / median_around(range, p);
      if (response > 1.3) over.insert(p);
      if (response < 0.6) under.insert(p);
      if (noise[p] > 6 * typical_noise) noisy.insert(p);
      if (std::abs((seen[p] - dark[p]) / range[p] - 1) > 0.01) non_uniform.insert(p);
    }
    CHECK(dead == of_class(truth, DefectClass::dead));
    CHECK(over == of_class(truth, DefectClass::over_responding));
    CHECK(under == of_class(truth, DefectClass::under_responding));
    CHECK(noisy == of_class(truth, DefectClass::noisy));
    CHECK(non_uniform == of_class(truth, DefectClass::non_uniform));

    const DetectorPattern plain = detector_pattern(settings, rows, columns);
    for (const DefectPixel& pixel : truth.pixels) {
      CAPTURE(to_string(pixel.kind));
      CAPTURE(pixel.value);
      const std::size_t p = at(pixel);
      const double gain = range[p] / (plain.gain.samples[p] * settings.open_counts);
      // Relative: Poisson of the images that were averaged; electronic noise and rounding add less than 1 % to that.
      const double open_error = 1.01 / std::sqrt(open_images * settings.open_counts),
                   view_error = 1.01 / std::sqrt(views * settings.open_counts);
      switch (pixel.kind) {
        case DefectClass::dead:
          CHECK(open[p] == pixel.value);
          CHECK(seen[p] == pixel.value);
          break;
        case DefectClass::over_responding:
        case DefectClass::under_responding:
          // A gain of 0.1 makes the dark image's noise count for more: 6 / sqrt(100) of 3000 counts.
          CHECK(std::abs(gain / pixel.value - 1) < 5 * (open_error + 0.6 / (pixel.value * settings.open_counts)));
          break;
        case DefectClass::noisy:
          CHECK(std::abs(noise[p] / (6 * pixel.value) - 1) < 5 / std::sqrt(2.0 * (dark_images - 1)));
          break;
        case DefectClass::non_uniform:
          CHECK(std::abs((seen[p] - dark[p]) / range[p] - 1 - pixel.value) < 5 * std::hypot(open_error, view_error));
          break;
      }
    }
  }

  TEST_CASE("single ones and clusters and lines stand apart and number as many as asked") {
    Faults faults;
    faults.dead = 40;
    faults.over_responding = 30;
    faults.noisy = 20;
    faults.clusters = 6;
    faults.lines = 3;
    const FaultTruth truth = draw_faults({}, faults, cone());
    REQUIRE(truth.clusters.size() == 6);
    REQUIRE(truth.lines.size() == 3);
    Image owner(rows, columns);  // 1: a line, 2 and on: each cluster, then each single pixel
    float next = 2;
    for (const auto& line : truth.lines) {
      CHECK(((line.rows == rows && line.columns == 1) || (line.rows == 1 && line.columns == columns)));
      for (int r = 0; r < line.rows; ++r)
        for (int c = 0; c < line.columns; ++c)
          owner.at(line.row + r, line.column + c) = 1;
    }
    CHECK(truth.lines[0].columns == 1);
    CHECK(truth.lines[1].rows == 1);
    int in_blocks = int(std::count_if(owner.samples.begin(), owner.samples.end(), [](float o) { return o != 0; }));
    for (const auto& cluster : truth.clusters) {
      CHECK((cluster.rows >= 2 && cluster.rows <= 4 && cluster.columns >= 2 && cluster.columns <= 4));
      for (int r = 0; r < cluster.rows; ++r)
        for (int c = 0; c < cluster.columns; ++c) {
          CHECK(owner.at(cluster.row + r, cluster.column + c) == 0);
          owner.at(cluster.row + r, cluster.column + c) = next;
        }
      next += 1;
      in_blocks += cluster.rows * cluster.columns;
    }
    CHECK(int(truth.pixels.size()) == in_blocks + 90);
    for (const DefectPixel& pixel : truth.pixels)
      if (owner.at(pixel.row, pixel.column) == 0) owner.at(pixel.row, pixel.column) = next++;
    CHECK(next == 2 + 6 + 90);
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c + 1 < columns; ++c)
        for (const auto& [down, across] : {std::pair(0, 1), std::pair(1, 0), std::pair(1, 1), std::pair(-1, 1)}) {
          if (r + down < 0 || r + down >= rows || owner.at(r, c) == 0) continue;
          const float other = owner.at(r + down, c + across);
          CHECK((other == 0 || other == owner.at(r, c)));
        }
    RawDetector other;
    other.seed = 2;
    const FaultTruth elsewhere = draw_faults(other, faults, cone());
    CHECK(elsewhere.pixels[0].row * columns + elsewhere.pixels[0].column !=
          truth.pixels[0].row * columns + truth.pixels[0].column);
  }

  TEST_CASE("listed pixels are as listed and survive a file") {
    Faults faults;
    faults.pixels = {{DefectClass::under_responding, 3, 7, 0.59},
                     {DefectClass::non_uniform, 10, 79, 0.011},
                     {DefectClass::dead, 59, 0, 1234},
                     {DefectClass::noisy, 20, 20, 6.1},
                     {DefectClass::over_responding, 21, 60, 1.31}};
    FaultyDetector detector(noise_free(), faults, cone());
    const Counts dark = dark_of(detector), open = open_of(detector), view = view_of(detector, 0);
    const auto& gain = detector_pattern(noise_free(), rows, columns).gain;
    CHECK(std::abs((open[at(3, 7)] - dark[at(3, 7)]) / (0.59 * gain.at(3, 7) * 40000) - 1) < 1 / 20000.);
    CHECK(std::abs((open[at(21, 60)] - dark[at(21, 60)]) / (1.31 * gain.at(21, 60) * 40000) - 1) < 1 / 40000.);
    CHECK(std::abs((view[at(10, 79)] - dark[at(10, 79)]) / (open[at(10, 79)] - dark[at(10, 79)]) - 1.011) < 1e-4);
    CHECK(view[at(59, 0)] == 1234);
    CHECK(dark[at(59, 0)] == 1234);

    std::string name = (std::filesystem::temp_directory_path() / "rayloom_faults_XXXXXX").string();
    const std::filesystem::path folder = mkdtemp(name.data());
    write_json_file(folder / "truth.json", to_json({}, faults, detector.truth()));
    const auto again = read_defect_pixels(folder / "truth.json");
    REQUIRE(again.size() == 5);
    for (const DefectPixel& pixel : again)
      CHECK(std::any_of(faults.pixels.begin(), faults.pixels.end(), [&](const DefectPixel& one) {
        return one.kind == pixel.kind && one.row == pixel.row && one.column == pixel.column && one.value == pixel.value;
      }));
    write_json_file(folder / "wrong.json", {{"pixels", {{{"class", "lazy"}, {"row", 1}, {"column", 2}}}}});
    CHECK_THROWS_AS(read_defect_pixels(folder / "wrong.json"), BadInput);
    std::filesystem::remove_all(folder);
  }
}

TEST_SUITE("the beam") {
  TEST_CASE("drift raises every view in proportion to time") {
    Faults faults;
    faults.drift = -0.06;
    FaultyDetector detector(noise_free(), faults, cone());
    const Counts dark = dark_of(detector), open = open_of(detector);
    const auto level = [&](const Counts& counts) {
      double sum = 0, whole = 0;
      for (std::size_t p = 0; p < pixels; ++p) {
        sum += counts[p] - dark[p];
        whole += open[p] - dark[p];
      }
      return sum / whole;
    };
    for (const int i : {0, 13, 39}) {
      // Rounding, half a count at worst and of either sign, averages out over 4800 pixels: 1e-6; float line integrals.
      CHECK(std::abs(level(view_of(detector, i)) - (1 - 0.06 * (i + 0.5) / 40)) < 2e-6);
      CHECK(detector.truth().beams[std::size_t(i)].level == doctest::Approx(1 - 0.06 * (i + 0.5) / 40).epsilon(1e-12));
    }
    CHECK(std::abs(level(taken([&](Counts& c) { detector.open_after(900, c); })) - 0.94) < 2e-6);
    CHECK(std::abs(level(taken([&](Counts& c) { detector.return_view(901, air, c); })) - 0.94) < 2e-6);
  }

  TEST_CASE("flicker has its spread and the slopes theirs and both are told") {
    Faults faults;
    faults.flicker = 0.02;
    faults.shape = 0.015;
    constexpr int many = 500;
    FaultyDetector detector(noise_free(), faults, cone(many));
    const Counts dark = dark_of(detector);
    const auto& gain = detector_pattern(noise_free(), rows, columns).gain.samples;
    std::vector<double> levels, across, down;
    for (int i = 0; i < many; ++i) {
      const Counts counts = view_of(detector, i);
      // Projections on 1, x and y, which are orthogonal; x and y run from -1 to 1.
      double sums[3] = {}, norms[3] = {};
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c) {
          const double x = 2.0 * c / (columns - 1) - 1, y = 2.0 * r / (rows - 1) - 1;
          const double value = (counts[at(r, c)] - dark[at(r, c)]) / gain[at(r, c)] / 40000.0;
          const double basis[] = {1, x, y};
          for (int k = 0; k < 3; ++k) {
            sums[k] += value * basis[k];
            norms[k] += basis[k] * basis[k];
          }
        }
      levels.push_back(sums[0] / norms[0]);
      across.push_back(sums[1] / norms[1] / levels.back());
      down.push_back(sums[2] / norms[2] / levels.back());
      const BeamState& told = detector.truth().beams[std::size_t(i)];
      // The two slopes multiply: their product (x y) projects on none of the three.
      CHECK(std::abs(levels.back() - told.level) < 1e-5);
      CHECK(std::abs(across.back() - told.slope_across) < 1e-5);
      CHECK(std::abs(down.back() - told.slope_down) < 1e-5);
    }
    CHECK(std::abs(mean(levels) - 1) < 5 * 0.02 / std::sqrt(many));
    for (const auto& [values, spread] : {std::pair(levels, 0.02), std::pair(across, 0.015), std::pair(down, 0.015)})
      CHECK(std::abs(deviation(values) / spread - 1) < 5 / std::sqrt(2.0 * many));
    CHECK(std::abs(mean(across)) < 5 * 0.015 / std::sqrt(many));
    // Open-beam images have theirs too.
    CHECK(open_of(detector, 5000) != open_of(detector, 5001));
  }

  TEST_CASE("photons stay Poisson's under drift and shape") {
    RawDetector settings{.open_counts = 5000};
    Faults faults;
    faults.drift = 0.4;
    faults.shape = 0.05;
    FaultyDetector detector(settings, faults, cone());
    const DetectorPattern pattern = detector_pattern(settings, rows, columns);
    const BeamState& beam = detector.truth().beams[30];
    const Counts view(pixels, 0.7F), counts = view_of(detector, 30, view);
    std::vector<double> z;
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c) {
        const double x = 2.0 * c / (columns - 1) - 1, y = 2.0 * r / (rows - 1) - 1, g = pattern.gain.at(r, c);
        const double n = 5000 * std::exp(-0.7) * beam.level * (1 + beam.slope_across * x) * (1 + beam.slope_down * y);
        z.push_back((counts[at(r, c)] - pattern.offset.at(r, c) - g * n) / std::sqrt(g * g * n + 36 + 1 / 12.));
      }
    CHECK(std::abs(mean(z)) < 5 / std::sqrt(double(pixels)));
    CHECK(std::abs(deviation(z) - 1) < 5 / std::sqrt(2.0 * pixels));
  }
}

TEST_SUITE("the detector") {
  TEST_CASE("lag leaves its powers in black views after the open beam") {
    RawDetector settings = noise_free();
    settings.lag = 0.2;
    Faults faults;
    faults.black = {1, 2, 3};
    FaultyDetector detector(settings, faults, cone());
    const Counts dark = dark_of(detector), open = open_of(detector);
    CHECK(view_of(detector, 0) == open);  // the panel comes from the open beam
    for (int k = 1; k <= 3; ++k) {
      const Counts black = view_of(detector, k);
      for (std::size_t p = 0; p < pixels; ++p)
        // dark, open and the view are each rounded by up to half a count
        CHECK(std::abs(black[p] - dark[p] - std::pow(0.2, k) * (open[p] - dark[p])) <= 1.2);
    }
    const Counts back = view_of(detector, 4);  // 1 - lag (1 - lag^3)
    for (std::size_t p = 0; p < pixels; ++p)
      CHECK(std::abs((back[p] - dark[p]) / (open[p] - dark[p]) - (1 - 0.2 * (1 - 0.008))) < 1e-4);
  }

  TEST_CASE("lag evens out photon noise as a recursion of first order does") {
    // Of y(i) = (1 - a) x(i) + a y(i - 1) with white x: variance (1 - a)/(1 + a), correlation of neighbours a.
    RawDetector settings{.open_counts = 20000, .electronic_counts = 0, .gain_spread = 0, .lag = 0.3};
    FaultyDetector detector(settings, {}, cone());
    for (int i = 0; i < 12; ++i)
      view_of(detector, i);  // 0.3^12: the steady start is forgotten
    const Counts first = view_of(detector, 12), second = view_of(detector, 13);
    double square = 0, product = 0;
    for (std::size_t p = 0; p < pixels; ++p) {
      square += (first[p] - 20300.) * (first[p] - 20300.) / double(pixels);
      product += (first[p] - 20300.) * (second[p] - 20300.) / double(pixels);
    }
    const double expected = 20000 * 0.7 / 1.3;
    CHECK(std::abs(square / expected - 1) < 5 * std::sqrt(2.0 / pixels));
    CHECK(std::abs(product / square - 0.3) < 5 / std::sqrt(double(pixels)));
  }

  TEST_CASE("the gain pattern drifts in proportion to time and open beam after the scan shows the whole of it") {
    Faults faults;
    faults.gain_drift = 0.03;
    FaultyDetector detector(noise_free(), faults, cone());
    const Counts dark = dark_of(detector), open = open_of(detector),
                 after = taken([&](Counts&c) { detector.open_after(500, c); }), early = view_of(detector, 4),
                 late = view_of(detector, 33);
    std::vector<double> change;
    for (std::size_t p = 0; p < pixels; ++p) {
      const double whole = (after[p] - dark[p]) / (open[p] - dark[p]) - 1;
      change.push_back(whole);
      CHECK(std::abs(whole - detector.truth().gain_drift.samples[p]) < 1e-4);  // three roundings of 40 000 counts
      CHECK(std::abs((early[p] - dark[p]) / (open[p] - dark[p]) - 1 - whole * 4.5 / 40) < 1e-4);
      CHECK(std::abs((late[p] - dark[p]) / (open[p] - dark[p]) - 1 - whole * 33.5 / 40) < 1e-4);
    }
    CHECK(std::abs(mean(change)) < 5 * 0.03 / std::sqrt(double(pixels)));
    CHECK(std::abs(deviation(change) / 0.03 - 1) < 5 / std::sqrt(2.0 * pixels));
  }

  TEST_CASE("a full scale below the open beam saturates what is brighter and nothing else") {
    RawDetector settings = noise_free(), narrow = noise_free();
    narrow.full_scale = 30000;
    FaultyDetector wide_detector(settings, {}, cone()), narrow_detector(narrow, {}, cone());
    Counts view(pixels);
    for (std::size_t p = 0; p < pixels; ++p)
      view[p] = float(p) / float(pixels);
    const Counts wide = view_of(wide_detector, 0, view), clipped = view_of(narrow_detector, 0, view);
    int saturated = 0;
    for (std::size_t p = 0; p < pixels; ++p) {
      CHECK(clipped[p] == std::min(wide[p], 30000.0F));
      saturated += clipped[p] == 30000;
    }
    CHECK(saturated > 1000);
    CHECK(saturated < 2000);  // exp(-p) 40000 > 29700: 30 %
  }

  TEST_CASE("spikes are single samples and as high as told") {
    Faults faults;
    faults.spikes = 60;
    faults.dead = 100;
    faults.black = {3, 4};
    faults.repeated = {10};
    faults.missing = {20};
    Faults without = faults;
    without.spikes = 0;
    FaultyDetector detector(noise_free(), faults, cone()), plain(noise_free(), without, cone());
    const auto& spikes = detector.truth().spikes;
    REQUIRE(spikes.size() == 60);
    std::size_t found = 0;
    for (int i = 0; i < views; ++i) {
      const Counts seen = view_of(detector, i), calm = view_of(plain, i);
      for (std::size_t p = 0; p < pixels; ++p) {
        if (seen[p] == calm[p]) continue;
        REQUIRE(found < 60);
        const auto& spike = spikes[found++];
        CHECK(spike.view == i);
        CHECK(at(spike.row, spike.column) == p);
        CHECK(seen[p] == std::min(calm[p] + float(spike.counts), 65535.0F));
        CHECK((spike.counts >= 0.3 * 40000 && spike.counts <= 40000));
      }
    }
    CHECK(found == 60);
    for (const auto& spike : spikes)
      CHECK((spike.view != 3 && spike.view != 4 && spike.view != 10 && spike.view != 20));
  }

  TEST_CASE("black views show the dark level and dead pixels") {
    Faults faults;
    faults.black = {5};
    faults.dead = 4;
    FaultyDetector detector(noise_free(), faults, cone());
    CHECK(view_of(detector, 5) == dark_of(detector));
    CHECK(view_of(detector, 6) == open_of(detector));
  }

  TEST_CASE("corrected images show the open beam at their level with bad pixels mended") {
    Faults faults;
    faults.dead = 10;
    faults.over_responding = 10;
    faults.under_responding = 10;
    faults.clusters = 2;
    faults.lines = 2;
    faults.pixels = {{DefectClass::non_uniform, 30, 30, 0.04}};
    RawDetector settings = noise_free();
    settings.open_counts = 25000;
    FaultyDetector detector(settings, faults, cone());
    const auto image = [](const Counts& counts) {
      Image one(rows, columns);
      one.samples = counts;
      return one;
    };
    const CorrectedExport corrected(image(dark_of(detector)), image(open_of(detector)), detector.truth().pixels, 50000);
    Counts view(pixels);
    for (std::size_t p = 0; p < pixels; ++p)
      view[p] = float(int(p) / columns) / rows;  // the same along each row
    Counts counts = view_of(detector, 0, view);
    corrected.apply(counts);
    std::set<int> dead_rows;
    for (const auto& line : detector.truth().lines)
      if (line.rows == 1) dead_rows.insert(line.row);
    for (std::size_t p = 0; p < pixels; ++p) {
      const int row = int(p) / columns;
      const double change = p == at(30, 30) ? 1.04 : 1;
      // An under-responding pixel has 2500 counts, of which rounding takes up to one and a half at gains of 0.1, but it
      // is mended. A dead row takes the mean of those above and below, which is 0.14 permille too bright.
      const double limit = dead_rows.count(row) != 0 ? 2e-3 : 2e-4;
      CHECK(std::abs(counts[p] / (50000 * change * std::exp(-double(view[p]))) - 1) < limit);
    }
  }

  TEST_CASE("the same for any number of threads") {
    const auto run = [](int threads) {
      const int before = omp_get_max_threads();
      omp_set_num_threads(threads);
      RawDetector settings;
      settings.lag = 0.1;
      Faults faults;
      faults.focal_spot_mm = 0.3;
      faults.blur_px = 0.8;
      faults.scatter = 0.02;
      faults.drift = 0.05;
      faults.flicker = faults.shape = faults.gain_drift = 0.01;
      faults.spikes = 30;
      faults.dead = faults.noisy = faults.non_uniform = 10;
      faults.clusters = faults.lines = 2;
      FaultyDetector detector(settings, faults, cone());
      Counts all, view(pixels);
      for (int i = 0; i < 4; ++i) {
        for (std::size_t p = 0; p < pixels; ++p)
          view[p] = float((p + std::size_t(i)) % 90) / 30;
        blur_and_scatter(faults, cone(), view);
        const Counts counts = view_of(detector, i, view);
        all.insert(all.end(), counts.begin(), counts.end());
      }
      omp_set_num_threads(before);
      return all;
    };
    CHECK(run(1) == run(5));
  }
}

TEST_SUITE("faults that cannot be") {
  TEST_CASE("are refused by name and value") {
    const auto message = [](const std::function<void(Faults&)>& spoil, Beam beam = Beam::cone) -> std::string {
      Faults faults;
      spoil(faults);
      Geometry geometry = cone();
      geometry.beam = beam;
      try {
        draw_faults({}, faults, geometry);
      } catch (const InvalidOption& error) {
        return error.what();
      }
      return "accepted";
    };
    CHECK(message([](Faults&) {}) == "accepted");
    CHECK(message([](Faults& f) { f.scatter = 1.5; }) == "scatter: 1.5; must be from 0 to 1");
    CHECK(message([](Faults& f) { f.drift = -1; }) == "drift: -1; must be from -0.9 to 9");
    CHECK(message([](Faults& f) { f.flicker = NAN; }) == "flicker: nan; must be from 0 to 0.2");
    CHECK(message([](Faults& f) { f.focal_spot_mm = 0.1; }, Beam::parallel) ==
          "focal_spot_mm: 0.1; must be absent for parallel beam");
    CHECK(message([](Faults& f) { f.blur_px = 21; }) == "blur_px: 21; must be from 0 to 20");
    CHECK(message([](Faults& f) { f.missing = {40}; }) == "missing: 40; must be a view from 0 to 39");
    CHECK(message([](Faults& f) { f.repeated = {0}; }) == "repeated: 0; must be a view from 1 to 39");
    CHECK(message([](Faults& f) { f.dead = -3; }) == "dead: -3; must be from 0 to the number of pixels, 4800");
    CHECK(message([](Faults& f) { f.noisy = 4000; }) ==
          "noisy: 4000; must leave room for each apart from other bad pixels on 60 x 80 pixels");
    CHECK(message([](Faults& f) { f.lines = 21; }) == "lines: 21; must leave most of the detector");
    CHECK(message([](Faults& f) { f.spikes = 19201; }) ==
          "spikes: 19201; must be at most a tenth of the 192000 good samples of views");
    CHECK(message([](Faults& f) {
            f.pixels = {{DefectClass::dead, 60, 0, 1}};
          }) == "pixels: row 60, column 0: dead; must lie within 60 rows and 80 columns, counted from 0");
    CHECK(message([](Faults& f) {
            f.pixels = {{DefectClass::dead, 1, 2, 1}, {DefectClass::noisy, 1, 2, 9}};
          }) == "pixels: row 1, column 2: listed twice; must be listed once");
    CHECK(message([](Faults& f) {
            f.movement = Movement{Movement::Course::step, {1, 0, 0}, 40};
          }) == "movement: 40; must be a view from 0 to 39");
    RawDetector detector;
    detector.lag = 1;
    CHECK_THROWS_WITH_AS(draw_faults(detector, {}, cone()), "lag: 1; must be from 0 to 0.9", InvalidOption);
    detector.lag = 0;
    detector.full_scale = 1000.5;
    CHECK_THROWS_AS(detector.validate(), InvalidOption);
    CHECK_THROWS_AS(box_kernel(201), InvalidOption);
    CHECK_THROWS_AS(gaussian_kernel(-1), InvalidOption);
  }
}
