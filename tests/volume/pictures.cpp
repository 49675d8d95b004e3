// Pictures: decoded with libpng and measured in pixels.
#include <png.h>

#include <cmath>

#include "rayloom/volume/bitmap_font.h"
#include "rayloom/volume/curve.h"
#include "rayloom/volume/montage.h"
#include "rayloom/volume/picture.h"
#include "volume_support.h"

using namespace rayloom;
using namespace volume_test;

namespace {

struct Picture {
  int width = 0, height = 0, bits = 0, colour = -1;
  std::vector<unsigned char> pixels;
  int at(int x, int y) const { return pixels[std::size_t(y) * std::size_t(width) + std::size_t(x)]; }
};

Picture decode(const fs::path& file) {
  const std::string bytes = bytes_of(file);
  REQUIRE(bytes.size() > 33);
  Picture picture;
  picture.bits = bytes[24];    // PNG specification (W3C 2003), 11.2.2 IHDR: bit depth
  picture.colour = bytes[25];  // and colour type, 0 for greyscale
  png_image png{};
  png.version = PNG_IMAGE_VERSION;
  REQUIRE(png_image_begin_read_from_file(&png, file.c_str()) != 0);
  png.format = PNG_FORMAT_GRAY;
  picture.width = int(png.width);
  picture.height = int(png.height);
  picture.pixels.resize(PNG_IMAGE_SIZE(png));
  REQUIRE(png_image_finish_read(&png, nullptr, picture.pixels.data(), 0, nullptr) != 0);
  return picture;
}

/// The rectangle that is purely black or white, which paper and ink are not: the image, if all its pixels are.
struct Box {
  int left = 1 << 30, top = 1 << 30, right = -1, bottom = -1;
};
Box image_box(const Picture& picture) {
  Box box;
  for (int y = 0; y < picture.height; ++y)
    for (int x = 0; x < picture.width; ++x) {
      if (picture.at(x, y) != 0 && picture.at(x, y) != 255) continue;
      // The grey wedge below has single columns of pure black and white; the image's rows are at least ten wide.
      int run = 0;
      while (x + run < picture.width && picture.at(x + run, y) == picture.at(x, y))
        ++run;
      if (run < 10) continue;
      box.left = std::min(box.left, x);
      box.right = std::max(box.right, x + run - 1);
      box.top = std::min(box.top, y);
      box.bottom = std::max(box.bottom, y);
      x += run - 1;
    }
  return box;
}

/// Length of the longest horizontal run of ink below row `from`.
int longest_run(const Picture& picture, int from, int ink) {
  int longest = 0;
  for (int y = from; y < picture.height; ++y)
    for (int x = 0, run = 0; x < picture.width; ++x) {
      run = picture.at(x, y) == ink ? run + 1 : 0;
      longest = std::max(longest, run);
    }
  return longest;
}

constexpr int ink = 34;

/// 20 x 16, white on the left and top, black elsewhere.
Image two_tone() {
  Image image(16, 20, 0);
  for (int r = 0; r < 16; ++r)
    for (int c = 0; c < 20; ++c)
      image.at(r, c) = r < 4 || c < 5 ? 2.0F : 0.0F;
  return image;
}

}  // namespace

