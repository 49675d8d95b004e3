/// @file
/// Random numbers that depend only on where they are used, not on the order of use.
#pragma once
#include <array>
#include <cstdint>

namespace rayloom {

/// Philox4x32 with 10 rounds: a bijection that turns a counter into four random words.
/// @par Source  Salmon, Moraes, Dror & Shaw 2011, "Parallel random numbers: as easy as 1, 2, 3", SC'11.
std::array<std::uint32_t, 4> philox(std::array<std::uint32_t, 4> counter, std::array<std::uint32_t, 2> key);

/// The random numbers of one pixel of one exposure. Streams of different (seed, exposure, pixel) never share a counter.
class PixelRandom {
 public:
  PixelRandom(std::uint64_t seed, std::uint64_t exposure, std::uint32_t pixel)
      : key_{std::uint32_t(seed), std::uint32_t(seed >> 32)},
        counter_{0, pixel, std::uint32_t(exposure), std::uint32_t(exposure >> 32)} {}

  /// Uniform in (0, 1), 52 bits, never 0 or 1.
  double uniform();

  /// Standard normal deviate. @par Source  Box & Muller 1958, Ann. Math. Stat. 29(2):610-611.
  double normal();

  /// Poisson deviate, exact for any mean >= 0 up to about 1e9: inversion by sequential search below a mean of 10,
  /// above it the transformed rejection PTRS, 1.1 to 1.3 tries a number.
  /// @par Source  Hoermann 1993, "The transformed rejection method for generating Poisson random variables", Insurance:
  /// Mathematics and Economics 12(1):39-45.
  double poisson(double mean);

 private:
  std::array<std::uint32_t, 2> key_;
  std::array<std::uint32_t, 4> counter_;
  std::array<std::uint32_t, 4> words_{};
  bool second_half_ = false;
};

}  // namespace rayloom
