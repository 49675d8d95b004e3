/// @file
/// Line integrals read once and kept, for several reconstructions from the same rows.
#pragma once
#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// The least range that holds both; an empty one adds nothing.
RowRange joined(RowRange a, RowRange b);

/// Bytes that `held_in_memory` keeps.
std::size_t bytes_of(const Geometry& geometry, RowRange rows);

/// Reads these rows of all views at once, in parallel, and answers from memory. @throws what `source` throws, at once;
/// InvalidOption when rows beside these are asked for.
ProjectionSource held_in_memory(const Geometry& geometry, const ProjectionSource& source, RowRange rows, int threads);

}  // namespace rayloom
