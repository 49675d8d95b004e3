#include "rayloom/reconstruct/filter.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/geometry/geometry.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

struct NamedWindow {
  const char* name;
  Window window;
};
constexpr std::array<NamedWindow, 6> windows = {{{"none", Window::none},
                                                 {"ramp", Window::ramp},
                                                 {"shepp-logan", Window::shepp_logan},
                                                 {"hann", Window::hann},
                                                 {"hamming", Window::hamming},
                                                 {"cosine", Window::cosine}}};

/// r(x) = 2 int_0^a f cos(2 pi f x) df, the ramp band-limited to a (cycles a sample) at x samples.
double band_limited_ramp(double x, double a) {
  const double k = 2 * pi * x;
  if (std::abs(k * a) < 1e-4) return a * a * (1 - (k * a) * (k * a) / 4);
  const double half_sine = std::sin(k * a / 2);
  return 2 * (a * std::sin(k * a) / k - 2 * half_sine * half_sine / (k * k));
}

/// (1 - cos(w a)) / w, finite at w = 0.
double versine_over(double w, double a) {
  const double half_sine = std::sin(w * a / 2);
  return std::abs(w * a) < 1e-9 ? w * a * a / 2 : 2 * half_sine * half_sine / w;
}

/// The kernel at x samples for unit pitch. Cosine windows are shifted copies of the ramp's transform: a term c cos(2 pi
/// f s) of the window adds c/2 [r(x + s) + r(x - s)].
double kernel_at(Window window, double x, double fraction) {
  const double a = fraction / 2;  // cut-off in cycles a sample
  const auto ramp = [a](double at) { return band_limited_ramp(at, a); };
  const auto shifted = [&](double by) { return (ramp(x + by) + ramp(x - by)) / 2; };
  switch (window) {
    case Window::hann:
      return 0.5 * ramp(x) + 0.5 * shifted(1 / fraction);
    case Window::hamming:
      return 0.54 * ramp(x) + 0.46 * shifted(1 / fraction);
    case Window::cosine:
      return shifted(0.5 / fraction);
    case Window::shepp_logan: {
      // |f| sinc(f / 2 a) = (2 a / pi) sin(pi f / 2 a); 2 int_0^a sin(alpha f) cos(beta f) df by product to sum.
      const double alpha = pi / (2 * a), beta = 2 * pi * x;
      return 2 * a / pi * (versine_over(alpha + beta, a) + versine_over(alpha - beta, a));
    }
    case Window::ramp:
    case Window::none:
      break;
  }
  return ramp(x);
}

}  // namespace

void FilterOptions::validate() const {
  if (!(cutoff_fraction > 0 && cutoff_fraction <= 1))
    throw InvalidOption("cutoff: " + to_text(cutoff_fraction) +
                        "; must be a fraction of Nyquist, above 0 and at most 1");
}

std::string to_string(Window window) {
  for (const auto& entry : windows)
    if (entry.window == window) return entry.name;
  return {};
}

Window window_from(const std::string& name) {
  std::string known;
  for (const auto& entry : windows) {
    if (entry.name == name) return entry.window;
    known += (known.empty() ? "" : ", ") + std::string(entry.name);
  }
  throw InvalidOption("filter: '" + name + "'; must be one of " + known);
}

std::vector<double> ramp_kernel(const FilterOptions& options, int half_width, double pitch) {
  options.validate();
  if (options.window == Window::none) throw InvalidOption("filter: none; has no kernel");
  if (half_width < 0) throw InvalidOption("half_width: " + std::to_string(half_width) + "; must not be negative");
  if (!(pitch > 0)) throw InvalidOption("pitch: " + to_text(pitch) + "; must be above 0");
  std::vector<double> kernel(2 * std::size_t(half_width) + 1);
  const bool plain_ramp = options.window == Window::ramp && options.cutoff_fraction == 1;
  for (int n = 0; n <= half_width; ++n) {
    double value = kernel_at(options.window, n, options.cutoff_fraction);
    if (plain_ramp && n > 0) value = n % 2 == 0 ? 0 : -1 / (pi * pi * double(n) * double(n));  // without rounding
    kernel[std::size_t(half_width + n)] = kernel[std::size_t(half_width - n)] = value / (pitch * pitch);
  }
  return kernel;
}

