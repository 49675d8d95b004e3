#include "rayloom/scan/image_series.h"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <limits>
#include <random>
#include <thread>

#include "scan/support.h"

namespace fs = std::filesystem;
using namespace rayloom;
using namespace rayloom::test;

namespace {

template <class T>
std::vector<T> random_samples(std::size_t count, std::mt19937& random) {
  std::vector<T> samples(count);
  for (auto& sample : samples) {
    if constexpr (std::is_floating_point_v<T>)
      sample = std::uniform_real_distribution<T>(-1000, 1000)(random);
    else
      sample = T(std::uniform_int_distribution<long long>(std::numeric_limits<T>::min(),
                                                          std::numeric_limits<T>::max())(random));
  }
  return samples;
}

ImageSeries open(const fs::path& file, const ImageStorage& storage = {}) {
  return {file.parent_path(), {file.filename().string()}, storage};
}

/// All ways of storing that a lossless file can come in.
std::vector<Storage> lossless_storages(bool floating, bool narrow_float) {
  std::vector<Storage> list;
  for (const char* mode : {"wl", "wb", "w8l", "w8b"})
    for (const int tile : {0, 16})
      for (const int compression : {COMPRESSION_NONE, COMPRESSION_LZW, COMPRESSION_PACKBITS, COMPRESSION_DEFLATE,
                                    COMPRESSION_ADOBE_DEFLATE, COMPRESSION_LZMA, COMPRESSION_ZSTD, COMPRESSION_LERC}) {
        if (!TIFFIsCODECConfigured(std::uint16_t(compression))) continue;
        if (compression == COMPRESSION_LERC && narrow_float) continue;  // LERC has no 16-bit floats
        list.push_back({.mode = mode, .compression = compression, .tile = tile});
        // libtiff 4.5 swaps bytes before the floating-point predictor when it writes big-endian files, which makes
        // them wrong; reading such files is tested below.
        if (floating && std::string(mode).back() == 'b') continue;
        if (compression == COMPRESSION_LZW || compression == COMPRESSION_ADOBE_DEFLATE)
          list.push_back({.mode = mode,
                          .compression = compression,
                          .predictor = floating ? PREDICTOR_FLOATINGPOINT : PREDICTOR_HORIZONTAL,
                          .tile = tile});
      }
  return list;
}

template <class T>
void check_all_storages(const char* type) {
  TemporaryFolder folder;
  std::mt19937 random(20240607);
  constexpr int rows = 21, columns = 37;
  const auto samples = random_samples<T>(rows * columns, random);
  const auto storages = lossless_storages(std::is_floating_point_v<T>, false);
  CHECK(storages.size() >= 4 * 2 * 4);
  for (const auto& storage : storages) {
    CAPTURE(std::string(type));
    CAPTURE(std::string(storage.mode));
    CAPTURE(storage.compression);
    CAPTURE(storage.tile);
    write_samples(folder / "image.tif", rows, columns, samples, storage);
    const ImageSeries series = open(folder / "image.tif");
    REQUIRE(series.rows() == rows);
    REQUIRE(series.columns() == columns);
    CHECK(to_string(series.sample()) == type);
    const Image image = series.read(0);
    bool equal = true;
    for (std::size_t i = 0; i < samples.size(); ++i)
      equal = equal && image.samples[i] == float(samples[i]);
    CHECK(equal);
  }
}

/// stderr of this process caught in a file while alive.
class CaughtErrors {
 public:
  explicit CaughtErrors(const fs::path& file) : old_(::dup(2)) {
    const int to = ::open(file.c_str(), O_CREAT | O_WRONLY, 0600);
    ::dup2(to, 2);
    ::close(to);
  }
  ~CaughtErrors() {
    ::dup2(old_, 2);
    ::close(old_);
  }
  CaughtErrors(const CaughtErrors&) = delete;
  CaughtErrors& operator=(const CaughtErrors&) = delete;

 private:
  int old_;
};

/// A TIFF set down byte by byte after TIFF 6.0 (1992), section 2: header, one strip, one directory of ten entries.
struct HandMadeTiff {
  bool big_endian = false;
  int columns = 3, rows = 1, bits = 16, compression = COMPRESSION_NONE, predictor = PREDICTOR_NONE;
  int format = SAMPLEFORMAT_UINT;
  std::string strip;

  std::string bytes() const {
    std::string out = big_endian ? std::string("MM\0\x2a", 4) : std::string("II\x2a\0", 4);
    const auto put = [&](std::size_t value, int size) {
      for (int i = 0; i < size; ++i)
        out += char(value >> 8 * (big_endian ? size - 1 - i : i) & 0xff);
    };
    const auto entry = [&](int tag, int type, std::size_t value) {  // SHORTs are left-justified in the field
      put(std::size_t(tag), 2), put(std::size_t(type), 2), put(1, 4), put(value, type == 3 ? 2 : 4);
      if (type == 3) put(0, 2);
    };
    put(8 + strip.size(), 4);
    out += strip;
    put(10, 2);
    entry(256, 3, std::size_t(columns));
    entry(257, 3, std::size_t(rows));
    entry(258, 3, std::size_t(bits));
    entry(259, 3, std::size_t(compression));
    entry(262, 3, 1);
    entry(273, 4, 8);
    entry(278, 3, std::size_t(rows));
    entry(279, 4, strip.size());
    entry(317, 3, std::size_t(predictor));
    entry(339, 3, std::size_t(format));
    put(0, 4);
    return out;
  }
  /// Where entry `index`, in the order above, begins.
  std::size_t entry(int index) const { return 8 + strip.size() + 2 + 12 * std::size_t(index); }
};

}  // namespace

