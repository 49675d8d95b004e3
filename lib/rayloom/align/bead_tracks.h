/// @file
/// Which shadows of successive views are one bead's.
#pragma once
#include <span>
#include <vector>

#include "rayloom/align/bead_shadows.h"

namespace rayloom {

struct TrackPoint {
  int view;
  BeadShadow shadow;
};

/// One bead's shadows in the order of views, or a stretch of them between two places where it was lost.
using BeadTrack = std::vector<TrackPoint>;

/// Joins shadows from view to view: each track is carried on linearly, and the nearest shadow of like size is its next;
/// up to three views may pass without one. Tracks of fewer than `least` shadows are dropped; so are shadows that are
/// not clear, once they have served to keep the track.
/// @param shadows  One list a view.  @param step_px  How far a shadow may move between two views.
/// @param bend_px  How far it may move beside a straight line at even speed.
std::vector<BeadTrack> join_tracks(std::span<const std::vector<BeadShadow>> shadows, double step_px, double bend_px,
                                   std::size_t least);

}  // namespace rayloom
