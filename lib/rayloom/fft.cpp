#include "rayloom/fft.h"

#include <fftw3.h>

#include <algorithm>
#include <cassert>
#include <mutex>

namespace rayloom {

namespace {

std::mutex planner;  // FFTW's planner is not thread-safe; running plans is

fftwf_complex* raw(AlignedVector<std::complex<float>>& values) {
  return reinterpret_cast<fftwf_complex*>(values.data());
}

}  // namespace

struct RealFft::Plans {
  fftwf_plan forward, inverse;
};

RealFft::RealFft(int length, int batch) : length_(length), batch_(batch), plans_(std::make_unique<Plans>()) {
  assert(length > 0 && length % 2 == 0 && batch > 0);
  AlignedVector<float> rows(samples());
  AlignedVector<std::complex<float>> transformed(spectrum());
  // FFTW_ESTIMATE plans the same way every time, so that the same input gives the same bytes.
  const std::scoped_lock lock(planner);
  plans_->forward = fftwf_plan_many_dft_r2c(1, &length_, batch, rows.data(), nullptr, 1, length, raw(transformed),
                                            nullptr, 1, bins(), FFTW_ESTIMATE | FFTW_PRESERVE_INPUT);
  plans_->inverse = fftwf_plan_many_dft_c2r(1, &length_, batch, raw(transformed), nullptr, 1, bins(), rows.data(),
                                            nullptr, 1, length, FFTW_ESTIMATE);
}

RealFft::~RealFft() {
  const std::scoped_lock lock(planner);
  fftwf_destroy_plan(plans_->forward);
  fftwf_destroy_plan(plans_->inverse);
}

void RealFft::forward(AlignedVector<float>& rows, AlignedVector<std::complex<float>>& transformed) const {
  assert(rows.size() >= samples() && transformed.size() >= spectrum());
  fftwf_execute_dft_r2c(plans_->forward, rows.data(), raw(transformed));
}

void RealFft::inverse(AlignedVector<std::complex<float>>& transformed, AlignedVector<float>& rows) const {
  assert(rows.size() >= samples() && transformed.size() >= spectrum());
  fftwf_execute_dft_c2r(plans_->inverse, raw(transformed), rows.data());
}

struct ColumnFft::Plan {
  fftwf_plan inverse;
};

ColumnFft::ColumnFft(int length, int columns, std::size_t stride) : plan_(std::make_unique<Plan>()) {
  assert(length > 0 && columns > 0 && stride >= std::size_t(columns));
  AlignedVector<std::complex<float>> values(1);  // a place as aligned as those to come: FFTW_ESTIMATE reads nothing
  const std::scoped_lock lock(planner);
  plan_->inverse = fftwf_plan_many_dft(1, &length, columns, raw(values), nullptr, int(stride), 1, raw(values), nullptr,
                                       int(stride), 1, FFTW_BACKWARD, FFTW_ESTIMATE);
}

ColumnFft::~ColumnFft() {
  const std::scoped_lock lock(planner);
  fftwf_destroy_plan(plan_->inverse);
}

void ColumnFft::inverse(std::complex<float>* first) const {
  fftwf_execute_dft(plan_->inverse, reinterpret_cast<fftwf_complex*>(first), reinterpret_cast<fftwf_complex*>(first));
}

int quick_fft_length(int minimum) {
  int best = 0;
  for (const int odd : {1, 3, 5}) {
    int length = 16 * odd;
    while (length < minimum)
      length *= 2;
    if (best == 0 || length < best) best = length;
  }
  return best;
}

}  // namespace rayloom
