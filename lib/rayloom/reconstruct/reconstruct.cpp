#include "rayloom/reconstruct/reconstruct.h"

#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <fstream>
#include <future>
#include <memory>
#include <string>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/filter_stage.h"
#include "rayloom/reconstruct/kernels/kernels.h"

namespace rayloom {

namespace {

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

using kernels::group;
/// Slices copied out of a slab together, since they share cache lines: as many as fill one if they are small.
int slices_at_once(const Grid& grid) {
  constexpr std::size_t small = std::size_t(4) << 20;
  return std::size_t(grid.nx) * std::size_t(grid.ny) * sizeof(float) <= small ? group : 4;
}
constexpr int buffers = 2;  // batches: one being filled, one being back-projected; and slices, turned and written

/// Columns of voxels within the field of view.
double columns_within(const Grid& grid, double radius_mm) {
  double columns = 0;
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i)
      columns += std::hypot(grid.x_mm(i), grid.y_mm(j)) <= radius_mm;
  return columns;
}

/// Views batch by batch, and what they are summed in.
struct Direct {
  using Batch = ViewBatch;
  using Sum = Slab;

  static int capacity(const Geometry& geometry) { return ViewBatch::capacity_of(geometry.beam); }
  static std::pair<int, int> lines(const FilterStage& stage, const Grid& grid, double radius_mm, SliceRange slab) {
    return lines_needed(stage.ideal(), grid, radius_mm, slab.first, slab.count);
  }
  static Batch batch(const FilterStage& stage, const Grid& grid, double radius_mm, SliceRange slab) {
    const auto [line0, line1] = lines(stage, grid, radius_mm, slab);
    return {stage.ideal().beam, stage.ideal().detector.columns, line0, line1 - line0 + 1};
  }
  static std::size_t batch_bytes(const FilterStage& stage, const Grid& grid, double radius_mm, SliceRange slab) {
    const auto [line0, line1] = lines(stage, grid, radius_mm, slab);
    return ViewBatch::bytes(stage.ideal().beam, stage.ideal().detector.columns, line0, line1 - line0 + 1);
  }
  static std::size_t sum_bytes(const FilterStage& stage, const Grid& grid, SliceRange slab) {
    return Slab::bytes(stage.ideal().beam, grid, slab.first, slab.count, stage.ideal().detector.columns);
  }
  static Sum sum(const FilterStage& stage, const Grid& grid, double radius_mm, SliceRange slab, int threads) {
    return {stage.ideal().beam, grid, slab.first, slab.count, radius_mm, threads};
  }
  static void add(const FilterStage& stage, const Batch& batch, Sum& sum, int threads) {
    backproject(stage.ideal(), batch, sum, threads);
  }
  /// What tells the speed: rows of voxels near the axis, in all slices of the slab, since a column's work pays the more
  /// the more slices share it.
  static std::pair<Grid, SliceRange> sample(const Grid& grid, SliceRange slab, int views) {
    constexpr double updates = 1e9;
    Grid strip = grid;
    strip.ny =
        int(std::clamp(updates / views / grid.nx / slab.count, double(std::min(group, grid.ny)), double(grid.ny)));
    const double to_spare = (grid.ny - strip.ny) * grid.voxel_mm / 2;
    strip.centre_mm.y() = std::clamp(0.0, grid.centre_mm.y() - to_spare, grid.centre_mm.y() + to_spare);
    return {strip, slab};
  }
  /// The nx x ny images of slices [k, k + count), y downwards, one after the other.
  static void slices(Sum& slab, int k, int count, int threads, std::span<float> slices) {
    const std::size_t offset = std::size_t(k - slab.base_slice), n = std::size_t(count);
    const std::size_t pixels = std::size_t(slab.grid.nx) * std::size_t(slab.grid.ny);
    constexpr std::size_t block = 16;  // pixels: what they read and write are whole cache lines
#pragma omp parallel for schedule(static) num_threads(threads)
    for (std::size_t first = 0; first < pixels; first += block) {
      const std::size_t end = std::min(first + block, pixels);
      float turned[group][block];
      for (std::size_t i = first; i < end; ++i)
        for (std::size_t s = 0; s < n; ++s)
          turned[s][i - first] = slab.samples[i * slab.stride + offset + s];
      for (std::size_t s = 0; s < n; ++s)
        std::copy_n(turned[s], end - first, &slices[s * pixels + first]);
    }
  }
};

struct Gridding {
  using Batch = SpectrumBatch;
  using Sum = GriddedSlab;

