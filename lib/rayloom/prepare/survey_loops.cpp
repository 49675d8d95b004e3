#include "rayloom/prepare/survey_loops.h"

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define RAYLOOM_WIDEST __attribute__((target_clones("avx2", "default")))
#else
#define RAYLOOM_WIDEST
#endif

namespace rayloom::survey_loops {

RAYLOOM_WIDEST float flattened(const float* stored, const float* dark, const float* factor, int count, float* out) {
  float least = __builtin_inff();
#pragma omp simd reduction(min : least)
  for (int i = 0; i < count; ++i) {
    const float t = (stored[i] - dark[i]) * factor[i];
    out[i] = t;
    least = t < least ? t : least;
  }
  return least;
}

RAYLOOM_WIDEST float scaled(const float* stored, float factor, int count, float* out) {
  float least = __builtin_inff();
#pragma omp simd reduction(min : least)
  for (int i = 0; i < count; ++i) {
    const float t = stored[i] * factor;
    out[i] = t;
    least = t < least ? t : least;
  }
  return least;
}

RAYLOOM_WIDEST float transmitted(const float* stored, int count, float* out) {
  float least = __builtin_inff();
#pragma omp simd reduction(min : least)
  for (int i = 0; i < count; ++i) {
    float t = 1 - stored[i] * (1.0F / 1024);
    t = t > 0 ? t : 0;
    for (int k = 0; k < 10; ++k)
      t *= t;
    out[i] = t;
    least = t < least ? t : least;
  }
  return least;
}

RAYLOOM_WIDEST void add_to(float* sums, const float* row, int count) {
#pragma omp simd
  for (int i = 0; i < count; ++i)
    sums[i] += row[i];
}

RAYLOOM_WIDEST float sum(const float* row, int count) {
  float all = 0;
#pragma omp simd reduction(+ : all)
  for (int i = 0; i < count; ++i)
    all += row[i];
  return all;
}

RAYLOOM_WIDEST void count_low(const float* row, int count, int& below_10, int& below_3) {
  int tenth = 0, third = 0;
#pragma omp simd reduction(+ : tenth, third)
  for (int i = 0; i < count; ++i) {
    tenth += row[i] < 0.1F ? 1 : 0;
    third += row[i] < 0.03F ? 1 : 0;
  }
  below_10 = tenth;
  below_3 = third;
}

RAYLOOM_WIDEST int count_at_least(const float* row, int count, float limit) {
  int found = 0;
#pragma omp simd reduction(+ : found)
  for (int i = 0; i < count; ++i)
    found += row[i] >= limit ? 1 : 0;
  return found;
}

RAYLOOM_WIDEST int count_at_most(const float* row, int count, float limit) {
  int found = 0;
#pragma omp simd reduction(+ : found)
  for (int i = 0; i < count; ++i)
    found += row[i] <= limit ? 1 : 0;
  return found;
}

RAYLOOM_WIDEST int count_rises(const float* before, const float* row, const float* after, int count, float rise) {
  int found = 0;
#pragma omp simd reduction(+ : found)
  for (int i = 0; i < count; ++i) {
    const float higher = before[i] > after[i] ? before[i] : after[i];
    found += row[i] - higher > rise ? 1 : 0;
  }
  return found;
}

RAYLOOM_WIDEST void widen(float* low, float* high, const float* row, int count) {
#pragma omp simd
  for (int i = 0; i < count; ++i) {
    low[i] = row[i] < low[i] ? row[i] : low[i];
    high[i] = row[i] > high[i] ? row[i] : high[i];
  }
}

RAYLOOM_WIDEST Moments moments_of_step(const float* from, const float* to, int count) {
  double squares = 0, sum = 0, across = 0;
  const double middle = (count - 1) / 2.0;
#pragma omp simd reduction(+ : squares, sum, across)
  for (int i = 0; i < count; ++i) {
    const double step = double(from[i]) - double(to[i]);
    squares += step * step;
    sum += step;
    across += step * (i - middle);
  }
  return {squares, sum, across};
}

}  // namespace rayloom::survey_loops
