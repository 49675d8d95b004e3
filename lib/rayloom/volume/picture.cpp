#include "rayloom/volume/picture.h"

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/bitmap_font.h"
#include "rayloom/volume/canvas.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

constexpr int band_rows = 64;  // shown height of an image of one row

/// Where everything goes. All in pixels of the picture; `s` is the size of a font pixel.
struct Layout {
  int s, row_factor, column_factor;
  int left, top, width, height;  // the image
  int axis_x;                    // where the arrows meet
  int arrow, margin;
  int bar = 0;  // length of the scale bar
  std::string bar_label, low_label, high_label, title;
  int canvas_width, canvas_height;

  Layout(const Image& image, const PictureOptions& options, std::pair<double, double> window) {
    column_factor = enlargement(image);
    row_factor = image.rows == 1 ? std::max(column_factor, band_rows) : column_factor;
    width = image.columns * column_factor;
    height = image.rows * row_factor;
    s = std::max(2, int(std::lround(std::max(width, height) / 700.0)));
    margin = 8 * s;
    arrow = 24 * s;
    const bool marks = !options.right.empty() || !options.up.empty() || !options.down.empty();
    const int mark_width = std::max({Canvas::text_width(options.up, s), Canvas::text_width(options.down, s), 5 * s});
    left = marks ? margin + mark_width + 4 * s : margin;
    axis_x = margin + mark_width / 2;
    top = margin + (options.title.empty() ? 0 : (bitmap_font::height + 4) * s);

    int first_line = marks ? bar_start(options) - left : 0;
    if (options.pixel_mm) {
      const double shown_mm = *options.pixel_mm / column_factor;  // of one pixel of the picture
      const double length_mm = round_length(0.3 * std::max(width, 150 * s) * shown_mm);
      bar = std::max(1, int(std::lround(length_mm / shown_mm)));
      bar_label = to_text(length_mm) + " mm";
      first_line += bar + 4 * s + Canvas::text_width(bar_label, s);
    }
    low_label = to_text(window.first, 3);
    high_label = to_text(window.second, 3) + (options.unit.empty() ? "" : " " + options.unit);
    const int second_line = Canvas::wedge_width(low_label, wedge(), high_label, s);

    const int title_room = std::min(Canvas::text_width(options.title, s), 240 * s);
    canvas_width = left + std::max({width, first_line, second_line, title_room}) + margin;
    canvas_height = axis_y() + line_height() + bitmap_font::capital * s / 2 + margin;
    title = options.title;
    const std::size_t fits = std::size_t((canvas_width - left - margin + s) / (bitmap_font::advance * s));
    if (title.size() > fits) title = title.substr(0, fits - 3) + "...";
  }

  int line_height() const { return 16 * s; }
  int wedge() const { return 60 * s; }  // length of the grey wedge
  int axis_y() const { return top + height + 8 * s; }
  int bar_start(const PictureOptions& options) const {
    return std::max(left,
                    options.right.empty() ? 0 : axis_x + arrow + 4 * s + Canvas::text_width(options.right, s) + 12 * s);
  }
};

void draw_image(Canvas& canvas, const Layout& l, const Image& image, std::pair<double, double> window) {
  canvas.fill(l.left - 1, l.top - 1, l.width + 2, l.height + 2, Canvas::frame);
  const double scale = 255 / (window.second - window.first);
  for (int r = 0; r < image.rows; ++r)
    for (int c = 0; c < image.columns; ++c) {
      const double grey = (double(image.at(r, c)) - window.first) * scale;
      const auto shade = std::uint8_t(grey > 0 ? std::lround(std::min(grey, 255.0)) : 0);
      canvas.fill(l.left + c * l.column_factor, l.top + r * l.row_factor, l.column_factor, l.row_factor, shade);
    }
}

/// Dashes, white and black in turn, so that the line shows on every grey.
void draw_line(Canvas& canvas, const Layout& l, const PictureLine& line) {
  const double xa = (line.column_a + 0.5) * l.column_factor, ya = (line.row_a + 0.5) * l.row_factor;
  const double dx = (line.column_b + 0.5) * l.column_factor - xa, dy = (line.row_b + 0.5) * l.row_factor - ya;
  const bool steep = std::abs(dy) >= std::abs(dx);
  const int thickness = std::max(1, l.s / 2);
  for (int along = 0; along < (steep ? l.height : l.width); ++along) {
    const double t = steep ? (along + 0.5 - ya) / dy : (along + 0.5 - xa) / dx;
    const double across = steep ? xa + dx * t : ya + dy * t;
    if (!(t >= 0 && t <= 1 && across >= 0 && across < (steep ? l.width : l.height))) continue;
    const std::uint8_t grey = along / (4 * l.s) % 2 == 0 ? 255 : 0;
    const int x = l.left + (steep ? int(across) : along), y = l.top + (steep ? along : int(across));
    canvas.fill(x, y, steep ? thickness : 1, steep ? 1 : thickness, grey);
  }
}

