/// @file
/// The median that looking at images needs all the time.
#pragma once
#include <algorithm>
#include <cstddef>
#include <vector>

namespace rayloom {

/// The value of rank n/2, counted from 0, of n > 0. Puts the values in another order.
inline float middle_of(std::vector<float>& values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The same of a copy.
inline float median(std::vector<float> values) {
  return middle_of(values);
}

}  // namespace rayloom
