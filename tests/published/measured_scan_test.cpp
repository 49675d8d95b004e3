// Measured fan-beam data: Meaney, Silva de Moura & Siltanen, Helsinki Tomography Challenge 2022,
// doi 10.5281/zenodo.6984868, CC BY 4.0. An acrylic disc with eight holes; the data set's authors give a reference
// segmentation.
#include <doctest/doctest.h>
#include <png.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "support/measured_scan.h"

using namespace rayloom;

namespace {

std::vector<unsigned char> read_grey_png(const std::filesystem::path& file, int size) {
  png_image image{};
  image.version = PNG_IMAGE_VERSION;
  REQUIRE(png_image_begin_read_from_file(&image, file.c_str()) != 0);
  REQUIRE(int(image.width) == size);
  REQUIRE(int(image.height) == size);
  image.format = PNG_FORMAT_GRAY;
  std::vector<unsigned char> pixels(PNG_IMAGE_SIZE(image));
  REQUIRE(png_image_finish_read(&image, nullptr, pixels.data(), 0, nullptr) != 0);
  return pixels;
}

}  // namespace

TEST_SUITE("Helsinki Tomography Challenge 2022 (doi 10.5281/zenodo.6984868)") {
  TEST_CASE("the thresholded reconstruction is the published segmentation") {
    const auto measured = test::measured_scan();
    if (!measured) {
      MESSAGE("skipped: the measured scan is not at hand");
      return;
    }
    const Scan& scan = *measured;
    const auto folder = scan.folder();
    const LineIntegrals integrals(scan);
    const ProjectionSource source{
        [&](int v, int n, int r, int m, std::span<float> out) { integrals.read(v, n, r, m, out); },
        ProjectionSource::Stored::by_row};
    const double voxel = 0.1483223173;
    const ReconstructOptions options;
    const auto plan = plan_reconstruction(scan.geometry, {.voxel_mm = voxel, .size = {{512, 512, 1}}}, options);
    std::vector<float> slice;
    reconstruct(scan.geometry, source, plan, options,
                [&](int, std::span<const float> values) { slice.assign(values.begin(), values.end()); });

    const auto reference = read_grey_png(folder / "ta_reference_segmentation_512.png", 512);
    std::size_t differ = 0, acrylic = 0;
    double sum = 0;
    for (std::size_t i = 0; i < slice.size(); ++i) {
      const bool solid = reference[i] > 127;
      if ((slice[i] > 0.0182f) != solid) ++differ;
      if (solid) {
        sum += slice[i];
        ++acrylic;
      }
    }
    MESSAGE("pixels that differ: " << differ << "; acrylic mean " << sum / double(acrylic) << " /mm");
    CHECK(differ <= 40);
    CHECK(std::abs(sum / double(acrylic) - 0.0330) < 0.0003);
  }
}