  static int capacity(const Geometry&) { return SpectrumBatch::capacity; }
  static std::pair<int, int> lines(const FilterStage&, const Grid&, double, SliceRange slab) {
    return {slab.first, slab.first + slab.count - 1};
  }
  static Batch batch(const FilterStage& stage, const Grid&, double, SliceRange slab) {
    return {stage.bins(), slab.first, slab.count};
  }
  static std::size_t batch_bytes(const FilterStage& stage, const Grid&, double, SliceRange slab) {
    return SpectrumBatch::bytes(stage.bins(), slab.count);
  }
  static std::size_t sum_bytes(const FilterStage&, const Grid& grid, SliceRange slab) {
    return GriddedSlab::bytes(grid, slab.count);
  }
  static Sum sum(const FilterStage&, const Grid& grid, double radius_mm, SliceRange slab, int) {
    return {grid, slab.first, slab.count, radius_mm};
  }
  static void add(const FilterStage& stage, const Batch& batch, Sum& sum, int threads) {
    sum.add(stage.ideal(), batch, stage.length(), threads);
  }
  static std::pair<Grid, SliceRange> sample(const Grid& grid, SliceRange slab, int) {
    const int few = std::min(slab.count, 2 * group);
    return {grid, {slab.first + (slab.count - few) / 2, few}};
  }
  static void slices(Sum& sum, int k, int count, int threads, std::span<float> slices) {
    const std::size_t pixels = slices.size() / std::size_t(count);
    for (int i = 0; i < count; ++i)
      sum.slice(k + i, slices.subspan(std::size_t(i) * pixels, pixels), threads);
  }
};

/// Calls `work` with the method's type.
template <class Work>
auto with(Method method, const Work& work) {
  return method == Method::direct ? work(Direct()) : work(Gridding());
}

/// First and last of the stored rows that a slab draws on.
std::pair<int, int> rows_of(const FilterStage& stage, const ReconstructPlan& plan, const SliceRange& slab) {
  return with(plan.method, [&](auto way) {
    const auto [line0, line1] = way.lines(stage, plan.grid, plan.field.radius_mm, slab);
    return stage.stored_rows(plan.grid, line0, line1);
  });
}

/// What reconstructing a slab holds at once.
std::size_t bytes_needed(const FilterStage& stage, const ReconstructPlan& plan, SliceRange slab, int threads) {
  const Grid& grid = plan.grid;
  const double radius_mm = plan.field.radius_mm;
  return with(plan.method, [&](auto way) {
    const auto [row0, row1] = rows_of(stage, plan, slab);
    const std::size_t slice = std::size_t(grid.nx) * std::size_t(grid.ny) * sizeof(float);
    return way.sum_bytes(stage, grid, slab) + buffers * way.batch_bytes(stage, grid, radius_mm, slab) +
           stage.scratch_bytes(row1 - row0 + 1, threads) +
           std::size_t(std::min(buffers * slices_at_once(grid), slab.count)) * slice;
  });
}

/// `whole` cut into slabs of at most `most` slices, of nearly equal size, at multiples of a group where they can be.
std::vector<SliceRange> cut(SliceRange whole, int most) {
  if (most >= whole.count) return {whole};
  if (most > group) most -= most % group;
  const int slabs = (whole.count + most - 1) / most;
  int size = (whole.count + slabs - 1) / slabs;
  if (most >= group) size = std::min(most, (size + group - 1) / group * group);
  std::vector<SliceRange> all;
  for (int first = whole.first; first < whole.first + whole.count; first += size)
    all.push_back({first, std::min(size, whole.first + whole.count - first)});
  return all;
}

/// The part's slices, whole groups of them if there are enough.
SliceRange slices_of(Part part, int nz) {
  const int unit = nz >= 4 * group * part.count ? group : 1, units = (nz + unit - 1) / unit;
  const auto edge = [&](int i) { return std::min(nz, unit * int(std::int64_t(units) * i / part.count)); };
  return {edge(part.index - 1), edge(part.index) - edge(part.index - 1)};
}

}  // namespace

