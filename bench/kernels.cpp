// Back-projection through the library's own calls, in voxel updates a second inside the field of view.
#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <memory>
#include <random>

#include "bench.h"
#include "rayloom/reconstruct/backproject.h"
#include "support/textbook.h"

namespace rayloom::bench {

namespace {

constexpr int few_views = 32;  // enough for the rate of the slowest set

enum class Scan { cone, parallel, flat, arc };

struct Job {
  std::string name;
  Scan scan;
  int edge, slices, views;
};

/// Columns of voxels within the field of view, random filtered views, and the geometry: source at 2 widths, voxels as
/// large as the virtual pixel.
struct Setup {
  Geometry geometry;
  Grid grid;
  double radius_mm;
  std::vector<ViewBatch> batches;
  std::unique_ptr<Slab> slab;
  double updates = 0;

  explicit Setup(const Job& job) : grid{job.edge, job.edge, job.slices, 1.0, Vec3::Zero()} {
    const bool cone = job.scan == Scan::cone, parallel = job.scan == Scan::parallel;
    geometry.beam = cone ? Beam::cone : parallel ? Beam::parallel : Beam::fan;
    if (job.scan == Scan::arc) geometry.detector.shape = DetectorShape::arc;
    const double magnification = parallel ? 1 : 2;
    Detector& d = geometry.detector;
    d.columns = job.edge;
    d.rows = cone ? job.edge : job.slices;
    d.column_pitch_mm = magnification;
    d.row_pitch_mm = cone ? magnification : 1;
    d.axis_column = (job.edge - 1) / 2.0;
    d.midplane_row = (d.rows - 1) / 2.0;
    geometry.sod_mm = 2.0 * job.edge;
    geometry.sdd_mm = 4.0 * job.edge;
    radius_mm = parallel ? job.edge / 2.0 : geometry.sod_mm * std::sin(std::atan(job.edge / 2.0 / geometry.sod_mm));
    for (int view = 0; view < job.views; ++view)
      geometry.angles_rad.push_back((parallel ? pi : 2 * pi) * view / job.views);

    slab = std::make_unique<Slab>(geometry.beam, grid, 0, job.slices, radius_mm);
    const auto [first, last] = lines_needed(geometry, grid, radius_mm, 0, job.slices);
    // Two batches with different samples stand for all: filtering is timed apart.
    std::mt19937 random(1);
    std::uniform_real_distribution<float> value(-1, 1);
    for (int b = 0; b < 2; ++b) {
      ViewBatch& batch = batches.emplace_back(geometry.beam, job.edge, first, last - first + 1);
      for (float& sample : batch.samples)
        sample = value(random);
    }
    double columns = 0;
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i)
        columns += std::hypot(grid.x_mm(i), grid.y_mm(j)) <= radius_mm ? 1 : 0;
    updates = columns * job.slices * job.views;
  }

  /// Prepares batch b of the scan for use. @return the batch.
  ViewBatch& batch_at(int b) {
    ViewBatch& batch = batches[std::size_t(b % 2)];
    const int first = b * batch.capacity, views = int(geometry.angles_rad.size());
    batch.views = std::min(batch.capacity, views - first);
    for (int view = 0; view < batch.views; ++view)
      batch.poses[std::size_t(view)] = geometry.pose(std::size_t(first + view));
    return batch;
  }

  int batch_count() const {
    const int capacity = batches.front().capacity;
    return (int(geometry.angles_rad.size()) + capacity - 1) / capacity;
  }

  /// Sampled voxels of a fresh slab against the textbook in double precision, within 1e-3 where values are about 2.
  bool correct(int threads) {
    Slab fresh(geometry.beam, grid, 0, grid.nz, radius_mm);
    ViewBatch& batch = batch_at(0);
    backproject(geometry, batch, fresh, threads);
    std::mt19937 random(2);
    for (int n = 0; n < 200; ++n) {
      const int i = int(random() % unsigned(grid.nx)), j = int(random() % unsigned(grid.ny));
      const int k = int(random() % unsigned(grid.nz));
      if (std::hypot(grid.x_mm(i), grid.y_mm(j)) > radius_mm) continue;
      if (std::abs(fresh.at(i, j, k) - textbook_voxel<double>(geometry, batch, grid, i, j, k)) > 1e-3) return false;
    }
    return true;
  }
};

void time_kernel(benchmark::State& state, const Job& job, const std::string& set, int threads) {
  setenv("RAYLOOM_KERNELS", set.c_str(), 1);
  Setup setup(job);
  if (!setup.correct(threads)) return wrong(state, "the kernel's result is wrong");
  time_warm(state, setup.updates, [&] {  // the check has just run it
    for (int b = 0; b < setup.batch_count(); ++b)
      backproject(setup.geometry, setup.batch_at(b), *setup.slab, threads);
  });
  unsetenv("RAYLOOM_KERNELS");
}

/// x fastest, one view after the other, as the textbook has it.
void time_textbook(benchmark::State& state, const Job& job) {
  Setup setup(job);
  ViewBatch& batch = setup.batch_at(0);
  std::vector<float> slice(std::size_t(setup.grid.nx) * std::size_t(setup.grid.ny));
  time(state, setup.updates / setup.grid.nz, [&] {
    for (int j = 0; j < setup.grid.ny; ++j)
      for (int i = 0; i < setup.grid.nx; ++i)
        if (std::hypot(setup.grid.x_mm(i), setup.grid.y_mm(j)) <= setup.radius_mm)
          slice[std::size_t(j * setup.grid.nx + i)] +=
              textbook_voxel<float>(setup.geometry, batch, setup.grid, i, j, setup.grid.nz / 2);
    benchmark::DoNotOptimize(slice.data());
  });
}

}  // namespace

void add_kernels(bool quick) {
  const int views = quick ? 64 : 256;
  std::vector<Job> jobs = {{"cone_256", Scan::cone, 256, 256, views},
                           {"parallel_stack", Scan::parallel, quick ? 512 : 2048, 64, quick ? 64 : 128},
                           {"fan_flat_stack", Scan::flat, quick ? 512 : 2048, 64, quick ? 64 : 128},
                           {"fan_arc_stack", Scan::arc, quick ? 512 : 2048, 64, quick ? 64 : 128}};
  jobs.push_back({"parallel_slice", Scan::parallel, quick ? 512 : 2048, 1, quick ? 64 : 128});
  jobs.push_back({"cone_slice", Scan::cone, quick ? 256 : 512, 1, 64});
  if (!quick) jobs.insert(jobs.begin() + 1, {"cone_512", Scan::cone, 512, 512, 512});
  for (const Job& every : jobs)
    for (const std::string& set : kernel_names()) {
      if (every.name == "cone_512" && set == "portable") continue;  // ten minutes of what cone_256 tells
      Job job = every;
      if (set == "portable") job.views = std::min(job.views, few_views);
      for (const int threads : {1, 2})
        benchmark::RegisterBenchmark(("kernel/" + job.name + "/" + set + "/" + std::to_string(threads)).c_str(),
                                     [=](benchmark::State& state) { time_kernel(state, job, set, threads); })
            ->UseRealTime()
            ->Unit(benchmark::kMillisecond);
    }
  benchmark::RegisterBenchmark("kernel/cone_textbook/plain/1", [=](benchmark::State& state) {
    time_textbook(state, {"cone_textbook", Scan::cone, 128, 128, 32});
  })->UseRealTime();
}

}  // namespace rayloom::bench
