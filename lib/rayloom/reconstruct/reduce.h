/// @file
/// Quick looks: fewer, larger pixels and fewer views.
#pragma once
#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// The same scan with n x n pixels averaged into one (line integrals averaged; columns and rows left over at the right
/// and bottom edge are dropped). @throws InvalidOption if n < 1 or no pixel is left.
Geometry binned(const Geometry& geometry, int n);
ProjectionSource binned(const Geometry& full, const ProjectionSource& source, int n);

/// The same scan with views 0, n, 2n ... only. @throws InvalidOption if n < 1.
Geometry every(const Geometry& geometry, int n);
ProjectionSource every(const Geometry& full, const ProjectionSource& source, int n);

struct ReducedScan {
  Geometry geometry;
  ProjectionSource source;
};

/// Every nth view, of which `bin` x `bin` pixels are averaged into one.
ReducedScan reduced(const Geometry& full, const ProjectionSource& source, int nth, int bin);

}  // namespace rayloom