TEST_SUITE("stored samples") {
  TEST_CASE("uint8 in every storage") {
    check_all_storages<std::uint8_t>("uint8");
  }
  TEST_CASE("uint16 in every storage") {
    check_all_storages<std::uint16_t>("uint16");
  }
  TEST_CASE("uint32 in every storage") {
    check_all_storages<std::uint32_t>("uint32");
  }
  TEST_CASE("int8 in every storage") {
    check_all_storages<std::int8_t>("int8");
  }
  TEST_CASE("int16 in every storage") {
    check_all_storages<std::int16_t>("int16");
  }
  TEST_CASE("int32 in every storage") {
    check_all_storages<std::int32_t>("int32");
  }
  TEST_CASE("float32 in every storage") {
    check_all_storages<float>("float32");
  }
  TEST_CASE("float64 in every storage") {
    check_all_storages<double>("float64");
  }

  TEST_CASE("float16 in every storage") {
    // IEEE 754 binary16: (-1)^s 2^(e - 15) (1 + m/1024); e = 0: m 2^-24.
    TemporaryFolder folder;
    std::mt19937 random(5);
    constexpr int rows = 19, columns = 33;
    std::vector<std::uint16_t> bits(rows * columns);
    for (auto& pattern : bits)
      do
        pattern = std::uint16_t(random() & 0xffff);
      while ((pattern >> 10 & 31) == 31);  // not infinity or NaN
    bits[0] = 0x0001;                      // least subnormal
    bits[1] = 0x7bff;                      // 65504
    for (const auto& storage : lossless_storages(true, true)) {
      write_raw(folder / "image.tif", rows, columns, 16, SAMPLEFORMAT_IEEEFP, bits.data(), storage);
      const Image image = open(folder / "image.tif").read(0);
      bool equal = true;
      for (std::size_t i = 0; i < bits.size(); ++i) {
        const int sign = bits[i] >> 15, exponent = bits[i] >> 10 & 31, mantissa = bits[i] & 1023;
        const double magnitude = exponent == 0 ? std::ldexp(mantissa, -24) : std::ldexp(1024 + mantissa, exponent - 25);
        equal = equal && image.samples[i] == float(sign != 0 ? -magnitude : magnitude);
      }
      CHECK(equal);
      CHECK(image.samples[1] == 65504);
    }
  }

  TEST_CASE("TIFF 6.0 files set down by hand in both byte orders") {
    TemporaryFolder folder;
    put_bytes(folder / "big.tif",
              HandMadeTiff{.big_endian = true, .strip = std::string("\x01\x02\x00\xff\xff\x00", 6)}.bytes());
    put_bytes(folder / "little.tif", HandMadeTiff{.strip = std::string("\x02\x01\xff\x00\x00\xff", 6)}.bytes());
    for (const char* name : {"big.tif", "little.tif"})
      CHECK(open(folder / name).read(0).samples == std::vector<float>{0x0102, 0x00ff, 0xff00});
  }

  TEST_CASE("the floating-point predictor in both byte orders") {
    // TIFF Technical Note 3 (Adobe 2005): the predicted bytes are the same for either byte order of the file.
    TemporaryFolder folder;
    std::mt19937 random(9);
    const auto samples = random_samples<float>(6 * 5, random);
    write_samples(folder / "a.tif", 6, 5, samples,
                  {.mode = "wl", .compression = COMPRESSION_LZW, .predictor = PREDICTOR_FLOATINGPOINT});
    TIFF* tiff = TIFFOpen((folder / "a.tif").c_str(), "r");
    std::string strip(std::size_t(TIFFRawStripSize(tiff, 0)), ' ');
    REQUIRE(TIFFReadRawStrip(tiff, 0, strip.data(), tmsize_t(strip.size())) == tmsize_t(strip.size()));
    TIFFClose(tiff);
    for (const bool big_endian : {false, true}) {
      put_bytes(folder / "made.tif", HandMadeTiff{.big_endian = big_endian,
                                                  .columns = 5,
                                                  .rows = 6,
                                                  .bits = 32,
                                                  .compression = COMPRESSION_LZW,
                                                  .predictor = PREDICTOR_FLOATINGPOINT,
                                                  .format = SAMPLEFORMAT_IEEEFP,
                                                  .strip = strip}
                                         .bytes());
      CHECK(open(folder / "made.tif").read(0).samples == samples);
    }
  }

  TEST_CASE("grey JPEG is read") {
    TemporaryFolder folder;
    if (!TIFFIsCODECConfigured(COMPRESSION_JPEG)) return;
    const std::vector<std::uint8_t> samples(24 * 40, 128);  // 128 is JPEG's zero level: coded without loss
    write_samples(folder / "image.tif", 24, 40, samples, {.compression = COMPRESSION_JPEG, .rows_per_strip = 8});
    CHECK(open(folder / "image.tif").read(0).samples == std::vector<float>(24 * 40, 128));
  }

  TEST_CASE("stored values count as they are where 0 is white") {
    TemporaryFolder folder;
    const auto samples = marked(3, 4, 1);
    write_samples(folder / "image.tif", 3, 4, samples, {.photometric = PHOTOMETRIC_MINISWHITE});
    CHECK(open(folder / "image.tif").read(0).samples == std::vector<float>(samples.begin(), samples.end()));
  }

  TEST_CASE("scale and offset are applied") {
    TemporaryFolder folder;
    write_samples<std::uint16_t>(folder / "image.tif", 1, 3, {0, 100, 65535});
    const auto image = open(folder / "image.tif", {.scale = 0.5, .offset = -20}).read(0);
    CHECK(image.samples == std::vector<float>{-20, 30, 32747.5F});
  }

  TEST_CASE("headerless files of both byte orders with bytes to skip") {
    TemporaryFolder folder;
    using Sample = Headerless::Sample;
    put_bytes(folder / "image.raw", std::string("head\x01\x02\x03\x04\xff\xfe\x00\x00\x00\x01\x80\x00", 16));
    const auto read = [&](Sample sample, bool big_endian, int rows, int columns) {
      return open(folder / "image.raw", {.headerless = Headerless{sample, big_endian, 4},
                                         .headerless_rows = rows,
                                         .headerless_columns = columns})
          .read(0)
          .samples;
    };
    CHECK(read(Sample::uint16, true, 2, 3) == std::vector<float>{0x0102, 0x0304, 0xfffe, 0, 1, 0x8000});
    CHECK(read(Sample::uint16, false, 3, 2) == std::vector<float>{0x0201, 0x0403, 0xfeff, 0, 0x0100, 0x0080});
    CHECK(read(Sample::int16, true, 2, 3) == std::vector<float>{0x0102, 0x0304, -2, 0, 1, -32768});
    CHECK(read(Sample::int8, true, 3, 4) == std::vector<float>{1, 2, 3, 4, -1, -2, 0, 0, 0, 1, -128, 0});
    CHECK(read(Sample::uint8, false, 3, 4) == std::vector<float>{1, 2, 3, 4, 255, 254, 0, 0, 0, 1, 128, 0});
    CHECK(read(Sample::uint32, true, 1, 3) == std::vector<float>{16909060, 4294836224.0F, 98304});
    CHECK(read(Sample::int32, true, 1, 3) == std::vector<float>{16909060, -131072, 98304});

    put_bytes(folder / "image.raw", std::string("head\x3f\xc0\x00\x00\xc0\x00\x00\x00", 12));
    CHECK(read(Sample::float32, true, 1, 2) == std::vector<float>{1.5F, -2});
    put_bytes(folder / "image.raw", std::string("head\x00\x00\x00\x00\x00\x00\xf8\x3f", 12));
    CHECK(read(Sample::float64, false, 1, 1) == std::vector<float>{1.5F});
    put_bytes(folder / "image.raw", std::string("head\x00\x3e\x00\xc0", 8));
    CHECK(read(Sample::float16, false, 1, 2) == std::vector<float>{1.5F, -2});
  }
}

