// Volume folders: what is written, byte by byte, and what is read back; refusals and broken runs.
#include <sys/resource.h>
#include <tiffio.h>

#include <algorithm>
#include <cmath>
#include <csignal>
#include <cstring>
#include <map>
#include <random>
#include <sstream>
#include <thread>

#include "volume_support.h"

using namespace rayloom;
using namespace volume_test;

namespace {

const Grid odd_grid{.nx = 5, .ny = 4, .nz = 3, .voxel_mm = 0.25, .centre_mm = {1.5, -2, 10}};
const double low = -0.01, high = 0.07;
const VolumeCoding codings[] = {
    {VolumeFormat::slices, SampleType::float32, 0, 0},  {VolumeFormat::slices, SampleType::uint16, low, high},
    {VolumeFormat::bigtiff, SampleType::float32, 0, 0}, {VolumeFormat::bigtiff, SampleType::uint16, low, high},
    {VolumeFormat::raw, SampleType::float32, 0, 0},     {VolumeFormat::raw, SampleType::uint16, low, high}};

Volume random_volume(const Grid& grid) {
  const unsigned seed = 20;
  INFO("seed " << seed);
  std::mt19937 generator(seed);
  std::uniform_real_distribution<float> values(-0.02F, 0.09F);  // some beyond low..high on either side
  Volume volume(grid);
  for (float& value : volume.samples)
    value = values(generator);
  return volume;
}

/// The stored samples read with libtiff or a plain stream alone, as numbers, in the order of the files.
std::vector<double> stored_numbers(const fs::path& folder, const VolumeCoding& coding, const Grid& grid) {
  const bool words = coding.type == SampleType::uint16;
  std::string bytes;
  const auto read_page = [&](TIFF* tiff) {
    std::uint32_t width = 0, height = 0;
    std::uint16_t bits = 0, format = 0, channels = 0;
    TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &width);
    TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &height);
    TIFFGetField(tiff, TIFFTAG_BITSPERSAMPLE, &bits);
    TIFFGetField(tiff, TIFFTAG_SAMPLEFORMAT, &format);
    TIFFGetField(tiff, TIFFTAG_SAMPLESPERPIXEL, &channels);
    CHECK(int(width) == grid.nx);
    CHECK(int(height) == grid.ny);
    CHECK(bits == (words ? 16 : 32));
    CHECK(format == (words ? SAMPLEFORMAT_UINT : SAMPLEFORMAT_IEEEFP));
    CHECK(channels == 1);
    std::string row(std::size_t(TIFFScanlineSize(tiff)), '\0');
    for (std::uint32_t r = 0; r < height; ++r) {
      REQUIRE(TIFFReadScanline(tiff, row.data(), r, 0) == 1);
      bytes += row;
    }
  };
  if (coding.format == VolumeFormat::raw) {
    bytes = bytes_of(folder / "volume.raw");
  } else if (coding.format == VolumeFormat::bigtiff) {
    CHECK(bytes_of(folder / "volume.tif").substr(0, 4) == std::string("II\x2b\0", 4));  // 43: BigTIFF; 42: TIFF 6.0
    TIFF* tiff = TIFFOpen((folder / "volume.tif").c_str(), "r");
    REQUIRE(tiff != nullptr);
    do
      read_page(tiff);
    while (TIFFReadDirectory(tiff) != 0);
    TIFFClose(tiff);
  } else {
    for (const char* name : {"slice_0000.tif", "slice_0001.tif", "slice_0002.tif"}) {
      TIFF* tiff = TIFFOpen((folder / "slices" / name).c_str(), "r");
      REQUIRE(tiff != nullptr);
      read_page(tiff);
      TIFFClose(tiff);
    }
  }
  const std::size_t size = words ? 2 : 4;
  REQUIRE(bytes.size() == grid.voxels() * size);
  std::vector<double> numbers;
  for (std::size_t i = 0; i < bytes.size(); i += size) {
    if (words) {
      numbers.push_back(double(static_cast<unsigned char>(bytes[i]) + 256 * static_cast<unsigned char>(bytes[i + 1])));
    } else {
      float value;
      std::memcpy(&value, &bytes[i], 4);
      numbers.push_back(value);
    }
  }
  return numbers;
}

}  // namespace

