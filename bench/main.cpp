// Benchmarks of rayloom's kernels beside the limits of the machine. `bench/run` prints the table.
#include <cstring>

#include "bench.h"

namespace {
bool any_wrong = false;
}

void rayloom::bench::wrong(benchmark::State& state, const char* what) {
  any_wrong = true;
  state.SkipWithError(what);
}

int main(int argc, char** argv) {
  bool quick = false;
  for (int i = 1; i < argc; ++i)
    if (std::strcmp(argv[i], "--quick") == 0) {
      quick = true;
      std::memmove(argv + i, argv + i + 1, std::size_t(argc - i) * sizeof(char*));
      --argc;
    }
  rayloom::bench::add_limits();
  rayloom::bench::add_kernels(quick);
  rayloom::bench::add_filter();
  rayloom::bench::add_gridding(quick);
  rayloom::bench::add_simulate();
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) return 2;
  benchmark::RunSpecifiedBenchmarks();
  return any_wrong ? 1 : 0;
}
