/// @file
/// The axis at which a slice is sharpest, for half turns, in which no ray has an opposite one.
#pragma once
#include <vector>

#include "rayloom/align/align.h"
#include "rayloom/align/view_stack.h"

namespace rayloom {

/// Where slices made by filtered back-projection are least rough, found from trials: a wrong axis smears every edge of
/// a half turn's slice into a crescent. Roughness is the sum of gradient magnitudes (total variation) over the middle
/// of the slices. The deviation is that of the mean of four axes found from every fourth view.
/// @par Source  Donath, Beckmann & Schreyer 2006, JOSA A 23:1048-1057 (the extremum of an image measure gives the
///              axis); Rudin, Osher & Fatemi 1992, Physica D 60:259-268 (total variation). (from memory)
struct SharpestAxis {
  bool found = false;  ///< The least roughness lies inside the range of trials, and the part within the view.
  double axis_column = 0, deviation = 0;
};

/// @param stack  Parallel or fan beam; up to four of its rows are used. @param reach  Of trials about `start`, columns.
SharpestAxis sharpest_axis(const ViewStack& stack, double start, double reach, int threads);

}  // namespace rayloom
