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
}
