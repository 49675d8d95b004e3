#include "rayloom/prepare/check.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom {

namespace check_parts {

bool Check::starved() const {
  std::size_t below = 0;
  for (const ViewRecord& record : survey.records)
    below += record.below_3;
  return 20 * below > survey.samples;
}

void measure(Finding& finding, double value, double limit, const char* unit) {
  finding.value = value;
  finding.limit = limit;
  finding.unit = unit;
}

double median_of(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

double robust_deviation(const std::vector<double>& values) {
  const double middle = median_of(values);
  std::vector<double> deviations;
  for (const double value : values)
    deviations.push_back(std::abs(value - middle));
  return 1.4826 * median_of(std::move(deviations));
}

std::string list_of(std::vector<int> views) {
  std::sort(views.begin(), views.end());
  std::string text = views.size() == 1 ? "view " : "views ";
  int runs = 0;
  for (std::size_t i = 0; i < views.size(); ++runs) {
    std::size_t end = i + 1;
    while (end < views.size() && views[end] == views[end - 1] + 1)
      ++end;
    if (runs == 6) return text + " and " + std::to_string(views.size() - i) + " more";
    text += (runs > 0 ? ", " : "") + std::to_string(views[i]);
    if (end - i == 2)
      text += ", " + std::to_string(views[end - 1]);
    else if (end - i > 2)
      text += " to " + std::to_string(views[end - 1]);
    i = end;
  }
  return text;
}

std::string percent(double share) {
  return to_text(100 * share, 3) + " %";
}

}  // namespace check_parts

std::string to_string(Severity severity) {
  switch (severity) {
    case Severity::serious:
      return "serious";
    case Severity::warning:
      return "warning";
    case Severity::cannot_tell:
      return "cannot tell";
    case Severity::note:
      break;
  }
  return "note";
}

std::string to_string(Verdict verdict) {
  if (verdict == Verdict::not_fit) return "not fit";
  return verdict == Verdict::fit ? "fit" : "fit with warnings";
}

void CheckOptions::validate() const {
  if (!region) return;
  if (!region->centre_mm.allFinite() || !(region->radius_mm > 0) || !std::isfinite(region->radius_mm))
    throw InvalidOption("region: radius " + to_text(region->radius_mm) + " mm; must be above 0, and the centre finite");
}

CheckResult check_scan(const Scan& scan, const CheckOptions& options, const Hooks& hooks) {
  using namespace check_parts;
  options.validate();
  if (const Geometry& g = scan.geometry; options.region && g.beam != Beam::parallel) {
    const double farthest = options.region->centre_mm.head<2>().norm() + options.region->radius_mm;
    if (farthest >= g.sod_mm)
      throw InvalidOption("region: reaches " + to_text(farthest) +
                          " mm from the axis; must stay nearer than the source, " + to_text(g.sod_mm) + " mm");
  }
  const ViewInventory inventory(scan);
  Check check{scan, options, inventory, {}, {}, {}, {}, {}};
  hooks.report("dark and open-beam images", 0);
  check_exposures(check);
  if (hooks.stop()) throw Cancelled("stopped after the open-beam images");
  check.survey = survey_scan(scan, inventory, check.flattening, hooks);
  if (check.survey.sampled == 0)
    throw BadInput(scan.file.string() + ": images.projections: none of " + std::to_string(check.images()) +
                   " images can be read: " + check.survey.damaged.front());
  // A view is black if it is a tenth as bright as the scan.
  std::vector<double> air;
  for (const auto& record : check.survey.records)
    if (record.readable) air.push_back(record.level);
  const double bright = median_of(air);
  for (const auto& record : check.survey.records)
    check.black.push_back(record.readable && record.level < 0.1 * bright);

  check_views(check);
  check_levels(check);
  check_pixels(check);
  check_field(check);
  check_movement(check);

  CheckResult result;
  std::stable_sort(check.findings.begin(), check.findings.end(),
                   [](const Finding& a, const Finding& b) { return a.severity < b.severity; });
  result.findings = std::move(check.findings);
  if (!result.findings.empty() && result.findings.front().severity == Severity::serious)
    result.verdict = Verdict::not_fit;
  else if (!result.findings.empty() && result.findings.front().severity == Severity::warning)
    result.verdict = Verdict::fit_with_warnings;

  result.first_image = -1;
  double least = INFINITY;
  for (std::size_t i = 0; i < check.images(); ++i) {
    if (!check.survey.records[i].readable) continue;
    if (result.first_image < 0) result.first_image = int(i);
    if (check.usable(i) && check.survey.records[i].least < least) {
      least = check.survey.records[i].least;
      result.worst_image = int(i);
    }
  }
  for (const auto& finding : result.findings) {
    if (finding.severity > Severity::warning || finding.views.empty()) continue;
    const auto& views = inventory.views();
    const auto image = std::find(views.begin(), views.end(), finding.views.front());
    if (image == views.end() || !check.survey.records[std::size_t(image - views.begin())].readable) continue;
    result.worst_image = int(image - views.begin());
    break;
  }
  const auto lines_of = [&](int image) {
    Image stored(scan.geometry.detector.rows, scan.geometry.detector.columns);
    inventory.read(image, 1, stored.samples);
    return line_integrals_of(scan, check.flattening, stored, inventory.views()[std::size_t(image)]);
  };
  result.first_view = lines_of(result.first_image);
  result.worst_view = lines_of(result.worst_image);
  result.defects = std::move(check.flattening.defects);
  result.survey = std::move(check.survey);
  return result;
}

}  // namespace rayloom
