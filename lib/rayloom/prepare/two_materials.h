/// @file
/// Beam hardening of two materials: metal in something lighter.
#pragma once
#include <nlohmann/json_fwd.hpp>
#include <vector>

#include "rayloom/prepare/hardening.h"

namespace rayloom {

/// From the line integral p behind an unknown length L_b of the lighter material and a known length L_m of metal to the
/// one of a single energy,
///
///     q(p, L_m) = mu_b L_b + mu_m L_m,   L_b from   p = -ln sum share exp(-mu_b(E) L_b - mu_m(E) L_m),
///
/// at the energy whose mu_b is that of a thin layer of the lighter material in the whole beam, so that q(p, 0) is what
/// Linearisation makes of p. An error of L_m matters little, since p ties L_b to it: only the part by which metal and
/// lighter material harden differently is left.
/// @par Source  Joseph & Spital 1978, J. Comput. Assist. Tomogr. 2(1):100-108 (from memory).
class TwoMaterials {
 public:
  /// Tabulated for 0 <= L_m <= `most_metal_mm`; more metal counts as that much for hardening.
  /// @throws InvalidOption for a material that is not known, or unless metal attenuates at least twice as strongly as
  /// the lighter material.
  TwoMaterials(const Spectrum& spectrum, const Substance& lighter, const Substance& metal, double most_metal_mm);

  double operator()(double p, double metal_mm) const;

  double energy_kev() const { return energy_kev_; }
  double lighter_per_mm() const { return lighter_per_mm_; }
  double metal_per_mm() const { return metal_per_mm_; }
  nlohmann::ordered_json record() const;

 private:
  /// What is left behind this much metal: its own line integral, and the map for the lighter material in that beam.
  struct Behind {
    double p = 0, scale = 0;
    Linearisation lighter;
  };
  double beyond(std::size_t row, double p) const;

  std::vector<Behind> behind_;  ///< At lengths most_metal_mm (i/n)^2, close where hardening changes fastest.
  double most_metal_mm_ = 0, energy_kev_ = 0, lighter_per_mm_ = 0, metal_per_mm_ = 0;
  Substance metal_;
};

/// At which energy the material attenuates as a thin layer does in the whole beam; the highest if there are several.
double effective_energy_kev(const Spectrum& spectrum, const Substance& material);

/// What may be metal in a volume that is corrected for the lighter material: a fifth of the way to the metal's own
/// attenuation, 1/mm, since hardening makes metal look less dense.
/// @throws InvalidOption as TwoMaterials.
double least_metal_per_mm(const Spectrum& spectrum, const Substance& lighter, const Substance& metal);

}  // namespace rayloom
