#include "rayloom/reconstruct/filter_stage.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "rayloom/parallel.h"

namespace rayloom {

namespace {

/// A displaced detector widened by empty columns until it reaches equally far on both sides of the axis.
Geometry widened(Geometry ideal, int& pad_left) {
  Detector& d = ideal.detector;
  const double left = d.axis_column + 0.5, right = d.columns - 0.5 - d.axis_column;
  const int missing = int(std::ceil(std::abs(right - left)));
  pad_left = right > left ? missing : 0;
  d.columns += missing;
  d.axis_column += pad_left;
  return ideal;
}

/// As many columns beyond the ends as rays can have that still go forwards, and an equiangular kernel lags.
int columns_beyond(const Geometry& ideal, int wanted) {
  if (ideal.detector.shape != DetectorShape::arc) return wanted;
  constexpr double widest = 2.2;  // fan, from a column beyond one end to the other end
  const double step = ideal.detector.column_pitch_mm / ideal.sdd_mm;
  return std::clamp(int(widest / step) - ideal.detector.columns, 0, wanted);
}

}  // namespace

FilterStage::FilterStage(const Geometry& geometry, const Redundancy& redundancy, const FilterOptions& options,
                         const Beyond& beyond)
    : measured_(ideal_geometry(geometry)), ideal_(measured_), redundancy_(redundancy), beyond_(beyond) {
  if (geometry.detector.turned()) resampler_.emplace(geometry);
  if (redundancy.coverage == Coverage::displaced) ideal_ = widened(measured_, pad_left_);

  beyond_.columns = options.window == Window::none ? 0 : columns_beyond(ideal_, beyond_.columns);

  const Detector& d = measured_.detector;
  const bool arc = d.shape == DetectorShape::arc;
  const double step = arc ? d.column_pitch_mm / measured_.sdd_mm : measured_.virtual_column_pitch_mm();
  std::vector<double> kernel;
  if (options.window != Window::none) {
    kernel = ramp_kernel(options, ideal_.detector.columns + beyond_.columns, step);
    if (arc) make_equiangular(kernel, step);
  }
  filter_.emplace(ideal_.detector.columns, step, kernel, beyond_.columns);
  if (measured_.beam == Beam::parallel && !kernel.empty()) wave_response_ = wave_response(filter_->length());

  // Kak & Slaney 1988, ch. 3: flat D/sqrt(D^2 + p^2 [+ zeta^2]) on the plane through the axis; arc D cos(gamma), with
  // the D^2 of the back-projection weight (D/L)^2 divided out again.
  column_cosine_.resize(std::size_t(d.columns + 2 * beyond_.columns), 1.0F);
  for (int c = -beyond_.columns; c < d.columns + beyond_.columns; ++c) {
    const double u = (c - d.axis_column) * d.column_pitch_mm;
    float& cosine = column_cosine_[std::size_t(c + beyond_.columns)];
    if (arc)
      cosine = float(std::cos(u / measured_.sdd_mm) / (options.window == Window::none ? 1 : measured_.sod_mm));
    else if (measured_.beam == Beam::fan)
      cosine = float(measured_.sdd_mm / std::hypot(measured_.sdd_mm, u));
  }
}

void FilterStage::row_cosine(int row, std::span<float> cosine) const {
  const Detector& d = measured_.detector;
  const double v = (d.midplane_row - row) * d.row_pitch_mm, fixed = measured_.sdd_mm * measured_.sdd_mm + v * v;
  for (std::size_t c = 0; c < cosine.size(); ++c) {
    const double u = (double(c) - beyond_.columns - d.axis_column) * d.column_pitch_mm;
    cosine[c] = float(measured_.sdd_mm / std::sqrt(fixed + u * u));
  }
}

double FilterStage::up_of_slice(const Grid& grid, int k, double moved_mm) const {
  const Detector& d = measured_.detector;
  return std::clamp(d.rows - 1 - d.midplane_row + (grid.z_mm(k) + moved_mm) / d.row_pitch_mm, 0.0, double(d.rows - 1));
}

std::pair<int, int> FilterStage::ideal_rows(const Grid& grid, int first_line, int last_line) const {
  const int top = measured_.detector.rows - 1;
  if (measured_.beam == Beam::cone) return {top - std::clamp(last_line, 0, top), top - std::clamp(first_line, 0, top)};
  const MovedReach moved = measured_.moved_reach();
  const int low = int(up_of_slice(grid, first_line, moved.z_low_mm)),
            high = std::min(int(up_of_slice(grid, last_line, moved.z_high_mm)) + 1, top);
  return {top - high, top - low};
}

std::pair<int, int> FilterStage::stored_rows(const Grid& grid, int first_line, int last_line) const {
  const auto [first, last] = ideal_rows(grid, first_line, last_line);
  return resampler_ ? resampler_->rows_needed(first, last - first + 1) : std::pair{first, last};
}

void FilterStage::weigh(const float* row, const float* cosine, const std::vector<float>& column_weight,
                        std::span<float> out) const {
  std::fill(out.begin(), out.end(), 0.0f);
  float* to = out.data() + pad_left_;
  for (std::size_t c = 0; c < column_cosine_.size(); ++c)
    to[c] = row[c] * (cosine[c] * column_weight[c]);
}

void FilterStage::read_ideal_rows(const float* stored, int stored_first, int stored_count, int first_row, int row_count,
                                  std::vector<float>& scratch, const float*& rows) const {
  const std::size_t width = std::size_t(measured_.detector.columns);
  if (!resampler_) {
    assert(first_row >= stored_first);
    rows = stored + std::size_t(first_row - stored_first) * width;
    return;
  }
  scratch.resize(std::size_t(row_count) * width);
  resampler_->run({stored, std::size_t(stored_count) * width}, stored_first, first_row, row_count, scratch);
  rows = scratch.data();
}

std::size_t FilterStage::scratch_bytes(int stored_rows, int threads) const {
  const std::size_t rows = std::size_t(stored_rows) * std::size_t(measured_.detector.columns) * sizeof(float);
  const std::size_t capacity = std::size_t(ViewBatch::capacity_of(measured_.beam));
  const std::size_t beyond = 2 * std::size_t(beyond_.columns) * sizeof(float);
  const std::size_t row_of_views = capacity * std::size_t(measured_.detector.columns) * sizeof(float);
  return rows * capacity + (measured_.beam == Beam::cone ? rows + std::size_t(stored_rows) * beyond : 0) +
         std::size_t(threads) *
             (RowFilter::workspace_bytes(ideal_.detector.columns, beyond_.columns) + (resampler_ ? rows : 0) + beyond +
              beyond_.thread_bytes + 2 * row_of_views);  // of sinograms: what `fill` and the source each hold
}

template <class Run, class Take>
void FilterStage::each_view(const ProjectionSource& source, const Grid& grid, const Block& block, Scratch& scratch,
                            int threads, const Run& run, const Take& take) const {
  const int first_line = block.first_line, last_line = block.last_line, first_view = block.first_view,
            count = block.count;
  const auto ideal = ideal_rows(grid, first_line, last_line), stored = stored_rows(grid, first_line, last_line);
  const int row0 = ideal.first, row1 = ideal.second, stored0 = stored.first, stored1 = stored.second;
  const int stored_count = stored1 - stored0 + 1, top = measured_.detector.rows - 1;
  const std::size_t width = std::size_t(measured_.detector.columns), band = std::size_t(stored_count) * width;
  const std::size_t beyond = std::size_t(beyond_.columns), whole = width + 2 * beyond;
  const bool cone = measured_.beam == Beam::cone;
  AlignedVector<float>& raw = scratch.raw;
  const std::size_t size = std::size_t(block.capacity) * band;
  if (raw.capacity() < size) raw = {};  // or growing would hold both
  raw.resize(size);

  if (source.stored == ProjectionSource::Stored::by_row) {
    parallel_for(stored_count, threads, [&](int r, int) {
      std::vector<float> row(std::size_t(count) * width);
      source.read(first_view, count, stored0 + r, 1, row);
      for (std::size_t v = 0; v < std::size_t(count); ++v)
        std::copy_n(row.data() + v * width, width, raw.data() + v * band + std::size_t(r) * width);
    });
  } else {
    parallel_for(count, threads, [&](int v, int) {
      source.read(first_view + v, 1, stored0, stored_count, std::span(raw).subspan(std::size_t(v) * band, band));
    });
  }

  scratch.threads.resize(std::size_t(threads));
  if (cone) {  // the same in every view
    scratch.cosine.resize(std::size_t(row1 - row0 + 1) * whole);
    parallel_for(row1 - row0 + 1, threads, [&](int r, int) {
      row_cosine(row0 + r, std::span(scratch.cosine).subspan(std::size_t(r) * whole, whole));
    });
  }
  // Lines that have a row of their own; a cone's lines above and below the detector repeat the nearest.
  const int line0 = cone ? std::clamp(first_line, 0, top) : first_line,
            line1 = cone ? std::clamp(last_line, 0, top) : last_line;
  parallel_for(count, threads, [&](int v, int thread) {
    Scratch::Thread& m = scratch.threads[std::size_t(thread)];
    if (m.work.rows.empty()) m.work = filter_->workspace();
    const std::size_t view = std::size_t(first_view + v);
    const float* rows = nullptr;
    read_ideal_rows(raw.data() + std::size_t(v) * band, stored0, stored_count, row0, row1 - row0 + 1, m.resampled,
                    rows);
    column_weights(measured_, redundancy_, view, m.weight, beyond_.columns);
    RowEnds ends;
    if (beyond > 0) {
      ends = beyond_.of_view(int(view), row0, row1);
      m.whole.resize(whole);
    }
    const auto with_ends = [&](double row, const float* values) {
      if (!ends) return values;
      const std::span all(m.whole);
      std::copy_n(values, width, all.begin() + std::ptrdiff_t(beyond));
      ends(row, {values, width}, all.first(beyond), all.last(beyond));
      return static_cast<const float*>(m.whole.data());
    };
    const double moved_mm = measured_.pose(view).moved_mm.z();

    for (int begin = line0; begin <= line1; begin += RowFilter::batch) {
      const int lines = std::min(RowFilter::batch, line1 - begin + 1);
      for (int r = 0; r < lines; ++r) {
        const int line = begin + r;
        if (cone) {
          const std::size_t at = std::size_t(top - line - row0);
          weigh(with_ends(top - line, rows + at * width), scratch.cosine.data() + at * whole, m.weight,
                filter_->row_in(m.work, r));
        } else {  // the slice's own row, linear between the two nearest
          const double up = up_of_slice(grid, line, moved_mm);
          const int below = int(up), above = std::min(below + 1, top);
          const float f = float(up - below);
          const float* a = rows + std::size_t(top - below - row0) * width;
          const float* b = rows + std::size_t(top - above - row0) * width;
          m.blended.resize(width);
          for (std::size_t c = 0; c < width; ++c)
            m.blended[c] = a[c] + f * (b[c] - a[c]);
          weigh(with_ends(top - up, m.blended.data()), column_cosine_.data(), m.weight, filter_->row_in(m.work, r));
        }
      }
      run(m.work, lines);
      take(v, begin, lines, m.work);
    }
  });
}

void FilterStage::fill(const ProjectionSource& source, const Grid& grid, int first_view, int count, ViewBatch& batch,
                       Scratch& scratch, int threads) const {
  const int first_line = batch.first_line, last_line = first_line + batch.lines - 1;
  // A batch that lies above or below the whole detector takes the row nearest to it.
  const auto nearest = [&](int line) { return std::clamp(line - first_line, 0, batch.lines - 1); };
  batch.views = count;
  for (int v = 0; v < count; ++v)
    batch.poses[std::size_t(v)] = measured_.pose(std::size_t(first_view + v));
  each_view(
      source, grid, {first_line, last_line, first_view, count, batch.capacity}, scratch, threads,
      [&](RowFilter::Workspace& work, int lines) { filter_->run(work, lines); },
      [&](int v, int begin, int lines, const RowFilter::Workspace& work) {
        const float* from[RowFilter::batch];
        for (int r = 0; r < lines; ++r)
          from[r] = filter_->row_out(work, r).data();
        for (int c = 0; c < batch.columns; ++c) {
          float* to = batch.column(v, c) + nearest(begin);
          for (int r = 0; r < lines; ++r)
            to[r] = from[r][c];
        }
      });
  if (measured_.beam != Beam::cone) return;
  const int top = measured_.detector.rows - 1;
  const int below = nearest(0), above = batch.lines - 1 - nearest(top);
  if (below == 0 && above == 0) return;
  parallel_for(count, threads, [&](int v, int) {
    for (int c = 0; c < batch.columns; ++c) {
      float* column = batch.column(v, c);
      std::fill_n(column, below, column[below]);
      std::fill_n(column + batch.lines - above, above, column[batch.lines - above - 1]);
    }
  });
}

void FilterStage::fill(const ProjectionSource& source, const Grid& grid, int first_view, int count,
                       SpectrumBatch& batch, Scratch& scratch, int threads) const {
  Geometry whole = ideal_;
  whole.detector.axis_column += beyond_.columns;
  batch.views = count;
  for (int v = 0; v < count; ++v)
    batch.poses[std::size_t(v)] = measured_.pose(std::size_t(first_view + v));
  each_view(
      source, grid, {batch.first_line, batch.first_line + batch.lines - 1, first_view, count, batch.capacity}, scratch,
      threads, [&](RowFilter::Workspace& work, int lines) { filter_->run_to_spectrum(work, lines); },
      [&](int v, int begin, int lines, const RowFilter::Workspace& work) {
        for (int r = 0; r < lines; ++r)
          centre_wave(whole, grid, batch.poses[std::size_t(v)], filter_->length(), wave_response_,
                      filter_->spectrum_out(work, r), batch.row(v, begin + r));
      });
}

std::vector<float> FilterStage::filtered_rows(const ProjectionSource& source, int view, int first_row,
                                              int row_count) const {
  const auto [stored0, stored1] =
      resampler_ ? resampler_->rows_needed(first_row, row_count) : std::pair{first_row, first_row + row_count - 1};
  const std::size_t width = std::size_t(measured_.detector.columns);
  std::vector<float> stored(std::size_t(stored1 - stored0 + 1) * width), resampled;
  source.read(view, 1, stored0, stored1 - stored0 + 1, stored);
  const float* rows = nullptr;
  read_ideal_rows(stored.data(), stored0, stored1 - stored0 + 1, first_row, row_count, resampled, rows);

  auto work = filter_->workspace();
  assert(beyond_.columns == 0);
  const std::vector<float> ones(width, 1.0f);
  std::vector<float> out;
  for (int r = 0; r < row_count; ++r) {
    std::vector<float> cosine = column_cosine_;
    if (measured_.beam == Beam::cone) row_cosine(first_row + r, cosine);
    weigh(rows + std::size_t(r) * width, cosine.data(), ones, filter_->row_in(work, 0));
    filter_->run(work, 1);
    const auto filtered = filter_->row_out(work, 0);
    const auto mine = filtered.subspan(std::size_t(pad_left_), width + 2);
    out.insert(out.end(), mine.begin(), mine.end());
  }
  return out;
}

}  // namespace rayloom