TEST_SUITE("volume folder") {
  TEST_CASE("every format and sample type: the bytes hold what was appended and read back as it") {
    const Volume volume = random_volume(odd_grid);
    for (const auto& coding : codings) {
      CAPTURE(to_string(coding.format));
      CAPTURE(int(coding.type));
      const TemporaryFolder folder;
      std::size_t clipped = 0;
      {
        VolumeWriter writer(folder / "v", odd_grid, coding, Overwrite::no);
        for (int k = 0; k < odd_grid.nz; ++k)
          writer.append(volume.slice(k));
        clipped = writer.clipped();
        writer.finish({});
      }
      const auto numbers = stored_numbers(folder / "v", coding, odd_grid);
      const StoredVolume stored(folder / "v");
      const Volume back = stored.read();
      const double step = (high - low) / 65535;
      std::size_t outside = 0;
      for (std::size_t i = 0; i < numbers.size(); ++i) {
        const double value = volume.samples[i];
        if (coding.type == SampleType::float32) {
          CHECK(numbers[i] == value);
          CHECK(back.samples[i] == volume.samples[i]);
          continue;
        }
        if (value < low || value > high) ++outside;
        const double kept = std::clamp(value, low, high);
        // Rounding to the nearest of 65536 values costs half a step; the sums in double precision 1e-9 of it at most.
        CHECK(std::abs(low + numbers[i] * step - kept) <= 0.5 * step * (1 + 1e-9));
        // float32 at |value| < 0.125 adds half of 2^-27.
        CHECK(std::abs(double(back.samples[i]) - (low + numbers[i] * step)) <= std::ldexp(1.0, -28));
      }
      if (coding.type == SampleType::uint16) {
        CHECK(outside > 0);
        CHECK(clipped == outside);
        CHECK(stored.record()["clipped_share"].get<double>() == double(outside) / double(numbers.size()));
        CHECK(stored.record()["low_per_mm"] == low);
        CHECK(stored.record()["high_per_mm"] == high);
      } else {
        CHECK(clipped == 0);
        CHECK(!stored.record().contains("clipped_share"));
      }
    }
  }

  TEST_CASE("uint16: both ends of the range and the middle are coded as 0 and 65535 and 32768") {
    const TemporaryFolder folder;
    Volume volume(Grid{.nx = 5, .ny = 1, .nz = 1, .voxel_mm = 1});
    volume.samples = {-1, 1, 0.00001F, -2, std::nanf("")};
    const VolumeCoding coding{VolumeFormat::raw, SampleType::uint16, -1, 1};
    {
      VolumeWriter writer(folder / "v", volume.grid, coding, Overwrite::no);
      writer.append(volume.samples);
      CHECK(writer.clipped() == 2);  // -2, and what is no number
      writer.finish({});
    }
    // (1 + 1e-5) 65535/2 = 32767.8
    CHECK(stored_numbers(folder / "v", coding, volume.grid) == std::vector<double>{0, 65535, 32768, 0, 0});
  }

  TEST_CASE("volume.json says size and place and coding and the caller's fields after ours") {
    const TemporaryFolder folder;
    {
      VolumeWriter writer(folder / "v", odd_grid, {}, Overwrite::no);
      const Volume volume = random_volume(odd_grid);
      for (int k = 0; k < 3; ++k)
        writer.append(volume.slice(k));
      writer.finish({{"filter", "hann"}, {"unit", "furlongs"}});
    }
    const auto json = nlohmann::ordered_json::parse(bytes_of(folder / "v/volume.json"));
    CHECK(json["rayloom_volume"] == 1);
    CHECK(json["program_version"].is_string());
    CHECK(json["size"] == nlohmann::ordered_json({5, 4, 3}));
    CHECK(json["voxel_mm"] == 0.25);
    CHECK(json["centre_mm"] == nlohmann::ordered_json({1.5, -2.0, 10.0}));
    CHECK(json["unit"] == "1/mm");  // a caller cannot replace it
    CHECK(json["orientation"].is_string());
    CHECK(json["format"] == "slices");
    CHECK(json["sample_type"] == "float32");
    CHECK(std::prev(json.end()).key() == "filter");

    for (const auto& path : {folder / "v", folder / "v/volume.json"}) {
      const StoredVolume stored(path);
      CHECK(stored.grid().nx == 5);
      CHECK(stored.grid().ny == 4);
      CHECK(stored.grid().nz == 3);
      CHECK(stored.grid().voxel_mm == 0.25);
      CHECK(stored.grid().centre_mm == Vec3(1.5, -2, 10));
      CHECK(stored.folder() == folder / "v");
      CHECK(stored.record()["filter"] == "hann");
    }
  }

  TEST_CASE("bands of rows are what the whole slice has there") {
    const Volume volume = random_volume(odd_grid);
    for (const auto& coding : {codings[0], codings[2], codings[4]}) {
      CAPTURE(to_string(coding.format));
      const TemporaryFolder folder;
      write(folder / "v", volume, coding);
      const StoredVolume stored(folder / "v");
      std::vector<float> band(2 * 5);
      stored.read_rows(1, 2, 2, band);
      for (int j = 0; j < 2; ++j)
        for (int i = 0; i < 5; ++i)
          CHECK(band[std::size_t(j * 5 + i)] == volume.at(i, j + 2, 1));
    }
  }

  TEST_CASE("slices can be read from several threads at once") {
    const Grid grid{.nx = 40, .ny = 30, .nz = 24, .voxel_mm = 1};
    const Volume volume = random_volume(grid);
    for (const auto& coding : {codings[0], codings[2], codings[4]}) {
      const TemporaryFolder folder;
      write(folder / "v", volume, coding);
      const StoredVolume stored(folder / "v");
      Volume back(grid);
      std::vector<std::thread> threads;
      for (int t = 0; t < 4; ++t)
        threads.emplace_back([&, t] {
          for (int k = t; k < grid.nz; k += 4)
            stored.read_slice(k, back.slice(k));
        });
      for (auto& thread : threads)
        thread.join();
      CHECK(back.samples == volume.samples);
    }
  }
}