void draw_axes(Canvas& canvas, const Layout& l, const PictureOptions& options) {
  const int x = l.axis_x, s = l.s, thin = std::max(1, s / 2), head = 5 * s;
  if (!options.right.empty()) {
    const int y = l.axis_y();
    canvas.fill(x, y, l.arrow - 2, thin, Canvas::ink);
    canvas.arrow_head(x + l.arrow, y, 1, 0, head);
    canvas.text(x + l.arrow + 4 * s, y - bitmap_font::capital * s / 2, options.right, s);
  }
  const auto centred = [&](const std::string& name, int y) {
    canvas.text(x - Canvas::text_width(name, s) / 2, y, name, s);
  };
  if (!options.up.empty()) {
    const int y = l.axis_y(), tip = y - l.arrow;
    canvas.fill(x, tip + 2, thin, l.arrow - 2 + thin, Canvas::ink);
    canvas.arrow_head(x, tip, 0, -1, head);
    centred(options.up, tip - (bitmap_font::height + 2) * s);
  } else if (!options.down.empty()) {
    const int tip = l.top + l.arrow;
    canvas.fill(x, l.top, thin, l.arrow - 2, Canvas::ink);
    canvas.arrow_head(x, tip, 0, 1, head);
    centred(options.down, tip + 4 * s);
  }
}

void draw_notes(Canvas& canvas, const Layout& l, const PictureOptions& options) {
  const int s = l.s;
  canvas.text(l.left, l.margin, l.title, s);
  if (options.pixel_mm) {
    const int x = l.bar_start(options), y = l.axis_y();
    canvas.fill(x, y - s, l.bar, 2 * s, Canvas::ink);
    canvas.text(x + l.bar + 4 * s, y - bitmap_font::capital * s / 2, l.bar_label, s);
  }
  const int y = l.axis_y() + l.line_height() - bitmap_font::capital * s / 2;
  canvas.wedge(l.left, y, l.low_label, l.wedge(), l.high_label, s);
}

}  // namespace

std::pair<double, double> grey_window(const Image& image, const PictureOptions& options) {
  std::vector<float> finite;
  if (!options.low || !options.high)
    std::copy_if(image.samples.begin(), image.samples.end(), std::back_inserter(finite),
                 [](float value) { return std::isfinite(value); });
  const auto percentile = [&](double share) {
    if (finite.empty()) return 0.0;
    const auto nth = finite.begin() + std::ptrdiff_t(std::lround(share * double(finite.size() - 1)));
    std::nth_element(finite.begin(), nth, finite.end());
    return double(*nth);
  };
  double low = options.low ? *options.low : percentile(0.001);
  double high = options.high ? *options.high : percentile(0.999);
  if (low == high && !(options.low && options.high)) {
    const double half = low == 0 ? 0.5 : std::abs(low) / 2;
    if (!options.low) low -= half;
    if (!options.high) high += half;
  }
  if (!(low < high))
    throw InvalidOption("window: " + to_text(low) + "," + to_text(high) + "; the low value must be below the high one");
  return {low, high};
}

int enlargement(const Image& image) {
  const int longer = std::max({image.rows, image.columns, 1});
  return (512 + longer - 1) / longer;
}

double round_length(double most) {
  const int exponent = int(std::floor(std::log10(most) + 1e-9));
  const double ten = std::pow(10.0, std::abs(exponent));
  double best = exponent < 0 ? 1 / ten : ten;
  for (const double digit : {2.0, 5.0}) {
    const double length = exponent < 0 ? digit / ten : digit * ten;
    if (length <= most * (1 + 1e-9)) best = length;
  }
  return best;
}

void write_picture(const fs::path& file, const Image& image, const PictureOptions& options) {
  if (image.rows < 1 || image.columns < 1) throw InvalidOption("picture: the image is empty; must have a pixel");
  if (options.pixel_mm && !(*options.pixel_mm > 0))
    throw InvalidOption("pixel_mm: " + to_text(*options.pixel_mm) + "; must be above 0");
  const auto window = grey_window(image, options);
  const Layout layout(image, options, window);
  Canvas canvas(layout.canvas_width, layout.canvas_height);
  draw_image(canvas, layout, image, window);
  if (const auto c = options.vertical_line) draw_line(canvas, layout, {-0.5, *c, image.rows - 0.5, *c});
  if (const auto r = options.horizontal_line) draw_line(canvas, layout, {*r, -0.5, *r, image.columns - 0.5});
  for (const auto& line : options.lines)
    draw_line(canvas, layout, line);
  draw_axes(canvas, layout, options);
  draw_notes(canvas, layout, options);
  canvas.write_png(file);
}

}  // namespace rayloom
