#include "rayloom/simulate/project_phantom.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

/// Some neighbouring pixels.
struct Block {
  int first_row, end_row, first_column, end_column;
};

/// What holds all rays to the block's pixels: they fan out evenly, so those to its corners lie farthest from the
/// middle.
Pencil pencil_of(const ViewRays& rays, const Block& at) {
  const double top = at.first_row - 0.5, bottom = at.end_row - 0.5, left = at.first_column - 0.5,
               right = at.end_column - 0.5;
  Pencil pencil{rays.to({(top + bottom) / 2, (left + right) / 2}), 0, 0};
  const Vec3& along = pencil.middle.direction;
  for (const double row : {top, bottom})
    for (const double column : {left, right}) {
      const Ray corner = rays.to({row, column});
      const double cosine = along.dot(corner.direction);
      const Vec3 apart = corner.origin - pencil.middle.origin;
      const double slope = cosine > 0.01 ? along.cross(corner.direction).norm() / cosine : 1e300;  // nothing is missed
      pencil.radius_mm = std::max(pencil.radius_mm, along.cross(apart).norm() + slope * std::abs(along.dot(apart)));
      pencil.slope = std::max(pencil.slope, slope);
    }
  pencil.radius_mm += 1e-9 * (1 + pencil.middle.origin.norm());  // rounding
  return pencil;
}

/// @param line_integral  Of a ray, with a thread's scratch. @param keep_to  Prepares the scratch for a pencil of rays.
template <class Scratch, class KeepTo, class LineIntegral>
void project_rays(const Geometry& geometry, const Pose& pose, const PixelSampling& sampling, std::span<float> view,
                  const Scratch& fresh_scratch, const KeepTo& keep_to, const LineIntegral& line_integral) {
  const int n = sampling.per_side;
  if (n < 1) throw InvalidOption("subsamples: " + std::to_string(n) + "; must be at least 1");
  const int rows = geometry.detector.rows, columns = geometry.detector.columns;
  const bool as_line_integral = sampling.average == PixelSampling::Average::line_integral;
  const auto part = [n](int i) { return (i + 0.5) / (n * n) - 0.5; };
  constexpr int edge = 8;
  const int across = (columns + edge - 1) / edge, down = (rows + edge - 1) / edge;
  const ViewRays rays(geometry, pose);
  const auto value = [&](int r, int c, Scratch& scratch) {
    double sum = 0;
    for (int i = 0; i < n; ++i)
      for (int j = 0; j < n; ++j) {
        const double p = line_integral(rays.to({r + part(i * n + j), c + part(j * n + n - 1 - i)}), scratch);
        sum += as_line_integral ? p : std::exp(-p);
      }
    const double mean = sum / (n * n);
    return float(as_line_integral ? mean : -std::log(mean));
  };
#pragma omp parallel
  {
    Scratch scratch = fresh_scratch;
#pragma omp for schedule(dynamic, 1)
    for (int b = 0; b < across * down; ++b) {
      const int r0 = b / across * edge, c0 = b % across * edge;
      const Block block{r0, std::min(r0 + edge, rows), c0, std::min(c0 + edge, columns)};
      keep_to(pencil_of(rays, block), scratch);
      for (int r = block.first_row; r < block.end_row; ++r)
        for (int c = block.first_column; c < block.end_column; ++c)
          view[std::size_t(r) * std::size_t(columns) + std::size_t(c)] = value(r, c, scratch);
    }
  }
}

}  // namespace

void project_phantom(const Phantom& phantom, std::span<const double> attenuation, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view) {
  const Tracer tracer(phantom);
  project_rays(
      geometry, pose, sampling, view, tracer.scratch(),
      [&](const Pencil& pencil, Tracer::Scratch& scratch) { tracer.keep_to(pencil, scratch); },
      [&](const Ray& ray, Tracer::Scratch& scratch) { return tracer.line_integral(ray, attenuation, scratch); });
}

void project_phantom(const Phantom& phantom, const SpectralAttenuation& attenuation, const Geometry& geometry,
                     const Pose& pose, const PixelSampling& sampling, std::span<float> view) {
  struct Scratch {
    Tracer::Scratch trace;
    std::vector<double> length_mm;
  };
  const Tracer tracer(phantom);
  project_rays(
      geometry, pose, sampling, view, Scratch{tracer.scratch(), std::vector<double>(phantom.substances.size())},
      [&](const Pencil& pencil, Scratch& scratch) { tracer.keep_to(pencil, scratch.trace); },
      [&](const Ray& ray, Scratch& scratch) {
        tracer.lengths(ray, scratch.length_mm, scratch.trace);
        return attenuation.line_integral(scratch.length_mm);
      });
}

}  // namespace rayloom
