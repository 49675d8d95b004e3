// `rayloom align --beads`.
#include "rayloom/align/beads.h"

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "align_run.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/curve.h"
#include "rayloom/volume/picture.h"

namespace rayloom::tools {

namespace {

constexpr const char* bead_distance = "--bead-distance";

/// "MM" or "I,J,MM" with beads counted from 1.
BeadOptions options_from(const AlignArguments& given) {
  BeadOptions options;
  options.threads = given.threads;
  for (const std::string& text : given.bead_distances) {
    if (text.find(',') == std::string::npos) {
      if (options.farthest_mm)
        throw InvalidOption(std::string(bead_distance) + ": " + text + "; only one may be given without bead numbers");
      options.farthest_mm = parse_numbers(bead_distance, text, 1)[0];
      continue;
    }
    const std::vector<double> numbers = parse_numbers(bead_distance, text, 3);
    for (const double number : {numbers[0], numbers[1]})
      if (!(number >= 1 && number == std::floor(number) && number <= 1e6))
        throw InvalidOption(std::string(bead_distance) + ": " + text + "; beads must be whole numbers from 1");
    options.distances.push_back({std::size_t(numbers[0]) - 1, std::size_t(numbers[1]) - 1, numbers[2]});
  }
  return options;
}

bool belongs_to_beads(const std::string& name) {
  for (const char* own : {"scan.json", "beads.png", "beads.csv", "residuals.png", "residuals.csv"})
    if (name == own) return true;
  return false;
}

std::string row_of(std::initializer_list<double> values) {
  std::string row;
  for (const double value : values)
    row.append(row.empty() ? "" : ",").append(to_text(value, 7));
  return row + "\n";
}

/// The first view with a square about every bead that is used there.
void write_view(const std::filesystem::path& file, const Geometry& geometry, const LineIntegrals& integrals,
                const BeadAlignment& found) {
  Image view(geometry.detector.rows, geometry.detector.columns);
  integrals.read(0, 1, 0, view.rows, view.samples);
  PictureOptions options{.unit = "line integral", .title = "First view: beads that are used there", .right = "columns"};
  for (const FittedBead& bead : found.beads)
    for (std::size_t k = 0; k < bead.track.size(); ++k) {
      if (bead.track[k].view != 0 || !(bead.weight[k] > 0)) continue;
      const BeadShadow& shadow = bead.track[k].shadow;
      const double half = 1.5 * shadow.radius_px + 2, top = shadow.centre.row - half, bottom = shadow.centre.row + half,
                   left = shadow.centre.column - half, right = shadow.centre.column + half;
      options.lines.insert(options.lines.end(), {{top, left, top, right},
                                                 {bottom, left, bottom, right},
                                                 {top, left, bottom, left},
                                                 {top, right, bottom, right}});
    }
  write_picture(file, view, options);
}

void write_tables(const std::filesystem::path& folder, const BeadAlignment& found) {
  std::string beads = "bead,x_mm,y_mm,z_mm,radius_px,shadows,deviation_px\n";
  std::string residuals = "bead,view,row,column,row_off,column_off,used\n";
  std::vector<double> squares(found.geometry.angles_rad.size(), 0), counts = squares;
  double number = 0;
  for (const FittedBead& bead : found.beads) {
    ++number;
    beads += row_of({number, bead.position_mm.x(), bead.position_mm.y(), bead.position_mm.z(),
                     bead.track.front().shadow.radius_px, double(bead.track.size()), bead.deviation_px});
    for (std::size_t k = 0; k < bead.track.size(); ++k) {
      const TrackPoint& point = bead.track[k];
      const DetectorPosition& off = bead.residual[k];
      const bool used = bead.weight[k] > 0;
      residuals += row_of({number, double(point.view), point.shadow.centre.row, point.shadow.centre.column, off.row,
                           off.column, double(used)});
      if (!used) continue;
      squares[std::size_t(point.view)] += off.row * off.row + off.column * off.column;
      counts[std::size_t(point.view)] += 2;
    }
  }
  write_text_file(folder / "beads.csv", beads);
  write_text_file(folder / "residuals.csv", residuals);
  std::vector<double> by_view;
  for (std::size_t i = 0; i < squares.size(); ++i)
    if (counts[i] > 0) by_view.push_back(std::sqrt(squares[i] / counts[i]));
  write_curve(folder / "residuals.png", by_view,
              {.title = "Shadows off their orbits, RMS of each view", .unit = "pixels", .along = "view"});
}

}  // namespace

int align_beads(const Context& context, const AlignArguments& given) {
  const BeadOptions options = options_from(given);
  const Hooks hooks = context.hooks();
  AlignRun align_run(given, belongs_to_beads, hooks);
  const Geometry& before = align_run.scan().geometry;
  const BeadAlignment found = align_by_beads(before, align_run.input().source, options, hooks);

  const Detector& d = before.detector;
  nlohmann::ordered_json result = {{"scan", given.scan},
                                   {"measure", "orbits of beads (Noo et al. 2000), least squares"},
                                   {"beads", found.beads.size()},
                                   {"deviation_px", found.rms_px},
                                   {"farthest_mm", found.farthest.mm},
                                   {"alike_percent", 100 * found.alike}};
  std::string line = to_text(double(found.beads.size()));
  line.append(" beads; their shadows lie ").append(to_text(found.rms_px, 2)).append(" pixels off their orbits (RMS)");
  context.say(line);
  say(context, result, "axis_column", "pixels", found.axis_column, d.axis_column);
  say(context, result, "midplane_row", "pixels", found.midplane_row, d.midplane_row);
  say(context, result, "roll_deg", "degrees", found.roll_deg, degrees(d.roll_rad));
  say(context, result, "tilt_deg", "degrees", found.tilt_deg, degrees(d.tilt_rad));
  say(context, result, "slant_deg", "degrees", found.slant_deg, degrees(d.slant_rad));
  say(context, result, "source_to_detector_mm", "mm", found.sdd_mm, before.sdd_mm);
  say(context, result, "source_to_object_mm", "mm", found.sod_mm, before.sod_mm);
  line = "farthest apart: beads " + to_text(double(found.farthest.a + 1));
  line.append(" and ").append(to_text(double(found.farthest.b + 1))).append(" from the top, ");
  line.append(to_text(found.farthest.mm, 6)).append(" mm with this source_to_object_mm");
  context.say(line);
  bool any = false;
  for (const Estimate* one : {&found.axis_column, &found.midplane_row, &found.roll_deg, &found.tilt_deg,
                              &found.slant_deg, &found.sdd_mm, &found.sod_mm})
    any = any || one->determined;
  line = "by orbits of beads (Noo et al. 2000), least squares";
  context.say(any ? line + "; +- holds in at least 90 of 100 scans" : line);
  if (!given.output.empty()) {
    Scan aligned = align_run.scan();
    aligned.geometry = found.geometry;
    align_run.write(aligned, [&](const std::filesystem::path& folder) {
      write_view(folder / "beads.png", before, *align_run.input().integrals, found);
      write_tables(folder, found);
    });
    result["output"] = given.output;
  }
  context.result(result);
  return Exit::done;
}

}  // namespace rayloom::tools
