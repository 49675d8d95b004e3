#include "rayloom/scan/checksum.h"

#include <doctest/doctest.h>

#include <fstream>

#include "rayloom/errors.h"

using namespace rayloom;
namespace fs = std::filesystem;

TEST_SUITE("checksums") {
  // The check value of CRC-32 published with its parameters: "123456789" gives cbf43926 (ISO 3309; catalogue value,
  // from memory).
  TEST_CASE("the published check value, over files in their order") {
    const fs::path folder = fs::temp_directory_path() / "rayloom_checksum_test";
    fs::create_directory(folder);
    std::ofstream(folder / "a") << "12345";
    std::ofstream(folder / "b") << "6789";
    const auto sum = checksum(std::vector<fs::path>{folder / "a", folder / "b"});
    CHECK(sum.crc32 == 0xcbf43926U);
    CHECK(sum.bytes == 9);
    CHECK(sum.files == 2);
    CHECK(checksum(std::vector<fs::path>{folder / "b", folder / "a"}).crc32 != sum.crc32);
    CHECK_THROWS_AS(checksum(std::vector<fs::path>{folder / "c"}), BadInput);
    fs::remove_all(folder);
  }

  TEST_CASE("excerpts of a file see its length and its first and middle and last bytes and no others") {
    const fs::path folder = fs::temp_directory_path() / "rayloom_samples_test";
    fs::create_directory(folder);
    const auto of = [&](std::string text, std::size_t changed) {
      if (changed < text.size()) text[changed] = 'x';
      std::ofstream(folder / "a", std::ios::binary) << text;
      return checksum(std::vector<fs::path>{folder / "a"}, BytesRead::excerpts).crc32;
    };
    const std::string text(40000, '-');
    const auto plain = of(text, text.size());
    for (const std::size_t seen : {0, 4095, 17952, 22047, 35904, 39999})
      CHECK(of(text, seen) != plain);
    for (const std::size_t unseen : {4096, 17951, 22048, 35903})
      CHECK(of(text, unseen) == plain);
    CHECK(of(std::string(12288, '-'), 5000) != of(std::string(12288, '-'), 12288));
    fs::remove_all(folder);
  }
}
