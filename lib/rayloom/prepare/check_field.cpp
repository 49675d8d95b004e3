// What is in view: the part's edges, and a region that must stay in view over the whole turn.
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom::check_parts {

namespace {

double angle_of(const Check& check, int view) {
  const auto& angles = check.scan.geometry.angles_rad;
  return degrees(angles[std::size_t(std::clamp(view, 0, int(angles.size()) - 1))]);
}

/// "from 10 to 35 degrees, from 190 to 215 degrees": runs of neighbouring images.
std::string arcs_of(const Check& check, const std::vector<int>& images) {
  const auto view_of = [&](int image) { return check.survey.records[std::size_t(image)].view; };
  if (images.size() == check.images()) return "at every angle";
  std::string text;
  int runs = 0;
  for (std::size_t i = 0; i < images.size(); ++runs) {
    std::size_t end = i + 1;
    while (end < images.size() && images[end] <= images[end - 1] + 3)
      ++end;
    if (runs == 4) return text + ", and at other angles";
    text += (runs > 0 ? ", " : "") + std::string("from ") + to_text(angle_of(check, view_of(images[i])), 4) + " to " +
            to_text(angle_of(check, view_of(images[end - 1])), 4) + " degrees";
    i = end;
  }
  return text;
}

void check_edges(Check& check) {
  const Geometry& geometry = check.scan.geometry;
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  const bool displaced = automatic_coverage(geometry) == Coverage::displaced;
  const bool left_is_short = geometry.detector.axis_column < (columns - 1) / 2.0;
  const Sides& continued = check.options.continued;
  const struct {
    const char* name;
    int ViewRecord::*blocked;
    int least;     // as many pixels along the edge or more, so that a bad row makes no finding
    bool allowed;  // the part may leave here, or another tile sees on
    const char* other;
  } sides[] = {
      {"left", &ViewRecord::left_rows, std::min(2, rows), continued.left || (displaced && left_is_short), "columns"},
      {"right", &ViewRecord::right_rows, std::min(2, rows), continued.right || (displaced && !left_is_short),
       "columns"},
      {"top", &ViewRecord::top_columns, std::max(2, columns / 100), continued.top, "rows"},
      {"bottom", &ViewRecord::bottom_columns, std::max(2, columns / 100), continued.bottom, "rows"}};
  for (const auto& [name, blocked, least, allowed, other] : sides) {
    const bool end = other == std::string("rows");
    if (end && rows < 4) continue;  // every slice is its own
    std::vector<int> images;
    int most = 0;
    for (std::size_t i = 0; i < check.images(); ++i) {
      if (!check.usable(i)) continue;
      const int there = check.survey.records[i].*blocked;
      if (there < least) continue;
      images.push_back(int(i));
      most = std::max(most, there);
    }
    if (images.empty() || allowed) continue;
    Finding& finding = check.add(
        end ? Severity::note : Severity::serious, "part leaves the view",
        std::string("on the ") + name + ", " + arcs_of(check, images) + ", across up to " + std::to_string(most) +
            (end ? " columns" : " rows"),
        end ? "slices beyond are not complete"
            : "move the part nearer to the axis or to the detector, or scan with a displaced detector or tiles");
    for (const int image : images)
      finding.views.push_back(check.survey.records[std::size_t(image)].view);
    measure(finding, most, least - 1, end ? "columns" : "rows");
  }
}

/// How far the ball reaches beyond the detector's edges in a view, in pixels; negative if it stays within. Fan and
/// parallel beam see the ball's slice in each row, so the ball's full width counts and its height in rows.
struct Reach {
  double left, right, top, bottom;
};

Reach reach_of(const Geometry& geometry, const Pose& pose, const Region& region) {
  const Detector& detector = geometry.detector;
  const ViewFrame frame(pose.angle_rad);
  const Vec3 centre = region.centre_mm + pose.moved_mm;
  const double u = centre.dot(frame.e_u), depth = centre.dot(frame.n), z = centre.z(), r = region.radius_mm;
  // The ball's extent across and upwards as ray slopes (u/distance): tangents from the source in the plane of the
  // source and e_u, and of the source and e_v.
  double left = u - r, right = u + r, low = z - r, high = z + r;
  if (geometry.beam != Beam::parallel) {
    const double distance = geometry.sod_mm + depth;
    const auto tangents = [&](double across, double& from, double& to) {
      const double length = std::hypot(distance, across);
      if (distance <= 0 || length <= r) {
        from = -INFINITY;
        to = INFINITY;
        return;
      }
      const double middle = std::atan2(across, distance), half = std::asin(r / length);
      const auto place = [&](double angle) {
        if (detector.shape == DetectorShape::arc) return geometry.sdd_mm * angle;
        return std::abs(angle) < pi / 2 ? geometry.sdd_mm * std::tan(angle) : std::copysign(INFINITY, angle);
      };
      from = place(middle - half);
      to = place(middle + half);
    };
    tangents(u, left, right);
    if (geometry.beam == Beam::cone) {
      // Seen obliquely across, heights are stretched by no more than 1/cos of the fan angle.
      tangents(z, low, high);
      const double stretch = std::hypot(distance, std::max(std::abs(u - r), std::abs(u + r))) / distance;
      low *= low < 0 ? stretch : 1;
      high *= high > 0 ? stretch : 1;
    }
  }
  const double row_pitch = detector.row_pitch_mm > 0 ? detector.row_pitch_mm : detector.column_pitch_mm;
  Reach reach{};
  reach.left = -0.5 - (detector.axis_column + left / detector.column_pitch_mm);
  reach.right = detector.axis_column + right / detector.column_pitch_mm - (detector.columns - 0.5);
  reach.top = -0.5 - (detector.midplane_row - high / row_pitch);
  reach.bottom = detector.midplane_row - low / row_pitch - (detector.rows - 0.5);
  return reach;
}

void check_region(Check& check) {
  if (!check.options.region) return;
  const Region& region = *check.options.region;
  const Geometry& geometry = check.scan.geometry;
  double worst = -INFINITY;
  std::vector<int> views;
  const char* worst_side = "";
  for (std::size_t view = 0; view < geometry.angles_rad.size(); ++view) {
    const Reach reach = reach_of(geometry, geometry.pose(view), region);
    const std::pair<double, const char*> sides[] = {
        {reach.left, "left"}, {reach.right, "right"}, {reach.top, "top"}, {reach.bottom, "bottom"}};
    bool out = false;
    for (const auto& [beyond, name] : sides) {
      if (geometry.detector.rows == 1 && (name == std::string("top") || name == std::string("bottom"))) continue;
      out |= beyond > 0;
      if (beyond > worst) {
        worst = beyond;
        worst_side = name;
      }
    }
    if (out) views.push_back(int(view));
  }
  const std::string size = geometry.detector.turned() ? " (turns of the detector left out)" : "";
  Finding& finding = views.empty()
                         ? check.add(Severity::note, "region",
                                     "it stays in view over the whole scan, nearest to the " + std::string(worst_side) +
                                         " edge by " + to_text(-worst, 3) + " pixels" + size)
                         : check.add(Severity::serious, "region",
                                     "it leaves the view on the " + std::string(worst_side) + " by up to " +
                                         to_text(worst, 3) + " pixels in " + list_of(views) + size,
                                     "move it nearer to the axis, or lower the magnification");
  finding.views = views;
  measure(finding, worst, 0, "pixels");
}

}  // namespace

void check_field(Check& check) {
  check_edges(check);
  check_region(check);
}

}  // namespace rayloom::check_parts
