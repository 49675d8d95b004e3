/// @file
/// Scans of phantoms, in memory.
#pragma once
#include <span>
#include <vector>

#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/project_phantom.h"

namespace rayloom::test {

/// Exact line integrals through `rays` x `rays` rays a pixel, [view][row][column].
inline std::vector<float> project(const Geometry& g, const Phantom& phantom, int rays) {
  const std::size_t size = std::size_t(g.detector.columns) * std::size_t(g.detector.rows);
  std::vector<float> all(size * g.angles_rad.size());
  const auto mu = phantom.attenuations();
  for (std::size_t i = 0; i < g.angles_rad.size(); ++i)
    project_phantom(phantom, mu, g, g.angles_rad[i], {rays}, std::span(all).subspan(i * size, size));
  return all;
}

}  // namespace rayloom::test
