/// @file
/// The options that switch corrections on.
#pragma once
#include <CLI/CLI.hpp>
#include <optional>
#include <string>

#include "rayloom/prepare/corrections.h"

namespace rayloom::tools {

struct CorrectionArguments {
  bool spikes = false, drift = false;
  int open_shapes = 0;
  std::string scatter_from;
  double lag_percent = 0, scatter_percent = 0;
  std::string rings, hardening, hardening_of, response, metal;
  std::optional<double> replace_metal;

  /// --metal, --replace-metal: a first reconstruction is to show where it is.
  bool finds_metal() const { return replace_metal || !metal.empty(); }
  /// --hardening fit: the map is yet to be fitted from the scan.
  bool fits_hardening() const { return hardening == "fit"; }
};

void add_correction_options(CLI::App& command, CorrectionArguments& given);

/// @throws InvalidOption naming the option, its value and what must hold.
Corrections corrections_from(const CorrectionArguments& given, const Scan& scan);

/// --metal: the beam, what the part is made of and the metal in it.
struct TwoMaterialsGiven {
  Spectrum spectrum;
  Substance lighter, metal;
  double least_metal_per_mm;
};
/// @throws InvalidOption as above.
std::optional<TwoMaterialsGiven> two_materials_from(const CorrectionArguments& given, const Scan& scan);

}  // namespace rayloom::tools
