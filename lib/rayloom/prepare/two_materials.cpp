#include "rayloom/prepare/two_materials.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr int rows = 40;

/// The spectrum that a layer lets through.
Spectrum behind(const Spectrum& spectrum, const Substance& substance, double length_mm) {
  Spectrum left = spectrum;
  std::vector<double> depth;
  for (const double energy : spectrum.energy_kev)
    depth.push_back(substance.attenuation_per_mm(energy) * length_mm);
  double least = std::numeric_limits<double>::infinity(), sum = 0;
  for (std::size_t i = 0; i < depth.size(); ++i)
    if (spectrum.share[i] > 0) least = std::min(least, depth[i]);
  for (std::size_t i = 0; i < depth.size(); ++i)
    sum += left.share[i] *= std::exp(least - depth[i]);
  for (double& share : left.share)
    share /= sum;
  return left;
}

}  // namespace

double effective_energy_kev(const Spectrum& spectrum, const Substance& material) {
  const double mean = SpectralAttenuation(spectrum, std::span(&material, 1)).thin_layer_per_mm()[0];
  for (std::size_t i = spectrum.energy_kev.size() - 1; i > 0; --i) {
    const double high = spectrum.energy_kev[i], low = spectrum.energy_kev[i - 1];
    const double at_high = material.attenuation_per_mm(high), at_low = material.attenuation_per_mm(low);
    if (at_high <= mean && mean <= at_low && at_low > at_high)
      return high + (low - high) * (mean - at_high) / (at_low - at_high);
  }
  return spectrum.mean_energy_kev();
}

double least_metal_per_mm(const Spectrum& spectrum, const Substance& lighter, const Substance& metal) {
  const double energy_kev = effective_energy_kev(spectrum, lighter);
  const double of_lighter = lighter.attenuation_per_mm(energy_kev), of_metal = metal.attenuation_per_mm(energy_kev);
  if (!(of_metal >= 2 * of_lighter))
    throw InvalidOption("metal: attenuation " + to_text(of_metal, 4) + "/mm at " + to_text(energy_kev, 4) +
                        " keV; must be at least twice the lighter material's " + to_text(of_lighter, 4) + "/mm");
  return of_lighter + (of_metal - of_lighter) / 5;
}

TwoMaterials::TwoMaterials(const Spectrum& spectrum, const Substance& lighter, const Substance& metal,
                           double most_metal_mm)
    : most_metal_mm_(std::max(most_metal_mm, 1e-6)),
      energy_kev_(effective_energy_kev(spectrum, lighter)),
      lighter_per_mm_(SpectralAttenuation(spectrum, std::span(&lighter, 1)).thin_layer_per_mm()[0]),
      metal_per_mm_(metal.attenuation_per_mm(energy_kev_)),
      metal_(metal) {
  (void)least_metal_per_mm(spectrum, lighter, metal);
  const SpectralAttenuation through_metal(spectrum, std::span(&metal, 1));
  std::vector<std::optional<Behind>> made(rows + 1);
  parallel_for(rows + 1, thread_count({}), [&](int i, int) {
    const double length_mm = most_metal_mm_ * i * i / (double(rows) * rows);
    Linearisation map(behind(spectrum, metal, length_mm), lighter);
    made[std::size_t(i)] = Behind{through_metal.line_integral(std::span(&length_mm, 1)),
                                  lighter_per_mm_ / map.thin_layer_per_mm(), std::move(map)};
  });
  for (auto& row : made)
    behind_.push_back(std::move(*row));
}

double TwoMaterials::beyond(std::size_t row, double p) const {
  const Behind& beam = behind_[row];
  return beam.scale * beam.lighter(p - beam.p);
}

double TwoMaterials::operator()(double p, double metal_mm) const {
  const double within = std::clamp(metal_mm, 0.0, most_metal_mm_);
  const double at = rows * std::sqrt(within / most_metal_mm_);
  const std::size_t row = std::min(std::size_t(at), std::size_t(rows - 1));
  // Linear in the length between rows.
  const auto length = [](double i) { return i * i; };
  const double share = (length(at) - length(double(row))) / (length(double(row + 1)) - length(double(row)));
  const double low = beyond(row, p), high = share > 0 ? beyond(row + 1, p) : low;
  return low + share * (high - low) + metal_per_mm_ * within;
}

nlohmann::ordered_json TwoMaterials::record() const {
  return {{"material", metal_.material},
          {"density_g_cm3", metal_.density_g_cm3},
          {"energy_kev", energy_kev_},
          {"metal_per_mm", metal_per_mm_}};
}

}  // namespace rayloom
