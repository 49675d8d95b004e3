/// @file
/// The beam's level in each view, from where the part leaves the view's border free.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

/// Level of the beam in one view of transmissions, 1 being that of the open-beam images; nothing if the part leaves no
/// border free. A band 1/50 of the width or height deep and at least one pixel lies along each side (left and right
/// only if there is one row), cut into 8 pieces where it is long enough. Pieces whose median is within 2 % of the
/// brightest piece's are part-free if they are 1/8 of all or more and lie between 0.8 and 1.25; the level is the mean
/// of their good samples within three standard deviations (from the median absolute deviation; at least 1 %) of their
/// median.
std::optional<double> part_free_level(const Image& transmission, const std::vector<char>& bad);

/// Levels of all views: those that lack one take it from the nearest views that have one, in proportion to distance.
/// @param problem  What is to be said of it: how many views lack one, and the first; empty if none does.
/// @return Empty if fewer than half of the views have one.
std::vector<double> without_gaps(const std::vector<std::optional<double>>& levels, std::string& problem);

}  // namespace rayloom
