#include "rayloom/reconstruct/held_rows.h"

#include <algorithm>
#include <memory>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"

namespace rayloom {

RowRange joined(RowRange a, RowRange b) {
  if (a.count == 0 || b.count == 0) return a.count == 0 ? b : a;
  const int first = std::min(a.first, b.first);
  return {first, std::max(a.first + a.count, b.first + b.count) - first};
}

std::size_t bytes_of(const Geometry& geometry, RowRange rows) {
  return geometry.angles_rad.size() * std::size_t(rows.count) * std::size_t(geometry.detector.columns) * sizeof(float);
}

ProjectionSource held_in_memory(const Geometry& geometry, const ProjectionSource& source, RowRange rows, int threads) {
  const int views = int(geometry.angles_rad.size());
  const std::size_t columns = std::size_t(geometry.detector.columns), of_view = std::size_t(rows.count) * columns;
  const auto held = std::make_shared<std::vector<float>>(std::size_t(views) * of_view);
  const int block =
      source.stored == ProjectionSource::Stored::by_row ? std::max(1, (views + threads - 1) / threads) : 16;
  parallel_for((views + block - 1) / block, threads, [&](int i, int) {
    const int view = i * block, count = std::min(block, views - view);
    source.read(view, count, rows.first, rows.count,
                std::span(*held).subspan(std::size_t(view) * of_view, std::size_t(count) * of_view));
  });
  return {[=](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
            if (first_row < rows.first || first_row + row_count > rows.first + rows.count)
              throw InvalidOption("rows: " + std::to_string(first_row) + " to " +
                                  std::to_string(first_row + row_count - 1) + "; must be among those held");
            const std::size_t size = std::size_t(row_count) * columns;
            for (std::size_t v = 0; v < std::size_t(view_count); ++v)
              std::copy_n(held->begin() + std::ptrdiff_t((std::size_t(first_view) + v) * of_view +
                                                         std::size_t(first_row - rows.first) * columns),
                          size, out.begin() + std::ptrdiff_t(v * size));
          },
          ProjectionSource::Stored::by_view};
}

}  // namespace rayloom
