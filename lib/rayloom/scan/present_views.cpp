#include "rayloom/scan/present_views.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/view_inventory.h"

namespace rayloom {

namespace {

/// "0 to 99, 120, 130 to 199, .."
std::string runs_of(const std::vector<int>& views) {
  std::string text;
  int runs = 0;
  for (std::size_t i = 0; i < views.size();) {
    std::size_t end = i;
    while (end + 1 < views.size() && views[end + 1] == views[end] + 1)
      ++end;
    if (runs++ == 5) return text + ", ..";
    text += (i > 0 ? ", " : "") + std::to_string(views[i]) + (end > i ? " to " + std::to_string(views[end]) : "");
    i = end + 1;
  }
  return text;
}

/// Largest gap between neighbouring directions, degrees; parallel rays from both sides are one direction.
double largest_gap_deg(const Geometry& geometry) {
  const double period = geometry.beam == Beam::parallel ? 180 : 360;
  std::vector<double> angles;
  for (const double angle : geometry.angles_rad)
    angles.push_back(degrees(angle) - period * std::floor(degrees(angle) / period));
  std::ranges::sort(angles);
  double largest = angles.front() + period - angles.back();
  for (std::size_t i = 1; i < angles.size(); ++i)
    largest = std::max(largest, angles[i] - angles[i - 1]);
  return largest;
}

}  // namespace

PresentViews present_views(const Scan& scan, const Hooks& hooks) {
  const ViewInventory inventory(scan);
  const std::string field = scan.file.string() + ": images.projections: ";
  PresentViews present{scan, inventory.planned(), {}};
  for (const auto& [file, why] : inventory.unreadable())
    hooks.warn(std::string(field).append("left out, since it cannot be read: ").append(why));
  for (const int view : inventory.views())
    if (view < present.planned) present.views.push_back(view);
  const std::size_t count = present.views.size(), beyond = inventory.views().size() - count;
  if (count == 0)
    throw BadInput(field + "no image is one of the " + std::to_string(present.planned) +
                   " views; at least one must be");
  if (count > 0 && present.views.front() > 0 && present.views.back() < present.planned - 1)
    hooks.warn(std::string(field).append(
        "the first view is missing, and the last: the files' numbers are taken to count from 0. If they "
        "do not, the volume comes out turned"));

  Scan& there = present.scan;
  if (beyond > 0 || !inventory.unreadable().empty()) {
    const auto files = inventory.files();
    if (files.size() != inventory.views().size())
      throw BadInput(field + std::to_string(inventory.images()) + " images in " + std::to_string(files.size()) +
                     " files; must be one a file where some are to be left out");
    there.images.projections.clear();
    for (std::size_t i = 0; i < count; ++i) {
      const auto relative = files[i].lexically_relative(scan.folder());
      there.images.projections.push_back((relative.empty() ? files[i] : relative).string());
    }
    if (beyond > 0)
      hooks.warn(field + std::to_string(beyond) + (beyond == 1 ? " image" : " images") + " beyond the last of " +
                 std::to_string(present.planned) + " views, left out");
  }
  if (count == std::size_t(present.planned)) return present;

  there.views = {};
  there.views.count = int(count);
  there.geometry = with_views(scan.geometry, present.views);
  for (const int view : present.views) {
    there.views.angles_deg.push_back(degrees(scan.geometry.angles_rad[std::size_t(view)]));
    there.view_times.push_back((float(view) + 0.5F) / float(present.planned));
  }
  if (scan.images.open_level.size() > 1) {
    there.images.open_level.clear();
    for (const int view : present.views)
      there.images.open_level.push_back(scan.images.open_level[std::size_t(view)]);
  }
  hooks.warn(field + std::to_string(count) + " of " + std::to_string(present.planned) +
             " views are there: " + runs_of(present.views) + "; the noise is " +
             to_text(std::sqrt(double(present.planned) / double(count)), 3) +
             " times that of the whole scan, and the largest gap between views " +
             to_text(largest_gap_deg(there.geometry), 4) + " degrees instead of " +
             to_text(largest_gap_deg(scan.geometry), 4));
  return present;
}

}  // namespace rayloom
