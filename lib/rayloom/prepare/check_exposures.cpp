// Dark and open-beam images: level, spread, shape, and the pixels that they show to be bad.
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom::check_parts {

namespace {

// Common practice: 75 to 90 % of full scale is the best open-beam level; the rest wastes range.
constexpr double best_level_low = 0.75, poor_level = 0.2, high_level = 0.97;
constexpr double most_spread = 0.15;  // of pixel gains about their surroundings (common practice)

/// Median of some 10^5 pixels spread evenly, which is all that a level needs.
double level_of(const Image& image) {
  const std::size_t step = image.samples.size() / 100000 + 1;
  std::vector<double> some;
  for (std::size_t i = 0; i < image.samples.size(); i += step)
    some.push_back(image.samples[i]);
  return median_of(std::move(some));
}

ExposureStatistics read_exposures(const Scan& scan, const std::optional<Level>& level, const std::string& field,
                                  const std::function<void(const Image&)>& look = {}) {
  if (!level || !std::holds_alternative<ImageNames>(*level)) return {};
  ExposureAccumulator sum;
  for_each_exposure(scan, std::get<ImageNames>(*level), field, [&](const Image& exposure) {
    sum.add(exposure);
    if (look) look(exposure);
  });
  return sum.statistics();
}

Image difference(const Image& a, const Image& b) {
  Image result = a;
  for (std::size_t i = 0; i < result.samples.size(); ++i)
    result.samples[i] -= b.samples[i];
  return result;
}

/// (a - b)/(a + b) of the left and right, and of the upper and lower halves of an image.
struct Asymmetry {
  double across, down;
};

Asymmetry asymmetry(const Image& image, double dark) {
  const int half_columns = image.columns / 2, half_rows = image.rows / 2;
  double left = 0, right = 0, upper = 0, lower = 0;
  for (int r = 0; r < image.rows; ++r) {
    const float* row = &image.samples[std::size_t(r) * std::size_t(image.columns)];
    const float* other = row + image.columns - half_columns;
    float a = 0, b = 0;
#pragma omp simd reduction(+ : a, b)
    for (int c = 0; c < half_columns; ++c) {
      a += row[c];
      b += other[c];
    }
    const double first = double(a) - half_columns * dark, second = double(b) - half_columns * dark;
    left += first;
    right += second;
    if (r < half_rows) upper += first + second;
    if (r >= image.rows - half_rows) lower += first + second;
  }
  const auto relative = [](double one, double two) { return one + two > 0 ? (one - two) / (one + two) : 0; };
  return {relative(left, right), relative(upper, lower)};
}

void check_open_level(Check& check) {
  const ScanImages& images = check.scan.images;
  const Exposures& exposures = check.exposures;
  if (exposures.open.count == 0) {
    check.add(Severity::cannot_tell, "open-beam level", "there are no open-beam images to tell level and spread from");
    return;
  }
  const double level = level_of(exposures.open.mean);
  if (!images.saturation) {
    check.add(Severity::cannot_tell, "open-beam level",
              "the open beam reads " + to_text(level, 4) + ", but images.saturation is absent",
              "give the value that means full scale as images.saturation");
  } else {
    const double full = images.scale * *images.saturation + images.offset, share = level / full;
    const auto add = [&](Severity severity, const std::string& text, const std::string& advice, double limit) {
      Finding& finding = check.add(severity, "open-beam level",
                                   "the open beam reaches " + percent(share) + " of full scale" + text, advice);
      measure(finding, 100 * share, 100 * limit, "%");
    };
    if (share > high_level)
      add(Severity::serious, ": at or near saturation", "expose shorter or with less current", high_level);
    else if (share < poor_level)
      add(Severity::warning, ": most of the detector's range is unused", "expose longer or with more current",
          poor_level);
    else if (share < best_level_low)
      add(Severity::note, "; 75 to 90 % uses the detector's range best (common practice)", "", best_level_low);
  }

  // Fixed pattern of gains: deviation from the mean of the neighbours in the row, where the beam's shape drops out.
  std::vector<double> pattern;
  const Image& response = exposures.open.mean;
  for (int r = 0; r < response.rows; ++r)
    for (int c = 1; c + 1 < response.columns; c += 2) {
      const double around = (double(response.at(r, c - 1)) + response.at(r, c + 1)) / 2;
      if (around > 0) pattern.push_back((response.at(r, c) / around - 1) / std::sqrt(1.5));
    }
  const double spread = robust_deviation(pattern);
  if (spread > most_spread) {
    Finding& finding = check.add(Severity::warning, "open-beam spread",
                                 "pixels differ from their neighbours by " + percent(spread) + " in the open beam",
                                 "look at the detector's calibration");
    measure(finding, 100 * spread, 100 * most_spread, "%");
  }

  if (exposures.open.count < 10)
    check.add(Severity::note, "open-beam images",
              std::to_string(exposures.open.count) + (exposures.open.count == 1 ? " image adds " : " images add ") +
                  percent(std::sqrt(1 + 1.0 / exposures.open.count) - 1) + " to the noise of thin parts",
              "take 10 or more");
  std::size_t saturated = 0;
  if (images.saturation && images.scale > 0)
    saturated = std::size_t(std::count_if(
        response.samples.begin(), response.samples.end(),
        [full = float(images.scale * *images.saturation + images.offset)](float value) { return value >= full; }));
  if (const double share = double(saturated) / double(response.samples.size()); share > 0.001) {
    Finding& finding =
        check.add(Severity::serious, "saturation", percent(share) + " of the pixels are at full scale in the open beam",
                  "expose shorter or with less current");
    measure(finding, 100 * share, 0.1, "%");
  }
}

void check_open_shape(Check& check) {
  const Exposures& exposures = check.exposures;
  double change = 0;
  std::string how;
  if (exposures.across.size() >= 4) {
    change = std::max(robust_deviation(exposures.across), robust_deviation(exposures.down));
    how = " from one open-beam image to the next";
  }
  if (exposures.open_after.count > 0) {
    const double dark = level_of(check.flattening.dark);
    const Asymmetry before = asymmetry(exposures.open.mean, dark), after = asymmetry(exposures.open_after.mean, dark);
    const double moved = std::max(std::abs(after.across - before.across), std::abs(after.down - before.down));
    if (moved > std::max(change, most_shape_change)) {
      change = moved;
      how = " between the open-beam images before and after the scan";
    }
  }
  if (!(change > most_shape_change)) return;
  Finding& finding = check.add(Severity::warning, "open-beam shape",
                               "the beam's halves change against each other by " + percent(change) + how,
                               "correct with open-beam images whose shape changes, or let the tube settle");
  measure(finding, 100 * change, 100 * most_shape_change, "%");
}

}  // namespace

void check_exposures(Check& check) {
  const Scan& scan = check.scan;
  const ScanImages& images = scan.images;
  const int rows = scan.geometry.detector.rows, columns = scan.geometry.detector.columns;
  Flattening& flattening = check.flattening;
  Exposures& exposures = check.exposures;
  DefectEvidence evidence;
  evidence.listed = defect_map(scan);

  if (images.kind == ImageKind::counts) {
    exposures.dark = read_exposures(scan, images.dark, "images.dark");
    const auto number = [](const std::optional<Level>& level) {
      return level && std::holds_alternative<double>(*level) ? float(std::get<double>(*level)) : 0.0F;
    };
    flattening.dark = exposures.dark.count > 0 ? exposures.dark.mean : Image(rows, columns, number(images.dark));
    const double dark = level_of(flattening.dark);
    exposures.open = read_exposures(scan, images.open, "images.open", [&](const Image& exposure) {
      const auto [across, down] = asymmetry(exposure, dark);
      exposures.across.push_back(across);
      exposures.down.push_back(down);
    });
    exposures.open_after = read_exposures(scan, images.open_after, "images.open_after");
    expect_survey(scan, check.inventory);
    const Image open = exposures.open.count > 0 ? exposures.open.mean : Image(rows, columns, number(images.open));
    const Image response = difference(open, flattening.dark);
    if (!(level_of(response) > 0))
      throw BadInput(scan.file.string() + ": images.open: its median, " + to_text(level_of(open), 6) +
                         ", is not above that of images.dark, " + to_text(dark, 6) + "; must be brighter",
                     "were dark and open-beam images exchanged?");
    if (exposures.open.count > 0) evidence.response = response;
    if (exposures.dark.count >= DefectLimits::least_dark_images) evidence.dark_deviation = exposures.dark.deviation;
    if (exposures.open_after.count > 0) {
      evidence.flattened = difference(exposures.open_after.mean, flattening.dark);
      for (std::size_t i = 0; i < response.samples.size(); ++i) {
        float& value = evidence.flattened->samples[i];
        value = response.samples[i] > 0 ? value / response.samples[i] : 0;
      }
    }
    flattening.factor = Image(rows, columns);
    for (std::size_t i = 0; i < response.samples.size(); ++i)
      flattening.factor.samples[i] = response.samples[i] > 0 ? 1 / response.samples[i] : 0;
    if (exposures.open.count >= 2) {
      const double level = level_of(response);
      if (level > 0) flattening.noise = float(level_of(exposures.open.deviation) / level);
    }
  }
  flattening.defects = classify_pixels(evidence);
  if (images.kind != ImageKind::counts) return;
  if (!images.dark)
    check.add(Severity::warning, "dark images", "images.dark is absent; the dark level is taken as 0",
              "dense parts will look too thin if the detector has an offset");
  check_open_level(check);
  check_open_shape(check);
}

}  // namespace rayloom::check_parts
