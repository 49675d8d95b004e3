#include "rayloom/geometry/views.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numeric>

namespace rayloom {

namespace {

constexpr double same_angle_rad = 1e-9;  // closer angles are one

double wrapped(double angle, double period) {
  const double rest = std::fmod(angle, period);
  return rest < 0 ? rest + period : rest;
}

}  // namespace

ViewSet view_set(std::span<const double> angles_rad, double period_rad) {
  assert(!angles_rad.empty());
  const std::size_t n = angles_rad.size();
  std::vector<double> position(n);
  for (std::size_t i = 0; i < n; ++i) {
    position[i] = wrapped(angles_rad[i], period_rad);
    if (period_rad - position[i] < same_angle_rad) position[i] = 0;
  }
  std::vector<std::size_t> order(n);
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) { return position[a] < position[b]; });

  // Groups of views at one angle.
  std::vector<double> angle;
  std::vector<std::size_t> group(n), members;
  for (const std::size_t view : order) {
    if (angle.empty() || position[view] - angle.back() > same_angle_rad) {
      angle.push_back(position[view]);
      members.push_back(0);
    }
    group[view] = angle.size() - 1;
    ++members.back();
  }
  const std::size_t m = angle.size();
  std::vector<double> gap(m);  // from angle i to the next
  for (std::size_t i = 0; i < m; ++i)
    gap[i] = i + 1 < m ? angle[i + 1] - angle[i] : angle[0] + period_rad - angle[i];

  ViewSet set;
  set.period_rad = period_rad;
  set.distinct = m;
  set.weight_rad.resize(n);
  set.from_start_rad.resize(n);

  const std::size_t widest = std::size_t(std::max_element(gap.begin(), gap.end()) - gap.begin());
  // The median of the gaps inside the scan; a single view has none and is taken as an open scan of one degree.
  std::vector<double> inside = gap;
  inside.erase(inside.begin() + std::ptrdiff_t(widest));
  double median = radians(1);
  if (!inside.empty()) {
    std::nth_element(inside.begin(), inside.begin() + std::ptrdiff_t(inside.size() / 2), inside.end());
    median = inside[inside.size() / 2];
  }
  set.closed = m > 1 && gap[widest] <= std::max(radians(5), 10 * median);

  const std::size_t first = set.closed ? 0 : (widest + 1) % m;
  const double start_angle = set.closed ? angle[0] : angle[first] - median / 2;
  std::vector<double> weight(m), from_start(m);
  for (std::size_t i = 0; i < m; ++i) {
    const double before = !set.closed && i == first ? median : gap[(i + m - 1) % m];
    const double after = !set.closed && i == widest ? median : gap[i];
    weight[i] = (before + after) / 2;
    from_start[i] = wrapped(angle[i] - start_angle, period_rad);
  }
  set.start_rad = start_angle;
  set.arc_rad = std::accumulate(weight.begin(), weight.end(), 0.0);
  for (std::size_t view = 0; view < n; ++view) {
    set.weight_rad[view] = weight[group[view]] / double(members[group[view]]);
    set.from_start_rad[view] = from_start[group[view]];
  }
  return set;
}

Coverage automatic_coverage(const Geometry& geometry) {
  const Detector& d = geometry.detector;
  const double off_middle = std::abs(d.axis_column - (d.columns - 1) / 2.0);
  const bool off = off_middle > 0.1 * d.columns;
  return off && view_set(geometry.angles_rad, 2 * pi).closed ? Coverage::displaced : Coverage::symmetric;
}

ViewSet view_set(const Geometry& geometry, Coverage coverage) {
  const bool half_turn_suffices = geometry.beam == Beam::parallel && coverage == Coverage::symmetric;
  return view_set(geometry.angles_rad, half_turn_suffices ? pi : 2 * pi);
}

}  // namespace rayloom