TEST_SUITE("upright") {
  TEST_CASE("the letter F as stored comes upright for every turn and mirroring") {
    // Turned clockwise first, then its columns flipped; drawn by hand.
    struct Case {
      int turned_deg;
      bool mirrored;
      std::vector<std::string> upright;
    };
    const std::vector<std::string> stored = {"###",  //
                                             "#..",  //
                                             "##.",  //
                                             "#.."};
    const Case cases[] = {
        {0, false, {"###", "#..", "##.", "#.."}},   {90, false, {"####", ".#.#", "...#"}},
        {180, false, {"..#", ".##", "..#", "###"}}, {270, false, {"#...", "#.#.", "####"}},
        {0, true, {"###", "..#", ".##", "..#"}},    {90, true, {"####", "#.#.", "#..."}},
        {180, true, {"#..", "##.", "#..", "###"}},  {270, true, {"...#", ".#.#", "####"}},
    };
    TemporaryFolder folder;
    std::vector<std::uint8_t> samples;
    for (const auto& line : stored)
      for (const char c : line)
        samples.push_back(c == '#' ? 1 : 0);
    write_samples(folder / "strips.tif", 4, 3, samples, {.rows_per_strip = 2});
    write_samples(folder / "tiles.tif", 4, 3, samples, {.tile = 16});
    put_bytes(folder / "plain.raw", std::string(samples.begin(), samples.end()));

    for (const auto& [turned_deg, mirrored, upright] : cases)
      for (const char* name : {"strips.tif", "tiles.tif", "plain.raw"}) {
        CAPTURE(turned_deg);
        CAPTURE(mirrored);
        CAPTURE(std::string(name));
        ImageStorage storage{.turned_deg = turned_deg, .mirrored = mirrored};
        if (std::string(name) == "plain.raw") {
          storage.headerless = Headerless{Headerless::Sample::uint8, false, 0};
          storage.headerless_rows = 4;
          storage.headerless_columns = 3;
        }
        const Image image = open(folder / name, storage).read(0);
        std::vector<std::string> drawn;
        for (int row = 0; row < image.rows; ++row) {
          drawn.emplace_back();
          for (int column = 0; column < image.columns; ++column)
            drawn.back() += image.at(row, column) != 0 ? '#' : '.';
        }
        CHECK(drawn == upright);
      }
  }

  TEST_CASE("every band of rows equals that part of the whole image") {
    TemporaryFolder folder;
    std::mt19937 random(3);
    constexpr int rows = 23, columns = 35;
    const auto samples = random_samples<std::uint16_t>(rows * columns, random);
    write_samples(folder / "strips.tif", rows, columns, samples, {.compression = COMPRESSION_LZW, .rows_per_strip = 4});
    write_samples(folder / "one-strip.tif", rows, columns, samples, {.rows_per_strip = rows});
    write_samples(folder / "tiles.tif", rows, columns, samples, {.compression = COMPRESSION_LZW, .tile = 16});
    put_bytes(folder / "plain.raw", std::string(reinterpret_cast<const char*>(samples.data()), samples.size() * 2));
    for (const char* name : {"strips.tif", "one-strip.tif", "tiles.tif", "plain.raw"})
      for (const int turned_deg : {0, 90, 180, 270})
        for (const bool mirrored : {false, true}) {
          ImageStorage storage{.turned_deg = turned_deg, .mirrored = mirrored};
          if (std::string(name) == "plain.raw") {
            storage.headerless = Headerless{Headerless::Sample::uint16, false, 0};
            storage.headerless_rows = rows;
            storage.headerless_columns = columns;
          }
          const ImageSeries series = open(folder / name, storage);
          const Image whole = series.read(0);
          bool equal = true;
          for (int first = 0; first < whole.rows; ++first)
            for (int count = 1; first + count <= whole.rows; count += 3) {
              std::vector<float> band(std::size_t(count * whole.columns));
              series.read_rows(0, first, count, band);
              equal = equal && std::equal(band.begin(), band.end(), &whole.samples[std::size_t(first * whole.columns)]);
            }
          CAPTURE(std::string(name));
          CAPTURE(turned_deg);
          CAPTURE(mirrored);
          CHECK(equal);
        }
  }

  TEST_CASE("a band does not touch the strips or tiles beside it") {
    TemporaryFolder folder;
    std::mt19937 random(8);
    constexpr int rows = 32, columns = 48;
    const auto samples = random_samples<std::uint16_t>(rows * columns, random);
    const auto spoil = [](const fs::path& file, int block, bool tiled) {
      TIFF* tiff = TIFFOpen(file.c_str(), "r");
      const auto offset = TIFFGetStrileOffset(tiff, std::uint32_t(block));
      const auto bytes = TIFFGetStrileByteCount(tiff, std::uint32_t(block));
      CHECK((TIFFIsTiled(tiff) != 0) == tiled);
      TIFFClose(tiff);
      std::string all = bytes_in(file);
      std::fill_n(all.begin() + std::ptrdiff_t(offset), bytes, '\xaa');
      put_bytes(file, all);
    };
    write_samples(folder / "strips.tif", rows, columns, samples,
                  {.compression = COMPRESSION_ADOBE_DEFLATE, .rows_per_strip = 8});
    spoil(folder / "strips.tif", 2, false);  // rows 16 to 23
    const ImageSeries strips = open(folder / "strips.tif");
    std::vector<float> band(8 * columns);
    for (const int first : {0, 8, 24}) {
      strips.read_rows(0, first, 8, band);
      CHECK(band[5] == float(samples[std::size_t(first * columns + 5)]));
    }
    std::vector<float> two(2 * columns);
    CHECK_HOLDS(message_of([&] { strips.read_rows(0, 15, 2, two); }), "strips.tif: rows from 16 on cannot be read");

    // 3 x 2 tiles of 16 x 16; turned by 90, upright rows are stored columns.
    write_samples(folder / "tiles.tif", rows, columns, samples, {.compression = COMPRESSION_ADOBE_DEFLATE, .tile = 16});
    spoil(folder / "tiles.tif", 1, true);  // columns 16 to 31, rows 0 to 15
    const ImageSeries tiles = open(folder / "tiles.tif", {.turned_deg = 90});
    std::vector<float> turned(16 * rows);
    for (const int first : {0, 32}) {
      tiles.read_rows(0, first, 16, turned);
      CHECK(turned[rows - 1] == float(samples[std::size_t(first)]));
    }
    CHECK_HOLDS(message_of([&] { tiles.read_rows(0, 16, 16, turned); }), "tiles.tif: rows from 0 on cannot be read");
  }
}

