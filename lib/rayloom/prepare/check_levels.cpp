// What the beam and the part leave of the detector's range: saturation, transmission, air, drift, flicker, spikes.
#include <algorithm>
#include <cmath>

#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom::check_parts {

namespace {

// Limits of common practice; 10 % and 3 % transmission as in the usual rules of thumb for industrial CT.
constexpr double most_saturated = 1e-4;  // share of samples that makes a scan unfit
constexpr double most_below_3 = 5e-4;    // share of samples
constexpr double most_starved = 0.02;    // share below 3 % that makes a scan unfit
constexpr double most_air_error = 0.02;  // of the air level
constexpr double most_drift = 0.01;      // of the beam over the scan
constexpr double most_flicker = 0.005;   // standard deviation from view to view

void check_saturation(Check& check) {
  if (check.scan.images.kind == ImageKind::line_integrals) return;
  if (!check.scan.images.saturation) {
    check.add(Severity::cannot_tell, "saturation", "images.saturation is absent",
              "give the stored value that means full scale");
    return;
  }
  std::size_t count = 0, worst = 0;
  std::vector<int> views;
  for (std::size_t i = 0; i < check.images(); ++i) {
    const ViewRecord& record = check.survey.records[i];
    if (record.saturated == 0) continue;
    count += record.saturated;
    views.push_back(record.view);
    if (record.saturated > check.survey.records[worst].saturated) worst = i;
  }
  if (count == 0) return;
  const double share = double(count) / double(check.survey.samples);
  Finding& finding =
      check.add(share > most_saturated ? Severity::serious : Severity::warning, "saturation",
                std::to_string(count) + " samples (" + percent(share) + ") are at full scale in " + list_of(views) +
                    ", most in view " + std::to_string(check.survey.records[worst].view),
                "expose shorter or with less current; what is lost cannot be restored");
  finding.views = {check.survey.records[worst].view};
  measure(finding, 100 * share, 100 * most_saturated, "%");
}

void check_transmission(Check& check) {
  std::size_t below_10 = 0, below_3 = 0;
  const ViewRecord* worst = nullptr;
  for (std::size_t i = 0; i < check.images(); ++i) {
    if (!check.usable(i)) continue;
    const ViewRecord& record = check.survey.records[i];
    below_10 += record.below_10;
    below_3 += record.below_3;
    if (worst == nullptr || record.least < worst->least) worst = &record;
  }
  if (worst == nullptr || below_10 == 0) return;
  const double share_10 = double(below_10) / double(check.survey.samples),
               share_3 = double(below_3) / double(check.survey.samples);
  const Severity severity = share_3 > most_starved   ? Severity::serious
                            : share_3 > most_below_3 ? Severity::warning
                                                     : Severity::note;
  Finding& finding = check.add(
      severity, "low transmission",
      percent(share_10) + " of the samples are below 10 % and " + percent(share_3) + " below 3 % transmission; least " +
          percent(worst->least) + " in view " + std::to_string(worst->view),
      severity == Severity::note ? "" : "use a harder beam (voltage, filter), or turn the part for shorter paths");
  finding.views = {worst->view};
  finding.row = worst->least_row;
  finding.column = worst->least_column;
  measure(finding, 100 * share_3, 100 * most_below_3, "%");
}

/// Air at the edges over the views.
struct AirCurve {
  std::vector<int> views;
  std::vector<double> level, asymmetry;  // asymmetry empty unless both edges are free throughout
  double noise = 0;                      // relative deviation of `level` from view to view that photons alone make
  bool noise_known = false;              // .. from exposures; else as the two edges tell it
};

/// Deviations from the mean of the two neighbours, scaled to the deviation of one.
std::vector<double> jumps_of(const std::vector<double>& values) {
  std::vector<double> jumps;
  for (std::size_t i = 1; i + 1 < values.size(); ++i)
    jumps.push_back((values[i] - (values[i - 1] + values[i + 1]) / 2) / std::sqrt(1.5));
  return jumps;
}

AirCurve air_curve(const Check& check) {
  const auto& records = check.survey.records;
  const auto free_left = [](const ViewRecord& record) { return record.left_air && record.left_rows < 2; };
  const auto free_right = [](const ViewRecord& record) { return record.right_air && record.right_rows < 2; };
  std::size_t usable = 0, left = 0, right = 0;
  std::vector<double> levels;
  for (std::size_t i = 0; i < check.images(); ++i) {
    if (!check.usable(i)) continue;
    ++usable;
    left += free_left(records[i]);
    right += free_right(records[i]);
    levels.push_back(records[i].level);
  }
  // One edge serves if it is free in nearly all views; the same one for all.
  const bool by_left = usable > 0 && 10 * left >= 9 * usable, by_right = usable > 0 && 10 * right >= 9 * usable;
  const bool by_border = check.scan.images.kind == ImageKind::corrected && check.scan.images.open_level_from_border;
  const double typical = median_of(levels);
  AirCurve curve;
  if (!by_left && !by_right) return curve;
  for (std::size_t i = 0; i < check.images(); ++i) {
    const ViewRecord& record = records[i];
    if (!check.usable(i) || (by_left && !free_left(record)) || (by_right && !free_right(record))) continue;
    const double level = by_left && by_right ? (*record.left_air + *record.right_air) / 2
                         : by_left           ? *record.left_air
                                             : *record.right_air;
    curve.views.push_back(record.view);
    curve.level.push_back(by_border ? level * record.level / typical : level);
    if (by_left && by_right)
      curve.asymmetry.push_back((*record.left_air - *record.right_air) / (*record.left_air + *record.right_air));
  }
  // The mean of the middle half of n normal values has 1.2 times the variance of the mean of all.
  const double sides = by_left && by_right ? 2 : 1;
  curve.noise_known = check.flattening.noise.has_value();
  if (curve.noise_known)
    curve.noise = *check.flattening.noise *
                  std::sqrt(1.2 / (sides * check.survey.edge_columns * check.scan.geometry.detector.rows));
  else if (sides == 2)  // what differs between the edges from view to view; a tube's flicker is the same in both
    curve.noise = robust_deviation(jumps_of(curve.asymmetry));
  return curve;
}

/// Medians of the first and the last tenth (3 views at least).
std::pair<double, double> ends_of(const std::vector<double>& values) {
  const auto part = std::ptrdiff_t(std::min(values.size(), std::max<std::size_t>(3, values.size() / 10)));
  return {median_of({values.begin(), values.begin() + part}), median_of({values.end() - part, values.end()})};
}

void check_air(Check& check) {
  const AirCurve curve = air_curve(check);
  if (curve.views.empty()) {
    check.add(Severity::cannot_tell, "air level",
              "no edge of the image is free of the part: air level, drift and flicker cannot be seen");
    return;
  }
  const bool by_border = check.scan.images.kind == ImageKind::corrected && check.scan.images.open_level_from_border;
  const auto add = [&](Severity severity, const char* what, const std::string& text, const std::string& advice,
                       double value, double limit) -> Finding& {
    Finding& finding = check.add(severity, what, text, advice);
    measure(finding, 100 * value, 100 * limit, "%");
    return finding;
  };

  const double middle = median_of(curve.level);
  // Chance takes the worst of some thousand views four deviations off, and the open-beam image is a little off, too.
  const double by_chance = 5 * curve.noise;
  std::size_t worst = 0;
  for (std::size_t i = 0; i < curve.level.size(); ++i)
    if (std::abs(curve.level[i] - 1) > std::abs(curve.level[worst] - 1)) worst = i;
  if (const double error = curve.level[worst] - 1; !by_border && std::abs(error) > most_air_error + by_chance)
    add(Severity::warning, "air level",
        "air reads " + percent(middle) + " of the open beam in the median view and " + percent(1 + error) +
            " in view " + std::to_string(curve.views[worst]),
        check.scan.images.kind == ImageKind::corrected
            ? "set images.open_level to \"border\" or to a list of one level a view"
            : "normalise each view by its border, or take open-beam images nearer to the scan",
        std::abs(error), most_air_error)
        .views = {curve.views[worst]};

  if (curve.level.size() < 8) {
    check.add(Severity::cannot_tell, "drift", "too few views to tell drift and flicker");
    return;
  }
  const auto [begin, end] = ends_of(curve.level);
  // A median has 1.57 times the variance of a mean (Kendall & Stuart, from memory).
  const double ends_by_chance =
      by_chance * std::sqrt(2 * 1.57 / std::max(3.0, std::floor(double(curve.level.size()) / 10)));
  if (const double drift = end / begin - 1; std::abs(drift) > most_drift + ends_by_chance)
    add(Severity::warning, "drift",
        "the beam " + std::string(drift > 0 ? "rises" : "falls") + " by " + percent(std::abs(drift)) + " over the scan",
        "normalise each view by its border, or take open-beam images after the scan as well", std::abs(drift),
        most_drift);
  const std::vector<double> jumps = jumps_of(curve.level);
  const double spread = robust_deviation(jumps) / middle,
               flicker = std::sqrt(std::max(0.0, spread * spread - curve.noise * curve.noise));
  if (flicker > most_flicker && spread > 1.3 * curve.noise)
    add(Severity::warning, "flicker",
        "the beam's level changes by " + percent(flicker) + " (standard deviation) from view to view",
        "normalise each view by its border; look at the tube", flicker, most_flicker);
  std::vector<int> dim;
  double furthest = 0;
  for (std::size_t i = 0; i < jumps.size(); ++i) {
    // A view beside one that is off seems half as far off.
    const double off =
        std::abs(curve.level[i + 1] / median_of({curve.level[i], curve.level[i + 1], curve.level[i + 2]}) - 1);
    if (off > std::max(0.02, 8 * spread)) {
      dim.push_back(curve.views[i + 1]);
      furthest = std::max(furthest, off);
    }
  }
  if (!dim.empty())
    add(Severity::warning, "flicker",
        "single views are brighter or darker by up to " + percent(furthest) + ": " + list_of(dim),
        "normalise each view by its border", furthest, 0.02)
        .views = dim;

  if (curve.asymmetry.empty()) return;
  const auto [first_shape, last_shape] = ends_of(curve.asymmetry);
  const double swing = robust_deviation(jumps_of(curve.asymmetry));
  const double change = std::max(
      std::abs(last_shape - first_shape) - ends_by_chance,
      curve.noise_known && swing > 1.3 * curve.noise ? std::sqrt(swing * swing - curve.noise * curve.noise) : 0);
  if (change > most_shape_change)
    add(Severity::warning, "open-beam shape",
        "left and right air change against each other by " + percent(change) + " during the scan",
        "correct with open-beam images whose shape changes, or let the tube settle", change, most_shape_change);
}

void check_drift_of_exposures(Check& check) {
  const Exposures& exposures = check.exposures;
  if (exposures.open_after.count == 0 || exposures.open.count == 0) return;
  std::vector<double> ratios;
  for (std::size_t i = 0; i < exposures.open.mean.samples.size(); ++i) {
    const double dark = check.flattening.dark.samples[i], before = exposures.open.mean.samples[i] - dark;
    if (before > 0 && check.flattening.defects.states[i] == PixelState::good)
      ratios.push_back((exposures.open_after.mean.samples[i] - dark) / before);
  }
  if (ratios.empty()) return;
  const double drift = median_of(ratios) - 1, spread = robust_deviation(ratios);
  if (std::abs(drift) > most_drift) {
    Finding& finding = check.add(Severity::warning, "drift",
                                 "the open beam is " + percent(std::abs(drift)) +
                                     (drift > 0 ? " brighter" : " darker") + " after the scan than before",
                                 "the scan file names both; they are interpolated over time");
    measure(finding, 100 * std::abs(drift), 100 * most_drift, "%");
  }
  // What photon noise of both means leaves, from the deviation over the exposures.
  const double noise =
      check.flattening.noise.value_or(0) * std::sqrt(1.0 / exposures.open.count + 1.0 / exposures.open_after.count);
  const double gain_change = std::sqrt(std::max(spread * spread - 1.5 * noise * noise, 0.0));
  if (gain_change > most_shape_change) {
    Finding& finding =
        check.add(Severity::warning, "gain drift",
                  "the pixels' gains have changed by " + percent(gain_change) + " (standard deviation) during the scan",
                  "expect faint rings; let the detector warm up, and keep images.open_after");
    measure(finding, 100 * gain_change, 100 * most_shape_change, "%");
  }
}

void check_spikes(Check& check) {
  if (check.images() < 3) return;
  if (check.survey.spike_count == 0) return;
  const Spike& first = *std::max_element(check.survey.spikes.begin(), check.survey.spikes.end(),
                                         [](const Spike& a, const Spike& b) { return a.height < b.height; });
  std::vector<int> views;
  for (const Spike& spike : check.survey.spikes)
    if (const int view = check.survey.records[std::size_t(spike.image)].view; views.empty() || views.back() != view)
      views.push_back(view);
  const int view = check.survey.records[std::size_t(first.image)].view;
  Finding& finding =
      check.add(Severity::warning, "spikes",
                std::to_string(check.survey.spike_count) + " single samples are far brighter than all around them in " +
                    list_of(views) + "; the highest by " + percent(first.height) + " of the open beam in view " +
                    std::to_string(view),
                "remove them when reconstructing; more shielding of the detector if there are many");
  finding.views = {view};
  finding.row = first.row;
  finding.column = first.column;
  measure(finding, double(check.survey.spike_count), 0, "");
}

}  // namespace

void check_levels(Check& check) {
  check_saturation(check);
  check_transmission(check);
  check_air(check);
  check_drift_of_exposures(check);
  check_spikes(check);
}

}  // namespace rayloom::check_parts