TEST_SUITE("pictures") {
  TEST_CASE("a small image is enlarged by a whole factor and every pixel is a square of its grey") {
    const TemporaryFolder folder;
    const Image image = two_tone();
    write_picture(folder / "p.png", image, {.low = 0, .high = 2});
    CHECK(listing(folder.path()) == "p.png");
    const Picture picture = decode(folder / "p.png");
    CHECK(picture.bits == 8);
    CHECK(picture.colour == 0);
    const int factor = 26;  // 512 / 20 = 25.6
    CHECK(enlargement(image) == factor);
    const Box box = image_box(picture);
    REQUIRE(box.right - box.left + 1 == 20 * factor);
    REQUIRE(box.bottom - box.top + 1 == 16 * factor);
    CHECK(box.left > 0);
    CHECK(box.bottom < picture.height - 10);
    std::size_t wrong = 0;
    for (int y = 0; y < 16 * factor; ++y)
      for (int x = 0; x < 20 * factor; ++x)
        if (picture.at(box.left + x, box.top + y) != (image.at(y / factor, x / factor) > 1 ? 255 : 0)) ++wrong;
    CHECK(wrong == 0);
  }

  TEST_CASE("factors of enlargement") {
    CHECK(enlargement(Image(1, 1)) == 512);
    CHECK(enlargement(Image(300, 511)) == 2);
    CHECK(enlargement(Image(512, 3)) == 1);
    CHECK(enlargement(Image(2000, 3)) == 1);
  }

  TEST_CASE("greys are linear in the window and clamped outside") {
    const TemporaryFolder folder;
    Image image(512, 512, 5);  // nothing is enlarged
    for (int c = 0; c < 512; ++c)
      for (int r = 0; r < 256; ++r)
        image.at(r, c) = float(c) / 2;  // 0 .. 255.5
    write_picture(folder / "p.png", image, {.low = 100, .high = 151});
    const Picture picture = decode(folder / "p.png");
    // The frame stands around it: find the lower half, all black, by its width.
    const Box box = image_box(picture);
    REQUIRE(box.bottom - box.top == 511);
    for (int c = 0; c < 512; ++c)
      CHECK(picture.at(box.left + c, box.top + 3) == std::lround(std::clamp((c / 2.0 - 100) * 5, 0.0, 255.0)));
  }

  TEST_CASE("the scale bar is as long as its label says") {
    // Longest 1-2-5 length up to 0.3 of the width: 20 columns of 0.4 mm are 8 mm, so 2 mm = 5 columns of 26 pixels;
    // 20 columns of 1.7 mm are 34 mm, so 10 mm = 152.9 pixels, rounded.
    const TemporaryFolder folder;
    const std::pair<double, int> cases[] = {{0.4, 130}, {1.7, 153}};
    for (const auto& [pixel_mm, pixels] : cases) {
      CAPTURE(pixel_mm);
      write_picture(folder / "p.png", two_tone(), {.low = 0, .high = 2, .pixel_mm = pixel_mm});
      const Picture picture = decode(folder / "p.png");
      CHECK(longest_run(picture, image_box(picture).bottom + 1, ink) == pixels);
    }
    write_picture(folder / "none.png", two_tone(), {.low = 0, .high = 2});
    const Picture none = decode(folder / "none.png");
    CHECK(longest_run(none, image_box(none).bottom + 1, ink) < 20);
  }

  TEST_CASE("round lengths are 1 or 2 or 5 times a power of ten") {
    const std::pair<double, double> cases[] = {{1, 1},       {1.99, 1},  {2, 2},         {4.9, 2},     {5, 5},
                                               {9.99, 5},    {10, 10},   {0.3, 0.2},     {0.05, 0.05}, {0.7, 0.5},
                                               {1234, 1000}, {600, 500}, {0.0021, 0.002}};
    for (const auto& [most, length] : cases) {
      CAPTURE(most);
      CHECK(round_length(most) == length);
    }
  }

  TEST_CASE("title and axis marks and notes take room and ink") {
    const TemporaryFolder folder;
    const auto inked = [&](const PictureOptions& options) {
      write_picture(folder / "p.png", two_tone(), options);
      const Picture picture = decode(folder / "p.png");
      std::size_t count = 0;
      for (const auto pixel : picture.pixels)
        if (pixel == ink) ++count;
      return count;
    };
    const PictureOptions plain{.low = 0, .high = 2};
    const std::size_t least = inked(plain);
    CHECK(least > 0);  // the window note
    auto with = plain;
    with.title = std::string("F");
    // "F": 7 + 4 + 3 = 14 font pixels of 2 x 2.
    CHECK(inked(with) == least + 4 * 14);
    with = plain;
    with.right = std::string("x");
    CHECK(inked(with) > least + 50);
    with.up = std::string("y");
    const std::size_t up = inked(with);
    CHECK(up > least + 100);
    with.up.clear();
    with.down = std::string("y");
    CHECK(inked(with) > least + 100);
  }

  TEST_CASE("a title that is too long is cut and the picture stays as wide") {
    const TemporaryFolder folder;
    PictureOptions options{.low = 0, .high = 2};
    write_picture(folder / "short.png", two_tone(), options);
    options.title = std::string(400, 'W');
    write_picture(folder / "long.png", two_tone(), options);
    CHECK(decode(folder / "short.png").width == decode(folder / "long.png").width);
    write_picture(folder / "narrow.png", Image(600, 2, 1), options);
    const Picture narrow = decode(folder / "narrow.png");
    for (int y = 0; y < narrow.height; ++y)
      CHECK(narrow.at(narrow.width - 1, y) != ink);
  }

  TEST_CASE("lines pass through the middle of their pixels") {
    const TemporaryFolder folder;
    Image image(512, 512, 0.5F);
    const auto marked = [&](const PictureOptions& options) {
      write_picture(folder / "p.png", image, options);
      return decode(folder / "p.png");
    };
    PictureOptions options{.low = 0, .high = 1};
    const Picture plain = marked(options);
    // The image is the only place of grey 128; its corner is found there.
    int left = -1, top = -1;
    for (int y = 0; y < plain.height && top < 0; ++y)
      for (int x = 0; x < plain.width && top < 0; ++x)
        if (plain.at(x, y) == 128 && plain.at(x + 400, y) == 128) left = x, top = y;
    REQUIRE(top >= 0);
    const auto changed = [&](const Picture& picture) {
      std::vector<std::pair<int, int>> places;  // column, row
      for (int y = 0; y < 512; ++y)
        for (int x = 0; x < 512; ++x)
          if (picture.at(left + x, top + y) != 128) places.emplace_back(x, y);
      return places;
    };
    options.vertical_line = 100.25;  // 100.75 from the left edge
    auto places = changed(marked(options));
    CHECK(places.size() == 512);
    for (const auto& [x, y] : places)
      CHECK(x == 100);
    options.vertical_line.reset();
    options.horizontal_line = 30;
    places = changed(marked(options));
    CHECK(places.size() == 512);
    for (const auto& [x, y] : places)
      CHECK(y == 30);
    options.horizontal_line.reset();
    options.lines = {{0, 0, 511, 255.5}};
    places = changed(marked(options));
    CHECK(places.size() >= 511);
    for (const auto& [x, y] : places)
      CHECK(std::abs(x - y / 2.0) <= 1.0);
    options.lines = {{-100, 1000, 2000, 1000}};  // wholly outside
    CHECK(changed(marked(options)).empty());
    options.lines = {{-1e9, 7, 1e9, 7}, {0, std::nan(""), 5, 5}, {3, HUGE_VAL, 3, 0}};
    places = changed(marked(options));
    CHECK(places.size() == 512);
    for (const auto& [x, y] : places)
      CHECK(x == 7);
  }

  TEST_CASE("the window is the percentiles 0.1 and 99.9 unless given") {
    Image image(10, 1000);
    for (int i = 0; i < 10000; ++i)
      image.samples[std::size_t((i * 7919) % 10000)] = float(i);
    image.samples[0] = std::nanf("");  // was 0
    const auto [low, high] = grey_window(image, {});
    CHECK(low == 11);  // 0.001 of 9998 intervals between 1 and 9999, rounded
    CHECK(high == 9989);
    CHECK(grey_window(image, {.low = -3}).first == -3);
    CHECK(grey_window(image, {.high = 20000}).second == 20000);
    const auto constant = grey_window(Image(3, 3, 4), {});
    CHECK(constant == std::pair(2.0, 6.0));
    CHECK(grey_window(Image(3, 3, 0), {}) == std::pair(-0.5, 0.5));
    CHECK(contains(message_of<InvalidOption>([&] { grey_window(image, {.low = 2, .high = 2}); }), "window: 2,2;"));
  }

  TEST_CASE("bad requests give a message and no file") {
    const TemporaryFolder folder;
    CHECK_THROWS_AS(write_picture(folder / "p.png", Image(), {}), InvalidOption);
    CHECK_THROWS_AS(write_picture(folder / "p.png", two_tone(), {.low = 3, .high = 1}), InvalidOption);
    CHECK_THROWS_AS(write_picture(folder / "p.png", two_tone(), {.pixel_mm = 0}), InvalidOption);
    CHECK(contains(message_of<CannotWrite>([&] { write_picture(folder / "no/p.png", two_tone(), {}); }),
                   "no/p.png: cannot be written"));
    fs::create_directory(folder / "taken.png");
    put_text(folder / "taken.png/x", "x");
    CHECK_THROWS_AS(write_picture(folder / "taken.png", two_tone(), {}), CannotWrite);
    CHECK(listing(folder.path()) == "taken.png taken.png/x");
  }

  TEST_CASE("extreme shapes can be drawn") {
    const TemporaryFolder folder;
    for (const auto& [rows, columns] : {std::pair(1, 1), {1, 3000}, {3000, 1}, {2, 700}}) {
      write_picture(folder / "p.png", Image(rows, columns, 1),
                    {.unit = "1/mm", .pixel_mm = 0.1, .title = "t", .right = "column", .up = "z"});
      const Picture picture = decode(folder / "p.png");
      CHECK(picture.width > columns);
      CHECK(picture.height > std::max(rows, 60));
    }
  }

  TEST_CASE("every printable character has its own shape") {
    std::vector<std::string> shapes;
    for (char character = ' '; character <= '~'; ++character) {
      std::string shape;
      for (int r = 0; r < bitmap_font::height; ++r)
        for (int c = 0; c < bitmap_font::width; ++c)
          shape += bitmap_font::pixel(character, r, c) ? '#' : '.';
      for (std::size_t i = 0; i < shapes.size(); ++i) {
        CAPTURE(character);
        CAPTURE(char(' ' + i));
        CHECK(shape != shapes[i]);
      }
      shapes.push_back(shape);
    }
    CHECK(bitmap_font::pixel('\xe9', 0, 1) == bitmap_font::pixel('?', 0, 1));
  }
}

