/// @file
/// Tall parts: turns at several heights of the part, reconstructed on one grid and blended.
///
///          turn 0, part raised by h0          turn 1, part raised by h1
///     z  |   o  source's plane: z = -h0    |
///        |                                 |   o  source's plane: z = -h1
#pragma once
#include <span>
#include <vector>

#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/reconstruct/turn_heights.h"

namespace rayloom {

/// One turn. What lies at height z of the part lies at z + raised_mm before the detector.
struct Turn {
  Geometry geometry;
  ProjectionSource source;
  ReconstructOptions options;
  double raised_mm = 0;
};

/// The same grid for every turn, and a plan for each in its own frame.
struct TurnsPlan {
  Grid grid;  ///< In the part's frame.
  /// Of each turn in its own frame, with the grid raised; nothing where it does not count in any slice.
  std::vector<std::optional<ReconstructPlan>> turns;
  std::vector<FieldOfView> fields;  ///< Of each turn in its own frame.
  FieldOfView field;                ///< Heights of the part that every view of some turn sees, and the least radius.
  std::vector<SliceRange> slabs;    ///< For all turns.
  std::size_t memory_bytes = 0;     ///< Most that a turn's slab and the blended one take together.
};

/// The grid asked for, by default all heights that some turn sees from all sides. All turns have the memory budget of
/// the first.
/// @throws InvalidOption if turns leave a gap between their heights, or as plan_reconstruction.
TurnsPlan plan_turns(std::span<const Turn> turns, const GridRequest& request);

/// How much each turn counts at height z of the part; the sum is 1. At height h above the source's plane its rays are
/// the flatter the less |h|; with H the height up to which every view sees the whole field on that side,
///
///     weight  (1 - |h|/H)^4,  0 beyond H
///
/// The power was chosen on stacks of discs: 2 leaves three times the error in a turn's plane, and noise gains little.
/// Where no turn reaches, the one whose field ends nearest counts alone.
/// @param fields  Of the turns, each in its own frame.
std::vector<double> turn_weights(std::span<const FieldOfView> fields, std::span<const Turn> turns, double z_mm);

struct ReconstructedTurns {
  ReconstructTimes times;
  std::vector<HeightMismatch> mismatches;  ///< Turns that show the part at unlike heights.
};

/// Reconstructs slab by slab, each turn that counts there after the other, and hands on the blended slices.
/// @throws as reconstruct.
ReconstructedTurns reconstruct_turns(std::span<const Turn> turns, const TurnsPlan& plan, const SliceSink& sink,
                                     const Hooks& hooks = {});

}  // namespace rayloom
