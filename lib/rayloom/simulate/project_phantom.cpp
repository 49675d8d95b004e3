#include "rayloom/simulate/project_phantom.h"

#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

void project_phantom(const Phantom& phantom, std::span<const double> attenuation, const Geometry& geometry,
                     double angle_rad, const PixelSampling& sampling, std::span<float> view) {
  const int n = sampling.per_side;
  if (n < 1) throw InvalidOption("subsamples: " + std::to_string(n) + "; must be at least 1");
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  const bool as_line_integral = sampling.average == PixelSampling::Average::line_integral;
  const auto part = [n](int i) { return (i + 0.5) / n - 0.5; };
  const Tracer tracer(phantom);
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns);
#pragma omp parallel
  {
    Tracer::Scratch scratch;
#pragma omp for schedule(dynamic, 64)
    for (std::size_t pixel = 0; pixel < pixels; ++pixel) {
      const int r = int(pixel / std::size_t(columns)), c = int(pixel % std::size_t(columns));
      double sum = 0;
      for (int i = 0; i < n; ++i)
        for (int j = 0; j < n; ++j) {
          const Ray ray = ray_to(geometry, angle_rad, {r + part(i), c + part(j)});
          const double p = tracer.line_integral(ray, attenuation, scratch);
          sum += as_line_integral ? p : std::exp(-p);
        }
      const double mean = sum / (n * n);
      view[pixel] = float(as_line_integral ? mean : -std::log(mean));
    }
  }
}

}  // namespace rayloom
