#include "rayloom/reconstruct/reduce.h"

#include <algorithm>

#include "rayloom/errors.h"

namespace rayloom {

Geometry binned(const Geometry& geometry, int n) {
  Geometry reduced = geometry;
  Detector& d = reduced.detector;
  // One row stays one row: there is nothing to average along it.
  const int rows_n = d.rows == 1 ? 1 : n;
  if (n < 1 || d.columns / n < 1 || d.rows / rows_n < 1)
    throw InvalidOption("bin: " + std::to_string(n) + "; must be at least 1 and leave a pixel of the detector's " +
                        std::to_string(d.columns) + " x " + std::to_string(d.rows));
  d.columns /= n;
  d.rows /= rows_n;
  d.column_pitch_mm *= n;
  d.row_pitch_mm *= rows_n;
  d.axis_column = (d.axis_column + 0.5) / n - 0.5;
  d.midplane_row = (d.midplane_row + 0.5) / rows_n - 0.5;
  return reduced;
}

ProjectionSource binned(const Geometry& full, const ProjectionSource& source, int n) {
  if (n == 1) return source;
  const int rows_n = full.detector.rows == 1 ? 1 : n;
  const std::size_t wide = std::size_t(full.detector.columns), columns = wide / std::size_t(n);
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            std::vector<float> fine(std::size_t(view_count) * std::size_t(row_count) * std::size_t(rows_n) * wide);
            source.read(first_view, view_count, first_row * rows_n, row_count * rows_n, fine);
            const float share = 1.0f / float(n * rows_n);
            for (std::size_t row = 0; row < std::size_t(view_count) * std::size_t(row_count); ++row)
              for (std::size_t c = 0; c < columns; ++c) {
                float sum = 0;
                for (std::size_t i = 0; i < std::size_t(rows_n); ++i)
                  for (std::size_t j = 0; j < std::size_t(n); ++j)
                    sum += fine[(row * std::size_t(rows_n) + i) * wide + c * std::size_t(n) + j];
                out[row * columns + c] = sum * share;
              }
          },
          source.stored};
}

Geometry every(const Geometry& geometry, int n) {
  const int all = int(geometry.angles_rad.size());
  if (n < 1 || (n > 1 && n >= all))
    throw InvalidOption("every: " + std::to_string(n) + "; must be at least 1 and leave two of the " +
                        std::to_string(all) + " views");
  std::vector<int> views;
  for (int i = 0; i < all; i += n)
    views.push_back(i);
  return with_views(geometry, views);
}

ProjectionSource every(const Geometry& full, const ProjectionSource& source, int n) {
  if (n == 1) return source;
  const std::size_t columns = std::size_t(full.detector.columns);
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            const std::size_t block = std::size_t(row_count) * columns;
            for (int v = 0; v < view_count; ++v)
              source.read((first_view + v) * n, 1, first_row, row_count, out.subspan(std::size_t(v) * block, block));
          },
          source.stored};
}

ReducedScan reduced(const Geometry& full, const ProjectionSource& source, int nth, int bin) {
  const Geometry fewer = every(full, nth);
  return {binned(fewer, bin), binned(fewer, every(full, source, nth), bin)};
}

}  // namespace rayloom
