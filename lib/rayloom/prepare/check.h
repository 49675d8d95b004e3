/// @file
/// Is a raw scan fit to reconstruct? What is found in it, what that means, and what to do.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/prepare/survey.h"
#include "rayloom/scan/tiled_scan.h"

namespace rayloom {

enum class Severity {
  serious,      ///< Not fit as it is.
  warning,      ///< The volume will show it; can be corrected or lived with.
  cannot_tell,  ///< The data do not allow an answer.
  note          ///< Good to know.
};
std::string to_string(Severity severity);

struct Finding {
  Severity severity = Severity::note;
  std::string what;                    ///< The subject, one of a fixed set such as "spikes".
  std::string text;                    ///< What was found, one sentence without full stop.
  std::string advice;                  ///< What to do; may be empty.
  std::vector<int> views;              ///< Which views; empty if it concerns none in particular.
  std::optional<int> row, column;      ///< Where, or where first or worst.
  std::optional<double> value, limit;  ///< In `unit`.
  std::string unit;
};

/// A ball in the part's frame.
struct Region {
  Vec3 centre_mm = Vec3::Zero();
  double radius_mm = 0;
};

struct CheckOptions {
  std::optional<Region> region;  ///< Must stay in view over the whole turn.
  Sides continued;               ///< Where the part may leave the view, since other tiles see on.
  /// @throws InvalidOption.
  void validate() const;
};

enum class Verdict {
  fit,
  fit_with_warnings,
  not_fit  ///< Something is serious.
};
std::string to_string(Verdict verdict);

struct CheckResult {
  std::vector<Finding> findings;  ///< The most severe first, else in the order of the subjects.
  Verdict verdict = Verdict::fit;
  DefectMap defects;  ///< Every bad pixel, listed or found.
  Survey survey;      ///< One pass over the images, for pictures and curves.
  /// Images that the pictures show: the first readable one, and the one that the findings name most severely (the
  /// darkest if they name none).
  int first_image = 0, worst_image = 0;
  Image first_view, worst_view;  ///< These, as line integrals.
};

/// Looks at dark and open-beam images, then once at every view there is. Works on whole scans, on scans with views
/// missing or broken off, and on 1 to 8 trial views; what these cannot answer is said.
/// @throws BadInput if no image can be read or the dark or open-beam images cannot; InvalidOption; Cancelled.
CheckResult check_scan(const Scan& scan, const CheckOptions& options = {}, const Hooks& hooks = {});

}  // namespace rayloom