TEST_SUITE("names") {
  TEST_CASE("natural order compares runs of digits as numbers") {
    const std::vector<std::string> sorted = {"",
                                             "10",
                                             "a",
                                             "a1",
                                             "a01",
                                             "a1b",
                                             "a2",
                                             "a10",
                                             "a10b2",
                                             "a10b10",
                                             "b",
                                             "run2/v10",
                                             "run10/v2",
                                             "view_9",
                                             "view_10",
                                             "view_0011",
                                             "view_100",
                                             "view_99999999999999999999999",
                                             "view_100000000000000000000000"};
    for (std::size_t i = 0; i < sorted.size(); ++i)
      for (std::size_t j = 0; j < sorted.size(); ++j) {
        CAPTURE(sorted[i]);
        CAPTURE(sorted[j]);
        if (sorted[i] == "a01" || sorted[j] == "a01") continue;  // equal number: see below
        CHECK(natural_less(sorted[i], sorted[j]) == (i < j));
      }
    CHECK(natural_less("a01", "a1") != natural_less("a1", "a01"));  // told apart, so that the order is one
  }

  TEST_CASE("natural order is a strict weak order of random names") {
    std::mt19937 random(11);
    std::vector<std::string> names;
    for (int i = 0; i < 60; ++i) {
      std::string name;
      for (int k = int(random() % 5); k >= 0; --k)
        name += "012a_"[random() % 5];
      names.push_back(name);
    }
    int broken = 0;
    for (const auto& a : names)
      for (const auto& b : names) {
        broken += natural_less(a, b) && natural_less(b, a);
        broken += a != b && !natural_less(a, b) && !natural_less(b, a);
        for (const auto& c : names)
          broken += natural_less(a, b) && natural_less(b, c) && !natural_less(a, c);
      }
    CHECK(broken == 0);
  }

  TEST_CASE("patterns match in folders and file names and come in natural order") {
    TemporaryFolder folder;
    for (const char* run : {"run2", "run10"})
      for (const char* name : {"v9.tif", "v10.tif", "v100.tif", "notes.txt", ".v1.tif"}) {
        fs::create_directories(folder / run);
        put_bytes(folder / run / name, "x");
      }
    fs::create_directories(folder / "run2/v11.tif");  // a folder of that name is no image
    const auto found = [&](const std::string& pattern) {
      std::string names;
      for (const auto& file : find_files(folder.path(), pattern))
        names += fs::relative(file, folder.path()).string() + " ";
      return names;
    };
    CHECK(found("run*/v*.tif") == "run2/v9.tif run2/v10.tif run2/v100.tif run10/v9.tif run10/v10.tif run10/v100.tif ");
    CHECK(found("run2/v?.tif") == "run2/v9.tif ");
    CHECK(found("run[0-9]/v[0-9]*.tif") == "run2/v9.tif run2/v10.tif run2/v100.tif ");
    CHECK(found("run10/v9.tif") == "run10/v9.tif ");
    CHECK(found((folder / "run2/*.txt").string()) == "run2/notes.txt ");
  }

  TEST_CASE("special characters of the folder stand for themselves") {
    TemporaryFolder folder;
    fs::create_directories(folder / "part [3] *");
    put_bytes(folder / "part [3] *" / "v1.tif", "x");
    put_bytes(folder / "part [3] *" / "v[2].tif", "x");
    CHECK(find_files(folder / "part [3] *", "v*.tif").size() == 2);
    CHECK(find_files(folder / "part [3] *", "v[2].tif").size() == 1);  // a file of that very name
  }

  TEST_CASE("nothing found is told") {
    TemporaryFolder folder;
    fs::create_directories(folder / "projections");
    CHECK_HOLDS(message_of([&] { find_files(folder.path(), "projections/*.tif"); }),
                "projections/*.tif: no file matches");
    CHECK_HOLDS(message_of([&] { find_files(folder.path(), "view.tif"); }), "view.tif: no such file");
    CHECK_HOLDS(message_of([&] { find_files(folder.path(), "projections"); }), "projections: is a folder");
    CHECK_HOLDS(message_of([&] { find_files(folder.path(), "projections"); }), "projections/*.tif");
  }

  TEST_CASE("a hole in the numbering is refused unless allowed") {
    TemporaryFolder folder;
    const auto samples = marked(2, 2, 0);
    for (const int i : {8, 9, 10, 12, 13})
      write_samples(folder / numbered(i < 10 ? "2024/v3_0" : "2024/v3_", i, "_a.tif"), 2, 2, samples);
    const auto message = message_of([&] { ImageSeries(folder.path(), {"2024/*.tif"}, {}); });
    CHECK_HOLDS(message, "2024/v3_11_a.tif: missing");
    CHECK_HOLDS(message, "between v3_10_a.tif and v3_12_a.tif");
    CHECK_HOLDS(message, "list the angles");
    CHECK(ImageSeries(folder.path(), {"2024/*.tif"}, {}, Holes::allow).count() == 5);
    // Leading zeros in the missing name follow its neighbours.
    write_samples(folder / "2024/v3_06_a.tif", 2, 2, samples);
    CHECK_HOLDS(message_of([&] { ImageSeries(folder.path(), {"2024/*.tif"}, {}); }), "v3_07_a.tif");
  }

  TEST_CASE("separate numberings and an extension's digits make no hole") {
    TemporaryFolder folder;
    const auto samples = marked(2, 2, 0);
    for (const char* name : {"a1.tif3", "a2.tif3", "b5.tif3", "b6.tif3", "plain.tif3"})
      write_samples(folder / name, 2, 2, samples);
    CHECK(ImageSeries(folder.path(), {"*.tif3"}, {}).count() == 5);
  }

  TEST_CASE("lists keep their order and pages follow each other") {
    TemporaryFolder folder;
    const auto pages = [&](const char* name, std::vector<std::pair<int, std::uint32_t>> tags, const char* mode) {
      TIFF* tiff = TIFFOpen((folder / name).c_str(), mode);
      for (const auto& [tag, subfile] : tags)
        write_page(tiff, 2, 3, 16, SAMPLEFORMAT_UINT, marked(2, 3, tag).data(), {.subfile = subfile});
      TIFFClose(tiff);
    };
    pages("stack.tif", {{1, FILETYPE_PAGE}, {9, FILETYPE_REDUCEDIMAGE}, {2, FILETYPE_PAGE}, {3, 0}}, "wb");
    pages("x10.tif", {{5, 0}}, "w8");
    pages("x9.tif", {{4, 0}}, "w");
    const ImageSeries series(folder.path(), {"x*.tif", "stack.tif"}, {});
    REQUIRE(series.count() == 5);
    const int order[] = {4, 5, 1, 2, 3};
    for (std::size_t i = 0; i < 5; ++i)
      CHECK(series.read(i).at(1, 2) == float(1000 * order[i] + 18));
    CHECK_HOLDS(series.name_of(1), "x10.tif");
    CHECK(series.name_of(1).find("page") == std::string::npos);
    CHECK_HOLDS(series.name_of(3), "stack.tif, page 2 of 3");
    CHECK(series.files().size() == 3);
  }
}

