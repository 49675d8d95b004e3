/// @file
/// What the ways of finding a geometry have in common.
#pragma once

namespace rayloom {

/// Columns and views that are used: the noise of so many rays is far below what is asked.
inline constexpr int most_columns_used = 512, most_views_used = 1440;
/// Standard deviations of an uncertainty: two, and half as much for what they leave out: interpolation.
inline constexpr double deviations_stated = 3;
inline constexpr double pixels_known = 1;  ///< A place less certain is not determined.

}  // namespace rayloom
