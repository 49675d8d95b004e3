/// @file
/// The beam's level in each view, from where the part leaves the view's border free.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/prepare/beam_shapes.h"

namespace rayloom {

/// The beam in one view: its level, 1 being that of the open-beam images, and the weight of each shape.
struct ViewBeam {
  double level = 1;
  std::vector<double> weights;
};

/// The beam in one view of transmissions; nothing if the part leaves no border free. A band 1/50 of the width or height
/// deep and at least one pixel lies along each side (left and right only if there is one row), cut into 8 pieces where
/// it is long enough. Pieces whose median is within 2 % of the brightest piece's (5 % where shapes are fitted) are
/// part-free if they are 1/8 of all or more; their good samples within three standard deviations (from the median
/// absolute deviation; at least 1 %; 5 %) of their median count. To these is fitted by least squares
///
///     transmission = level (1 + scatter) + sum of weight times shape
///
/// with each weight held near 0 by a normal prior of 3 times its spread over the open-beam images, so that a border
/// that does not tell a shape leaves it alone. Levels outside 0.8 to 1.25 count as none.
std::optional<ViewBeam> beam_of(const Image& transmission, const std::vector<char>& bad, const BeamShapes& shapes,
                                const SmoothImage& scatter);

/// The beams of all views: those that lack one take it from the nearest views that have one, in proportion to distance.
/// @param problem  What is to be said of it: how many views lack one, and the first; empty if none does.
/// @return Empty if fewer than half of the views have one.
std::vector<ViewBeam> without_gaps(const std::vector<std::optional<ViewBeam>>& beams, std::string& problem);

}  // namespace rayloom
