#include "rayloom/prepare/hardening.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

constexpr std::size_t steps = 4096;
constexpr double step = Linearisation::table_end / steps, per_step = steps / Linearisation::table_end;

/// Value and slope of a1 p + a2 p^2 + ...
std::pair<double, double> polynomial(std::span<const double> coefficients, double p) {
  double value = 0, slope = 0;
  for (auto a = coefficients.rbegin(); a != coefficients.rend(); ++a) {
    slope = slope * p + value;
    value = value * p + *a;
  }
  return {value * p, slope * p + value};
}

/// Thickness in mm behind which the beam shows p, by the secant method; p(L) rises and bends downwards throughout.
double thickness_of(const SpectralAttenuation& attenuation, double p, double guess_mm) {
  const auto excess = [&](double length_mm) { return attenuation.line_integral(std::span(&length_mm, 1)) - p; };
  double a = 0, at_a = -p, b = guess_mm, at_b = excess(b);
  for (int i = 0; i < 60 && std::abs(at_b) > 1e-13 * p && at_a != at_b; ++i) {
    const double next = b - at_b * (b - a) / (at_b - at_a);
    a = b, at_a = at_b;
    b = next, at_b = excess(b);
  }
  return b;
}

}  // namespace

Linearisation::Linearisation(std::vector<double> coefficients, double up_to)
    : coefficients_(std::move(coefficients)), up_to_(up_to) {
  std::string named;
  for (const double a : coefficients_) {
    if (!named.empty()) named += ',';
    named += to_text(a);
  }
  if (coefficients_.empty() || coefficients_.size() > 10)
    throw InvalidOption("hardening: " + std::to_string(coefficients_.size()) + " coefficients; must be 1 to 10");
  if (!(up_to_ > 0 && up_to_ <= table_end))
    throw InvalidOption("hardening: made for line integrals up to " + to_text(up_to_) +
                        "; must be above 0 and at most " + to_text(table_end));
  const auto [end, end_slope] = polynomial(coefficients_, up_to_);
  for (std::size_t i = 0; i <= steps; ++i) {
    const double p = std::min(double(i) * step, up_to_), beyond = double(i) * step - p;
    const auto [value, slope] = polynomial(coefficients_, p);
    if (!(slope > 0))
      throw InvalidOption(
          "hardening: " + named + ": does not rise at a line integral of " + to_text(p, 4) + "; must rise from 0 to " +
              to_text(up_to_),
          p > 0.1 ? "say up to which line integral it was fitted, e.g. " + named + ":" + to_text(0.8 * p, 2) : "");
    table_.push_back(beyond > 0 ? end + end_slope * beyond : value);
  }
}

Linearisation::Linearisation(const Spectrum& spectrum, const Substance& material)
    : material_(material), response_(spectrum.response) {
  const SpectralAttenuation attenuation(spectrum, std::span(&material, 1));
  thin_layer_per_mm_ = attenuation.thin_layer_per_mm()[0];
  if (!(thin_layer_per_mm_ > 0))
    throw InvalidOption("hardening: attenuation of " + to_text(thin_layer_per_mm_) + "/mm; must be above 0");
  table_.push_back(0);
  double length_mm = 0, grown_mm = step / thin_layer_per_mm_;
  for (std::size_t i = 1; i <= steps; ++i) {
    const double last = length_mm;
    length_mm = thickness_of(attenuation, double(i) * step, last + grown_mm);
    grown_mm = length_mm - last;
    table_.push_back(thin_layer_per_mm_ * length_mm);
  }
}

Linearisation Linearisation::fitted(std::vector<double> coefficients, double up_to) {
  Linearisation map(std::move(coefficients), up_to);
  map.fitted_ = true;
  return map;
}

double Linearisation::operator()(double p) const {
  const double at = p * per_step;
  const double i = std::clamp(std::floor(at), 0.0, double(steps - 1));
  const double* table = &table_[std::size_t(i)];
  return table[0] + (at - i) * (table[1] - table[0]);
}

void Linearisation::apply(std::span<float> line_integrals) const {
  for (float& p : line_integrals)
    p = float((*this)(double(p)));
}

nlohmann::ordered_json Linearisation::record() const {
  nlohmann::ordered_json record;
  if (!coefficients_.empty()) {
    if (fitted_) record["fitted"] = true;
    record["coefficients"] = coefficients_;
    record["up_to"] = up_to_;
    return record;
  }
  if (material_.value_per_mm)
    record["value_per_mm"] = *material_.value_per_mm;
  else
    record.update({{"material", material_.material}, {"density_g_cm3", material_.density_g_cm3}});
  record["response"] = to_string(response_);
  record["thin_layer_per_mm"] = thin_layer_per_mm_;
  return record;
}

}  // namespace rayloom
