#include "corrections.h"

#include <algorithm>
#include <filesystem>

#include "command.h"
#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/two_materials.h"

namespace rayloom::tools {

namespace {

double share_from(const char* option, double percent) {
  if (!(percent >= 0 && percent <= 90))
    throw InvalidOption(std::string(option) + ": " + to_text(percent) + " percent; must be from 0 to 90");
  return percent / 100;
}

/// "A1,A2,..[:P]": the map with these coefficients, made for line integrals up to P.
Linearisation polynomial_from(const std::string& text) {
  const auto colon = text.find(':');
  const std::string list = text.substr(0, colon);
  const auto count = std::size_t(std::count(list.begin(), list.end(), ',')) + 1;
  const auto coefficients = parse_numbers("--hardening", list, count);
  const double up_to = colon == std::string::npos ? Linearisation::table_end
                                                  : parse_numbers("--hardening", text.substr(colon + 1), 1)[0];
  try {
    return Linearisation(coefficients, up_to);
  } catch (const InvalidOption& error) {
    throw InvalidOption(std::string("--") + error.what(), error.hint());
  }
}

/// "MATERIAL[:DENSITY]".
Substance material_from(const char* option, const std::string& text) {
  const auto colon = text.find(':');
  Substance substance{.value_per_mm = {}, .material = text.substr(0, colon)};
  if (colon != std::string::npos) substance.density_g_cm3 = parse_numbers(option, text.substr(colon + 1), 1)[0];
  try {
    if (colon == std::string::npos) substance.density_g_cm3 = listed_density_g_cm3(substance.material);
    (void)attenuation_per_mm(substance.material, 1, 100);
  } catch (const InvalidOption& error) {
    throw InvalidOption(std::string(option) + ": '" + text + "': " + error.what(),
                        "MATERIAL:DENSITY with a symbol or formula and g/cm3 says both, e.g. C5H8O2:1.19");
  }
  if (!(substance.density_g_cm3 > 0 && substance.density_g_cm3 <= 30))
    throw InvalidOption(std::string(option) + ": '" + text + "': density " + to_text(substance.density_g_cm3) +
                        " g/cm3; must be above 0 and at most 30");
  return substance;
}

Spectrum spectrum_from(const CorrectionArguments& given, const char* option, const Scan& scan) {
  if (!given.response.empty() && given.response != "integrating" && given.response != "counting")
    throw InvalidOption("--spectrum: '" + given.response + "'; must be integrating or counting");
  if (!scan.source.voltage_kv)
    throw InvalidOption(std::string(option) + ": " + scan.file.string() + " has no source.voltage_kv; must be there",
                        "--set source.voltage_kv=120 gives it");
  return tungsten_spectrum(*scan.source.voltage_kv, scan.source.filters,
                           given.response == "counting" ? DetectorResponse::counting : DetectorResponse::integrating);
}

std::optional<Linearisation> hardening_from(const CorrectionArguments& given, const Scan& scan) {
  if (!given.response.empty() && given.hardening_of.empty())
    throw InvalidOption("--spectrum: '" + given.response + "'; goes with --hardening-of");
  if (given.hardening.empty() && given.hardening_of.empty()) return {};
  if (!given.hardening.empty() && !given.hardening_of.empty())
    throw InvalidOption("--hardening: given with --hardening-of; must be one of the two");
  if (given.fits_hardening()) return {};
  if (!given.hardening.empty()) return polynomial_from(given.hardening);
  const Substance material = material_from("--hardening-of", given.hardening_of);
  return Linearisation(spectrum_from(given, "--hardening-of", scan), material);
}

std::optional<RingMethod> ring_method_from(const std::string& name) {
  if (name.empty()) return {};
  for (const RingMethod method : {RingMethod::differences, RingMethod::sorting})
    if (name == to_string(method)) return method;
  throw InvalidOption("--rings: '" + name + "'; must be differences or sorting");
}

}  // namespace

void add_correction_options(CLI::App& command, CorrectionArguments& given) {
  const std::string group = "Corrections (off unless asked for)";
  const auto filled = [](const std::string& text) { return text.empty() ? "must not be empty" : std::string(); };
  command
      .add_flag("--spikes", given.spikes,
                "replace single samples of single views that are far too bright; reads the scan once more beforehand")
      ->group(group);
  command
      .add_option("--lag", given.lag_percent,
                  "percent of an exposure's signal that the next one still reads, to take off (0)")
      ->group(group);
  command
      .add_flag(
          "--drift", given.drift,
          "set each view's level by the border that the part leaves free; reads the scan once more beforehand. If the "
          "beam's shape changes, too: --open-shapes")
      ->group(group);
  command
      .add_option(
          "--open-shapes", given.open_shapes,
          "for a beam whose shape changes: fit so many principal components of the open-beam images, 0 to 5, to "
          "the border that the part leaves free, and --drift (0)")
      ->group(group);
  command
      .add_option("--scatter", given.scatter_percent,
                  "percent of the open beam that reaches every pixel as scattered rays, to take off (0)")
      ->group(group);
  command
      .add_option("--scatter-from", given.scatter_from,
                  "image at the first view's angle with small opaque stops before the part: what reaches their shadows "
                  "is taken off as scattered rays, smoothly in between")
      ->check(filled)
      ->group(group);
  command
      .add_option("--rings", given.rings,
                  "differences (the better one) or sorting: how stripes of the sinogram, which become rings, are found "
                  "and taken off; reads the scan once more")
      ->check(filled)
      ->group(group);
  command
      .add_option("--hardening", given.hardening,
                  "fit: from the scan itself, for a part of one material, so that its inside becomes flat and its mean "
                  "value stays; or A1,A2,..[:P]: line integrals p become A1 p + A2 p^2 + .., which must rise up to p = "
                  "P (12), and go straight on from there")
      ->check(filled)
      ->group(group);
  command
      .add_option("--hardening-of", given.hardening_of,
                  "MATERIAL[:DENSITY in g/cm3 (as listed)] of a part of one material, e.g. Al:2.7 or C5H8O2:1.19: what "
                  "hardening by source.voltage_kv and source.filters of the scan file does is undone; the volume shows "
                  "the attenuation of a thin layer")
      ->check(filled)
      ->group(group);
  command
      .add_option("--spectrum", given.response,
                  "integrating (as most flat panels) or counting: by which a pixel weighs the photons of the tube's "
                  "spectrum, with --hardening-of (integrating)")
      ->group(group);
  command
      .add_option(
          "--metal", given.metal,
          "MATERIAL[:DENSITY in g/cm3 (as listed)] of metal in the lighter part of --hardening-of, e.g. Fe:7.87: "
          "found in a first reconstruction, its lengths in every ray tell how it hardened the beam; the volume "
          "shows what one energy would")
      ->check(filled)
      ->group(group);
  command
      .add_option(
          "--replace-metal", given.replace_metal,
          "attenuation in 1/mm above which a first reconstruction shows metal (above 0): its shadows are bridged "
          "from both sides and it is put back as one value; a volume for looking, not measuring")
      ->group(group);
}

Corrections corrections_from(const CorrectionArguments& given, const Scan& scan) {
  Corrections corrections{.spikes = given.spikes,
                          .lag = share_from("--lag", given.lag_percent),
                          .drift = given.drift,
                          .open_shapes = given.open_shapes,
                          .scatter = share_from("--scatter", given.scatter_percent),
                          .rings = ring_method_from(given.rings),
                          .hardening = hardening_from(given, scan)};
  if (!given.scatter_from.empty()) {
    if (!std::filesystem::exists(given.scatter_from))
      throw InvalidOption("--scatter-from: " + given.scatter_from + ": no such file; must be an image with stops");
    corrections.scatter_from = std::filesystem::absolute(given.scatter_from).lexically_normal().string();
  }
  try {
    corrections.validate(scan);
  } catch (const InvalidOption& error) {  // the option is called as the field, with hyphens
    std::string message = error.what();
    std::replace(message.begin(), message.begin() + std::ptrdiff_t(message.find(':')), '_', '-');
    throw InvalidOption("--" + message, error.hint());
  }
  if (given.replace_metal && !(*given.replace_metal > 0 && *given.replace_metal <= 1000))
    throw InvalidOption("--replace-metal: " + to_text(*given.replace_metal) + "/mm; must be above 0 and at most 1000");
  if (given.replace_metal && !given.metal.empty())
    throw InvalidOption("--metal: given with --replace-metal; must be one of the two");
  if (!given.metal.empty() && given.hardening_of.empty())
    throw InvalidOption("--metal: '" + given.metal + "'; goes with --hardening-of, which must name what surrounds it");
  return corrections;
}

std::optional<TwoMaterialsGiven> two_materials_from(const CorrectionArguments& given, const Scan& scan) {
  if (given.metal.empty()) return {};
  TwoMaterialsGiven both{spectrum_from(given, "--metal", scan), material_from("--hardening-of", given.hardening_of),
                         material_from("--metal", given.metal), 0};
  try {
    both.least_metal_per_mm = least_metal_per_mm(both.spectrum, both.lighter, both.metal);
  } catch (const InvalidOption& error) {
    throw InvalidOption(std::string("--") + error.what());
  }
  return both;
}

}  // namespace rayloom::tools
