/// @file
/// Loops over the samples of a row that `survey` spends its time in, each compiled for the widest vectors that the
/// processor has.
#pragma once

namespace rayloom::survey_loops {

/// out = (stored - dark) factor. @return the least of them.
float flattened(const float* stored, const float* dark, const float* factor, int count, float* out);
/// out = stored factor. @return the least of them.
float scaled(const float* stored, float factor, int count, float* out);
/// out = exp(-stored) as (1 - p/1024)^1024, low by p^2/2048 of itself: 0.3 % where 10 % pass, 0.6 % where 3 % do.
/// @return the least of them.
float transmitted(const float* stored, int count, float* out);

/// Adds a row to sums.
void add_to(float* sums, const float* row, int count);
/// Sum of a row.
float sum(const float* row, int count);
/// Samples below 10 % and 3 %.
void count_low(const float* row, int count, int& below_10, int& below_3);
int count_at_least(const float* row, int count, float limit);
int count_at_most(const float* row, int count, float limit);
/// Samples that are above both others by more than `rise`.
int count_rises(const float* before, const float* row, const float* after, int count, float rise);
/// low = min(low, row), high = max(high, row).
void widen(float* low, float* high, const float* row, int count);

/// Of the differences of two rows: sums of their squares, of them, and of them times the distance from the middle.
struct Moments {
  double squares, sum, across;
};
Moments moments_of_step(const float* from, const float* to, int count);

}  // namespace rayloom::survey_loops
