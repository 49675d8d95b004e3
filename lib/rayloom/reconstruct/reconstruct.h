/// @file
/// The slab driver: views stream through weighting and filtering into a volume that need not fit in memory.
#pragma once
#include <array>
#include <functional>
#include <optional>
#include <span>

#include "rayloom/hooks.h"
#include "rayloom/reconstruct/filter.h"
#include "rayloom/reconstruct/weights.h"

namespace rayloom {

/// Where line integrals come from. `read(first_view, view_count, first_row, row_count, out)` fills [view][row][column];
/// it is called from several threads at once.
struct ProjectionSource {
  std::function<void(int first_view, int view_count, int first_row, int row_count, std::span<float> out)> read;
  /// Which shape of block is cheapest to read.
  enum class Stored { by_view, by_row } stored = Stored::by_view;
};

/// Line integrals in memory, [view][row][column], kept by the caller.
ProjectionSource from_memory(const Geometry& geometry, std::span<const float> line_integrals);

/// What the user asks of the grid; the rest follows from the field of view.
struct GridRequest {
  std::optional<double> voxel_mm{};          ///< Default: the virtual pixel, pitch / magnification.
  std::optional<std::array<int, 3>> size{};  ///< Default: the field of view.
  std::optional<Vec3> centre_mm{};           ///< Default: the origin; without a size, the middle of the field of view.
  std::optional<double> slice_mm{};          ///< One slice at this height.
};

/// @throws InvalidOption for an impossible request, or if no voxel lies in the field of view.
Grid choose_grid(const Geometry& geometry, const FieldOfView& field, const GridRequest& request);

struct ReconstructOptions {
  FilterOptions filter{};
  std::optional<Coverage> coverage{};         ///< Default: automatic_coverage.
  std::optional<std::size_t> memory_bytes{};  ///< Budget; default: half of what the machine has free.
  std::optional<int> threads{};               ///< Default: all that OpenMP offers.

  /// @throws InvalidOption naming the option, its value and what must hold.
  void validate() const;
};

/// How a reconstruction will run, and what it covers.
struct ReconstructPlan {
  Grid grid;
  Redundancy redundancy;
  FieldOfView field;
  int slab_slices = 0, slabs = 0;
  std::size_t memory_bytes = 0;  ///< Most that slab, batches and row buffers take together.
};

/// Seconds by step, of the calling thread's clock.
struct ReconstructTimes {
  double prepare_s = 0;  ///< Reading, line integrals, weights, filter.
  double backproject_s = 0;
  double write_s = 0;
};

/// Receives slices in rising k, ny x nx values in 1/mm, row-major as Grid says.
using SliceSink = std::function<void(int k, std::span<const float> slice)>;

/// @throws InvalidOption if the memory does not suffice for one slice, naming how much does.
ReconstructPlan plan_reconstruction(const Geometry& geometry, const GridRequest& request,
                                    const ReconstructOptions& options);

/// Filtered back-projection: parallel, fan (Kak & Slaney 1988, ch. 3), cone beam (Feldkamp, Davis & Kress 1984, JOSA A
/// 1(6):612-619). A turned detector is resampled once onto the ideal one. The result does not depend on threads or
/// memory.
/// @throws Cancelled, and what `source` and `sink` throw.
ReconstructTimes reconstruct(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options, const SliceSink& sink, const Hooks& hooks = {});

/// The rows [first_row, +row_count) of one view as back-projection sees them: resampled, weighted (without the angle
/// step) and filtered, for looking at and for checks. @return row_count x (columns + 2) values in 1/mm, column -1
/// first.
std::vector<float> filtered_rows(const Geometry& geometry, const ProjectionSource& source, const FilterOptions& filter,
                                 int view, int first_row, int row_count);

}  // namespace rayloom
