// Ramp filtering of whole projections: 2048 x 2048 pixels, padded to 4096.
#include <cmath>

#include "bench.h"
#include "rayloom/reconstruct/filter.h"

namespace rayloom::bench {

namespace {

void time_filter(benchmark::State& state, int threads) {
  constexpr int edge = 2048;
  const auto kernel = ramp_kernel({}, edge, 1.0);
  const RowFilter filter(edge, 1.0, kernel);
  std::vector<RowFilter::Workspace> work;
  for (int i = 0; i < threads; ++i)
    work.push_back(filter.workspace());
  // An impulse comes out as the kernel itself.
  const auto row = filter.row_in(work[0], 0);
  std::fill(row.begin(), row.end(), 0.0f);
  row[1000] = 1;
  filter.run(work[0], 1);
  for (const int n : {0, 1, 2, 7})
    if (std::abs(filter.row_out(work[0], 0)[std::size_t(1001 + n)] - kernel[std::size_t(edge + n)]) > 1e-5)
      return wrong(state, "the filter's result is wrong");

  time(state, edge, [&] {
#pragma omp parallel for schedule(static, 1) num_threads(threads)
    for (int i = 0; i < threads; ++i)
      for (int batch = i; batch < edge / RowFilter::batch; batch += threads) {
        for (int r = 0; r < RowFilter::batch; ++r) {
          const auto in = filter.row_in(work[std::size_t(i)], r);
          std::fill(in.begin(), in.end(), float(r));
        }
        filter.run(work[std::size_t(i)], RowFilter::batch);
      }
  });
}

}  // namespace

void add_filter() {
  for (const int threads : {1, 2})
    benchmark::RegisterBenchmark(("filter/rows_2048/fftw/" + std::to_string(threads)).c_str(),
                                 [=](benchmark::State& state) { time_filter(state, threads); })
        ->UseRealTime();
}

}  // namespace rayloom::bench
