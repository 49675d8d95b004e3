#include "rayloom/simulate/raw_scan.h"

#include <doctest/doctest.h>
#include <omp.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>
#include <vector>

#include "rayloom/errors.h"
#include "rayloom/simulate/random.h"

using namespace rayloom;

namespace {

struct Moments {
  double mean = 0, variance = 0;
  explicit Moments(const std::vector<float>& values) {
    for (const float value : values)
      mean += value;
    mean /= double(values.size());
    for (const float value : values)
      variance += (value - mean) * (value - mean);
    variance /= double(values.size() - 1);
  }
};

double correlation(const std::vector<float>& a, const std::vector<float>& b) {
  const Moments of_a(a), of_b(b);
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += (a[i] - of_a.mean) * (b[i] - of_b.mean);
  return sum / double(a.size() - 1) / std::sqrt(of_a.variance * of_b.variance);
}

/// Pearson's chi-square in standard deviations of its own: (chi2 - dof) / sqrt(2 dof), bins joined until at least 20
/// are expected. Beyond 5 lies less than 1 of 100 000 fair samples (a little more than the normal law, as chi-square
/// is skewed); the seeds here are fixed, so it passes always or never.
double chi_square_excess(const std::vector<double>& observed, const std::vector<double>& expected) {
  double chi2 = 0, bins = 0, seen = 0, due = 0;
  for (std::size_t i = 0; i < observed.size(); ++i) {
    seen += observed[i];
    due += expected[i];
    if (due < 20) continue;
    chi2 += (seen - due) * (seen - due) / due;
    bins += 1;
    seen = due = 0;
  }
  const double dof = bins - 1;
  return (chi2 - dof) / std::sqrt(2 * dof);
}

constexpr int rows = 300, columns = 400;
constexpr double pixels = rows * columns;

std::vector<float> exposed(const RawDetector& detector, double line_integral, std::uint64_t exposure) {
  const std::vector<float> view(static_cast<std::size_t>(pixels), static_cast<float>(line_integral));
  std::vector<float> counts(view.size());
  expose(detector, detector_pattern(detector, rows, columns), view, exposure, counts);
  return counts;
}

}  // namespace

// The three known answers published with the generator's reference code (from memory).
TEST_SUITE("Salmon et al. 2011: Philox4x32-10") {
  TEST_CASE("known answers") {
    using Words = std::array<std::uint32_t, 4>;
    CHECK(philox({0, 0, 0, 0}, {0, 0}) == Words{0x6627e8d5, 0xe169c58d, 0xbc57ac4c, 0x9b00dbd8});
    const std::uint32_t ones = 0xffffffff;
    CHECK(philox({ones, ones, ones, ones}, {ones, ones}) == Words{0x408f276d, 0x41c83b0e, 0xa20bc7c6, 0x6d5451fd});
    CHECK(philox({0x243f6a88, 0x85a308d3, 0x13198a2e, 0x03707344}, {0xa4093822, 0x299f31d0}) ==
          Words{0xd16cfe09, 0x94fdcceb, 0x5001e420, 0x24126ea1});
  }
}