// Fields and their meaning: "Definition of NRRD File Format", version NRRD0004; checked from memory of that text.
TEST_SUITE("NRRD header") {
  TEST_CASE("its fields place the first sample and the axes of volume.raw in the part frame") {
    const TemporaryFolder folder;
    const Volume volume = random_volume(odd_grid);
    for (const auto& coding : {codings[4], codings[5]}) {
      write(folder / "v", volume, coding, Overwrite::yes);
      std::istringstream header(bytes_of(folder / "v/volume.nhdr"));
      std::string line;
      std::getline(header, line);
      CHECK((line == "NRRD0004" || line == "NRRD0005"));
      std::map<std::string, std::string> fields;
      while (std::getline(header, line)) {
        if (line[0] == '#') continue;
        const auto colon = line.find(": ");
        REQUIRE(colon != std::string::npos);
        CHECK(fields.emplace(line.substr(0, colon), line.substr(colon + 2)).second);
      }
      CHECK(fields.at("type") == (coding.type == SampleType::uint16 ? "uint16" : "float"));
      CHECK(fields.at("dimension") == "3");
      CHECK(fields.at("sizes") == "5 4 3");
      CHECK(fields.at("encoding") == "raw");
      CHECK(fields.at("endian") == "little");
      CHECK(fields.at("data file") == "volume.raw");
      CHECK(fields.at("space") == "3D-right-handed");
      CHECK(fields.at("space units") == "\"mm\" \"mm\" \"mm\"");
      CHECK(fields.at("space directions") == "(0.25,0,0) (0,-0.25,0) (0,0,0.25)");
      // First voxel: x = 1.5 - 2 * 0.25, y = -2 + 1.5 * 0.25 (the largest), z = 10 - 0.25.
      CHECK(fields.at("space origin") == "(1,-1.625,9.75)");
      CHECK(fields.at("kinds") == "domain domain domain");
      CHECK(fields.count("old min") == (coding.type == SampleType::uint16 ? 1 : 0));
      if (coding.type == SampleType::uint16) {
        CHECK(fields.at("old min") == "-0.01");
        CHECK(fields.at("old max") == "0.07");
      }
    }
  }
}

