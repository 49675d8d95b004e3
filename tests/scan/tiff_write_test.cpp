#include "rayloom/scan/tiff_write.h"

#include <signal.h>
#include <sys/resource.h>

#include <cmath>
#include <limits>
#include <map>
#include <random>

#include "rayloom/scan/image_series.h"
#include "scan/support.h"

namespace fs = std::filesystem;
using namespace rayloom;
using namespace rayloom::test;

namespace {

/// A little-endian TIFF read by the letter of TIFF 6.0 (1992) and the BigTIFF layout (OGC candidate standard), without
/// libtiff: header, directories, entries.
class ParsedTiff {
 public:
  using Directory = std::map<int, std::vector<double>>;  // tag -> values; RATIONAL as quotient; ASCII as bytes
  bool big;
  std::vector<Directory> directories;
  std::string bytes;

  explicit ParsedTiff(const fs::path& file) : bytes(bytes_in(file)) {
    REQUIRE(bytes.substr(0, 2) == "II");
    const auto magic = integer(2, 2);
    REQUIRE((magic == 42 || magic == 43));
    big = magic == 43;
    if (big) {
      CHECK(integer(4, 2) == 8);  // offset size
      CHECK(integer(6, 2) == 0);
    }
    for (std::size_t at = big ? integer(8, 8) : integer(4, 4); at != 0;) {
      const std::size_t count = integer(at, big ? 8 : 2), entry_bytes = big ? 20 : 12;
      std::size_t entry = at + (big ? 8 : 2);
      directories.emplace_back();
      for (std::size_t i = 0; i < count; ++i, entry += entry_bytes)
        read_entry(entry, directories.back());
      at = integer(entry, big ? 8 : 4);
    }
  }
  std::string text(std::size_t page, int tag) const {
    std::string text;
    for (const double c : directories[page].at(tag))
      text += char(c);
    return text;
  }
  std::size_t integer(std::size_t at, int size) const {
    std::size_t value = 0;
    for (int i = size - 1; i >= 0; --i)
      value = value << 8 | std::uint8_t(bytes.at(at + std::size_t(i)));
    return value;
  }
  /// Samples of a page as this machine's bytes, strips joined.
  std::string samples(std::size_t page) const {
    std::string joined;
    const auto& offsets = directories[page].at(273);
    for (std::size_t i = 0; i < offsets.size(); ++i)
      joined += bytes.substr(std::size_t(offsets[i]), std::size_t(directories[page].at(279)[i]));
    return joined;
  }

 private:
  void read_entry(std::size_t entry, Directory& directory) const {
    const int tag = int(integer(entry, 2)), type = int(integer(entry + 2, 2));
    const std::size_t count = integer(entry + 4, big ? 8 : 4);
    const std::map<int, int> sizes = {{1, 1}, {2, 1}, {3, 2}, {4, 4}, {5, 8}, {16, 8}};
    REQUIRE(sizes.count(type) == 1);
    const int size = sizes.at(type);
    const std::size_t field = entry + (big ? 12 : 8), inline_bytes = big ? 8 : 4;
    const std::size_t at = count * std::size_t(size) <= inline_bytes ? field : integer(field, int(inline_bytes));
    for (std::size_t i = 0; i < count; ++i) {
      const std::size_t value = at + i * std::size_t(size);
      directory[tag].push_back(type == 5 ? double(integer(value, 4)) / double(integer(value + 4, 4))
                                         : double(integer(value, size)));
    }
  }
};

std::vector<std::string> names_in(const fs::path& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder))
    names.push_back(entry.path().filename().string());
  return names;
}

}  // namespace