std::size_t default_memory() {
  std::ifstream meminfo("/proc/meminfo");
  for (std::string key; meminfo >> key;)
    if (std::size_t kib = 0; key == "MemAvailable:" && meminfo >> kib) return kib * 1024 / 2;
  return std::size_t(sysconf(_SC_PHYS_PAGES)) * std::size_t(sysconf(_SC_PAGESIZE)) / 4;
}

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
  const MovedReach moved = geometry.moved_reach();
  if (!(field.radius_mm > 0) && moved.across_mm > 0)
    throw InvalidOption(
        "views.part_moved_mm: " + to_text(moved.across_mm, 4) +
        " mm across the axis; must be less than the field of view's radius, or no field of view is left");
  if (!(field.radius_mm > 0))
    throw InvalidOption("detector.axis_column: " + to_text(geometry.detector.axis_column) +
                            "; must lie on the detector, or no field of view is left",
                        "for a detector beside the axis, turn the part by 360 degrees and use --coverage displaced");
  Grid grid = default_grid(geometry, field);
  if (request.voxel_mm) {
    if (!(*request.voxel_mm > 0) || !std::isfinite(*request.voxel_mm))
      throw InvalidOption("voxel: " + to_text(*request.voxel_mm) + " mm; must be above 0");
    const double diameter_mm = 2 * field.radius_mm, across = diameter_mm / *request.voxel_mm;
    constexpr double most = 1e9;  // voxels along x times slices
    const double least_mm = std::max(diameter_mm / most, std::sqrt(diameter_mm / most * grid.nz * grid.voxel_mm));
    const double most_mm = 0.7 * diameter_mm;  // the middles of four voxels about the axis lie in the field of view
    if (*request.voxel_mm < least_mm || *request.voxel_mm > most_mm)
      throw InvalidOption("voxel: " + to_text(*request.voxel_mm) + " mm; must be from " + to_text(least_mm, 3) +
                          " to " + to_text(most_mm, 4) + " mm, 0.7 times the field of view's diameter");
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
    if (!std::isfinite(*request.slice_mm))
      throw InvalidOption("slice: " + to_text(*request.slice_mm) + " mm; must be a finite number");
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
    throw InvalidOption("centre, size: the grid's voxel nearest to the axis is " +
                        to_text(std::sqrt(x * x + y * y), 5) +
                        " mm away; must reach into the field of view, a cylinder of radius " +
                        to_text(field.radius_mm, 5) + " mm about the axis");
  // Heights that at least one view sees somewhere in the cylinder.
  const Detector& d = geometry.detector;
  const double reach = geometry.beam == Beam::cone ? (geometry.sod_mm + field.radius_mm) / geometry.sdd_mm : 1;
  const double high = std::max((d.midplane_row + 0.5) * d.row_pitch_mm * reach - moved.z_low_mm, field.z_high_mm);
  const double low =
      std::min((d.midplane_row + 0.5 - d.rows) * d.row_pitch_mm * reach - moved.z_high_mm, field.z_low_mm);
  if (request.slice_mm && (grid.z_mm(0) > high || grid.z_mm(0) < low))
    throw InvalidOption("slice: " + to_text(*request.slice_mm) + " mm; must lie in the field of view, z from " +
                        to_text(low, 5) + " to " + to_text(high, 5) + " mm");
  if (grid.z_mm(0) > high || grid.z_mm(grid.nz - 1) < low)
    throw InvalidOption("centre, size: the grid spans z from " + to_text(grid.z_mm(0), 5) + " to " +
                        to_text(grid.z_mm(grid.nz - 1), 5) + " mm; must reach into the field of view, z from " +
                        to_text(low, 5) + " to " + to_text(high, 5) + " mm");
  return grid;
}

std::string to_string(Method method) {
  return method == Method::direct ? "direct" : "gridding";
}

void ReconstructOptions::validate() const {
  filter.validate();
  if (threads && (*threads < 1 || *threads > most_threads()))
    throw InvalidOption("threads: " + std::to_string(*threads) + "; must be from 1 to " +
                        std::to_string(most_threads()));
  if (part.count < 1 || part.index < 1 || part.index > part.count)
    throw InvalidOption("part: " + std::to_string(part.index) + "/" + std::to_string(part.count) +
                        "; must be I/N with I from 1 to N");
}

void ReconstructPlan::leave_out(std::span<const char> finished) {
  for (SliceRange& slab : slabs) {
    for (; slab.count > 0 && finished[std::size_t(slab.first)]; --slab.count)
      ++slab.first;
    while (slab.count > 0 && finished[std::size_t(slab.first + slab.count - 1)])
      --slab.count;
  }
  std::erase_if(slabs, [](const SliceRange& slab) { return slab.count == 0; });
}

