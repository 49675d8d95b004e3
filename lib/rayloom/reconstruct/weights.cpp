#include "rayloom/reconstruct/weights.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

double sine_squared(double x) {
  return std::sin(x) * std::sin(x);
}

/// Fan angle of a column, 0 for parallel rays.
double fan_angle(const Geometry& geometry, double column) {
  if (geometry.beam == Beam::parallel) return 0;
  const double u = (column - geometry.detector.axis_column) * geometry.detector.column_pitch_mm;
  return geometry.detector.shape == DetectorShape::arc ? u / geometry.sdd_mm : std::atan(u / geometry.sdd_mm);
}

/// Distance from the axis on the plane through it, t = SOD tan(gamma).
double axis_distance(const Geometry& geometry, double column) {
  if (geometry.beam == Beam::parallel)
    return (column - geometry.detector.axis_column) * geometry.detector.column_pitch_mm;
  return geometry.sod_mm * std::tan(fan_angle(geometry, column));
}

}  // namespace

double short_scan_weight(double from_start_rad, double gamma_rad, double arc_rad) {
  const double b = from_start_rad, g = gamma_rad, G = (arc_rad - pi) / 2;
  if (G - g > 0 && b < 2 * (G - g)) return sine_squared(pi / 4 * b / (G - g));
  if (G + g > 0 && b > pi - 2 * g) return sine_squared(pi / 4 * std::max(pi + 2 * G - b, 0.0) / (G + g));
  return 1;
}

std::string to_string(Coverage coverage) {
  return coverage == Coverage::displaced ? "displaced" : "symmetric";
}

double displaced_weight(double t_mm, double overlap_mm, double sod_mm) {
  if (t_mm < -overlap_mm) return 0;
  if (t_mm > overlap_mm) return 1;
  if (overlap_mm == 0) return 0.5;
  const double share = sod_mm > 0 ? std::atan(t_mm / sod_mm) / std::atan(overlap_mm / sod_mm) : t_mm / overlap_mm;
  return (1 + std::sin(pi / 2 * share)) / 2;
}

Redundancy redundancy(const Geometry& geometry, std::optional<Coverage> coverage) {
  Redundancy result;
  result.coverage = coverage ? *coverage : automatic_coverage(geometry);
  result.views = view_set(geometry, result.coverage);
  const bool parallel = geometry.beam == Beam::parallel;
  if (result.coverage == Coverage::displaced) {
    if (!result.views.closed)
      throw InvalidOption("coverage: displaced; needs views all round 360 degrees, but the scan is open",
                          "leave --coverage at auto, or use symmetric");
    result.name = "displaced detector";
  } else if (result.views.closed) {
    result.name = parallel ? "half turn" : "full turn";
  } else {
    result.name = "short scan";
  }
  const double left = fan_angle(geometry, -0.5), right = fan_angle(geometry, geometry.detector.columns - 0.5);
  result.needed_arc_rad = pi + 2 * std::max(std::min(-left, right), 0.0);  // the field of view's fan
  if (!result.views.closed) result.missing_arc_rad = std::max(result.needed_arc_rad - result.views.arc_rad, 0.0);
  if (result.missing_arc_rad < 1e-6) result.missing_arc_rad = 0;
  return result;
}

void column_weights(const Geometry& geometry, const Redundancy& redundancy, std::size_t view,
                    std::vector<float>& weights, int beyond) {
  const Detector& d = geometry.detector;
  const ViewSet& views = redundancy.views;
  const double step = views.weight_rad[view];
  weights.resize(std::size_t(d.columns + 2 * beyond));
  const double left = -axis_distance(geometry, -0.5), right = axis_distance(geometry, d.columns - 0.5);
  for (int c = -beyond; c < d.columns + beyond; ++c) {
    double w = 1;
    if (redundancy.coverage == Coverage::displaced) {
      const double t = axis_distance(geometry, c), overlap = std::min(left, right);
      w = displaced_weight(right >= left ? t : -t, std::max(overlap, 0.0), geometry.sod_mm);
    } else if (!views.closed) {
      w = short_scan_weight(views.from_start_rad[view], fan_angle(geometry, c), views.arc_rad);
    } else if (geometry.beam != Beam::parallel) {
      w = 0.5;  // every ray is measured from both ends
    }
    weights[std::size_t(c + beyond)] = float(w * step);
  }
}

}  // namespace rayloom