TEST_SUITE("TIFF 6.0 (1992)") {
  TEST_CASE("a written image has the tags and samples that the standard lays down") {
    TemporaryFolder folder;
    constexpr int rows = 300, columns = 200;
    std::vector<float> samples(rows * columns);
    for (std::size_t i = 0; i < samples.size(); ++i)
      samples[i] = float(i) * 0.37F - 100;
    write_tiff(folder / "image.tif", rows, columns, samples, SampleType::float32,
               {.pixel_mm = 0.0125, .description = "slice 3 of 10"});

    const ParsedTiff tiff(folder / "image.tif");
    CHECK(!tiff.big);
    REQUIRE(tiff.directories.size() == 1);
    const auto& tags = tiff.directories[0];
    CHECK(tags.at(256)[0] == columns);
    CHECK(tags.at(257)[0] == rows);
    CHECK(tags.at(258)[0] == 32);
    CHECK(tags.at(259)[0] == 1);
    CHECK(tags.at(262)[0] == 1);
    CHECK(tags.at(277)[0] == 1);
    CHECK(tags.at(339)[0] == 3);    // IEEE float
    CHECK(tags.at(282)[0] == 800);  // 12.5 um: 800 pixels a cm
    CHECK(tags.at(283)[0] == 800);
    CHECK(tags.at(296)[0] == 3);  // centimetre
    CHECK(tiff.text(0, 270) == std::string("slice 3 of 10\0", 14));
    CHECK(tiff.text(0, 305) == std::string("rayloom\0", 8));
    CHECK(tags.at(273).size() == std::ceil(rows / tags.at(278)[0]));
    CHECK(tags.at(273).size() > 1);  // strips of about 64 KiB: bands of rows can be read alone
    CHECK(tiff.samples(0) == std::string(reinterpret_cast<const char*>(samples.data()), samples.size() * 4));
  }

  TEST_CASE("without a pixel size or description their tags are absent") {
    TemporaryFolder folder;
    write_tiff(folder / "image.tif", 1, 1, std::vector<float>{1}, SampleType::uint8);
    const ParsedTiff tiff(folder / "image.tif");
    for (const int tag : {270, 282, 283, 296})
      CHECK(tiff.directories[0].count(tag) == 0);
  }

  TEST_CASE("integers are rounded to the nearest and clamped and NaN becomes 0") {
    TemporaryFolder folder;
    const float inf = std::numeric_limits<float>::infinity(), nan = std::numeric_limits<float>::quiet_NaN();
    const std::vector<float> samples = {-1, 0.49F, 0.51F, 254.6F, 255.4F, 256, 65534.6F, 65536, 1e20F, inf, -inf, nan};
    write_tiff(folder / "8.tif", 3, 4, samples, SampleType::uint8);
    write_tiff(folder / "16.tif", 3, 4, samples, SampleType::uint16);
    const std::vector<std::uint8_t> in_8 = {0, 0, 1, 255, 255, 255, 255, 255, 255, 255, 0, 0};
    const std::vector<std::uint16_t> in_16 = {0, 0, 1, 255, 255, 256, 65535, 65535, 65535, 65535, 0, 0};
    CHECK(ParsedTiff(folder / "8.tif").samples(0) == std::string(in_8.begin(), in_8.end()));
    CHECK(ParsedTiff(folder / "16.tif").samples(0) ==
          std::string(reinterpret_cast<const char*>(in_16.data()), in_16.size() * 2));
  }
}

