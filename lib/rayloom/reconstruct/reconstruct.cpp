#include "rayloom/reconstruct/reconstruct.h"

#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <fstream>
#include <string>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/filter_stage.h"

namespace rayloom {

namespace {

/// Half of what the system calls available.
std::size_t default_memory() {
  std::ifstream meminfo("/proc/meminfo");
  for (std::string key; meminfo >> key;)
    if (std::size_t kib = 0; key == "MemAvailable:" && meminfo >> kib) return kib * 1024 / 2;
  return std::size_t(sysconf(_SC_PHYS_PAGES)) * std::size_t(sysconf(_SC_PAGESIZE)) / 4;
}

std::string in_mib(std::size_t bytes) {
  return std::to_string((bytes + (1 << 20) - 1) >> 20) + "M";
}

class Stopwatch {
 public:
  double lap() {
    const auto now = std::chrono::steady_clock::now();
    const double seconds = std::chrono::duration<double>(now - last_).count();
    last_ = now;
    return seconds;
  }

 private:
  std::chrono::steady_clock::time_point last_ = std::chrono::steady_clock::now();
};

/// Everything that reconstructing slabs of `slices` slices holds at once.
std::size_t bytes_needed(const FilterStage& stage, const Grid& grid, double radius_mm, int slices, int threads) {
  std::size_t most = 0;
  for (int first = 0; first < grid.nz; first += slices) {
    const int count = std::min(slices, grid.nz - first);
    const auto [line0, line1] = lines_needed(stage.ideal(), grid, radius_mm, first, count);
    const auto [row0, row1] = stage.stored_rows(grid, line0, line1);
    most = std::max(most,
                    Slab::bytes(grid, first, count) +
                        ViewBatch::bytes(stage.ideal().beam, stage.ideal().detector.columns, line0, line1 - line0 + 1) +
                        stage.scratch_bytes(row1 - row0 + 1, threads));
  }
  const std::size_t slice = std::size_t(grid.nx) * std::size_t(grid.ny) * sizeof(float);
  return most + slice;
}

/// nx x ny image of slice k, y downwards, from the slab's columns.
void copy_slice(const Slab& slab, int k, int threads, std::vector<float>& slice) {
  const std::size_t offset = std::size_t(k - slab.base_slice), count = slice.size();
#pragma omp parallel for schedule(static) num_threads(threads)
  for (std::size_t i = 0; i < count; ++i)
    slice[i] = slab.samples[i * slab.stride + offset];
}

}  // namespace

ProjectionSource from_memory(const Geometry& geometry, std::span<const float> line_integrals) {
  const std::size_t columns = std::size_t(geometry.detector.columns), rows = std::size_t(geometry.detector.rows);
  if (line_integrals.size() != geometry.angles_rad.size() * rows * columns)
    throw InvalidOption(
        "line_integrals: " + std::to_string(line_integrals.size()) +
        " values; must be views x rows x columns = " + std::to_string(geometry.angles_rad.size() * rows * columns));
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            const std::size_t block = std::size_t(row_count) * columns;
            for (std::size_t v = 0; v < std::size_t(view_count); ++v)
              std::copy_n(line_integrals.begin() +
                              std::ptrdiff_t(((std::size_t(first_view) + v) * rows + std::size_t(first_row)) * columns),
                          block, out.begin() + std::ptrdiff_t(v * block));
          },
          ProjectionSource::Stored::by_view};
}

Grid choose_grid(const Geometry& geometry, const FieldOfView& field, const GridRequest& request) {
  if (!(field.radius_mm > 0))
    throw InvalidOption("detector.axis_column: " + to_text(geometry.detector.axis_column) +
                            "; must lie on the detector, or no field of view is left",
                        "for a detector beside the axis, turn the part by 360 degrees and use --coverage displaced");
  Grid grid = default_grid(geometry, field);
  if (request.voxel_mm) {
    if (!(*request.voxel_mm > 0) || !std::isfinite(*request.voxel_mm))
      throw InvalidOption("voxel: " + to_text(*request.voxel_mm) + " mm; must be above 0");
    const double ratio = grid.voxel_mm / *request.voxel_mm;
    const double across = 2 * field.radius_mm / *request.voxel_mm;
    if (across * std::max(1.0, grid.nz * ratio) > 1e9)
      throw InvalidOption("voxel: " + to_text(*request.voxel_mm) + " mm; is too small for a field of view of " +
                          to_text(2 * field.radius_mm) + " mm");
    grid.voxel_mm = *request.voxel_mm;
    grid.nx = grid.ny = std::max(1, int(std::ceil(across - 1e-6)));
    if (geometry.detector.rows > 1)
      grid.nz = std::max(1, int(std::floor((field.z_high_mm - field.z_low_mm) / grid.voxel_mm + 1e-6)));
  }
  if (request.size) {
    std::tie(grid.nx, grid.ny, grid.nz) = std::tie((*request.size)[0], (*request.size)[1], (*request.size)[2]);
    if (geometry.detector.rows == 1 && grid.nz != 1)
      throw InvalidOption("size: " + std::to_string(grid.nz) + " slices; must be 1, since the detector has one row");
    if (!request.centre_mm) grid.centre_mm = Vec3::Zero();
    if (geometry.detector.rows == 1 && !request.centre_mm) grid.centre_mm.z() = (field.z_high_mm + field.z_low_mm) / 2;
  }
  if (request.centre_mm) grid.centre_mm = *request.centre_mm;
  if (request.slice_mm) {
    if (request.size && grid.nz != 1)
      throw InvalidOption("size: " + std::to_string(grid.nz) + " slices; must be 1 together with one slice");
    grid.nz = 1;
    grid.centre_mm.z() = *request.slice_mm;
  }
  grid.validate();

  // The voxel nearest to the axis decides whether the cylinder is touched at all.
  const auto lattice_nearest = [&](double first, double step, int n) {
    if (n == 1) return std::abs(first);
    const double i = std::clamp(std::round(-first / step), 0.0, double(n - 1));
    return std::abs(first + i * step);
  };
  const double x = lattice_nearest(grid.x_mm(0), grid.voxel_mm, grid.nx);
  const double y = lattice_nearest(grid.y_mm(0), -grid.voxel_mm, grid.ny);
  if (x * x + y * y > field.radius_mm * field.radius_mm)
    throw InvalidOption("centre, size: the grid's voxel nearest to the axis is " + to_text(std::sqrt(x * x + y * y)) +
                        " mm away; must reach into the field of view, a cylinder of radius " +
                        to_text(field.radius_mm) + " mm about the axis");
  // Heights that at least one view sees somewhere in the cylinder.
  const Detector& d = geometry.detector;
  const double reach = geometry.beam == Beam::cone ? (geometry.sod_mm + field.radius_mm) / geometry.sdd_mm : 1;
  const double high = std::max((d.midplane_row + 0.5) * d.row_pitch_mm * reach, field.z_high_mm);
  const double low = std::min((d.midplane_row + 0.5 - d.rows) * d.row_pitch_mm * reach, field.z_low_mm);
  if (grid.z_mm(0) > high || grid.z_mm(grid.nz - 1) < low)
    throw InvalidOption("centre, size: the grid spans z from " + to_text(grid.z_mm(0)) + " to " +
                        to_text(grid.z_mm(grid.nz - 1)) + " mm; must reach into the field of view, z from " +
                        to_text(low) + " to " + to_text(high) + " mm");
  return grid;
}

