// One slice through Fourier space: 2048 x 2048 voxels from 1536 rows of 2048, weighted rows in, slice out.
#include <cmath>
#include <memory>
#include <random>

#include "bench.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/filter.h"
#include "rayloom/reconstruct/gridding.h"

namespace rayloom::bench {

namespace {

class Slice {
 public:
  Slice(int edge, int views, int threads)
      : grid_{edge, edge, 1, 1.0, Vec3::Zero()},
        threads_(threads),
        filter_(edge, 1.0, ramp_kernel({}, edge, 1.0)),
        response_(wave_response(filter_.length())),
        rows_(std::size_t(edge) * std::size_t(views)),
        slice_(std::size_t(edge) * std::size_t(edge)) {
    geometry_.beam = Beam::parallel;
    geometry_.detector = {edge, 1, 1, 1, (edge - 1) / 2.0, 0};
    for (int view = 0; view < views; ++view)
      geometry_.angles_rad.push_back(pi * view / views);
    std::mt19937 random(1);
    std::normal_distribution<float> value;
    for (float& sample : rows_)
      sample = value(random);
    for (int i = 0; i < threads; ++i)
      work_.push_back(filter_.workspace());
  }

  void filter(int begin, SpectrumBatch& batch) {
    const int edge = grid_.nx;
    parallel_for(batch.views / RowFilter::batch, threads_, [&](int n, int thread) {
      auto& work = work_[std::size_t(thread)];
      const int first = n * RowFilter::batch;
      for (int r = 0; r < RowFilter::batch; ++r)
        std::copy_n(rows_.begin() + std::ptrdiff_t(begin + first + r) * edge, edge, filter_.row_in(work, r).begin());
      filter_.run_to_spectrum(work, RowFilter::batch);
      for (int r = 0; r < RowFilter::batch; ++r)
        centre_wave(geometry_, grid_, batch.poses[std::size_t(first + r)], filter_.length(), response_,
                    filter_.spectrum_out(work, r), batch.row(first + r, 0));
    });
  }

  void run(GriddedSlab& sum, SpectrumBatch& batch) {
    for (int begin = 0; begin < int(geometry_.angles_rad.size()); begin += SpectrumBatch::capacity) {
      batch.views = SpectrumBatch::capacity;
      std::copy_n(geometry_.angles_rad.begin() + begin, batch.views, batch.poses.begin());
      filter(begin, batch);
      sum.add(geometry_, batch, filter_.length(), threads_);
    }
    sum.slice(0, slice_, threads_);
  }

  std::unique_ptr<GriddedSlab> sum() const { return std::make_unique<GriddedSlab>(grid_, 0, 1, grid_.nx / 2.0); }
  SpectrumBatch batch() const { return {filter_.bins(), 0, 1}; }

  /// A voxel of the slice from the spectra, each wave summed in double precision.
  double voxel(int i, int j, SpectrumBatch& batch) {
    double sum = 0;
    const double x = i - grid_.nx / 2, y = grid_.ny / 2 - j;
    for (int begin = 0; begin < int(geometry_.angles_rad.size()); begin += SpectrumBatch::capacity) {
      batch.views = SpectrumBatch::capacity;
      std::copy_n(geometry_.angles_rad.begin() + begin, batch.views, batch.poses.begin());
      filter(begin, batch);
      for (int view = 0; view < batch.views; ++view) {
        const double b = batch.poses[std::size_t(view)].angle_rad, sign = std::cos(b) < 0 ? -1 : 1;
        const auto wave = batch.row(view, 0);
        for (int m = 0; m < batch.bins; ++m) {
          const double turn = 2 * pi * m * sign * (x * std::cos(b) + y * std::sin(b)) / filter_.length();
          sum += 2 * (double(wave[std::size_t(m)].real()) * std::cos(turn) -
                      double(wave[std::size_t(m)].imag()) * std::sin(turn));
        }
      }
    }
    return sum;
  }

  /// RMS of what differs at some voxels over the RMS of the values.
  double error() {
    auto fresh = sum();
    SpectrumBatch batch_here = batch();
    run(*fresh, batch_here);
    double difference = 0, all = 0;
    std::mt19937 random(2);
    for (int n = 0; n < 12;) {
      const int i = int(random() % unsigned(grid_.nx)), j = int(random() % unsigned(grid_.ny));
      if (std::hypot(grid_.x_mm(i), grid_.y_mm(j)) > grid_.nx / 2.0) continue;
      const double truth = voxel(i, j, batch_here);
      difference += std::pow(slice_[std::size_t(j) * std::size_t(grid_.nx) + std::size_t(i)] - truth, 2);
      all += truth * truth;
      ++n;
    }
    return std::sqrt(difference / all);
  }

  double updates() const { return pi / 4 * grid_.nx * grid_.ny * double(geometry_.angles_rad.size()); }

 private:
  Geometry geometry_;
  Grid grid_;
  int threads_;
  RowFilter filter_;
  std::vector<float> response_, rows_, slice_;
  std::vector<RowFilter::Workspace> work_;
};

void time_slice(benchmark::State& state, int edge, int views, int threads) {
  Slice slice(edge, views, threads);
  if (slice.error() > 5e-3) return wrong(state, "the slice is wrong");
  auto sum = slice.sum();
  SpectrumBatch batch = slice.batch();
  time(state, slice.updates(), [&] { slice.run(*sum, batch); });
}

}  // namespace

void add_gridding(bool quick) {
  const int edge = quick ? 512 : 2048, views = quick ? 384 : 1536;
  for (const int threads : {1, 2})
    benchmark::RegisterBenchmark(
        ("gridding/slice_" + std::to_string(edge) + "/with_filter/" + std::to_string(threads)).c_str(),
        [=](benchmark::State& state) { time_slice(state, edge, views, threads); })
        ->UseRealTime();
}

}  // namespace rayloom::bench
