/// @file
/// Blur of images by a box or a Gaussian of any width.
#pragma once
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

/// Weights of the pixels -n .. n, even, sum 1.
using BlurKernel = std::vector<double>;

/// A box `width_px` wide: the share of it that lies on each pixel. Up to one pixel it changes nothing.
/// @throws InvalidOption unless 0 <= width_px <= 200.
BlurKernel box_kernel(double width_px);

/// The discrete Gaussian exp(-t) I_n(t), t = sigma^2: its variance is sigma^2 and its transfer function
/// exp(t (cos 2 pi f - 1)) for any sigma, however narrow.
/// @param sigma_px  Standard deviation, 0 to 20. @throws InvalidOption.
/// @par Source  Lindeberg 1990, IEEE Trans. Pattern Anal. Mach. Intell. 12(3):234-254 (from memory).
BlurKernel gaussian_kernel(double sigma_px);

/// Convolves rows with `along_row` and columns with `along_column`; beyond the edge the outermost pixel goes on. Rows
/// run in parallel; the result does not depend on threads.
void blur(Image& image, const BlurKernel& along_row, const BlurKernel& along_column);

}  // namespace rayloom
