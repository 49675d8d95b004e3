#include "rayloom/sinc_taps.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>
#include <vector>

namespace rayloom {

namespace {

constexpr int phases = 1024;  // sub-pixel positions at which the taps are tabulated; between them they are interpolated

double windowed_sinc(double x) {
  constexpr double shape = 4.5, half_width = 3;
  if (std::abs(x) < 1e-9) return 1;
  if (std::abs(x) >= half_width) return 0;
  const double inside = std::sqrt(1 - x * x / (half_width * half_width));
  return std::sin(std::numbers::pi * x) / (std::numbers::pi * x) * std::cyl_bessel_i(0.0, shape * inside) /
         std::cyl_bessel_i(0.0, shape);
}

std::array<double, 6> exact_taps(double fraction) {
  std::array<double, 6> taps;
  double sum = 0;
  for (int i = 0; i < 6; ++i)
    sum += taps[std::size_t(i)] = windowed_sinc(fraction - (i - 2));
  for (double& tap : taps)
    tap /= sum;
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
