#include "rayloom/align/view_stack.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

/// The geometry of every pixel being the mean of `columns` x `rows` ones, beginning with row `first`.
Geometry of_blocks(Geometry geometry, int columns, int rows, int first) {
  Detector& d = geometry.detector;
  d.axis_column = (d.axis_column - (columns - 1) / 2.0) / columns;
  d.midplane_row = (d.midplane_row - first - (rows - 1) / 2.0) / rows;
  d.columns /= columns;
  d.column_pitch_mm *= columns;
  d.row_pitch_mm *= rows;
  return geometry;
}

/// Which pixels surround a place, and their weights for the value and its derivative.
struct Taps {
  int first = 0, count = 0;
  std::array<double, 4> value{}, slope{};
};

/// Keys 1981, IEEE Trans. ASSP 29(6):1153-1160, eq. 15.
std::optional<Taps> taps_at(double x, int count) {
  if (!(x >= 0 && x <= count - 1)) return {};
  if (count == 1) return Taps{0, 1, {1, 0, 0, 0}, {0, 0, 0, 0}};
  const int cell = std::min(int(x), count - 2);
  const double s = x - cell;
  if (count < 4) return Taps{cell, 2, {1 - s, s, 0, 0}, {-1, 1, 0, 0}};
  Taps taps{
      cell - 1,
      4,
      {((-s + 2) * s - 1) * s / 2, ((3 * s - 5) * s * s + 2) / 2, ((-3 * s + 4) * s + 1) * s / 2, (s - 1) * s * s / 2},
      {((-3 * s + 4) * s - 1) / 2, (9 * s - 10) * s / 2, ((-9 * s + 8) * s + 1) / 2, (3 * s - 2) * s / 2}};
  // Past the ends the outermost pixel repeats.
  if (cell == 0) {
    taps = {0,
            4,
            {taps.value[0] + taps.value[1], taps.value[2], taps.value[3], 0},
            {taps.slope[0] + taps.slope[1], taps.slope[2], taps.slope[3], 0}};
  } else if (cell == count - 2) {
    taps = {count - 4,
            4,
            {0, taps.value[0], taps.value[1], taps.value[2] + taps.value[3]},
            {0, taps.slope[0], taps.slope[1], taps.slope[2] + taps.slope[3]}};
  }
  return taps;
}

/// [1 2 1]/4 over `count` values `stride` apart, ends repeated.
void smooth_line(float* first, int count, std::ptrdiff_t stride, std::vector<float>& line) {
  line.resize(std::size_t(count));
  for (int i = 0; i < count; ++i)
    line[std::size_t(i)] = first[i * stride];
  for (int i = 0; i < count; ++i) {
    const float before = line[std::size_t(std::max(i - 1, 0))], after = line[std::size_t(std::min(i + 1, count - 1))];
    first[i * stride] = (before + 2 * line[std::size_t(i)] + after) / 4;
  }
}

}  // namespace

int together_for(int count, int most) {
  return std::max(1, (count + most - 1) / most);
}

ViewStack read_stack(const Geometry& geometry, const ProjectionSource& source, const RowBand& band, int threads,
                     const Hooks& hooks) {
  const int columns = geometry.detector.columns, rows = band.count / band.together;
  ViewStack stack;
  stack.geometry = of_blocks(geometry, 1, band.together, band.first);
  stack.geometry.detector.rows = rows;
  const int views = stack.views();
  stack.samples.assign(std::size_t(views) * std::size_t(rows) * std::size_t(columns), 0.0F);
  // A block of views of `together` rows becomes one row of each.
  const auto take = [&](int first_view, int count, int r) {
    std::vector<float> block(std::size_t(count) * std::size_t(band.together) * std::size_t(columns));
    source.read(first_view, count, band.first + r * band.together, band.together, block);
    for (std::size_t i = 0; i < block.size(); ++i) {
      const std::size_t view = i / (std::size_t(band.together) * std::size_t(columns));
      float* row = stack.view(first_view + int(view)) + std::ptrdiff_t(r) * columns;
      row[i % std::size_t(columns)] += block[i] / float(band.together);
    }
  };
  const bool by_row = source.stored == ProjectionSource::Stored::by_row;
  const int pieces = by_row ? rows : views;
  std::atomic<int> done{0};
  parallel_for(pieces, threads, [&](int piece, int thread) {
    if (hooks.stop()) throw Cancelled("stopped");
    if (by_row)
      take(0, views, piece);
    else
      for (int r = 0; r < rows; ++r)
        take(piece, 1, r);
    const int now = ++done;
    if (thread == 0) hooks.report("reading", double(now) / pieces);
  });
  hooks.report("reading", 1);
  return stack;
}

