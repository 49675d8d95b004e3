/// @file
/// The parts of `check_scan`, each for some subjects. Not for other callers.
#pragma once
#include <span>
#include <string>
#include <vector>

#include "rayloom/prepare/check.h"

namespace rayloom::check_parts {

/// Of the asymmetry of the beam or of a view's air, (one half - other half)/(both): more is a change of shape (common
/// practice).
inline constexpr double most_shape_change = 0.005;
inline constexpr int trial_views = 8;  ///< As many images or fewer are trial views before the scan.

/// Dark and open-beam images, summed up.
struct Exposures {
  ExposureStatistics dark, open, open_after;  ///< count 0 where there are no images.
  /// Asymmetry (left - right)/(left + right) and (top - bottom)/(top + bottom) of each open-beam exposure.
  std::vector<double> across, down;
};

/// What all parts look at, and where they put what they find.
struct Check {
  const Scan& scan;
  const CheckOptions& options;
  const ViewInventory& inventory;
  Exposures exposures;
  Flattening flattening;
  Survey survey;
  std::vector<Finding> findings;

  bool trial() const { return inventory.images() <= trial_views; }
  std::size_t images() const { return survey.records.size(); }
  /// Readable and not black.
  bool usable(std::size_t image) const { return survey.records[image].readable && !black[image]; }
  std::vector<char> black;  ///< One an image.
  /// More than a twentieth of the samples are below 3 % transmission: what they show from view to view is mostly noise
  /// and sharp edges of what lets nothing through.
  bool starved() const;

  Finding& add(Severity severity, const char* what, std::string text, std::string advice = {}) {
    findings.push_back({severity, what, std::move(text), std::move(advice), {}, {}, {}, {}, {}, {}});
    return findings.back();
  }
};

/// Value and limit of a finding in `unit`.
void measure(Finding& finding, double value, double limit, const char* unit);

void check_exposures(Check& check);  ///< Before the survey: fills `exposures`, `flattening`.
void check_pixels(Check& check);     ///< Defects, from exposures and views.
void check_levels(Check& check);     ///< Saturation, transmission, air, drift, flicker, shape, spikes.
void check_views(Check& check);      ///< Which views there are, their order, their number.
void check_field(Check& check);      ///< Part and region in view.
void check_movement(Check& check);   ///< Movement; mirrored or reversed scans.

/// Columns that the part ever darkens by 5 %, as a width about the axis.
double width_in_use(const Check& check, const Detector& detector);
/// Median; 0 if empty.
double median_of(std::vector<double> values);
/// 1.4826 median absolute deviations from the median: one standard deviation of normal noise (Hampel 1974).
double robust_deviation(const std::vector<double>& values);
/// "view 3", "views 3, 7 to 9 and 12 more".
std::string list_of(std::vector<int> views);
/// "3.1 %" of a share.
std::string percent(double share);

}  // namespace rayloom::check_parts
