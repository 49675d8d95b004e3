/// @file
/// Dark and open-beam images averaged, their own bad ones left out.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/scan/image.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// The mean of some exposures.
struct MeanExposure {
  Image mean;
  int used = 0;               ///< MeanExposures in the mean; 0 where the scan file gives a number.
  std::vector<int> left_out;  ///< MeanExposures far from the others, counted from 0.
  std::size_t spikes = 0;     ///< Single samples left out.
};

/// Dark images (level 0 if there are none) and open-beam images before and after the scan.
struct MeanExposures {
  MeanExposure dark, open;
  std::optional<MeanExposure> open_after;

  /// By how much the noise of these few images raises the variance of a line integral of full transmission at most,
  /// if each was exposed as a view is: 1 + T n_p/n_f, from Var(-ln(I/I0)) = 1/(T n_p N0) + 1/(n_f N0); 1 for a number.
  double noise_variance_factor() const;
};

/// Reads the images of a scan of kind counts. Of three exposures or more,
///
///     an exposure is left out if its mean distance from the others (block means against their median, block by block)
///     exceeds 6 times that of the middle one, and 1 % of the signal, open less dark
///     a pixel's brightest sample is left out if it exceeds the mean of its others by 8 standard deviations (the
///     pixel's own, or the middle one of all pixels if that is larger), and by 1 % of the signal
///
/// and a warning says so (limits: common practice). @throws BadInput as for_each_exposure.
MeanExposures read_exposures(const Scan& scan, const Hooks& hooks);

}  // namespace rayloom
