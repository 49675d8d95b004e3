/// @file
/// A grey drawing with text. Used inside the volume room.
#pragma once
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace rayloom {

/// Lengths and places in pixels; `s` is the size of a font pixel. What lies outside is cut off.
class Canvas {
 public:
  static constexpr std::uint8_t paper = 246, ink = 34, frame = 150;

  Canvas(int width, int height);

  void set(int x, int y, std::uint8_t grey) {
    if (x >= 0 && x < width_ && y >= 0 && y < height_)
      pixels_[std::size_t(y) * std::size_t(width_) + std::size_t(x)] = grey;
  }
  void fill(int x, int y, int width, int height, std::uint8_t grey);
  /// Text with its capitals' top left corner at (x, y).
  void text(int x, int y, const std::string& line, int s);
  static int text_width(const std::string& line, int s);
  /// "low [black to white] high", the wedge `length` long.
  void wedge(int x, int y, const std::string& low, int length, const std::string& high, int s);
  static int wedge_width(const std::string& low, int length, const std::string& high, int s);
  /// An arrow head with its tip at (x, y), pointing along (dx, dy), one of them 0.
  void arrow_head(int x, int y, int dx, int dy, int size);

  /// 8-bit grey PNG, under a temporary name that is renamed when whole. @throws CannotWrite.
  void write_png(const std::filesystem::path& file) const;

 private:
  int width_, height_;
  std::vector<std::uint8_t> pixels_;
};

}  // namespace rayloom
