/// @file
/// What the benches share. Each reports a rate as the counter `rate` (per second of real time) and checks the result
/// that it times.
#pragma once
#include <benchmark/benchmark.h>

#include <string>

namespace rayloom::bench {

/// This machine's limits, one entry an instruction set and 1 or 2 threads: limit/NAME/SET/THREADS.
void add_limits();
/// kernel/NAME/SET/THREADS, and the textbook's loop; `quick` for small volumes.
void add_kernels(bool quick);
void add_filter();
/// gridding/SLICE/with_filter/THREADS, in the updates a second that direct back-projection would need.
void add_gridding(bool quick);
void add_simulate();

/// Notes a wrong result: the program then ends with status 1.
void wrong(benchmark::State& state, const char* what);

/// Runs `work` for as long as `state` asks, and reports count per run.
template <class Work>
void time_warm(benchmark::State& state, double count, const Work& work) {
  for (auto _ : state)
    work();
  state.counters["rate"] = benchmark::Counter(count, benchmark::Counter::kIsIterationInvariantRate);
}

/// The same after one untimed run.
template <class Work>
void time(benchmark::State& state, double count, const Work& work) {
  work();
  time_warm(state, count, work);
}

}  // namespace rayloom::bench
