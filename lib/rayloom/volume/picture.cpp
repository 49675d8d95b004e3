#include "rayloom/volume/picture.h"

#include <png.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdint>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/bitmap_font.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

constexpr std::uint8_t paper = 246, ink = 34, frame = 150;
constexpr int band_rows = 64;  // shown height of an image of one row

/// Three significant digits, for the window note.
std::string rounded_text(double value) {
  char buffer[32];
  const auto result = std::to_chars(buffer, buffer + sizeof buffer, value, std::chars_format::general, 3);
  return {buffer, result.ptr};
}

/// A grey drawing; what lies outside is cut off.
class Canvas {
 public:
  Canvas(int width, int height)
      : width_(width), height_(height), pixels_(std::size_t(width) * std::size_t(height), paper) {}

  int width() const { return width_; }
  int height() const { return height_; }
  const std::uint8_t* data() const { return pixels_.data(); }

  void set(int x, int y, std::uint8_t grey) {
    if (x >= 0 && x < width_ && y >= 0 && y < height_)
      pixels_[std::size_t(y) * std::size_t(width_) + std::size_t(x)] = grey;
  }

  void fill(int x, int y, int width, int height, std::uint8_t grey) {
    for (int row = y; row < y + height; ++row)
      for (int column = x; column < x + width; ++column)
        set(column, row, grey);
  }

  /// Text with its capitals' top left corner at (x, y), every font pixel `s` x `s`.
  void text(int x, int y, const std::string& line, int s) {
    for (const char character : line) {
      for (int row = 0; row < bitmap_font::height; ++row)
        for (int column = 0; column < bitmap_font::width; ++column)
          if (bitmap_font::pixel(character, row, column)) fill(x + column * s, y + row * s, s, s, ink);
      x += bitmap_font::advance * s;
    }
  }

  /// An arrow head with its tip at (x, y), pointing along (dx, dy), one of them 0.
  void arrow_head(int x, int y, int dx, int dy, int size) {
    for (int back = 0; back < size; ++back)
      for (int side = -back / 2; side <= back / 2; ++side)
        set(x - dx * back + dy * side, y - dy * back + dx * side, ink);
  }

 private:
  int width_, height_;
  std::vector<std::uint8_t> pixels_;
};

int text_width(const std::string& line, int s) {
  return line.empty() ? 0 : (int(line.size()) * bitmap_font::advance - 1) * s;
}

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
    const int mark_width = std::max({text_width(options.up, s), text_width(options.down, s), 5 * s});
    left = marks ? margin + mark_width + 4 * s : margin;
    axis_x = margin + mark_width / 2;
    top = margin + (options.title.empty() ? 0 : (bitmap_font::height + 4) * s);

    int first_line = marks ? bar_start(options) - left : 0;
    if (options.pixel_mm) {
      const double shown_mm = *options.pixel_mm / column_factor;  // of one pixel of the picture
      const double length_mm = round_length(0.3 * std::max(width, 150 * s) * shown_mm);
      bar = std::max(1, int(std::lround(length_mm / shown_mm)));
      bar_label = to_text(length_mm) + " mm";
      first_line += bar + 4 * s + text_width(bar_label, s);
    }
    low_label = rounded_text(window.first);
    high_label = rounded_text(window.second) + (options.unit.empty() ? "" : " " + options.unit);
    const int second_line = text_width(low_label, s) + wedge() + 8 * s + text_width(high_label, s);

    const int title_room = std::min(text_width(options.title, s), 240 * s);
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
    return std::max(left, options.right.empty() ? 0 : axis_x + arrow + 4 * s + text_width(options.right, s) + 12 * s);
  }
};

void draw_image(Canvas& canvas, const Layout& l, const Image& image, std::pair<double, double> window) {
  canvas.fill(l.left - 1, l.top - 1, l.width + 2, l.height + 2, frame);
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
    canvas.fill(x, y, l.arrow - 2, thin, ink);
    canvas.arrow_head(x + l.arrow, y, 1, 0, head);
    canvas.text(x + l.arrow + 4 * s, y - bitmap_font::capital * s / 2, options.right, s);
  }
  const auto centred = [&](const std::string& name, int y) { canvas.text(x - text_width(name, s) / 2, y, name, s); };
  if (!options.up.empty()) {
    const int y = l.axis_y(), tip = y - l.arrow;
    canvas.fill(x, tip + 2, thin, l.arrow - 2 + thin, ink);
    canvas.arrow_head(x, tip, 0, -1, head);
    centred(options.up, tip - (bitmap_font::height + 2) * s);
  } else if (!options.down.empty()) {
    const int tip = l.top + l.arrow;
    canvas.fill(x, l.top, thin, l.arrow - 2, ink);
    canvas.arrow_head(x, tip, 0, 1, head);
    centred(options.down, tip + 4 * s);
  }
}

void draw_notes(Canvas& canvas, const Layout& l, const PictureOptions& options) {
  const int s = l.s;
  canvas.text(l.left, l.margin, l.title, s);
  if (options.pixel_mm) {
    const int x = l.bar_start(options), y = l.axis_y();
    canvas.fill(x, y - s, l.bar, 2 * s, ink);
    canvas.text(x + l.bar + 4 * s, y - bitmap_font::capital * s / 2, l.bar_label, s);
  }
  const int y = l.axis_y() + l.line_height() - bitmap_font::capital * s / 2;
  canvas.text(l.left, y, l.low_label, s);
  const int x = l.left + text_width(l.low_label, s) + 4 * s;
  canvas.fill(x - 1, y - 1, l.wedge() + 2, bitmap_font::capital * s + 2, frame);
  for (int i = 0; i < l.wedge(); ++i)
    canvas.fill(x + i, y, 1, bitmap_font::capital * s, std::uint8_t(255 * i / (l.wedge() - 1)));
  canvas.text(x + l.wedge() + 4 * s, y, l.high_label, s);
}

void write_png(const fs::path& file, const Canvas& canvas) {
  png_image png{};
  png.version = PNG_IMAGE_VERSION;
  png.width = png_uint_32(canvas.width());
  png.height = png_uint_32(canvas.height());
  png.format = PNG_FORMAT_GRAY;
  const fs::path temporary = file.string() + ".partial";
  std::error_code error, ignored;
  if (png_image_write_to_file(&png, temporary.c_str(), 0, canvas.data(), 0, nullptr) == 0) {
    fs::remove(temporary, ignored);
    throw CannotWrite(file.string() + ": cannot be written: " + png.message,
                      "is the disk full, or the folder missing or read-only?");
  }
  fs::rename(temporary, file, error);
  if (!error) return;
  fs::remove(temporary, ignored);
  throw CannotWrite(file.string() + ": cannot be written: " + error.message());
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
  write_png(file, canvas);
}

}  // namespace rayloom
