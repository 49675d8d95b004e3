#include "rayloom/simulate/spectrum.h"

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

constexpr double lowest_kev = 10, bin_kev = 1;

}  // namespace

std::string to_string(DetectorResponse response) {
  return response == DetectorResponse::counting ? "counting" : "integrating";
}

double Spectrum::mean_energy_kev() const {
  return std::inner_product(share.begin(), share.end(), energy_kev.begin(), 0.0);
}

Spectrum tungsten_spectrum(double voltage_kv, std::span<const XraySource::Filter> filters, DetectorResponse response) {
  if (!(voltage_kv >= 12 && voltage_kv <= 600))
    throw InvalidOption("source.voltage_kv: " + to_text(voltage_kv) + "; must be from 12 to 600 for a spectrum");
  std::vector<double> density;
  for (const auto& [material, thickness_mm] : filters) {
    if (!(thickness_mm >= 0))
      throw InvalidOption("source.filters: " + material + ": " + to_text(thickness_mm) + " mm; must not be below 0");
    try {
      density.push_back(listed_density_g_cm3(material));
    } catch (const InvalidOption& error) {
      throw InvalidOption(std::string("source.filters: ") + error.what());
    }
  }

  Spectrum spectrum;
  spectrum.response = response;
  double sum = 0;
  for (int i = 0; lowest_kev + (i + 1) * bin_kev <= voltage_kv; ++i) {
    const double energy = lowest_kev + (i + 0.5) * bin_kev;
    double depth = 0;
    for (std::size_t f = 0; f < filters.size(); ++f)
      depth += attenuation_per_mm(filters[f].material, density[f], energy) * filters[f].thickness_mm;
    const double photons = (voltage_kv / energy - 1) * std::exp(-depth);
    spectrum.energy_kev.push_back(energy);
    spectrum.share.push_back(response == DetectorResponse::integrating ? energy * photons : photons);
    sum += spectrum.share.back();
  }
  if (!(sum > 1e-100)) throw InvalidOption("source.filters: so thick that no photon passes; must let some through");
  for (double& share : spectrum.share)
    share /= sum;
  return spectrum;
}

SpectralAttenuation::SpectralAttenuation(const Spectrum& spectrum, std::span<const Substance> substances)
    : share_(spectrum.share) {
  for (const Substance& substance : substances) {
    auto& mu = mu_per_mm_.emplace_back();
    for (const double energy : spectrum.energy_kev)
      mu.push_back(substance.attenuation_per_mm(energy));
  }
}

double SpectralAttenuation::line_integral(std::span<const double> length_mm) const {
  if (std::all_of(length_mm.begin(), length_mm.end(), [](double length) { return length == 0; })) return 0;
  // Blocks of bins, so that the sums of a block stay in registers' reach and nothing is allocated.
  constexpr std::ptrdiff_t block = 64;
  using Bins = Eigen::Array<double, Eigen::Dynamic, 1, 0, block, 1>;
  double least = std::numeric_limits<double>::infinity(), sum = 0;  // sum of share exp(least - depth)
  for (std::ptrdiff_t first = 0; first < std::ssize(share_); first += block) {
    const std::ptrdiff_t bins = std::min(block, std::ssize(share_) - first);
    const auto part = [&](const std::vector<double>& all) {
      return Eigen::Map<const Eigen::ArrayXd>(&all[std::size_t(first)], bins);
    };
    Bins depth = Bins::Zero(bins);
    for (std::size_t m = 0; m < mu_per_mm_.size(); ++m)
      if (length_mm[m] != 0) depth += length_mm[m] * part(mu_per_mm_[m]);
    if (const double low = depth.minCoeff(); low < least) {
      sum *= std::exp(low - least);
      least = low;
    }
    sum += (part(share_) * (least - depth).exp()).sum();
  }
  return least - std::log(sum);
}

std::vector<double> SpectralAttenuation::thin_layer_per_mm() const {
  std::vector<double> mean;
  for (const auto& mu : mu_per_mm_)
    mean.push_back(std::inner_product(share_.begin(), share_.end(), mu.begin(), 0.0));
  return mean;
}

}  // namespace rayloom
