// The filters and redundancy weights against published and derived values.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>

#include "rayloom/reconstruct/filter.h"
#include "rayloom/reconstruct/weights.h"

using namespace rayloom;

namespace {

std::vector<double> half_kernel(Window window, int n) {
  const auto kernel = ramp_kernel({window, 1}, n, 1);
  return {kernel.begin() + n, kernel.end()};
}

}  // namespace

TEST_SUITE("Ramachandran & Lakshminarayanan 1971; Shepp & Logan 1974; windows derived") {
  TEST_CASE("kernel values") {
    struct Row {
      Window window;
      std::vector<double> h;
    };
    const std::vector<Row> rows = {
        {Window::ramp, {.25, -.101321184, 0, -.011257909, 0, -.004052847, 0, -.002067779}},
        {Window::shepp_logan,
         {.202642367, -.067547456, -.013509491, -.005789782, -.003216546, -.002046893, -.001417079}},
        {Window::cosine, {.11566752, -.00647580, -.03653142, .00297394, -.00837120, .00112701}},
        {Window::hamming, {.08839226, .00278656, -.02589319, -.00607927, -.00352147, -.00218854}},
        {Window::hann, {.07433941, .01183941, -.02814477, -.00562895, -.00382769, -.00202642}}};
    for (const Row& row : rows) {
      const auto h = half_kernel(row.window, 8);
      for (std::size_t n = 0; n < row.h.size(); ++n)
        CHECK(std::abs(h[n] - row.h[n]) < 6e-9);
    }
  }

  TEST_CASE("sums of squares") {
    const std::vector<std::pair<Window, double>> rows = {{Window::ramp, 1.0 / 12},
                                                         {Window::shepp_logan, .0506606},
                                                         {Window::cosine, .016336},
                                                         {Window::hamming, .009288},
                                                         {Window::hann, .007503}};
    for (const auto& [window, expected] : rows) {
      const auto kernel = ramp_kernel({window, 1}, 4096, 1);
      CHECK(std::inner_product(kernel.begin(), kernel.end(), kernel.begin(), 0.0) ==
            doctest::Approx(expected).epsilon(1e-4));
    }
  }

  TEST_CASE("the sum over the kernel is small and positive and never zero") {
    for (const auto& [half_width, expected] : {std::pair{127, 7.915556e-4}, {255, 3.957839e-4}, {511, 1.978927e-4}}) {
      const auto kernel = ramp_kernel({}, half_width, 1);
      CHECK(std::accumulate(kernel.begin(), kernel.end(), 0.0) == doctest::Approx(expected).epsilon(1e-6));
    }
  }

  // Kak & Slaney 1988, ch. 3: g(0) = 1/(8 a^2), 0 for even n, -1/(2 pi^2 sin^2(n a)) for odd; their 1/2 is in our view
  // weights.
  TEST_CASE("the equiangular kernel") {
    const double a = 0.01;
    auto kernel = ramp_kernel({}, 60, a);
    make_equiangular(kernel, a);
    CHECK(kernel[60] == doctest::Approx(2 / (8 * a * a)).epsilon(1e-12));
    for (const int n : {1, 7, 31, 59}) {
      const double g = -1 / (2 * pi * pi * std::pow(std::sin(n * a), 2));
      CHECK(kernel[std::size_t(60 + n)] == doctest::Approx(2 * g).epsilon(1e-12));
      CHECK(kernel[std::size_t(60 - n)] == kernel[std::size_t(60 + n)]);
      CHECK(kernel[std::size_t(60 + n + 1)] == 0);
    }
  }

  // The projection 2 sqrt(R^2 - t^2) of a unit disc filters to exactly 1/pi inside it.
  TEST_CASE("the filtered disc is flat") {
    const double R = 100.25;
    const int columns = 256;
    const double middle = (columns - 1) / 2.0;
    const auto area = [R](double t) {  // integral of the chord from 0 to t
      const double s = std::clamp(t, -R, R);
      return s * std::sqrt(R * R - s * s) + R * R * std::asin(s / R);
    };
    const RowFilter filter(columns, 1, ramp_kernel({}, columns, 1));
    auto work = filter.workspace();
    for (int c = 0; c < columns; ++c)
      filter.row_in(work, 0)[std::size_t(c)] = float(area(c - middle + 0.5) - area(c - middle - 0.5));
    filter.run(work, 1);
    const auto q = filter.row_out(work, 0);
    // The centre lies between the two middle samples.
    const double centre = (double(q[columns / 2]) + double(q[columns / 2 + 1])) / 2;
    CHECK(std::abs(pi * centre - 1) < 1e-5);
    for (int c = 0; c < columns; ++c)
      if (R - std::abs(c - middle) > 50) CHECK(std::abs(pi * q[std::size_t(c) + 1] - 1) < 4e-4);
  }
}

TEST_SUITE("Parker 1982, Silver 2000, Wang 2002 (from memory)") {
  TEST_CASE("Parker's weights") {
    struct Row {
      double b, g, w;
    };
    const double arc = pi + 2 * radians(20);
    for (const Row& row : {Row{5, 0, .038060},
                           {10, 0, .146447},
                           {20, 0, .5},
                           {10, 10, .5},
                           {20, -10, .25},
                           {90, 5, 1},
                           {170, 10, .933013},
                           {190, 0, .853553},
                           {210, 5, .095492},
                           {219, 0, .001541}})
      CHECK(std::abs(short_scan_weight(radians(row.b), radians(row.g), arc) - row.w) < 1e-6);
  }

  TEST_CASE("Wang's weights") {
    for (const auto& [t, w] : {std::pair{-15.0, .038008},
                               {-10.0, .146336},
                               {-5.0, .308568},
                               {0.0, .5},
                               {5.0, .691432},
                               {10.0, .853664},
                               {15.0, .961992},
                               {-21.0, 0.0},
                               {21.0, 1.0}})
      CHECK(std::abs(displaced_weight(t, 20, 500) - w) < 1e-6);
  }

  TEST_CASE("a ray and its conjugate add up to one") {
    const unsigned seed = 20260;
    INFO("seed " << seed);
    std::mt19937 random(seed);
    std::uniform_real_distribution<double> unit(0, 1);
    for (int i = 0; i < 20000; ++i) {
      const double fan = radians(5 + 20 * unit(random)), over = radians(60 * unit(random)), arc = pi + 2 * fan + over;
      const double g = fan * (2 * unit(random) - 1), b = arc * unit(random);
      double sum = short_scan_weight(b, g, arc);
      if (const double conjugate = b + pi + 2 * g; conjugate <= arc) sum += short_scan_weight(conjugate, -g, arc);
      if (const double conjugate = b - pi + 2 * g; conjugate >= 0) sum += short_scan_weight(conjugate, -g, arc);
      CHECK(sum == doctest::Approx(1).epsilon(1e-9));
      const double t = 40 * (2 * unit(random) - 1);
      CHECK(displaced_weight(t, 20, 500) + displaced_weight(-t, 20, 500) == doctest::Approx(1).epsilon(1e-12));
    }
  }
}
