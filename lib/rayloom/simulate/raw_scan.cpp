#include "rayloom/simulate/raw_scan.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/simulate/random.h"

namespace rayloom {

namespace {

/// The exposure number that the fixed pattern draws from.
constexpr std::uint64_t pattern_exposure = std::numeric_limits<std::uint64_t>::max();

void require(bool holds, const char* field, double value, const char* must) {
  if (!holds) throw InvalidOption(std::string(field) + ": " + to_text(value) + "; must " + must);
}

void require_size(const char* what, std::size_t size, std::size_t pixels) {
  if (size != pixels)
    throw InvalidOption(std::string(what) + ": " + std::to_string(size) +
                        " samples; must be one a pixel of the pattern, " + std::to_string(pixels));
}

/// Log-normal with mean 1 and, for small spreads, this relative standard deviation.
double pattern_value(double spread, PixelRandom& random) {
  return std::exp(spread * random.normal() - spread * spread / 2);
}

/// @param mean_photons  Mean number of photons of a pixel.
template <class MeanPhotons>
void expose_pixels(const RawDetector& detector, const DetectorPattern& pattern, std::uint64_t exposure,
                   std::span<float> counts, std::span<double> signals, const MeanPhotons& mean_photons) {
  detector.validate();
  require_size("counts", counts.size(), pattern.gain.samples.size());
  if (!signals.empty()) require_size("signal", signals.size(), counts.size());
  const bool noisy = detector.noise == CountNoise::photons_and_electronics;
  const std::ptrdiff_t pixels = std::ptrdiff_t(counts.size());
#pragma omp parallel for schedule(static)
  for (std::ptrdiff_t i = 0; i < pixels; ++i) {
    const std::size_t pixel = std::size_t(i);
    PixelRandom random(detector.seed, exposure, std::uint32_t(pixel));
    const double photons = noisy ? random.poisson(mean_photons(pixel)) : mean_photons(pixel);
    double signal = pattern.gain.samples[pixel] * photons;
    if (!signals.empty()) signals[pixel] = signal = (1 - detector.lag) * signal + detector.lag * signals[pixel];
    const double electronic = noisy ? pattern.noise.samples[pixel] * detector.electronic_counts * random.normal() : 0;
    const double reading = pattern.offset.samples[pixel] + signal + electronic;
    counts[pixel] = float(std::clamp(std::round(reading), 0.0, detector.full_scale));
  }
}

}  // namespace

void RawDetector::validate() const {
  require(open_counts > 0 && open_counts <= 1e9, "open_counts", open_counts, "be above 0 and at most 1e9");
  require(dark_counts >= 0 && dark_counts <= 65535, "dark_counts", dark_counts, "be from 0 to 65535");
  require(electronic_counts >= 0 && electronic_counts <= 65535, "electronic_counts", electronic_counts,
          "be from 0 to 65535");
  require(gain_spread >= 0 && gain_spread <= 0.5, "gain_spread", gain_spread, "be from 0 to 0.5");
  require(lag >= 0 && lag <= 0.9, "lag", lag, "be from 0 to 0.9");
  require(full_scale >= 1 && full_scale <= 65535 && full_scale == std::floor(full_scale), "full_scale", full_scale,
          "be a whole number from 1 to 65535");
}

DetectorPattern detector_pattern(const RawDetector& detector, int rows, int columns) {
  detector.validate();
  DetectorPattern pattern{Image(rows, columns), Image(rows, columns), Image(rows, columns, 1)};
  for (std::size_t i = 0; i < pattern.gain.samples.size(); ++i) {
    PixelRandom random(detector.seed, pattern_exposure, std::uint32_t(i));
    pattern.gain.samples[i] = float(pattern_value(detector.gain_spread, random));
    pattern.offset.samples[i] = float(detector.dark_counts * pattern_value(detector.gain_spread, random));
  }
  return pattern;
}

void expose(const RawDetector& detector, const DetectorPattern& pattern, std::span<const float> line_integrals,
            std::uint64_t exposure, std::span<float> counts, std::span<double> signal) {
  if (line_integrals.empty())
    return expose_pixels(detector, pattern, exposure, counts, signal,
                         [&](std::size_t) { return detector.open_counts; });
  require_size("line_integrals", line_integrals.size(), counts.size());
  expose_pixels(detector, pattern, exposure, counts, signal, [&](std::size_t pixel) {
    return std::min(detector.open_counts * std::exp(-double(line_integrals[pixel])), 1e9);  // far beyond full scale
  });
}

void expose_dark(const RawDetector& detector, const DetectorPattern& pattern, std::uint64_t exposure,
                 std::span<float> counts, std::span<double> signal) {
  expose_pixels(detector, pattern, exposure, counts, signal, [](std::size_t) { return 0.0; });
}

}  // namespace rayloom