TEST_SUITE("volume folder: whole or not at all") {
  TEST_CASE("a writer that is not finished leaves nothing") {
    for (const auto& coding : codings) {
      const TemporaryFolder folder;
      {
        VolumeWriter writer(folder / "v", odd_grid, coding, Overwrite::no);
        writer.append(random_volume(odd_grid).slice(0));
        CHECK(listing(folder.path()).substr(0, 9) == "v.partial");
        CHECK(!fs::exists(folder / "v"));
      }
      CHECK(listing(folder.path()).empty());
    }
  }

  TEST_CASE("finishing too early or appending too much or too little is refused") {
    const TemporaryFolder folder;
    const Volume volume = random_volume(odd_grid);
    {
      VolumeWriter writer(folder / "v", odd_grid, {}, Overwrite::no);
      CHECK_THROWS_AS(writer.append(std::span(volume.samples).first(19)), InvalidOption);
      writer.append(volume.slice(0));
      CHECK(contains(message_of<InvalidOption>([&] { writer.finish({}); }), "1 of 3 slices"));
      writer.append(volume.slice(1));
      writer.append(volume.slice(2));
      CHECK_THROWS_AS(writer.append(volume.slice(2)), InvalidOption);
    }
    CHECK(listing(folder.path()).empty());
  }

  TEST_CASE("an existing folder is refused and untouched") {
    const TemporaryFolder folder;
    const Volume volume = random_volume(odd_grid);
    write(folder / "v", volume);
    const std::string before = bytes_of(folder / "v/slices/slice_0001.tif"), names = listing(folder.path());
    for (const auto& path : {folder / "v", folder / "v/"}) {
      const auto message = message_of<InvalidOption>([&] { VolumeWriter(path, odd_grid, {}, Overwrite::no); });
      CHECK(contains(message, "v: exists; must be a new name"));
      CHECK(contains(message, "--overwrite"));
    }
    CHECK(listing(folder.path()) == names);
    CHECK(bytes_of(folder / "v/slices/slice_0001.tif") == before);
  }

  TEST_CASE("overwriting replaces the old folder only when the new one is whole") {
    const TemporaryFolder folder;
    const Volume old_volume = random_volume(odd_grid);
    write(folder / "v", old_volume);
    Volume volume = old_volume;
    for (float& value : volume.samples)
      value += 1;
    {
      VolumeWriter writer(folder / "v", odd_grid, {VolumeFormat::raw}, Overwrite::yes);
      writer.append(volume.slice(0));
    }
    CHECK(StoredVolume(folder / "v").read().samples == old_volume.samples);
    {
      VolumeWriter writer(folder / "v", odd_grid, {VolumeFormat::raw}, Overwrite::yes);
      for (int k = 0; k < 3; ++k)
        writer.append(volume.slice(k));
      CHECK(StoredVolume(folder / "v").read().samples == old_volume.samples);
      writer.finish({});
    }
    CHECK(StoredVolume(folder / "v").read().samples == volume.samples);
    CHECK(listing(folder.path()) == "v v/volume.json v/volume.nhdr v/volume.raw");
  }

  TEST_CASE("a folder that holds anything but a volume is never replaced") {
    const TemporaryFolder folder;
    write(folder / "v", random_volume(odd_grid));
    put_text(folder / "v/notes.txt", "measured on Monday");
    CHECK(contains(message_of<InvalidOption>([&] { VolumeWriter(folder / "v", odd_grid, {}, Overwrite::yes); }),
                   "v: holds notes.txt; must hold nothing but"));
    put_text(folder / "file", "x");
    CHECK(contains(message_of<InvalidOption>([&] { VolumeWriter(folder / "file", odd_grid, {}, Overwrite::yes); }),
                   "is a file"));
    fs::create_directory(folder / "w.partial");
    put_text(folder / "w.partial/mine.txt", "x");
    CHECK(contains(message_of<InvalidOption>([&] { VolumeWriter(folder / "w", odd_grid, {}, Overwrite::no); }),
                   "w.partial: holds mine.txt"));
    CHECK(listing(folder.path()) ==
          "file v v/notes.txt v/slices v/slices/slice_0000.tif v/slices/slice_0001.tif v/slices/slice_0002.tif "
          "v/volume.json w.partial w.partial/mine.txt");
  }

  TEST_CASE("what a broken run left is cleared away") {
    const TemporaryFolder folder;
    fs::create_directories(folder / "v.partial/slices");
    put_text(folder / "v.partial/slices/slice_0007.tif", "x");
    put_text(folder / "v.partial/volume.tif.partial", "x");
    write(folder / "v", random_volume(odd_grid), {VolumeFormat::bigtiff});
    CHECK(listing(folder.path()) == "v v/volume.json v/volume.tif");
  }

  TEST_CASE("impossible requests leave nothing") {
    const TemporaryFolder folder;
    const auto refused = [&](const fs::path& path, const Grid& grid, const VolumeCoding& coding) {
      return message_of<InvalidOption>([&] { VolumeWriter(path, grid, coding, Overwrite::no); });
    };
    CHECK(contains(refused(folder / "no/such/v", odd_grid, {}), "no/such: no such folder; must exist to hold v"));
    CHECK(contains(refused(folder / "v", Grid{.nx = 0, .ny = 1, .nz = 1, .voxel_mm = 1}, {}), "size: 0"));
    CHECK(contains(refused(folder / "v", odd_grid, {VolumeFormat::slices, SampleType::uint8}), "type: "));
    CHECK(contains(refused(folder / "v", odd_grid, {VolumeFormat::slices, SampleType::uint16, 0.05, 0.05}),
                   "range: 0.05,0.05 1/mm"));
    CHECK(listing(folder.path()).empty());
  }

  TEST_CASE("a volume larger than the disk is refused before it begins with both numbers") {
    const TemporaryFolder folder;
    const Grid grid{.nx = 1000000, .ny = 1000000, .nz = 2000, .voxel_mm = 1};
    const auto message = message_of<CannotWrite>([&] { VolumeWriter(folder / "v", grid, {}, Overwrite::no); });
    CHECK(contains(message, "7.451e+06 GiB needed, but "));  // 4e6 x 1e6 x 2000, and 1 KiB a file
    CHECK(contains(message, " are free on this disk"));
    CHECK(listing(folder.path()).empty());
  }

  TEST_CASE("a disk that fills up meanwhile gives one message and leaves nothing") {
    // A limit on the size of files stands in for a full disk: writes beyond it fail as there.
    const Grid grid{.nx = 200, .ny = 200, .nz = 3, .voxel_mm = 1};
    const Volume volume = random_volume(grid);
    struct FileSizeLimit {
      rlimit before{};
      explicit FileSizeLimit(rlim_t bytes) {
        std::signal(SIGXFSZ, SIG_IGN);
        getrlimit(RLIMIT_FSIZE, &before);
        const rlimit limited{bytes, before.rlim_max};
        setrlimit(RLIMIT_FSIZE, &limited);
      }
      ~FileSizeLimit() {
        setrlimit(RLIMIT_FSIZE, &before);
        std::signal(SIGXFSZ, SIG_DFL);
      }
    };
    for (const auto& coding : codings) {
      CAPTURE(to_string(coding.format));
      const TemporaryFolder folder;
      std::string message;
      {
        const FileSizeLimit limit(50000);
        message = message_of<CannotWrite>([&] { write(folder / "v", volume, coding); });
      }
      CHECK(contains(message, "cannot be written"));
      CHECK(contains(message, "disk full"));
      CHECK(listing(folder.path()).empty());
    }
  }
}