TEST_SUITE("random deviates follow their laws") {
  constexpr int draws = 400000;

  TEST_CASE("uniform") {
    std::vector<double> seen(1000), due(1000, draws / 1000.0);
    for (int i = 0; i < draws / 4; ++i) {
      PixelRandom random(1, 2, std::uint32_t(i));
      for (int j = 0; j < 4; ++j) {
        const double u = random.uniform();
        REQUIRE((u > 0 && u < 1));
        seen[std::size_t(u * 1000)] += 1;
      }
    }
    CHECK(std::abs(chi_square_excess(seen, due)) < 5);
  }

  TEST_CASE("normal") {
    // Bins of width 0.1 from -6 to 6 against the normal law's distribution function.
    std::vector<double> seen(122), due(122);
    const auto below = [](double z) { return 0.5 * std::erfc(-z / std::sqrt(2.0)); };
    for (int bin = 0; bin < 122; ++bin)
      due[std::size_t(bin)] =
          draws * ((bin == 121 ? 1 : below(-6 + 0.1 * bin)) - (bin == 0 ? 0 : below(-6 + 0.1 * (bin - 1))));
    for (int i = 0; i < draws; ++i) {
      PixelRandom random(1, 3, std::uint32_t(i));
      seen[std::size_t(std::clamp(int(std::ceil((random.normal() + 6) * 10)), 0, 121))] += 1;
    }
    CHECK(std::abs(chi_square_excess(seen, due)) < 5);
  }

  TEST_CASE("Poisson against its exact probabilities") {
    for (const double mean : {0.0, 0.02, 0.7, 3.0, 9.99, 10.0, 12.5, 40.0, 300.0, 7000.0, 60000.0}) {
      CAPTURE(mean);
      const int size = int(mean + 12 * std::sqrt(mean) + 20);
      std::vector<double> seen(std::size_t(size) + 1), due(std::size_t(size) + 1);
      for (int k = 0; k < size; ++k)
        due[std::size_t(k)] =
            mean == 0 ? (k == 0 ? draws : 0) : draws * std::exp(k * std::log(mean) - mean - std::lgamma(k + 1.0));
      double sum = 0;
      for (int i = 0; i < draws; ++i) {
        PixelRandom random(5, std::uint64_t(mean * 100), std::uint32_t(i));
        const double k = random.poisson(mean);
        sum += k;
        REQUIRE((k >= 0 && k == std::floor(k)));
        seen[std::size_t(std::min(k, double(size)))] += 1;
      }
      if (mean == 0) {
        CHECK(seen[0] == draws);
        continue;
      }
      CHECK(std::abs(sum / draws - mean) <= 5 * std::sqrt(mean / draws));
      // Where most bins hold one value each only so many can be told apart: join neighbours to some 200 bins.
      const std::size_t width = std::size_t(std::max(1.0, 12 * std::sqrt(mean) / 200));
      std::vector<double> joined_seen(seen.size() / width + 1), joined_due(joined_seen.size());
      for (std::size_t k = 0; k < seen.size(); ++k) {
        joined_seen[k / width] += seen[k];
        joined_due[k / width] += due[k];
      }
      CHECK(std::abs(chi_square_excess(joined_seen, joined_due)) < 5);
    }
  }
}

