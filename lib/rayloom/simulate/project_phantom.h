/// @file
/// Exact projections of phantoms.
#pragma once
#include <span>

#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/spectrum.h"

namespace rayloom {

/// How a pixel's value comes from the rays that meet it.
struct PixelSampling {
  /// 1: the ray to the centre. n: n x n rays, one to each of n x n equal parts of its area, no two at the same row or
  /// column, so that edges along either are met n^2 times as finely as by one ray.
  /// @par Source  Chiu, Shirley & Wang 1994, Multi-jittered sampling (Graphics Gems IV, 370-374), without the jitter
  /// (from
  ///              memory).
  int per_side = 1;
  enum class Average {
    line_integral,  ///< Mean of the line integrals (what the closed forms of linear theory want).
    transmission    ///< -ln of the mean of exp(-p), as a real pixel that counts photons.
  } average = Average::line_integral;
};

/// Line integrals of one view, rows x columns, row-major. Pixels run in parallel; the result does not depend on
/// threads.
/// @param attenuation_per_mm  One a substance, see Phantom::attenuations.
void project_phantom(const Phantom& phantom, std::span<const double> attenuation_per_mm, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view);

/// The same with a whole spectrum. @param attenuation  Made from the phantom's substances.
void project_phantom(const Phantom& phantom, const SpectralAttenuation& attenuation, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view);

}  // namespace rayloom