TEST_SUITE("bad images") {
  TEST_CASE("kinds of TIFF that are no grey image are refused by name") {
    TemporaryFolder folder;
    const std::vector<std::uint8_t> bytes(2 * 2 * 16);
    const auto refusal = [&](int bits, int format, const Storage& storage) {
      write_raw(folder / "image.tif", 2, 2, bits, format, bytes.data(), storage);
      return message_of([&] { open(folder / "image.tif"); });
    };
    CHECK_HOLDS(refusal(8, SAMPLEFORMAT_UINT, {.photometric = PHOTOMETRIC_RGB, .channels = 3}),
                "image.tif: 3 channels a pixel; must be 1");
    CHECK_HOLDS(refusal(8, SAMPLEFORMAT_UINT, {.photometric = PHOTOMETRIC_PALETTE}), "photometric interpretation 3");
    CHECK_HOLDS(refusal(64, SAMPLEFORMAT_UINT, {}), "64-bit unsigned integer samples; must be 8-, 16- or 32-bit");
    CHECK_HOLDS(refusal(64, SAMPLEFORMAT_INT, {}), "64-bit signed integer");
    CHECK_HOLDS(refusal(24, SAMPLEFORMAT_IEEEFP, {}), "24-bit float");
    CHECK_HOLDS(refusal(64, SAMPLEFORMAT_COMPLEXIEEEFP, {}), "64-bit complex");
  }

  TEST_CASE("packed 12-bit samples are refused by name") {
    TemporaryFolder folder;
    TIFF* tiff = TIFFOpen((folder / "image.tif").c_str(), "w");
    TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, 2);
    TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, 1);
    TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 12);
    TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_MINISBLACK);
    std::uint8_t packed[3] = {1, 2, 3};
    REQUIRE(TIFFWriteEncodedStrip(tiff, 0, packed, 3) == 3);
    TIFFClose(tiff);
    CHECK_HOLDS(message_of([&] { open(folder / "image.tif"); }), "image.tif: 12-bit unsigned integer samples");
  }

  TEST_CASE("sizes and sample types that differ are told with how many") {
    TemporaryFolder folder;
    for (int i = 0; i < 6; ++i)
      write_samples(folder / numbered("view_", i, ".tif"), 2, i == 4 ? 5 : 3, marked(2, i == 4 ? 5 : 3, i));
    auto message = message_of([&] { ImageSeries(folder.path(), {"view_*.tif"}, {}); });
    CHECK_HOLDS(message, "view_4.tif: 5 x 2 pixels");
    CHECK_HOLDS(message, "but view_0.tif has 3 x 2 pixels");
    CHECK_HOLDS(message, "hint: 1 of 6 images differs");
    write_samples(folder / "view_5.tif", 2, 3, std::vector<std::uint8_t>(6));
    write_samples(folder / "view_4.tif", 2, 3, std::vector<std::uint8_t>(6));
    message = message_of([&] { ImageSeries(folder.path(), {"view_*.tif"}, {}); });
    CHECK_HOLDS(message, "view_4.tif: 3 x 2 pixels of uint8");
    CHECK_HOLDS(message, "view_0.tif has 3 x 2 pixels of uint16");
    CHECK_HOLDS(message, "2 of 6 images differ");
  }

  TEST_CASE("NaN and infinite samples are told with row and column of the upright image") {
    TemporaryFolder folder;
    const float inf = std::numeric_limits<float>::infinity(), nan = std::numeric_limits<float>::quiet_NaN();
    std::vector<float> samples(4 * 3, 1);
    samples[2 * 3 + 1] = nan;
    write_samples(folder / "a.tif", 4, 3, samples);
    const ImageSeries upright = open(folder / "a.tif");
    CHECK_HOLDS(message_of([&] { upright.read(0); }), "a.tif: row 2, column 1: nan; samples must be finite");
    std::vector<float> band(2 * 3);
    CHECK_HOLDS(message_of([&] { upright.read_rows(0, 1, 2, band); }), "row 2, column 1");
    upright.read_rows(0, 0, 2, band);
    // Turned by 90, stored (2, 1) is upright (1, 4 - 1 - 2).
    CHECK_HOLDS(message_of([&] { open(folder / "a.tif", {.turned_deg = 90}).read(0); }), "row 1, column 1");
    samples[2 * 3 + 1] = 1;
    samples[11] = -inf;
    write_samples(folder / "a.tif", 4, 3, samples);
    CHECK_HOLDS(message_of([&] { open(folder / "a.tif").read(0); }), "row 3, column 2: -inf");
    write_samples(folder / "b.tif", 1, 2, std::vector<double>{0, 1e300});
    CHECK_HOLDS(message_of([&] { open(folder / "b.tif").read(0); }), "row 0, column 1: inf; samples must be finite");
  }

  TEST_CASE("headerless files of another length name the bytes that must be") {
    TemporaryFolder folder;
    put_bytes(folder / "a.raw", std::string(100, 'x'));
    const auto message = message_of([&] {
      open(folder / "a.raw", {.headerless = Headerless{Headerless::Sample::uint16, false, 10},
                              .headerless_rows = 5,
                              .headerless_columns = 8});
    });
    CHECK_HOLDS(message, "a.raw: 100 bytes; must be 90: 10 to skip and 8 x 5 pixels of uint16");
  }

  TEST_CASE("what is no TIFF is told") {
    TemporaryFolder folder;
    put_bytes(folder / "a.tif", "this is a text");
    put_bytes(folder / "b.tif", "");
    put_bytes(folder / "c.tif", std::string("II\x2a\0\0\0\0\0", 8));  // header without a directory
    put_bytes(folder / "d.tif", std::string("II\x2a\0\xff\xff\xff\x7f", 8));
    for (const char* name : {"a.tif", "b.tif", "c.tif", "d.tif"})
      CHECK_HOLDS(message_of([&] { open(folder / name); }), std::string(name) + ": cannot be read as TIFF: ");
  }

  TEST_CASE("a file cut short anywhere is refused before anything is reconstructed") {
    TemporaryFolder folder;
    std::mt19937 random(2);
    const auto samples = random_samples<std::uint16_t>(20 * 30, random);
    for (const Storage& storage :
         {Storage{}, Storage{.mode = "w8"}, Storage{.compression = COMPRESSION_LZW}, Storage{.tile = 16}}) {
      write_samples(folder / "whole.tif", 20, 30, samples, storage);
      const std::string whole = bytes_in(folder / "whole.tif");
      CHECK(message_of([&] { open(folder / "whole.tif").read(0); }).empty());
      int told = 0, cuts = 0;
      for (std::size_t length = 0; length < whole.size() - 1; length += 7, ++cuts) {  // a last pad byte may go
        put_bytes(folder / "cut.tif", whole.substr(0, length));
        const std::string message = message_of([&] { open(folder / "cut.tif").read(0); });
        told += message.find("cut.tif: ") != std::string::npos;
      }
      CHECK(told == cuts);
    }
    // With the directory first, as other writers put it, the samples are missing: found when opened, without reading.
    const HandMadeTiff made;
    std::string first = made.bytes();
    first.replace(made.entry(5) + 8, 1, 1, char(first.size()));  // strip behind the directory ..
    first.replace(made.entry(7) + 8, 1, 1, 6);                   // .. of 6 bytes
    REQUIRE(first.size() == 134);
    put_bytes(folder / "first.tif", first + std::string(6, '\x01'));
    CHECK(open(folder / "first.tif").read(0).samples == std::vector<float>(3, 0x0101));
    put_bytes(folder / "first.tif", first + std::string(5, '\x01'));
    CHECK_HOLDS(message_of([&] { open(folder / "first.tif"); }),
                "first.tif: truncated: strip 1 of 1 (6 bytes from byte 134) does not lie within the file's 139 bytes");
  }

  TEST_CASE("random damage to a TIFF is an error or an image but never a crash") {
    TemporaryFolder folder;
    std::mt19937 random(77);
    const auto samples = random_samples<std::uint16_t>(20 * 30, random);
    for (const Storage& storage :
         {Storage{}, Storage{.mode = "w8b"}, Storage{.compression = COMPRESSION_LZW}, Storage{.tile = 16}}) {
      write_samples(folder / "whole.tif", 20, 30, samples, storage);
      const std::string whole = bytes_in(folder / "whole.tif");
      int refused = 0;
      for (int round = 0; round < 300; ++round) {
        std::string damaged = whole;
        // Two thirds of the damage in the last 200 bytes, where the directory is, and some in the header.
        const std::size_t at = round % 3 == 0   ? random() % 16
                               : round % 3 == 1 ? random() % damaged.size()
                                                : damaged.size() - 1 - random() % 200;
        damaged[at] = char(random());
        put_bytes(folder / "damaged.tif", damaged);
        refused += !message_of([&] { open(folder / "damaged.tif").read(0); }).empty();
      }
      CHECK(refused > 20);
    }
  }

  TEST_CASE("sizes that no detector has are refused before memory is asked for") {
    TemporaryFolder folder;
    const HandMadeTiff made{.strip = std::string(6, 'x')};
    std::string huge = made.bytes();
    for (const int entry : {0, 1, 6})  // width, length and rows a strip as LONG 2^20
      huge.replace(made.entry(entry) + 2, 10, std::string("\x04\x00\x01\x00\x00\x00\x00\x00\x10\x00", 10));
    put_bytes(folder / "huge.tif", huge);
    CHECK_HOLDS(message_of([&] { open(folder / "huge.tif"); }), "huge.tif: 1048576 x 1048576 pixels; must be");
  }

  TEST_CASE("a file that goes or changes while it is read") {
    TemporaryFolder folder;
    write_samples(folder / "a.tif", 2, 3, marked(2, 3, 1));
    const ImageSeries series = open(folder / "a.tif");
    write_samples(folder / "a.tif", 2, 4, marked(2, 4, 1));
    CHECK_HOLDS(message_of([&] { series.read(0); }), "a.tif: ");
    fs::remove(folder / "a.tif");
    CHECK_HOLDS(message_of([&] { series.read(0); }), "a.tif: cannot be read as TIFF: ");
    CHECK_HOLDS(message_of([&] { series.read(0); }), "No such file");
  }

  TEST_CASE("libtiff's warnings and errors are not printed") {
    TemporaryFolder folder;
    const auto samples = marked(8, 8, 1);
    write_samples(folder / "strip.tif", 8, 8, samples, {.compression = COMPRESSION_LZW});
    const HandMadeTiff made{.strip = std::string(6, 'x')};
    std::string odd = made.bytes();
    odd.replace(made.entry(4), 2, "\x07\xff");  // an unknown tag instead of 262, out of order: two warnings
    put_bytes(folder / "odd.tif", odd);
    std::string spoilt = bytes_in(folder / "strip.tif");
    std::fill_n(spoilt.begin() + 8, 40, '\xff');
    put_bytes(folder / "strip.tif", spoilt);
    put_bytes(folder / "text.tif", "no TIFF at all");
    std::string text_message, strip_message, odd_message;
    {
      const CaughtErrors caught(folder / "stderr.txt");
      text_message = message_of([&] { open(folder / "text.tif"); });
      strip_message = message_of([&] { open(folder / "strip.tif").read(0); });
      odd_message = message_of([&] { open(folder / "odd.tif").read(0); });
    }
    CHECK(bytes_in(folder / "stderr.txt") == "");
    CHECK(!text_message.empty());
    CHECK(!strip_message.empty());
    CHECK(odd_message == "");
  }
}

