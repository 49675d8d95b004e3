/// @file
/// Raw detector counts: gain pattern, offset, Poisson and electronic noise, repeatable from a seed.
#pragma once
#include <cstdint>
#include <span>

#include "rayloom/scan/image.h"

namespace rayloom {

/// Which noise the counts have.
enum class CountNoise {
  photons_and_electronics,  ///< As below.
  none                      ///< Means instead of deviates: only rounding is left.
};

/// An imagined detector with counts of up to 16 bits. A pixel registers and reads
///
///     signal(i) = (1 - lag) gain Poisson(open_counts exp(-p)) + lag signal(i - 1)
///     counts    = offset + signal + noise electronic_counts Normal(0, 1),  rounded and clamped to 0..full_scale.
struct RawDetector {
  double open_counts = 30000;    ///< Mean photons registered in an unattenuated pixel, > 0; one count a photon.
  double dark_counts = 300;      ///< Mean offset, >= 0.
  double electronic_counts = 6;  ///< Standard deviation of the electronic noise, >= 0.
  double gain_spread = 0.02;     ///< Relative standard deviation of the fixed patterns of gain and offset, 0 to 0.5.
  double lag = 0;                ///< Share of a signal that the next exposure reads, 0 to 0.9.
  double full_scale = 65535;     ///< Most that a pixel can read, 1 to 65535, whole.
  CountNoise noise = CountNoise::photons_and_electronics;
  std::uint64_t seed = 1;

  /// @throws InvalidOption naming the field, its value and what must hold.
  void validate() const;
};

/// Fixed offset and gain of every pixel, the same for every exposure with this seed: log-normal with means
/// `dark_counts` and 1, so that neither is ever negative. `noise` is a factor on the electronic noise, 1.
struct DetectorPattern {
  Image offset, gain, noise;
};
DetectorPattern detector_pattern(const RawDetector& detector, int rows, int columns);

/// One exposure of rows x columns. Pixels run in parallel; a pixel's noise depends only on seed, exposure and pixel, so
/// that the counts are the same whatever the threads and the order of exposures.
/// @param line_integrals  rows x columns, or empty for the open beam.
/// @param exposure        Number of this exposure; no two of a scan, dark and open ones included, should share one.
/// @param counts          rows x columns, overwritten. @throws InvalidOption if a size differs or the detector is not
/// valid.
/// @param signal          Signal of the exposure before, replaced by that of this one. Empty: as if the exposure before
/// had been alike, so that no lag shows.
void expose(const RawDetector& detector, const DetectorPattern& pattern, std::span<const float> line_integrals,
            std::uint64_t exposure, std::span<float> counts, std::span<double> signal = {});

/// One exposure without beam.
void expose_dark(const RawDetector& detector, const DetectorPattern& pattern, std::uint64_t exposure,
                 std::span<float> counts, std::span<double> signal = {});

}  // namespace rayloom