void make_equiangular(std::span<double> kernel, double pitch_rad) {
  const int half_width = int(kernel.size() / 2);
  for (int n = 1; n <= half_width; ++n) {
    const double angle = n * pitch_rad, ratio = angle / std::sin(angle);
    kernel[std::size_t(half_width + n)] *= ratio * ratio;
    kernel[std::size_t(half_width - n)] *= ratio * ratio;
  }
}

RowFilter::RowFilter(int columns, double step, std::span<const double> kernel, int beyond)
    : columns_(columns), beyond_(beyond), length_(quick_fft_length(std::max(2 * (columns + beyond), 4))) {
  if (kernel.empty()) return;
  const int lags = columns + beyond;  // from a column beyond one end to the one after the other end
  assert(kernel.size() == 2 * std::size_t(lags) + 1);
  fft_.emplace(length_, batch);

  // The transform of an even kernel is a real cosine sum; done once in double precision through the same FFT's length
  // would lose digits in float32, so each bin is summed directly from a table of cosines.
  const std::size_t length = std::size_t(length_), bins = length / 2 + 1;
  std::vector<double> cosines(length);
  for (std::size_t i = 0; i < length; ++i)
    cosines[i] = std::cos(2 * pi * double(i) / double(length));
  const double* h = kernel.data() + lags;
  response_.resize(bins);
#pragma omp parallel for schedule(static)
  for (std::size_t k = 0; k < bins; ++k) {
    double sum = h[0];
    std::size_t phase = 0;
    for (int n = 1; n <= lags; ++n) {
      phase += k;
      if (phase >= length) phase -= length;
      // At twice the greatest lag, it and its opposite share one sample of the circle.
      const double both = 2 * lags == length_ && n == lags ? 1 : 2;
      sum += both * h[n] * cosines[phase];
    }
    response_[k] = float(sum * step / double(length));
  }
}

RowFilter::Workspace RowFilter::workspace() const {
  if (!fft_) return {AlignedVector<float>(std::size_t(batch) * std::size_t(length_)), {}};
  return {AlignedVector<float>(fft_->samples()), AlignedVector<std::complex<float>>(fft_->spectrum())};
}

std::size_t RowFilter::workspace_bytes(int columns, int beyond) {
  return std::size_t(batch) * 2 * (std::size_t(quick_fft_length(2 * (columns + beyond))) + 2) * sizeof(float);
}

// A row sits one sample into its buffer, so that column -1 comes out at index 0 without wrapping round.
std::span<float> RowFilter::row_in(Workspace& work, int r) const {
  return std::span(work.rows).subspan(std::size_t(r) * std::size_t(length_) + 1, std::size_t(columns_in()));
}

std::span<const float> RowFilter::row_out(const Workspace& work, int r) const {
  return std::span(work.rows).subspan(std::size_t(r) * std::size_t(length_) + std::size_t(beyond_),
                                      std::size_t(columns_out()));
}

void RowFilter::pad(Workspace& work, int rows) const {
  const std::size_t length = std::size_t(length_), used = std::size_t(columns_in());
  for (int r = 0; r < batch; ++r) {
    float* row = work.rows.data() + std::size_t(r) * length;
    if (r < rows) {
      row[0] = 0;
      std::fill(row + used + 1, row + length, 0.0f);
    } else {
      std::fill(row, row + length, 0.0f);
    }
  }
}

void RowFilter::run_to_spectrum(Workspace& work, int rows) const {
  assert(fft_);
  pad(work, rows);
  fft_->forward(work.rows, work.spectrum);
  const std::size_t count = std::size_t(bins());
  for (std::size_t r = 0; r < std::size_t(rows); ++r)
    for (std::size_t k = 0; k < count; ++k)
      work.spectrum[r * count + k] *= response_[k];
}

std::span<const std::complex<float>> RowFilter::spectrum_out(const Workspace& work, int r) const {
  return std::span(work.spectrum).subspan(std::size_t(r) * std::size_t(bins()), std::size_t(bins()));
}

void RowFilter::run(Workspace& work, int rows) const {
  if (fft_) {
    run_to_spectrum(work, rows);
    fft_->inverse(work.spectrum, work.rows);
    return;
  }
  const std::size_t length = std::size_t(length_), used = std::size_t(columns_);
  for (std::size_t r = 0; r < std::size_t(rows); ++r) {
    float* row = work.rows.data() + r * length + beyond_;
    row[0] = row[1];
    row[used + 1] = row[used];
  }
}

}  // namespace rayloom