TEST_SUITE("BigTIFF") {
  TEST_CASE("a stack is one BigTIFF with its pages in order") {
    TemporaryFolder folder;
    constexpr int rows = 5, columns = 7, pages = 20;
    TiffStack stack(folder / "volume.tif", rows, columns, SampleType::uint16, {.pixel_mm = 0.5, .description = "abc"});
    for (int page = 0; page < pages; ++page)
      stack.append(std::vector<float>(rows * columns, float(page * 11)));
    CHECK(!fs::exists(folder / "volume.tif"));  // not before it is whole
    stack.finish();
    CHECK(names_in(folder.path()) == std::vector<std::string>{"volume.tif"});

    const ParsedTiff tiff(folder / "volume.tif");
    CHECK(tiff.big);
    REQUIRE(tiff.directories.size() == pages);
    for (std::size_t page = 0; page < pages; ++page) {
      const std::vector<std::uint16_t> expected(rows * columns, std::uint16_t(page * 11));
      CHECK(tiff.samples(page) == std::string(reinterpret_cast<const char*>(expected.data()), expected.size() * 2));
      CHECK(tiff.directories[page].at(282)[0] == 20);
    }
    const ImageSeries series(folder.path(), {"volume.tif"}, {});
    REQUIRE(series.count() == pages);
    CHECK(series.read(13).at(4, 6) == 143);
  }

  TEST_CASE("a stack that is never finished leaves nothing") {
    TemporaryFolder folder;
    {
      TiffStack stack(folder / "volume.tif", 2, 2, SampleType::float32);
      stack.append(std::vector<float>(4));
      CHECK(names_in(folder.path()).size() == 1);
    }
    CHECK(names_in(folder.path()).empty());
  }
}

TEST_SUITE("writing fails") {
  TEST_CASE("wrong sizes are refused") {
    TemporaryFolder folder;
    CHECK_THROWS_AS(write_tiff(folder / "a.tif", 0, 4, {}, SampleType::uint8), InvalidOption);
    CHECK_THROWS_AS(write_tiff(folder / "a.tif", 2, 2, std::vector<float>(5), SampleType::uint8), InvalidOption);
    CHECK_THROWS_AS(TiffStack(folder / "a.tif", 2, -1, SampleType::uint8), InvalidOption);
    CHECK(names_in(folder.path()).empty());
  }

  TEST_CASE("a folder that is not there") {
    TemporaryFolder folder;
    const auto message = message_of<CannotWrite>(
        [&] { write_tiff(folder / "absent/a.tif", 1, 1, std::vector<float>(1), SampleType::uint8); });
    CHECK_HOLDS(message, "absent/a.tif: cannot be written");
    CHECK_HOLDS(message, "No such file");
  }

  TEST_CASE("a full disk leaves no partial file and keeps what was there") {
    // A limit on the size of files stands in for the full disk: write() fails in the same way.
    TemporaryFolder folder;
    write_tiff(folder / "a.tif", 1, 1, std::vector<float>{7}, SampleType::uint8);
    const std::string before = bytes_in(folder / "a.tif");

    struct Limited {
      rlimit old{};
      void (*handler)(int) = ::signal(SIGXFSZ, SIG_IGN);
      explicit Limited(rlim_t bytes) {
        ::getrlimit(RLIMIT_FSIZE, &old);
        const rlimit tight{bytes, old.rlim_max};
        ::setrlimit(RLIMIT_FSIZE, &tight);
      }
      ~Limited() {
        ::setrlimit(RLIMIT_FSIZE, &old);
        ::signal(SIGXFSZ, handler);
      }
    };
    std::string image_message, tail_message, stack_message;
    const std::vector<float> samples(300 * 300);
    {
      const Limited limited(100'000);
      image_message =
          message_of<CannotWrite>([&] { write_tiff(folder / "a.tif", 300, 300, samples, SampleType::float32); });
      stack_message = message_of<CannotWrite>([&] {
        TiffStack stack(folder / "b.tif", 100, 100, SampleType::float32);
        for (int page = 0; page < 10; ++page)
          stack.append(std::span(samples).first(10'000));
        stack.finish();
      });
    }
    {
      const Limited limited(300 * 300 * 4 + 20);  // only the directory at the end does not fit
      tail_message =
          message_of<CannotWrite>([&] { write_tiff(folder / "a.tif", 300, 300, samples, SampleType::float32); });
    }
    CHECK_HOLDS(image_message, "a.tif: cannot be written");
    CHECK_HOLDS(tail_message, "a.tif: cannot be written");
    CHECK_HOLDS(stack_message, "b.tif: cannot be written");
    CHECK(names_in(folder.path()) == std::vector<std::string>{"a.tif"});
    CHECK(bytes_in(folder / "a.tif") == before);
  }
}