TEST_SUITE("montage") {
  TEST_CASE("images in rows: one window for all; large ones shrunk by means") {
    const TemporaryFolder folder;
    std::vector<MontageImage> images;
    for (const float value : {0.0F, 1.0F, 0.5F})
      images.push_back({Image(2050, 1025, value), {"value"}});
    for (int r = 0; r < 2050; ++r)  // means over 3 x 3 of 0 and 1 in turn are 4/9 or 5/9
      for (int c = 0; c < 1025; ++c)
        images[2].image.at(r, c) = float((r + c) % 2);
    write_montage(folder / "montage.png", images, 2, "1/mm");
    const Picture picture = decode(folder / "montage.png");
    constexpr int gap = 12, width = 342, height = 684;  // 1025/3 and 2050/3, rounded up
    CHECK(picture.at(gap + 1, gap + 1) == 0);
    CHECK(picture.at(gap + width - 1, gap + height - 1) == 0);
    CHECK(picture.at(gap + width + gap + 1, gap + 1) == 255);
    const int below = picture.height - gap - 9 * 2 - gap - 22 - gap / 2 - height;  // first row of the third
    CHECK(std::abs(picture.at(gap + 5, below + 5) - 255 / 2) <= 255 / 18 + 1);
    CHECK(picture.at(gap + width + gap + 5, below + 5) == 246);  // paper: there is no fourth
  }

  TEST_CASE("refuses images of several sizes and none") {
    const TemporaryFolder folder;
    const std::vector<MontageImage> images = {{Image(2, 3), {}}, {Image(3, 2), {}}};
    CHECK_THROWS_AS(write_montage(folder / "m.png", images, 1, ""), InvalidOption);
    CHECK_THROWS_AS(write_montage(folder / "m.png", {}, 1, ""), InvalidOption);
    CHECK_THROWS_AS(write_montage(folder / "m.png", std::span(images).first(1), 0, ""), InvalidOption);
    CHECK_FALSE(fs::exists(folder / "m.png"));
  }
}

