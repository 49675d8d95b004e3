/// @file
/// The options of `rayloom simulate` that spoil a scan as real ones are spoilt.
#pragma once
#include <optional>
#include <string>

#include "command.h"
#include "rayloom/simulate/faults.h"
#include "rayloom/simulate/spectrum.h"

namespace rayloom::tools {

/// As given on the command line; shares in percent.
struct FaultOptions {
  std::optional<std::string> spectrum, move, missing, repeated, black, pixels, dead, over_responding, under_responding,
      noisy, non_uniform;
  std::optional<double> focal_spot_mm, scatter, drift, flicker, shape, blur_px, gain_drift, lag;
  std::optional<int> full_scale, clusters, lines, spikes;
  bool noise_free = false, open_after = false, return_view = false, corrected = false;

  void add_to(CLI::App& command);

  /// @throws InvalidOption naming the first option that only raw counts can show.
  void require_no_counts_needed() const;
  /// @throws InvalidOption, BadInput.
  std::optional<DetectorResponse> response() const;
  Faults faults(const Geometry& geometry) const;
  void apply_to(RawDetector& detector) const;
};

}  // namespace rayloom::tools
