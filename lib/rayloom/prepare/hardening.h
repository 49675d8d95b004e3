/// @file
/// Beam hardening of one material: from the line integral that a whole spectrum shows to the one of a single energy.
#pragma once
#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string>
#include <vector>

#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/spectrum.h"

namespace rayloom {

/// A rising map q(p) of line integrals with q(0) = 0, straight on below 0 and beyond the range that it was made for.
/// Tabulated for 0 <= p <= 12 in steps of 12/4096 and linear between, which is within step^2/8 max|q''|, 1e-6 max|q''|,
/// of what it stands for. Costs a table look-up a sample and does not allocate.
/// @par Source  Herman 1979, Phys. Med. Biol. 24(1):81-106 (from memory): hardening of one material is undone exactly
/// by a map of each line integral.
class Linearisation {
 public:
  /// The greatest line integral that stored samples can stand for is 11.51 (least_transmission).
  static constexpr double table_end = 12;

  /// q = a1 p + a2 p^2 + ..., straight on with its slope beyond p = `up_to`.
  /// @throws InvalidOption unless there are 1 to 10 coefficients, 0 < up_to <= 12, and q rises from 0 to `up_to`.
  explicit Linearisation(std::vector<double> coefficients, double up_to = table_end);

  /// What a thickness L of the material shows as p = -ln sum share exp(-mu L) becomes q = mu0 L with the attenuation
  /// mu0 of a very thin layer, so that q = p for small p and the volume shows mu0, however thick the part.
  /// @throws InvalidOption for a material that is not known.
  Linearisation(const Spectrum& spectrum, const Substance& material);

  /// The same coefficients, marked as fitted from the scan itself.
  static Linearisation fitted(std::vector<double> coefficients, double up_to);

  double operator()(double p) const;
  void apply(std::span<float> line_integrals) const;

  /// Attenuation of a thin layer, 1/mm; 0 if it was not made from a material.
  double thin_layer_per_mm() const { return thin_layer_per_mm_; }

  /// How to repeat it, for volume.json: the coefficients, or material and beam.
  nlohmann::ordered_json record() const;

 private:
  std::vector<double> table_;
  std::vector<double> coefficients_;
  double up_to_ = table_end;
  bool fitted_ = false;
  Substance material_;
  DetectorResponse response_ = DetectorResponse::integrating;
  double thin_layer_per_mm_ = 0;
};

}  // namespace rayloom
