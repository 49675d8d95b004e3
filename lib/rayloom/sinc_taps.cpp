#include "rayloom/sinc_taps.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>
#include <vector>

namespace rayloom {

namespace {

constexpr int phases = 1024;  // sub-pixel positions at which the taps are tabulated; between them they are interpolated

double sinc(double x) {
  return std::abs(x) < 1e-9 ? 1 : std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
}

double window(double x) {
  constexpr double shape = 4.5, half_width = 3;
  const double inside = std::sqrt(std::max(1 - x * x / (half_width * half_width), 0.0));
  return std::cyl_bessel_i(0.0, shape * inside) / std::cyl_bessel_i(0.0, shape);
}

std::array<double, 6> exact_taps(double fraction) {
  std::array<double, 6> taps;
  // Of the taps, and of the window: the sums of 1, x and, of the window, x^2.
  double sum = 0, first = 0, window_sum = 0, window_first = 0, window_second = 0;
  const auto place = [&](std::size_t i) { return fraction - (double(i) - 2); };
  for (std::size_t i = 0; i < 6; ++i) {
    const double x = place(i), w = window(x);
    taps[i] = w * sinc(x);
    sum += taps[i];
    first += x * taps[i];
    window_sum += w;
    window_first += x * w;
    window_second += x * x * w;
  }
  // Plus window (level + tilt x), so that the taps sum to 1 and their centroid lies at x = 0.
  const double determinant = window_sum * window_second - window_first * window_first;
  const double level = ((1 - sum) * window_second + first * window_first) / determinant;
  const double tilt = (-first * window_sum - (1 - sum) * window_first) / determinant;
  for (std::size_t i = 0; i < 6; ++i)
    taps[i] += window(place(i)) * (level + tilt * place(i));
  return taps;
}

const std::vector<std::array<float, 6>>& tap_table() {
  static const auto table = [] {
    std::vector<std::array<float, 6>> made(phases + 1);
    for (int p = 0; p <= phases; ++p) {
      const auto taps = exact_taps(double(p) / phases);
      std::transform(taps.begin(), taps.end(), made[std::size_t(p)].begin(), [](double tap) { return float(tap); });
    }
    return made;
  }();
  return table;
}

}  // namespace

std::array<float, 6> sinc_taps(double fraction) {
  assert(fraction >= 0 && fraction <= 1);
  const double place = fraction * phases;
  const int p = std::min(int(place), phases - 1);
  const float between = float(place - p);
  std::array<float, 6> taps;
  for (std::size_t i = 0; i < 6; ++i) {
    const float a = tap_table()[std::size_t(p)][i], b = tap_table()[std::size_t(p) + 1][i];
    taps[i] = a + between * (b - a);
  }
  return taps;
}

}  // namespace rayloom