TEST_SUITE("threads") {
  TEST_CASE("several threads read one series at once") {
    TemporaryFolder folder;
    constexpr int count = 40, rows = 12, columns = 16;
    TIFF* tiff = TIFFOpen((folder / "stack.tif").c_str(), "w");
    for (int i = 0; i < count; ++i) {
      write_samples(folder / numbered("v", i, ".tif"), rows, columns, marked(rows, columns, i),
                    {.compression = COMPRESSION_LZW});
      write_page(tiff, rows, columns, 16, SAMPLEFORMAT_UINT, marked(rows, columns, i).data(), {});
    }
    TIFFClose(tiff);
    const ImageSeries files(folder.path(), {"v*.tif"}, {.turned_deg = 90});
    const ImageSeries stack(folder.path(), {"stack.tif"}, {.turned_deg = 90});
    std::atomic<int> wrong{0}, read{0};
    std::vector<std::thread> threads;
    for (int t = 0; t < 6; ++t)
      threads.emplace_back([&, t] {
        std::vector<float> band(5 * rows);
        for (int k = 0; k < count; ++k) {
          const int i = (k * 7 + t * 3) % count;
          for (const auto* series : {&files, &stack}) {
            series->read_rows(std::size_t(i), 4, 5, band);
            for (int r = 0; r < 5; ++r)
              for (int c = 0; c < rows; ++c)
                wrong += band[std::size_t(r * rows + c)] != float(1000 * i + 16 * (rows - 1 - c) + 4 + r);
            ++read;
          }
        }
      });
    for (auto& thread : threads)
      thread.join();
    CHECK(read == 6 * count * 2);
    CHECK(wrong == 0);
  }
}
