/// @file
/// The X-ray tube's spectrum, and what a part lets through of it.
#pragma once
#include <span>
#include <string>
#include <vector>

#include "rayloom/phantom/phantom.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// What a photon adds to a pixel's signal.
enum class DetectorResponse {
  counting,    ///< One, whatever its energy.
  integrating  ///< Its energy (a scintillator's flat panel). All photons are absorbed.
};
std::string to_string(DetectorResponse response);

/// Which share of the signal without part comes from which energy.
struct Spectrum {
  std::vector<double> energy_kev;                             ///< Middles of equally wide bins, rising.
  std::vector<double> share;                                  ///< One a bin, sum 1.
  DetectorResponse response = DetectorResponse::integrating;  ///< By which the shares count.

  /// Mean energy weighted by the signal.
  double mean_energy_kev() const;
};

/// Spectrum of a tungsten target in bins of 1 keV from 10 keV to the voltage: Kramers' continuum behind the filters,
///
///     N(E) = (V/E - 1) prod exp(-mu_f(E) t_f),     share ~ N(E) (counting) or E N(E) (integrating)
///
/// without characteristic lines and without absorption in the target. A filter has its material's listed density.
/// @param voltage_kv  12 to 600.
/// @throws InvalidOption for another voltage, a filter of unknown material, density or of thickness below 0, or when
/// the filters let through less than 1e-100 of the photons.
/// @par Source  Kramers 1923, Phil. Mag. 46:836-871 (from memory); attenuation from xraylib.
Spectrum tungsten_spectrum(double voltage_kv, std::span<const XraySource::Filter> filters, DetectorResponse response);

/// The line integral that a detector sees behind several substances: beam hardening.
///
///     p = -ln sum_E share(E) exp(-sum_m mu_m(E) L_m)
///
/// Costs one exponential a bin; p is exact to rounding however long the way.
class SpectralAttenuation {
 public:
  /// @param substances  Those given by value_per_mm attenuate alike at every energy.
  /// @throws InvalidOption for a material that is not known.
  SpectralAttenuation(const Spectrum& spectrum, std::span<const Substance> substances);

  /// @param length_mm  One a substance. @return p, without unit. Thread-safe, does not allocate.
  double line_integral(std::span<const double> length_mm) const;

  /// Attenuation in 1/mm of a very thin layer: the mean of mu weighted by the signal, one a substance.
  std::vector<double> thin_layer_per_mm() const;

 private:
  std::vector<double> share_;
  std::vector<std::vector<double>> mu_per_mm_;  // [substance][bin]
};

}  // namespace rayloom