ViewStack halved(const ViewStack& stack) {
  const int rows = stack.geometry.detector.rows, columns = stack.geometry.detector.columns, by = rows >= 8 ? 2 : 1;
  ViewStack half;
  half.geometry = of_blocks(stack.geometry, 2, by, 0);
  half.geometry.detector.rows = rows / by;
  const int half_rows = half.geometry.detector.rows, half_columns = half.geometry.detector.columns;
  half.samples.resize(std::size_t(stack.views()) * std::size_t(half_rows) * std::size_t(half_columns));
  for (int i = 0; i < stack.views(); ++i)
    for (int r = 0; r < half_rows; ++r)
      for (int c = 0; c < half_columns; ++c) {
        float sum = 0;
        for (int k = 0; k < by; ++k) {
          const float* row = stack.view(i) + std::ptrdiff_t(r * by + k) * columns + 2 * c;
          sum += row[0] + row[1];
        }
        half.view(i)[std::ptrdiff_t(r) * half_columns + c] = sum / float(2 * by);
      }
  return half;
}

GridRequest grid_of_rays(const Geometry& geometry, double radius_mm, double voxel_mm, double beyond_rows) {
  const Detector& d = geometry.detector;
  const double stretch = geometry.beam == Beam::cone ? (geometry.sod_mm + radius_mm) / geometry.sdd_mm : 1;
  const double high = (d.midplane_row + beyond_rows) * d.row_pitch_mm * stretch,
               low = (d.midplane_row - (d.rows - 1) - beyond_rows) * d.row_pitch_mm * stretch;
  const int across = std::max(1, int(std::ceil(2 * radius_mm / voxel_mm)));
  const int slices = d.rows == 1 ? 1 : std::max(1, int(std::ceil((high - low) / voxel_mm)));
  return {.voxel_mm = voxel_mm, .size = {{across, across, slices}}, .centre_mm = Vec3(0, 0, (high + low) / 2)};
}

void smooth(ViewStack& stack, int passes, int threads) {
  const int rows = stack.geometry.detector.rows, columns = stack.geometry.detector.columns;
  parallel_for(stack.views(), threads, [&](int i, int) {
    std::vector<float> line;
    float* view = stack.view(i);
    for (int pass = 0; pass < passes; ++pass) {
      for (int r = 0; r < rows; ++r)
        smooth_line(view + std::ptrdiff_t(r) * columns, columns, 1, line);
      for (int c = 0; c < columns && rows >= 4; ++c)
        smooth_line(view + c, rows, columns, line);
    }
  });
}

std::optional<Sample> sample_at(const float* view, int rows, int columns, DetectorPosition at) {
  const auto across = taps_at(at.column, columns), down = taps_at(at.row, rows);
  if (!across || !down) return {};
  Sample sample{0, 0, 0};
  for (int j = 0; j < down->count; ++j) {
    const float* row = view + std::ptrdiff_t(down->first + j) * columns + across->first;
    double value = 0, slope = 0;
    for (int i = 0; i < across->count; ++i) {
      value += across->value[std::size_t(i)] * double(row[i]);
      slope += across->slope[std::size_t(i)] * double(row[i]);
    }
    sample.value += down->value[std::size_t(j)] * value;
    sample.by_column += down->value[std::size_t(j)] * slope;
    sample.by_row += down->slope[std::size_t(j)] * value;
  }
  return sample;
}

}  // namespace rayloom
