#include "rayloom/volume/curve.h"

#include <algorithm>
#include <cmath>

#include "rayloom/json_fields.h"
#include "rayloom/volume/bitmap_font.h"
#include "rayloom/volume/canvas.h"
#include "rayloom/volume/picture.h"

namespace rayloom {

namespace {

constexpr int s = 2;  // size of a font pixel
constexpr int plot_columns = 600, plot_rows = 240, margin = 6 * s, line_height = bitmap_font::height * s;
constexpr std::uint8_t white = 255, grid = 215;

/// A number that stands at an axis, and how far along it.
struct Tick {
  double share;
  std::string label;
};

/// Round numbers from `low` to `high` (> low), some `about` of them.
std::vector<Tick> ticks(double low, double high, int about) {
  const double step = round_length((high - low) / about);
  std::vector<Tick> all;
  for (double n = std::ceil(low / step); n * step <= high + 1e-9 * step; ++n)
    all.push_back({(n * step - low) / (high - low), to_text(n * step + 0.0, 9)});
  return all;
}

}  // namespace

void write_curve(const std::filesystem::path& file, const std::vector<double>& values, const CurveLabels& labels) {
  if (values.empty()) return;
  const auto [lowest, highest] = std::minmax_element(values.begin(), values.end());
  const double room = std::max(0.05 * (*highest - *lowest), 1e-3 * std::max(std::abs(*highest), 1e-3));
  const double bottom = *lowest - room, top = *highest + room;
  const int count = int(values.size());
  const double last = labels.first + labels.step * std::max(count - 1, 1);
  const std::vector<Tick> up = ticks(bottom, top, 4), along = ticks(labels.first, last, 6);

  int label_width = 0;
  for (const Tick& tick : up)
    label_width = std::max(label_width, Canvas::text_width(tick.label, s));
  const int left = margin + label_width + 3 * s, first_row = margin + 2 * line_height;
  const int below = first_row + plot_rows + 3 * s;
  Canvas canvas(left + plot_columns + margin + 4 * bitmap_font::advance * s, below + 2 * line_height + margin);
  canvas.text(margin, margin, labels.title + (labels.unit.empty() ? "" : ", " + labels.unit), s);
  canvas.fill(left - 1, first_row - 1, plot_columns + 2, plot_rows + 2, Canvas::frame);
  canvas.fill(left, first_row, plot_columns, plot_rows, white);
  for (const Tick& tick : up) {
    const int y = first_row + int(std::lround((1 - tick.share) * (plot_rows - 1)));
    canvas.fill(left, y, plot_columns, 1, grid);
    canvas.text(left - 3 * s - Canvas::text_width(tick.label, s), y - bitmap_font::capital * s / 2, tick.label, s);
  }
  for (const Tick& tick : along) {
    const int x = left + int(std::lround(tick.share * (plot_columns - 1)));
    canvas.fill(x, first_row, 1, plot_rows, grid);
    canvas.text(x - Canvas::text_width(tick.label, s) / 2, below, tick.label, s);
  }
  canvas.text(left + plot_columns - Canvas::text_width(labels.along, s), below + line_height, labels.along, s);

  const auto row_of = [&](int column) {
    const double at = count > 1 ? double(column) * (count - 1) / (plot_columns - 1) : 0;
    const int i = std::min(int(at), std::max(count - 2, 0)), next = std::min(i + 1, count - 1);
    const double value = values[std::size_t(i)] + (at - i) * (values[std::size_t(next)] - values[std::size_t(i)]);
    return std::clamp(int(std::lround((top - value) / (top - bottom) * (plot_rows - 1))), 0, plot_rows - 1);
  };
  for (int c = 0; c < plot_columns; ++c) {
    const int from = row_of(std::max(c - 1, 0)), to = row_of(c);
    canvas.fill(left + c, first_row + std::min(from, to), 1, std::abs(to - from) + 1, Canvas::ink);
  }
  canvas.write_png(file);
}

}  // namespace rayloom