TEST_SUITE("raw counts") {
  TEST_CASE("mean and variance are those of Poisson and electronic noise and rounding") {
    // Mean: dark + T N. Variance: T N + electronic^2 + 1/12. Over n pixels the mean has a standard error of
    // sqrt(variance/n), the variance one of variance sqrt((2 + excess)/n), excess kurtosis below 1/(T N).
    RawDetector detector;
    detector.gain_spread = 0;
    for (const double n0 : {500.0, 30000.0})
      for (const double p : {0.0, 1.0, 4.0}) {
        CAPTURE(n0);
        CAPTURE(p);
        detector.open_counts = n0;
        const double photons = n0 * std::exp(-double(float(p)));
        const double variance = photons + 36 + 1.0 / 12;
        const Moments seen(exposed(detector, p, 17));
        CHECK(std::abs(seen.mean - 300 - photons) <= 5 * std::sqrt(variance / pixels));
        CHECK(std::abs(seen.variance - variance) <= 5 * variance * std::sqrt((2 + 1 / photons) / pixels));
      }
    std::vector<float> dark(rows * columns);
    expose_dark(detector, detector_pattern(detector, rows, columns), 4, dark);
    const Moments seen(dark);
    CHECK(std::abs(seen.mean - 300) <= 5 * std::sqrt(36.1 / pixels));
    CHECK(std::abs(seen.variance - 36 - 1.0 / 12) <= 5 * 36.1 * std::sqrt(2 / pixels));
  }

  TEST_CASE("the fixed pattern has its mean and spread and shows in every exposure") {
    RawDetector detector;
    detector.gain_spread = 0.02;
    const DetectorPattern pattern = detector_pattern(detector, rows, columns);
    const Moments gain(pattern.gain.samples), offset(pattern.offset.samples);
    CHECK(std::abs(gain.mean - 1) <= 5 * 0.02 / std::sqrt(pixels));
    // The log-normal's relative spread is sqrt(exp(s^2) - 1) = s (1 + s^2/4): a hundredth of a percent here.
    CHECK(std::abs(std::sqrt(gain.variance) - 0.02) <= 0.02 * (1e-4 + 5 / std::sqrt(2 * pixels)));
    CHECK(std::abs(offset.mean - 300) <= 5 * 6 / std::sqrt(pixels));
    CHECK(std::abs(correlation(pattern.gain.samples, pattern.offset.samples)) <= 5 / std::sqrt(pixels));

    // counts - offset - gain N has mean 0 and variance gain^2 N + 36 + 1/12 in each pixel.
    const std::vector<float> counts = exposed(detector, 0, 8);
    std::vector<float> z;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      const double g = pattern.gain.samples[i];
      z.push_back(
          float((counts[i] - pattern.offset.samples[i] - g * 30000) / std::sqrt(g * g * 30000 + 36 + 1.0 / 12)));
    }
    const Moments of_z(z);
    CHECK(std::abs(of_z.mean) <= 5 / std::sqrt(pixels));
    CHECK(std::abs(of_z.variance - 1) <= 5 * std::sqrt(2 / pixels));
    CHECK(std::abs(correlation(z, pattern.gain.samples)) <= 5 / std::sqrt(pixels));
  }

  TEST_CASE("exposures and seeds and neighbouring pixels are independent") {
    RawDetector detector, other;
    detector.gain_spread = other.gain_spread = 0;
    other.seed = 2;
    const auto first = exposed(detector, 1, 1), second = exposed(detector, 1, 2), seeded = exposed(other, 1, 1);
    CHECK(first == exposed(detector, 1, 1));
    CHECK(std::abs(correlation(first, second)) <= 5 / std::sqrt(pixels));
    CHECK(std::abs(correlation(first, seeded)) <= 5 / std::sqrt(pixels));
    std::vector<float> shifted = first;
    std::rotate(shifted.begin(), shifted.begin() + 1, shifted.end());
    CHECK(std::abs(correlation(first, shifted)) <= 5 / std::sqrt(pixels));
  }

  TEST_CASE("an empty view is the open beam") {
    RawDetector detector;
    std::vector<float> open(rows * columns);
    expose(detector, detector_pattern(detector, rows, columns), {}, 5, open);
    CHECK(open == exposed(detector, 0, 5));
  }

  TEST_CASE("the same for any number of threads") {
    const int threads = omp_get_max_threads();
    omp_set_num_threads(1);
    const auto one = exposed({}, 2, 3);
    omp_set_num_threads(5);
    const auto many = exposed({}, 2, 3);
    omp_set_num_threads(threads);
    CHECK(one == many);
  }

  TEST_CASE("counts are whole and clamped to 16 bits") {
    RawDetector detector;
    detector.open_counts = 200000;
    for (const float count : exposed(detector, 0, 1))
      REQUIRE(count == 65535);
    for (const float count : exposed(detector, -50, 1))  // far brighter than the open beam
      REQUIRE(count == 65535);
    detector.dark_counts = 0;
    std::vector<float> dark(rows * columns);
    expose_dark(detector, detector_pattern(detector, rows, columns), 1, dark);
    double zeros = 0;
    for (const float count : dark) {
      REQUIRE((count >= 0 && count == std::floor(count)));
      zeros += count == 0;
    }
    // 6 Normal below 0.5: probability 0.5332.
    const double expected = 0.5 * std::erfc(-0.5 / 6 / std::sqrt(2.0));
    CHECK(std::abs(zeros / pixels - expected) <= 5 * std::sqrt(expected * (1 - expected) / pixels));
  }

  TEST_CASE("an impossible detector or size is refused") {
    RawDetector detector;
    detector.open_counts = 0;
    CHECK_THROWS_WITH_AS(detector_pattern(detector, 2, 2), "open_counts: 0; must be above 0 and at most 1e9",
                         InvalidOption);
    detector = {};
    detector.gain_spread = 0.6;
    CHECK_THROWS_WITH_AS(detector.validate(), "gain_spread: 0.6; must be from 0 to 0.5", InvalidOption);
    const DetectorPattern pattern = detector_pattern({}, 2, 2);
    std::vector<float> view(3), counts(4);
    CHECK_THROWS_AS(expose({}, pattern, view, 0, counts), InvalidOption);
    CHECK_THROWS_AS(expose_dark({}, pattern, 0, view), InvalidOption);
  }
}
