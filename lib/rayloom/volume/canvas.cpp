#include "rayloom/volume/canvas.h"

#include <png.h>

#include <system_error>

#include "rayloom/errors.h"
#include "rayloom/volume/bitmap_font.h"

namespace rayloom {

namespace fs = std::filesystem;

Canvas::Canvas(int width, int height)
    : width_(width), height_(height), pixels_(std::size_t(width) * std::size_t(height), paper) {}

void Canvas::fill(int x, int y, int width, int height, std::uint8_t grey) {
  for (int row = y; row < y + height; ++row)
    for (int column = x; column < x + width; ++column)
      set(column, row, grey);
}

void Canvas::text(int x, int y, const std::string& line, int s) {
  for (const char character : line) {
    for (int row = 0; row < bitmap_font::height; ++row)
      for (int column = 0; column < bitmap_font::width; ++column)
        if (bitmap_font::pixel(character, row, column)) fill(x + column * s, y + row * s, s, s, ink);
    x += bitmap_font::advance * s;
  }
}

int Canvas::text_width(const std::string& line, int s) {
  return line.empty() ? 0 : (int(line.size()) * bitmap_font::advance - 1) * s;
}

void Canvas::wedge(int x, int y, const std::string& low, int length, const std::string& high, int s) {
  text(x, y, low, s);
  const int start = x + text_width(low, s) + 4 * s;
  fill(start - 1, y - 1, length + 2, bitmap_font::capital * s + 2, frame);
  for (int i = 0; i < length; ++i)
    fill(start + i, y, 1, bitmap_font::capital * s, std::uint8_t(length > 1 ? 255 * i / (length - 1) : 0));
  text(start + length + 4 * s, y, high, s);
}

int Canvas::wedge_width(const std::string& low, int length, const std::string& high, int s) {
  return text_width(low, s) + length + 8 * s + text_width(high, s);
}

void Canvas::arrow_head(int x, int y, int dx, int dy, int size) {
  for (int back = 0; back < size; ++back)
    for (int side = -back / 2; side <= back / 2; ++side)
      set(x - dx * back + dy * side, y - dy * back + dx * side, ink);
}

void Canvas::write_png(const fs::path& file) const {
  png_image png{};
  png.version = PNG_IMAGE_VERSION;
  png.width = png_uint_32(width_);
  png.height = png_uint_32(height_);
  png.format = PNG_FORMAT_GRAY;
  const fs::path temporary = file.string() + ".partial";
  std::error_code error, ignored;
  if (png_image_write_to_file(&png, temporary.c_str(), 0, pixels_.data(), 0, nullptr) == 0) {
    fs::remove(temporary, ignored);
    throw CannotWrite(file.string() + ": cannot be written: " + png.message,
                      "is the disk full, or the folder missing or read-only?");
  }
  fs::rename(temporary, file, error);
  if (!error) return;
  fs::remove(temporary, ignored);
  throw CannotWrite(file.string() + ": cannot be written: " + error.message());
}

}  // namespace rayloom
