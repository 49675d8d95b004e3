/// @file
/// Loops over independent pieces of work, with exceptions carried out of the threads.
#pragma once
#include <omp.h>

#include <algorithm>
#include <exception>
#include <optional>

namespace rayloom {

/// Number of threads to use: the request, or as many as OpenMP offers.
inline int thread_count(std::optional<int> requested) {
  return requested ? *requested : omp_get_max_threads();
}

/// The most that can be asked for: more only cost memory.
inline int most_threads() {
  return std::max(64, 4 * omp_get_num_procs());
}

/// Runs `work(i, thread)` for i = 0 .. count - 1 on `threads` threads, each piece once, in any order. If pieces throw,
/// the exception of the lowest i is thrown once all have ended, so that the message does not depend on timing; later
/// pieces are skipped.
template <class Work>
void parallel_for(int count, int threads, const Work& work) {
  std::exception_ptr failure;
  int failed_at = count;
#pragma omp parallel for schedule(dynamic, 1) num_threads(threads)
  for (int i = 0; i < count; ++i) {
    bool skip = false;
#pragma omp critical(rayloom_parallel_for)
    skip = i > failed_at;
    if (skip) continue;
    try {
      work(i, omp_get_thread_num());
    } catch (...) {
#pragma omp critical(rayloom_parallel_for)
      if (i < failed_at) {
        failed_at = i;
        failure = std::current_exception();
      }
    }
  }
  if (failure) std::rethrow_exception(failure);
}

}  // namespace rayloom