void ReconstructOptions::validate() const {
  filter.validate();
  if (threads && *threads < 1) throw InvalidOption("threads: " + std::to_string(*threads) + "; must be at least 1");
}

ReconstructPlan plan_reconstruction(const Geometry& geometry, const GridRequest& request,
                                    const ReconstructOptions& options) {
  geometry.validate();
  options.validate();
  ReconstructPlan plan;
  plan.redundancy = redundancy(geometry, options.coverage);
  const Geometry ideal = ideal_geometry(geometry);
  plan.field = field_of_view(ideal, plan.redundancy.coverage);
  plan.grid = choose_grid(ideal, plan.field, request);

  const FilterStage stage(geometry, plan.redundancy, options.filter);
  const int threads = thread_count(options.threads);
  const std::size_t budget = options.memory_bytes.value_or(default_memory());
  const auto needed = [&](int slices) { return bytes_needed(stage, plan.grid, plan.field.radius_mm, slices, threads); };
  if (const std::size_t least = needed(1); least > budget)
    throw InvalidOption("memory: " + in_mib(budget) + "; must be at least " + in_mib(least) +
                        " for one slice of this volume");
  int low = 1, high = plan.grid.nz;
  while (low < high) {
    const int middle = (low + high + 1) / 2;
    if (needed(middle) <= budget)
      low = middle;
    else
      high = middle - 1;
  }
  plan.slabs = (plan.grid.nz + low - 1) / low;
  plan.slab_slices = (plan.grid.nz + plan.slabs - 1) / plan.slabs;
  plan.memory_bytes = needed(plan.slab_slices);
  return plan;
}

ReconstructTimes reconstruct(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options, const SliceSink& sink, const Hooks& hooks) {
  const FilterStage stage(geometry, plan.redundancy, options.filter);
  const int threads = thread_count(options.threads), views = int(geometry.angles_rad.size());
  const int capacity = ViewBatch::capacity_of(geometry.beam), batches = (views + capacity - 1) / capacity;
  const Grid& grid = plan.grid;
  ReconstructTimes times;
  std::vector<float> slice(std::size_t(grid.nx) * std::size_t(grid.ny));
  AlignedVector<float> raw;

  for (int s = 0; s < plan.slabs; ++s) {
    const int first = s * plan.slab_slices, count = std::min(plan.slab_slices, grid.nz - first);
    if (count <= 0) break;
    Slab slab(grid, first, count, plan.field.radius_mm);
    const auto [line0, line1] = lines_needed(stage.ideal(), grid, plan.field.radius_mm, first, count);
    ViewBatch batch(geometry.beam, stage.ideal().detector.columns, line0, line1 - line0 + 1);
    for (int b = 0; b < batches; ++b) {
      if (hooks.stop()) throw Cancelled("stopped on request");
      const int view = b * capacity;
      Stopwatch watch;
      stage.fill(source, grid, view, std::min(capacity, views - view), batch, raw, threads);
      times.prepare_s += watch.lap();
      backproject(stage.ideal(), batch, slab, threads);
      times.backproject_s += watch.lap();
      hooks.report("reconstructing", double(s * batches + b + 1) / double(plan.slabs * batches));
    }
    Stopwatch watch;
    for (int k = first; k < first + count; ++k) {
      copy_slice(slab, k, threads, slice);
      sink(k, slice);
    }
    times.write_s += watch.lap();
  }
  return times;
}

std::vector<float> filtered_rows(const Geometry& geometry, const ProjectionSource& source, const FilterOptions& filter,
                                 int view, int first_row, int row_count) {
  const Redundancy counted = redundancy(geometry, {});
  return FilterStage(geometry, counted, filter).filtered_rows(source, view, first_row, row_count);
}

}  // namespace rayloom