TEST_SUITE("curve") {
  TEST_CASE("values stand at the height of the lines of their numbers") {
    // From 0 to 10 over 600 columns: 5 % of room makes 11 of 240 rows, and the step of the lines is 2.
    const TemporaryFolder folder;
    std::vector<double> values;
    for (int i = 0; i <= 100; ++i)
      values.push_back(i / 10.0);
    write_curve(folder / "curve.png", values, {.title = "A ramp", .unit = "mm", .along = "view"});
    const Picture picture = decode(folder / "curve.png");
    std::vector<int> lines;  // rows of which most are the grid's grey
    for (int y = 0; y < picture.height; ++y) {
      int count = 0;
      for (int x = 0; x < picture.width; ++x)
        count += picture.at(x, y) == 215;
      if (count > 500) lines.push_back(y);
    }
    REQUIRE(lines.size() == 6);  // 0, 2 .. 10
    for (std::size_t k = 0; k < 6; ++k)
      CHECK(std::abs(lines[k] - lines[0] - double(k) * 2 / 11 * 239) <= 1);
    // On the line of 6 the curve is where x is 60 of 100.
    const auto right = [&](int y) {
      int x = picture.width - 1;
      while (picture.at(x, y) != 150)
        --x;
      return x;
    };
    int at = 0;
    while (picture.at(at, lines[2]) != ink || at < right(lines[2]) - 600)
      ++at;
    CHECK(std::abs(at - (right(lines[2]) - 600) - 0.6 * 599) <= 2);
  }

  TEST_CASE("one value, equal values and none") {
    const TemporaryFolder folder;
    write_curve(folder / "one.png", {3}, {});
    write_curve(folder / "equal.png", std::vector<double>(50, 0.0), {});
    write_curve(folder / "none.png", {}, {});
    CHECK(decode(folder / "one.png").width > 600);
    CHECK(decode(folder / "equal.png").width > 600);
    CHECK_FALSE(fs::exists(folder / "none.png"));
  }
}
