#include "rayloom/simulate/random.h"

#include <cmath>

#include "rayloom/geometry/geometry.h"

namespace rayloom {

namespace {

/// ln k!, k >= 0 whole: Stirling's series for ln Gamma(k + 1) (Abramowitz & Stegun 1964, 6.1.41), the argument raised
/// by the recurrence until the first term left out, 1/(1680 x^7), is below 1e-10.
double log_factorial(double k) {
  double x = k + 1, product = 1;
  while (x < 10) {
    product *= x;
    x += 1;
  }
  const double inverse = 1 / x, square = inverse * inverse;
  const double series = inverse * (1.0 / 12 - square * (1.0 / 360 - square / 1260));
  return (x - 0.5) * std::log(x) - x + 0.5 * std::log(2 * pi) + series - std::log(product);
}

}  // namespace

std::array<std::uint32_t, 4> philox(std::array<std::uint32_t, 4> c, std::array<std::uint32_t, 2> key) {
  for (int round = 0; round < 10; ++round) {
    const std::uint64_t a = std::uint64_t{0xD2511F53} * c[0], b = std::uint64_t{0xCD9E8D57} * c[2];
    c = {std::uint32_t(b >> 32) ^ c[1] ^ key[0], std::uint32_t(b), std::uint32_t(a >> 32) ^ c[3] ^ key[1],
         std::uint32_t(a)};
    key[0] += 0x9E3779B9;
    key[1] += 0xBB67AE85;
  }
  return c;
}

double PixelRandom::uniform() {
  if (!second_half_) {
    words_ = philox(counter_, key_);
    ++counter_[0];
  }
  const std::size_t at = second_half_ ? 2 : 0;
  second_half_ = !second_half_;
  const std::uint64_t bits = std::uint64_t{words_[at]} << 32 | words_[at + 1];
  return (double(bits >> 12) + 0.5) * 0x1p-52;
}

double PixelRandom::normal() {
  const double radius = std::sqrt(-2 * std::log(uniform()));
  return radius * std::cos(2 * pi * uniform());
}

double PixelRandom::poisson(double mean) {
  if (mean < 10) {
    double left = uniform(), probability = std::exp(-mean), k = 0;
    while (left > probability && k < 200) {  // beyond 200 nothing is left in double precision
      left -= probability;
      k += 1;
      probability *= mean / k;
    }
    return k;
  }
  // Algorithm PTRS; names as in the paper.
  const double b = 0.931 + 2.53 * std::sqrt(mean), a = -0.059 + 0.02483 * b;
  const double log_inverse_alpha = std::log(1.1239 + 1.1328 / (b - 3.4)), v_r = 0.9277 - 3.6224 / (b - 2);
  const double log_mean = std::log(mean);
  for (;;) {
    const double u = uniform() - 0.5, v = uniform(), u_s = 0.5 - std::abs(u);
    const double k = std::floor((2 * a / u_s + b) * u + mean + 0.43);
    if (u_s >= 0.07 && v <= v_r) return k;
    if (k < 0 || (u_s < 0.013 && v > u_s)) continue;
    if (std::log(v) + log_inverse_alpha - std::log(a / (u_s * u_s) + b) <= k * log_mean - mean - log_factorial(k))
      return k;
  }
}

}  // namespace rayloom
