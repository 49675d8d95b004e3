#include "rayloom/simulate/blur.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

/// Mirrors the weights of 0 .. n and makes their sum 1.
BlurKernel even(const std::vector<double>& half) {
  BlurKernel kernel(half.rbegin(), half.rend());
  kernel.insert(kernel.end(), half.begin() + 1, half.end());
  double sum = 0;
  for (const double weight : kernel)
    sum += weight;
  for (double& weight : kernel)
    weight /= sum;
  return kernel;
}

/// Sum of kernel times the samples around `at`, which lie `stride` apart, `count` in all.
double around(const BlurKernel& kernel, const float* samples, std::ptrdiff_t stride, int count, int at) {
  const int half = int(kernel.size() / 2);
  double sum = 0;
  for (int i = -half; i <= half; ++i)
    sum += kernel[std::size_t(i + half)] * double(samples[std::clamp(at + i, 0, count - 1) * stride]);
  return sum;
}

}  // namespace

BlurKernel box_kernel(double width_px) {
  if (!(width_px >= 0 && width_px <= 200))
    throw InvalidOption("blur: a box of " + to_text(width_px) + " pixels; must be from 0 to 200 wide");
  if (width_px <= 1) return {1};
  std::vector<double> half = {1};
  for (int i = 1; i - 0.5 < width_px / 2; ++i)
    half.push_back(std::min(1.0, width_px / 2 - (i - 0.5)));
  return even(half);
}

BlurKernel gaussian_kernel(double sigma_px) {
  if (!(sigma_px >= 0 && sigma_px <= 20))
    throw InvalidOption("blur: a Gaussian of " + to_text(sigma_px) + " pixels; must be from 0 to 20");
  if (sigma_px == 0) return {1};
  const double t = sigma_px * sigma_px;
  std::vector<double> half;
  for (int n = 0; half.empty() || half.back() > 1e-9 * half.front(); ++n)
    half.push_back(std::exp(-t) * std::cyl_bessel_i(double(n), t));
  return even(half);
}

void blur(Image& image, const BlurKernel& along_row, const BlurKernel& along_column) {
  const int rows = image.rows, columns = image.columns;
  Image between(rows, columns);
#pragma omp parallel for schedule(static)
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      between.at(r, c) = float(around(along_row, &image.samples[std::size_t(r) * std::size_t(columns)], 1, columns, c));
#pragma omp parallel for schedule(static)
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      image.at(r, c) = float(around(along_column, &between.samples[std::size_t(c)], columns, rows, r));
}

}  // namespace rayloom