namespace {

Method method_for(const Geometry& geometry, const FieldOfView& field, const Grid& grid,
                  const ReconstructOptions& options) {
  const bool can = can_grid(geometry, grid) && options.filter.window != Window::none;
  if (!options.method) return can && gridding_pays(geometry, grid, field.radius_mm) ? Method::gridding : Method::direct;
  if (*options.method == Method::gridding && !can)
    throw InvalidOption(
        "method: gridding; must be direct except for filtered parallel beams and voxels no larger than the pitch, " +
        to_text(geometry.detector.column_pitch_mm) + " mm");
  return *options.method;
}

}  // namespace

void require_memory(std::size_t budget, std::size_t least, const std::string& purpose, const std::string& what_helps) {
  if (least > budget)
    throw InvalidOption("memory: " + (budget < 1 << 20 ? std::to_string(budget) + " bytes" : in_mib(budget)) +
                            "; must be at least " + in_mib(least) + " " + purpose,
                        "half of what is free is used unless --memory says otherwise; " + what_helps);
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

  plan.method = method_for(geometry, plan.field, plan.grid, options);
  const FilterStage stage(geometry, plan.redundancy, options.filter, options.beyond);
  const int threads = thread_count(options.threads);
  const std::size_t budget = options.memory_bytes.value_or(default_memory());
  const SliceRange whole = slices_of(options.part, plan.grid.nz);
  plan.memory_bytes = options.reserved_bytes;
  if (whole.count == 0) return plan;
  const auto needed = [&](int slices) {
    std::size_t most = 0;
    for (const SliceRange& slab : cut(whole, slices))
      most = std::max(
          most, bytes_needed(stage, plan, slab, threads) + std::size_t(slab.count) * options.reserved_bytes_a_slice);
    return most + options.reserved_bytes;
  };
  plan.least_bytes = needed(1);
  require_memory(budget, plan.least_bytes);
  int low = 1, high = whole.count;
  while (low < high) {
    const int middle = (low + high + 1) / 2;
    if (needed(middle) <= budget)
      low = middle;
    else
      high = middle - 1;
  }
  plan.slabs = cut(whole, low);
  plan.memory_bytes = needed(low);
  return plan;
}

namespace {

/// A batch of views on its way from disk to a slab.
struct Step {
  std::size_t slab = 0;
  int view = 0, views = 0;
};

template <class Way>
ReconstructTimes run(const Way& way, const Geometry& geometry, const ProjectionSource& source,
                     const ReconstructPlan& plan, const ReconstructOptions& options, const SliceSink& sink,
                     const Hooks& hooks) {
  const FilterStage stage(geometry, plan.redundancy, options.filter, options.beyond);
  const int threads = thread_count(options.threads), views = int(geometry.angles_rad.size());
  const int capacity = way.capacity(geometry);
  const Grid& grid = plan.grid;
  const std::size_t pixels = std::size_t(grid.nx) * std::size_t(grid.ny);
  std::vector<Step> steps;
  for (std::size_t s = 0; s < plan.slabs.size(); ++s)
    for (int view = 0; view < views; view += capacity)
      steps.push_back({s, view, std::min(capacity, views - view)});

  ReconstructTimes times;
  Stopwatch whole;
  std::array<std::unique_ptr<typename Way::Batch>, buffers> batches;
  std::array<std::size_t, buffers> made_for{};
  FilterStage::Scratch scratch;
  const auto prepare = [&](std::size_t n) {
    Stopwatch watch;
    const Step& step = steps[n];
    std::unique_ptr<typename Way::Batch>& batch = batches[n % buffers];
    if (!batch || made_for[n % buffers] != step.slab) {
      batch.reset();  // before the next is made, or both would be held
      batch =
          std::make_unique<typename Way::Batch>(way.batch(stage, grid, plan.field.radius_mm, plan.slabs[step.slab]));
      made_for[n % buffers] = step.slab;
    }
    stage.fill(source, grid, step.view, step.views, *batch, scratch, threads);
    times.prepare_s += watch.lap();
  };

  std::unique_ptr<typename Way::Sum> slab;
  std::array<std::vector<float>, buffers> slices;
  std::future<void> next, written;
  if (!steps.empty()) next = std::async(std::launch::async, prepare, 0);
  for (std::size_t n = 0; n < steps.size(); ++n) {
    if (hooks.stop()) throw Cancelled("stopped on request");
    const Step& step = steps[n];
    const SliceRange& range = plan.slabs[step.slab];
    Stopwatch watch;
    if (step.view == 0) {
      slab.reset();
      slab = std::make_unique<typename Way::Sum>(way.sum(stage, grid, plan.field.radius_mm, range, threads));
    }
    next.get();
    if (n + 1 < steps.size()) next = std::async(std::launch::async, prepare, n + 1);
    watch.lap();
    way.add(stage, *batches[n % buffers], *slab, threads);
    times.backproject_s += watch.lap();
    hooks.report("reconstructing", double(n + 1) / double(steps.size()));
    if (step.view + step.views < views) continue;
    const int together = slices_at_once(grid);
    for (int k = 0; k < range.count; k += together) {
      const int first = range.first + k, count = std::min(together, range.count - k);
      std::vector<float>& turned = slices[std::size_t(k / together % buffers)];
      turned.resize(std::size_t(count) * pixels);
      way.slices(*slab, first, count, threads, turned);
      if (written.valid()) written.get();
      written = std::async(std::launch::async, [&sink, &turned, first, count, pixels] {
        for (int i = 0; i < count; ++i)
          sink(first + i, std::span(turned).subspan(std::size_t(i) * pixels, pixels));
      });
    }
    written.get();
    times.write_s += watch.lap();
  }
  times.total_s = whole.lap();
  return times;
}

}  // namespace

