#include "rayloom/volume/montage.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/bitmap_font.h"
#include "rayloom/volume/canvas.h"
#include "rayloom/volume/picture.h"

namespace rayloom {

namespace {

constexpr int least_side = 256, most_side = 1024;  // of an image as shown
constexpr int font = 2, gap = 12, line = 11 * font;

/// Means over `by` x `by` squares, smaller ones at the right and lower edges.
Image shrunk(const Image& image, int by) {
  Image small((image.rows + by - 1) / by, (image.columns + by - 1) / by);
  for (int r = 0; r < small.rows; ++r)
    for (int c = 0; c < small.columns; ++c) {
      const int rows = std::min(by, image.rows - r * by), columns = std::min(by, image.columns - c * by);
      double sum = 0;
      for (int y = 0; y < rows; ++y)
        for (int x = 0; x < columns; ++x)
          sum += double(image.at(r * by + y, c * by + x));
      small.at(r, c) = float(sum / (rows * columns));
    }
  return small;
}

}  // namespace

void write_montage(const std::filesystem::path& file, std::span<const MontageImage> images, int across,
                   const std::string& unit) {
  if (images.empty()) throw InvalidOption("montage: no images; must have at least one");
  if (across < 1) throw InvalidOption("across: " + std::to_string(across) + "; must be at least 1");
  const Image& first = images.front().image;
  std::size_t captions = 0;
  Image all(0, 1);
  for (const auto& [image, lines] : images) {
    if (image.rows != first.rows || image.columns != first.columns || image.samples.empty())
      throw InvalidOption("montage: images differ in size or are empty; must be of one size");
    captions = std::max(captions, lines.size());
    all.samples.insert(all.samples.end(), image.samples.begin(), image.samples.end());
  }
  const auto [low, high] = grey_window(all, {});

  const int longer = std::max(first.rows, first.columns);
  const int shrink = (longer + most_side - 1) / most_side, grow = std::max(1, least_side / longer);
  const int width = (first.columns + shrink - 1) / shrink * grow, height = (first.rows + shrink - 1) / shrink * grow;
  int cell_width = width;
  for (const auto& one : images)
    for (const std::string& text : one.captions)
      cell_width = std::max(cell_width, Canvas::text_width(text, font));
  const int cell_height = height + gap / 2 + int(captions) * line;
  const int count = int(images.size()), in_row = std::min(across, count), rows = (count + across - 1) / across;
  const std::string low_label = to_text(low, 3), high_label = to_text(high, 3) + " " + unit;
  constexpr int wedge = 60 * font;
  Canvas canvas(gap + std::max(in_row * (cell_width + gap), Canvas::wedge_width(low_label, wedge, high_label, font)),
                gap + rows * (cell_height + gap) + bitmap_font::height * font + gap);
  for (int i = 0; i < count; ++i) {
    const int left = gap + i % across * (cell_width + gap), top = gap + i / across * (cell_height + gap);
    const Image shown = shrunk(images[std::size_t(i)].image, shrink);
    canvas.fill(left - 1, top - 1, width + 2, height + 2, Canvas::frame);
    for (int r = 0; r < shown.rows; ++r)
      for (int c = 0; c < shown.columns; ++c) {
        const double grey = 255 * (double(shown.at(r, c)) - low) / (high - low);
        canvas.fill(left + c * grow, top + r * grow, grow, grow,
                    std::uint8_t(grey > 0 ? std::lround(std::min(grey, 255.0)) : 0));
      }
    int y = top + height + gap / 2;
    for (const std::string& text : images[std::size_t(i)].captions) {
      canvas.text(left, y, text, font);
      y += line;
    }
  }
  canvas.wedge(gap, gap + rows * (cell_height + gap), low_label, wedge, high_label, font);
  canvas.write_png(file);
}

}  // namespace rayloom