TEST_SUITE("volume folder: bad input") {
  TEST_CASE("each fault of volume.json is named with field and value and what must hold") {
    const TemporaryFolder folder;
    write(folder / "v", random_volume(odd_grid), codings[1]);
    const auto good = nlohmann::json::parse(bytes_of(folder / "v/volume.json"));
    const auto complaint = [&](const std::string& key, const nlohmann::json& value) {
      auto json = good;
      json[key] = value;
      put_text(folder / "v/volume.json", json.dump());
      return message_of<BadInput>([&] { StoredVolume{folder / "v"}; });
    };
    CHECK(contains(complaint("rayloom_volume", 2), "volume.json: rayloom_volume: 2; must be 1"));
    CHECK(contains(complaint("size", {5, 4}), "size: [5,4]; must be a list of 3 whole numbers"));
    CHECK(contains(complaint("size", {5, 4, 0}), "size: [5,4,0]; must be"));
    CHECK(contains(complaint("size", {5, 4, 2.5}), "size: [5,4,2.5]; must be"));
    CHECK(contains(complaint("size", {5, 1000000, 1000000}), "size: [5,1000000,1000000]; "));
    CHECK(contains(complaint("size", {5, 18446744073709551615U, 3}), "must be a list of 3"));
    CHECK(contains(complaint("size", "5 4 3"), "size: \"5 4 3\"; must be"));
    CHECK(contains(complaint("voxel_mm", 0), "voxel_mm: 0; must be above 0"));
    CHECK(contains(complaint("centre_mm", {0, 0}), "centre_mm: [0,0]; must be a list of 3"));
    CHECK(contains(complaint("unit", "1/cm"), "unit: \"1/cm\"; must be 1/mm"));
    CHECK(contains(complaint("format", "cube"), "format: \"cube\"; must be slices, bigtiff or raw"));
    CHECK(contains(complaint("sample_type", "int8"), "sample_type: \"int8\"; must be float32 or uint16"));
    CHECK(contains(complaint("high_per_mm", -1), "high_per_mm: -1; must be above low_per_mm"));
    CHECK(contains(complaint("sample_type", "float32"), "slice_0000.tif: uint16 samples; must be float32"));
    auto json = good;
    json.erase("low_per_mm");
    put_text(folder / "v/volume.json", json.dump());
    CHECK(contains(message_of<BadInput>([&] { StoredVolume{folder / "v"}; }), "low_per_mm: missing"));
    put_text(folder / "v/volume.json", "{ \"rayloom_volume\": 1, ");
    CHECK(contains(message_of<BadInput>([&] { StoredVolume{folder / "v"}; }), "not valid JSON"));
    put_text(folder / "v/volume.json", "[]");
    CHECK(contains(message_of<BadInput>([&] { StoredVolume{folder / "v"}; }), "must be an object"));
  }

  TEST_CASE("missing and cut and foreign sample files are named") {
    const TemporaryFolder folder;
    const Volume volume = random_volume(odd_grid);
    const auto complaint = [](const fs::path& path) { return message_of<BadInput>([&] { StoredVolume{path}; }); };
    CHECK(contains(complaint(folder / "absent"), "absent: no such volume folder"));
    fs::create_directory(folder / "empty");
    CHECK(contains(complaint(folder / "empty"), "volume.json: no such file"));

    write(folder / "slices", volume);
    fs::remove(folder / "slices/slices/slice_0001.tif");
    CHECK(contains(complaint(folder / "slices"), "slice_0001.tif: no such file"));
    write_tiff(folder / "slices/slices/slice_0001.tif", 4, 6, std::vector<float>(24), SampleType::float32);
    CHECK(contains(complaint(folder / "slices"), "slice_0001.tif: 6 x 4 pixels"));

    write(folder / "big", volume, {VolumeFormat::bigtiff});
    auto json = nlohmann::json::parse(bytes_of(folder / "big/volume.json"));
    json["size"] = {5, 4, 4};
    put_text(folder / "big/volume.json", json.dump());
    CHECK(contains(complaint(folder / "big"), "volume.tif: 3 pages; must be 4, as volume.json says"));
    json["size"] = {4, 5, 3};
    put_text(folder / "big/volume.json", json.dump());
    CHECK(contains(complaint(folder / "big"), "5 x 4 pixels; must be 4 x 5, as volume.json says"));
    put_text(folder / "big/volume.tif", bytes_of(folder / "big/volume.tif").substr(0, 100));
    CHECK(contains(complaint(folder / "big"), "volume.tif: "));

    write(folder / "raw", volume, {VolumeFormat::raw});
    put_text(folder / "raw/volume.raw", bytes_of(folder / "raw/volume.raw").substr(0, 236));
    CHECK(contains(complaint(folder / "raw"), "volume.raw: 236 bytes; must be 240"));
  }

  TEST_CASE("a sample that is no number is named with its place") {
    const TemporaryFolder folder;
    Volume volume = random_volume(odd_grid);
    volume.at(3, 2, 1) = std::nanf("");
    write(folder / "v", volume);
    const StoredVolume stored(folder / "v");
    std::vector<float> slice(20);
    stored.read_slice(0, slice);
    const auto message = message_of<BadInput>([&] { stored.read_slice(1, slice); });
    CHECK(contains(message, "slice_0001.tif: row 2, column 3"));
  }

  TEST_CASE("names of formats") {
    for (const auto format : {VolumeFormat::slices, VolumeFormat::bigtiff, VolumeFormat::raw})
      CHECK(volume_format_from(to_string(format)) == format);
    CHECK(contains(message_of<InvalidOption>([] { volume_format_from("cube"); }), "must be slices, bigtiff or raw"));
  }
}