ReconstructTimes reconstruct(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options, const SliceSink& sink, const Hooks& hooks) {
  return with(plan.method, [&](auto way) { return run(way, geometry, source, plan, options, sink, hooks); });
}

ReconstructEstimate estimate(const Geometry& geometry, const ProjectionSource& source, const ReconstructPlan& plan,
                             const ReconstructOptions& options) {
  ReconstructEstimate result;
  if (plan.slabs.empty()) return result;
  const FilterStage stage(geometry, plan.redundancy, options.filter, options.beyond);
  const Grid& grid = plan.grid;
  const double views = double(geometry.angles_rad.size());
  const double columns = columns_within(grid, plan.field.radius_mm);
  const auto row_count = [&](const SliceRange& slab) {
    const auto rows = rows_of(stage, plan, slab);
    return double(rows.second - rows.first + 1);
  };
  for (const SliceRange& slab : plan.slabs) {
    result.rows += views * row_count(slab);
    result.updates += views * columns * slab.count;
  }

  const SliceRange& largest = *std::max_element(plan.slabs.begin(), plan.slabs.end(),
                                                [](const auto& a, const auto& b) { return a.count < b.count; });
  const int threads = thread_count(options.threads);
  with(plan.method, [&](auto way) {
    const int count = std::min(way.capacity(geometry), int(geometry.angles_rad.size()));
    const auto [sampled, slices] = way.sample(grid, largest, count);
    auto batch = way.batch(stage, sampled, plan.field.radius_mm, slices);
    FilterStage::Scratch scratch;
    auto sum = way.sum(stage, sampled, plan.field.radius_mm, slices, threads);
    Stopwatch watch;
    stage.fill(source, sampled, 0, count, batch, scratch, threads);
    result.rows_per_s = count * row_count(slices) / watch.lap();
    way.add(stage, batch, sum, threads);
    result.updates_per_s = count * columns_within(sampled, plan.field.radius_mm) * slices.count / watch.lap();
  });
  result.seconds = result.rows / result.rows_per_s + result.updates / result.updates_per_s;
  return result;
}

RowRange rows_read(const Geometry& geometry, const ReconstructPlan& plan, const ReconstructOptions& options,
                   const SliceRange& slab) {
  const auto rows = rows_of(FilterStage(geometry, plan.redundancy, options.filter), plan, slab);
  return {rows.first, rows.second - rows.first + 1};
}

std::vector<float> filtered_rows(const Geometry& geometry, const ProjectionSource& source, const FilterOptions& filter,
                                 int view, int first_row, int row_count) {
  const Redundancy counted = redundancy(geometry, {});
  return FilterStage(geometry, counted, filter).filtered_rows(source, view, first_row, row_count);
}

}  // namespace rayloom
