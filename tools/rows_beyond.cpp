// reconstruct: rows that the part sticks out of are continued, or completed from an overview.
#include "rows_beyond.h"

#include <cmath>
#include <filesystem>

#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"

namespace rayloom::tools {

namespace {

// An overview beyond these is of something else (common practice).
constexpr double most_difference = 0.4, least_scale = 0.5;
// One of the same part fits within these.
constexpr double fitting_scale = 0.05, most_voxels_off = 3;

/// Of the rows that a volume was made from: how many the part stuck out of, by its volume.json.
double share_cut_off(const nlohmann::json& record) {
  const nlohmann::json rows = record.value("/reconstruction/truncated_rows"_json_pointer, nlohmann::json::object());
  if (!rows.is_object() || !rows.contains("method") || rows["method"] != "continued") return 0;
  double share = 0;
  for (const char* side : {"left_share", "right_share"})
    if (rows.contains(side) && rows[side].is_number()) share = std::max(share, rows[side].get<double>());
  return share;
}

/// What shows like a wrong value, too.
std::string shows_alike(const std::string& key) {
  if (key == "source_to_object_mm") return " (a wrong source_to_detector_mm or pixel pitch shows alike)";
  if (key == "views.first_deg") return " (a wrong arc_deg shows alike)";
  return "";
}

}  // namespace

bool continues_rows(const ReconstructArguments& given) {
  if (given.truncated != "continue" && given.truncated != "as-is")
    throw InvalidOption("--truncated: '" + given.truncated + "'; must be continue or as-is");
  return given.truncated == "continue";
}

Beyond RowsBeyond::of(const Geometry& geometry, const ReconstructOptions& options) const {
  if (overview) return surrounded(overview, geometry, options.coverage.value_or(automatic_coverage(geometry)));
  return continues ? continued(geometry, truncation) : Beyond{};
}

nlohmann::ordered_json RowsBeyond::record(const ReconstructArguments& given, const Geometry& geometry,
                                          const Beyond& beyond) const {
  if (!overview && !continues) return {{"method", "as they are"}};
  if (!overview)
    return {{"method", truncation.any() ? "continued" : "none"},
            {"left_share", truncation.left_share},
            {"right_share", truncation.right_share}};
  return {{"method", "from an overview"},
          {"overview", std::filesystem::absolute(given.surround).lexically_normal().string()},
          {"overview_shifted_mm", {fit.shift_mm.x(), fit.shift_mm.y(), fit.shift_mm.z()}},
          {"overview_scaled", fit.scale},
          {"difference_before", fit.error_before},
          {"difference_after", fit.error_after},
          {"columns_measured", geometry.detector.columns},
          {"columns_supplied_each_side", beyond.columns}};
}

RowsBeyond rows_beyond(const Context& context, const ReconstructArguments& given, const Scan& scan, const Input& input,
                       const ReconstructOptions& options, const Hooks& hooks) {
  RowsBeyond rows;
  if (given.surround.empty()) {
    rows.continues = continues_rows(given) && options.filter.window != Window::none;
    if (rows.continues) rows.truncation = look_for_truncation(input.geometry, input.source, options);
    if (rows.truncation.any())
      hooks.warn(
          "the part leaves the view on the left in " + to_text(100 * rows.truncation.left_share, 3) +
          " % and on the right in " + to_text(100 * rows.truncation.right_share, 3) +
          " % of the rows looked at; these are continued to where the part may end, so that values may be off by " +
          (rows.truncation.much_wider()
               ? "a fifth if it is twice as wide as the view, by three fifths if three times as wide"
               : "a fifth and by a third at the rim") +
          ", of hollow parts by more (--surround gives them right)" +
          (rows.truncation.faint() && !given.corrections.drift
               ? "; but these rows end little above air, as they do if the beam's level drifts or flickers: does it "
                 "say so with --drift, too?"
               : ""));
    input.integrals->count_anew();
    return rows;
  }
  const StoredVolume stored(given.surround);
  const double cut_off = share_cut_off(stored.record());
  const Volume overview = read_overview(stored, scan.part_moved_mm);
  rows.fit = fit_surround(overview, input.geometry, input.source, thread_count(given.threads));
  rows.overview = std::make_shared<Surroundings>(fitted(overview, rows.fit, input.geometry));
  if (rows.overview->reach_mm == 0)
    throw InvalidOption("--surround: " + given.surround + " is zero everywhere; must hold the whole part");
  const Coverage coverage = options.coverage.value_or(automatic_coverage(input.geometry));
  if (rows.overview->outermost_mm <= field_of_view(input.geometry, coverage).radius_mm)
    throw InvalidOption("--surround: " + given.surround + " lies within the field of view; must reach beyond it");
  rows.shifted_voxels = rows.fit.shift_mm.norm() / overview.grid.voxel_mm;
  const std::string found = "shifted by " + to_text(rows.fit.shift_mm.norm(), 3) + " mm (" +
                            to_text(rows.shifted_voxels, 2) + " voxels) and scaled by " + to_text(rows.fit.scale, 4) +
                            ", its projections differ from the measured rows by " +
                            to_text(std::round(1000 * rows.fit.error_after) / 10) + " %";
  std::string question = "is it the same part, and does part_moved_mm of both scans say where it stood?";
  const auto& better = rows.fit.better;
  const bool explained = cut_off == 0 && (better || rows.fit.turned_otherwise);
  if (cut_off > 0)
    hooks.warn("--surround: " + given.surround + " is itself cut off: the part left the view in " +
               to_text(100 * cut_off, 3) +
               " % of the rows it was made from, so that values in the region may be off by a fifth; it must be an "
               "overview of the whole part");
  else if (better)
    question = "the rows of " + given.scan + " would fit clearly better with " + better->key + " " +
               to_text(better->better, 5) + " than with " + to_text(better->said, 6) + shows_alike(better->key) +
               "; if it is wrong in one of the two scan files, mend it there and run again";
  else if (rows.fit.turned_otherwise)
    question = "the rows of " + given.scan +
               " would fit clearly better if the part turned the other way: is the sign of views.arc_deg, or of the "
               "angles listed, right in both scan files?";
  if (rows.fit.error_after > most_difference || !(rows.fit.scale > least_scale && rows.fit.scale < 1 / least_scale))
    throw InvalidOption("--surround: " + given.surround + ": " + found + "; must differ by at most " +
                            to_text(100 * most_difference) + " % at a scale between " + to_text(least_scale) + " and " +
                            to_text(1 / least_scale),
                        question);
  context.note("overview: " + found);
  if (rows.fit.doubtful() || rows.shifted_voxels > most_voxels_off || explained)
    hooks.warn("--surround: " + found + "; " + question);
  if (std::abs(rows.fit.scale - 1) > fitting_scale)
    hooks.warn("--surround: the values of " + given.surround + " differ by " +
               to_text(std::round(1000 * std::abs(rows.fit.scale - 1)) / 10) + " % from what the rows of " +
               given.scan + " measured, and were multiplied by " + to_text(rows.fit.scale, 3) + "; should be within " +
               to_text(100 * fitting_scale) +
               " %: is source_to_object_mm of both right, and were both taken at the same voltage and corrected alike? "
               "Metal beyond the region's view hardens its beam, too");
  input.integrals->count_anew();
  return rows;
}

}  // namespace rayloom::tools
