#include "rayloom/align/bead_tracks.h"

#include <algorithm>
#include <cmath>
#include <tuple>

#include "rayloom/prepare/median.h"

namespace rayloom {

namespace {

constexpr int most_missing = 3;      // views
constexpr double alike_radii = 1.5;  // ratio of radii from one view to the next
constexpr double like_own = 1.4;     // ratio of a shadow's spread to the median of its track

bool like(const BeadShadow& a, const BeadShadow& b) {
  return a.radius_px < alike_radii * b.radius_px && b.radius_px < alike_radii * a.radius_px;
}

DetectorPosition carried_on(const BeadTrack& track, int view) {
  const TrackPoint &last = track.back(), &before = track[track.size() - 2];
  const double t = double(view - last.view) / (last.view - before.view);
  return {last.shadow.centre.row + t * (last.shadow.centre.row - before.shadow.centre.row),
          last.shadow.centre.column + t * (last.shadow.centre.column - before.shadow.centre.column)};
}

/// Shadows that are clear and as large as most of the track.
BeadTrack usable(const BeadTrack& track) {
  std::vector<float> spreads;
  for (const TrackPoint& point : track)
    if (point.shadow.clear) spreads.push_back(float(point.shadow.column_spread_px2 + point.shadow.row_spread_px2));
  BeadTrack kept;
  if (spreads.empty()) return kept;
  const double usual = double(middle_of(spreads));
  for (const TrackPoint& point : track) {
    const double spread = point.shadow.column_spread_px2 + point.shadow.row_spread_px2;
    if (point.shadow.clear && spread < like_own * usual && usual < like_own * spread) kept.push_back(point);
  }
  return kept;
}

}  // namespace

std::vector<BeadTrack> join_tracks(std::span<const std::vector<BeadShadow>> shadows, double step_px, double bend_px,
                                   std::size_t least) {
  std::vector<BeadTrack> open, done;
  const auto close = [&](const BeadTrack& track) {
    if (BeadTrack kept = usable(track); kept.size() >= least) done.push_back(std::move(kept));
  };
  for (int view = 0; view < int(shadows.size()); ++view) {
    const std::vector<BeadShadow>& here = shadows[std::size_t(view)];
    // Longer tracks choose first, since a track of two may be a mistake; then the nearest.
    std::vector<std::tuple<bool, double, std::size_t, std::size_t>> choices;
    for (std::size_t t = 0; t < open.size(); ++t)
      for (std::size_t s = 0; s < here.size(); ++s) {
        const double missing = view - open[t].back().view;
        const double off = distance_px(carried_on(open[t], view), here[s].centre);
        if (off <= bend_px * missing * (missing + 1) / 2 + 1 && like(open[t].back().shadow, here[s]))
          choices.emplace_back(open[t].size() < 3, off, t, s);
      }
    std::sort(choices.begin(), choices.end());
    std::vector<bool> taken(here.size(), false), carried(open.size(), false);
    for (const auto& choice : choices) {
      const std::size_t t = std::get<2>(choice), s = std::get<3>(choice);
      if (taken[s] || carried[t]) continue;
      taken[s] = carried[t] = true;
      open[t].push_back({view, here[s]});
    }
    std::vector<BeadTrack> next;
    for (std::size_t t = 0; t < open.size(); ++t) {
      const int missing = view - open[t].back().view;
      if (missing <= (open[t].size() < 3 ? 0 : most_missing))
        next.push_back(std::move(open[t]));
      else
        close(open[t]);
    }
    // What no track took may begin one with any shadow of the view before that is near enough.
    if (view > 0)
      for (std::size_t s = 0; s < here.size(); ++s)
        for (const BeadShadow& before : shadows[std::size_t(view) - 1])
          if (!taken[s] && like(before, here[s]) && distance_px(before.centre, here[s].centre) <= step_px)
            next.push_back({{view - 1, before}, {view, here[s]}});
    open = std::move(next);
  }
  for (const BeadTrack& track : open)
    close(track);
  return done;
}

}  // namespace rayloom
