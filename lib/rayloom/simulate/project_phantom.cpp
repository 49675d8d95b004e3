#include "rayloom/simulate/project_phantom.h"

#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

/// @param line_integral  Of a ray, with a thread's scratch.
template <class Scratch, class LineIntegral>
void project_rays(const Geometry& geometry, const Pose& pose, const PixelSampling& sampling, std::span<float> view,
                  const Scratch& empty_scratch, const LineIntegral& line_integral) {
  const int n = sampling.per_side;
  if (n < 1) throw InvalidOption("subsamples: " + std::to_string(n) + "; must be at least 1");
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  const bool as_line_integral = sampling.average == PixelSampling::Average::line_integral;
  const auto part = [n](int i) { return (i + 0.5) / n - 0.5; };
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns);
  const ViewRays rays(geometry, pose);
#pragma omp parallel
  {
    Scratch scratch = empty_scratch;
#pragma omp for schedule(dynamic, 64)
    for (std::size_t pixel = 0; pixel < pixels; ++pixel) {
      const int r = int(pixel / std::size_t(columns)), c = int(pixel % std::size_t(columns));
      double sum = 0;
      for (int i = 0; i < n; ++i)
        for (int j = 0; j < n; ++j) {
          const Ray ray = rays.to({r + part(i), c + part(j)});
          const double p = line_integral(ray, scratch);
          sum += as_line_integral ? p : std::exp(-p);
        }
      const double mean = sum / (n * n);
      view[pixel] = float(as_line_integral ? mean : -std::log(mean));
    }
  }
}

}  // namespace

void project_phantom(const Phantom& phantom, std::span<const double> attenuation, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view) {
  const Tracer tracer(phantom);
  project_rays(geometry, pose, sampling, view, Tracer::Scratch(), [&](const Ray& ray, Tracer::Scratch& scratch) {
    return tracer.line_integral(ray, attenuation, scratch);
  });
}

void project_phantom(const Phantom& phantom, const SpectralAttenuation& attenuation, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view) {
  struct Scratch {
    Tracer::Scratch trace;
    std::vector<double> length_mm;
  };
  const Tracer tracer(phantom);
  project_rays(geometry, pose, sampling, view, Scratch{{}, std::vector<double>(phantom.substances.size())},
               [&](const Ray& ray, Scratch& scratch) {
                 tracer.lengths(ray, scratch.length_mm, scratch.trace);
                 return attenuation.line_integral(scratch.length_mm);
               });
}

}  // namespace rayloom
