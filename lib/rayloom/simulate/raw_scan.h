/// @file
/// Raw detector counts: gain pattern, offset, Poisson and electronic noise, repeatable from a seed.
#pragma once
#include <cstdint>
#include <span>

#include "rayloom/scan/image.h"

namespace rayloom {

/// An imagined detector. Counts are 16-bit; saturation at 65535.
struct RawDetector {
  double open_counts = 30000;    ///< Mean photons registered in an unattenuated pixel, > 0; one count a photon.
  double dark_counts = 300;      ///< Mean offset.
  double electronic_counts = 6;  ///< Standard deviation of the electronic noise.
  double gain_spread = 0.02;     ///< Relative standard deviation of the fixed gain pattern.
  std::uint64_t seed = 1;
};

/// Fixed offset and gain of every pixel, the same for every exposure with this seed.
struct DetectorPattern {
  Image offset, gain;
};
DetectorPattern detector_pattern(const RawDetector& detector, int rows, int columns);

/// One exposure of rows x columns, rounded to whole counts and clamped to 0..65535.
/// @param line_integrals  rows x columns, or empty for the open beam.
/// @param exposure        Number of this exposure; the same number and seed give the same noise, whatever the threads.
void expose(const RawDetector& detector, const DetectorPattern& pattern, std::span<const float> line_integrals,
            std::uint64_t exposure, std::span<float> counts);

/// One exposure without beam.
void expose_dark(const RawDetector& detector, const DetectorPattern& pattern, std::uint64_t exposure,
                 std::span<float> counts);

}  // namespace rayloom
