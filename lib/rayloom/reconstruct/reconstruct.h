/// @file
/// The slab driver: views stream through weighting and filtering into a volume that need not fit in memory.
#pragma once
#include <array>
#include <functional>
#include <optional>
#include <span>

#include "rayloom/hooks.h"
#include "rayloom/reconstruct/beyond.h"
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

/// Share `index` of `count` of a volume's slices, for runs that share the work; index from 1.
struct Part {
  int index = 1, count = 1;
};

/// How filtered rows become slices.
enum class Method {
  direct,   ///< Back-projection voxel by voxel, linear between columns.
  gridding  ///< Through Fourier space, see gridding.h.
};
std::string to_string(Method method);

struct ReconstructOptions {
  FilterOptions filter{};
  std::optional<Method> method{};             ///< Default: gridding where it can be and pays, else direct.
  std::optional<Coverage> coverage{};         ///< Default: automatic_coverage.
  Beyond beyond{};                            ///< Of truncated rows; not for Window::none. Default: nothing.
  std::optional<std::size_t> memory_bytes{};  ///< Budget; default: half of what the machine has free.
  std::size_t reserved_bytes = 0;             ///< Of the budget, for what the caller holds meanwhile ..
  std::size_t reserved_bytes_a_slice = 0;     ///< .. and for each slice of a slab.
  std::optional<int> threads{};               ///< Default: all that OpenMP offers.
  Part part{};

  /// @throws InvalidOption naming the option, its value and what must hold.
  void validate() const;
};

/// Slices [first, first + count).
struct SliceRange {
  int first = 0, count = 0;
};

/// How a reconstruction will run, and what it covers.
struct ReconstructPlan {
  Grid grid;
  Method method = Method::direct;
  Redundancy redundancy;
  FieldOfView field;
  std::vector<SliceRange> slabs;  ///< In rising order; together this part's slices.
  std::size_t memory_bytes = 0;   ///< Most that slab, batches, buffers and what the caller reserved take together.
  std::size_t least_bytes = 0;    ///< The same for slabs of one slice.

  /// Shortens slabs, and drops those that are done, by the finished slices (non-zero, one a slice) at their ends.
  void leave_out(std::span<const char> finished);
};

/// Seconds by step. Preparing runs beside the other two, so that `total_s` is less than their sum.
struct ReconstructTimes {
  double prepare_s = 0;  ///< Reading, line integrals, weights, filter.
  double backproject_s = 0;
  double write_s = 0;
  double total_s = 0;
};

/// What a reconstruction will do, counted from its plan, and how long it may take.
struct ReconstructEstimate {
  double rows = 0;                           ///< Detector rows to read and filter, over all slabs and views.
  double updates = 0;                        ///< Voxel-view pairs within the field of view.
  double seconds = 0;                        ///< Without writing.
  double rows_per_s = 0, updates_per_s = 0;  ///< As measured.
};

/// Detector rows [first, first + count).
struct RowRange {
  int first = 0, count = 0;
};

/// The rows of stored views that a slab of `plan` draws on.
RowRange rows_read(const Geometry& geometry, const ReconstructPlan& plan, const ReconstructOptions& options,
                   const SliceRange& slab);

/// Receives slices in rising k, ny x nx values in 1/mm, row-major as Grid says.
using SliceSink = std::function<void(int k, std::span<const float> slice)>;

/// Half of what the system calls available.
std::size_t default_memory();

/// @throws InvalidOption if the memory does not suffice, naming how much does, what it is for, and what needs less.
void require_memory(std::size_t budget, std::size_t least, const std::string& purpose = "for one slice of this volume",
                    const std::string& what_helps = "fewer (--size) or larger voxels (--voxel) need less");

/// @throws InvalidOption as require_memory.
ReconstructPlan plan_reconstruction(const Geometry& geometry, const GridRequest& request,
                                    const ReconstructOptions& options);

/// Times one batch of views on a few slices in the middle of the plan's largest slab, and extrapolates.
/// @throws what `source` throws.
ReconstructEstimate estimate(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options);

/// Filtered back-projection: parallel, fan (Kak & Slaney 1988, ch. 3), cone beam (Feldkamp, Davis & Kress 1984, JOSA A
/// 1(6):612-619). A turned detector is resampled once onto the ideal one. The result does not depend on
/// threads, memory or parts. While a batch of views is back-projected or a slab handed to `sink`, the next batch is
/// read and filtered.
/// @throws Cancelled, and what `source` and `sink` throw.
ReconstructTimes reconstruct(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options, const SliceSink& sink, const Hooks& hooks = {});

/// The rows [first_row, +row_count) of one view as back-projection sees them: resampled, weighted (without the angle
/// step) and filtered, for looking at and for checks. @return row_count x (columns + 2) values in 1/mm, column -1
/// first.
std::vector<float> filtered_rows(const Geometry& geometry, const ProjectionSource& source, const FilterOptions& filter,
                                 int view, int first_row, int row_count);

}  // namespace rayloom
