/// @file
/// Interpolation between samples by a local windowed sinc.
#pragma once
#include <array>

namespace rayloom {

/// The six weights of the interpolation at `fraction` (0 to 1) past the third tap: sinc under a Kaiser window of half
/// width 3 and shape 4.5, which of all shapes comes closest to the ideal interpolator up to a quarter of the sampling
/// frequency (within 0.009), corrected so that what is constant or rises evenly is interpolated exactly: without, even
/// the smoothest image is moved by up to 0.01 samples too little or too much. @par Source  Kaiser & Schafer 1980, IEEE
/// Trans. ASSP 28(1):105-107 (the window).
std::array<float, 6> sinc_taps(double fraction);

}  // namespace rayloom
