// The main job through the program: scan, describe, reconstruct, look, report.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"
#include "rayloom/scan/image_series.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// An ellipsoid of 0.1 /mm, off the axis and off the source's plane.
void make_part(const Folder& folder) {
  write_json(folder / "part.json", {{"rayloom_phantom", 1},
                                    {"title", "an ellipsoid"},
                                    {"source", "made for this test"},
                                    {"solids",
                                     {{{"shape", "ellipsoid"},
                                       {"semi_axes_mm", {4, 4, 3}},
                                       {"centre_mm", {0.5, -1, 0.25}},
                                       {"value_per_mm", 0.1}}}}});
  auto scan = cone_scan(90);
  scan["detector"] = {{"columns", 48}, {"rows", 40}, {"column_pitch_mm", 0.5}, {"row_pitch_mm", 0.5}};
  scan.erase("images");
  write_json(folder / "geometry.json", scan);
}

/// The part's exact line integrals, in ideal/.
void make_ideal_scan(const Folder& folder) {
  make_part(folder);
  REQUIRE(run(folder, "simulate part.json --geometry geometry.json -o ideal --quiet").status == 0);
}

/// Width and height from the header chunk of a PNG (ISO/IEC 15948).
std::pair<int, int> png_size(const fs::path& file) {
  const std::string bytes = slurp(file);
  REQUIRE(bytes.compare(0, 8, "\x89PNG\r\n\x1a\n") == 0);
  const auto big_endian = [&](std::size_t at) {
    int n = 0;
    for (std::size_t i = 0; i < 4; ++i)
      n = n * 256 + static_cast<unsigned char>(bytes[at + i]);
    return n;
  };
  return {big_endian(16), big_endian(20)};
}

Image read_image(const fs::path& file) {
  return ImageSeries(file.parent_path(), {file.filename().string()}, {}).read(0);
}

/// Mean over the voxels within `radius_mm` of a point.
double mean_around(const StoredVolume& volume, const Vec3& point, double radius_mm) {
  const Grid& grid = volume.grid();
  std::vector<float> slice(std::size_t(grid.nx) * std::size_t(grid.ny));
  double sum = 0;
  int count = 0;
  for (int k = 0; k < grid.nz; ++k) {
    volume.read_slice(k, slice);
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i)
        if ((Vec3(grid.x_mm(i), grid.y_mm(j), grid.z_mm(k)) - point).norm() < radius_mm) {
          sum += slice[std::size_t(j * grid.nx + i)];
          ++count;
        }
  }
  REQUIRE(count > 100);
  return sum / count;
}

/// Mean place of the voxels above half of the part's value.
Vec3 centroid(const StoredVolume& volume) {
  const Grid& grid = volume.grid();
  std::vector<float> slice(std::size_t(grid.nx) * std::size_t(grid.ny));
  Vec3 sum = Vec3::Zero();
  int count = 0;
  for (int k = 0; k < grid.nz; ++k) {
    volume.read_slice(k, slice);
    for (int j = 0; j < grid.ny; ++j)
      for (int i = 0; i < grid.nx; ++i)
        if (slice[std::size_t(j * grid.nx + i)] > 0.05) {
          sum += Vec3(grid.x_mm(i), grid.y_mm(j), grid.z_mm(k));
          ++count;
        }
  }
  REQUIRE(count > 100);
  return sum / count;
}

}  // namespace

TEST_SUITE("the main job") {
  TEST_CASE("raw counts in a folder become a volume with the right value in the right place") {
    const Folder folder;
    make_part(folder);
    REQUIRE(run(folder, "simulate part.json --geometry geometry.json --counts 20000 --no-scan-file -o raw").status ==
            0);
    CHECK(!fs::exists(folder / "raw" / "scan.json"));

    const Outcome described = run(folder, "describe raw --quiet");
    REQUIRE(described.status == 0);
    CHECK(described.err.empty());
    for (const char* said : {"projections/view_#.tif, 90 of 40 rows x 48 columns", "dark/dark_#.tif", "open/open_#.tif",
                             "magnification: 2, voxel 0.25 mm", "Guesses, please check:"})
      CHECK_MESSAGE(described.out.find(said) != std::string::npos, said);
    const auto scan = nlohmann::json::parse(slurp(folder / "raw" / "scan.json"));
    CHECK(scan["images"]["kind"] == "counts");
    CHECK(scan["source_to_detector_mm"] == 400);
    CHECK(scan["views"]["count"] == 90);
    CHECK(png_size(folder / "raw" / "scan.png").first >= 48);

    REQUIRE(run(folder, "reconstruct raw/scan.json -o volume --quiet").status == 0);
    // Photon noise leaves sqrt(pi^2/(12 90)) 0.011/0.25 = 0.004 /mm in a voxel (Kak & Slaney 1988, ch. 5), 2100 voxels
    // are averaged; the 16 open-beam images add about as much; the flat ellipsoid loses 1 - cos^3(1.4 deg) = 0.1 %.
    const StoredVolume volume(folder / "volume");
    CHECK(std::abs(mean_around(volume, {0.5, -1, 0.25}, 2) - 0.1) < 0.001);
    // About 3600 voxels lie on the surface, in or out by half a voxel at random: 0.125 mm sqrt(3600) / 12900 of them.
    CHECK((centroid(volume) - Vec3(0.5, -1, 0.25)).norm() < 0.02);
    // Beside the part, mirrored in x and y, only air.
    CHECK(std::abs(mean_around(volume, {-3.5, 3.5, 0}, 0.9)) < 0.003);

    REQUIRE(run(folder, "section volume --at 0.5,-1,0.125 --tiff -o sections --quiet").status == 0);
    std::vector<float> slice(48 * 48);
    volume.read_slice(19, slice);  // z = 0.125 mm
    CHECK(read_image(folder / "sections" / "section_xy.tif").samples == slice);
    for (const char* plane : {"xy", "xz", "yz"})
      CHECK(png_size(folder / "sections" / (std::string("section_") + plane + ".png")).first >= 48);

    REQUIRE(run(folder, "report volume --pictures sections -o report.html --quiet").status == 0);
    const std::string page = slurp(folder / "report.html");
    CHECK(page.find("0.25") != std::string::npos);
    CHECK(page.find("data:image/png;base64,") != std::string::npos);
    CHECK(page.find("qualified") != std::string::npos);
  }

  TEST_CASE("projection and sinogram and filtered sinogram of a scan") {
    const Folder folder;
    make_ideal_scan(folder);
    REQUIRE(run(folder, "section ideal/scan.json --view 30 --row 20 --tiff -o seen --quiet").status == 0);
    REQUIRE(run(folder, "section ideal/scan.json --row 20 --filtered --tiff -o filtered --quiet").status == 0);

    const Image stored = read_image(folder / "ideal" / "projections" / "view_0030.tif");
    CHECK(read_image(folder / "seen" / "projection_of_view_30.tif").samples == stored.samples);
    const Image sinogram = read_image(folder / "seen" / "sinogram_of_row_20.tif");
    REQUIRE(sinogram.rows == 90);
    REQUIRE(sinogram.columns == 48);
    for (int c = 0; c < 48; ++c)
      CHECK(sinogram.at(30, c) == stored.at(20, c));

    // The filtered projection of a disk is value/pi everywhere inside (closed form), and each row of an ellipsoid of
    // revolution is a disk. Eight columns from its middle the edge, eight more away, leaves 1/(pi 8)^2 at most, and
    // the cosine weights are within 0.05 % of 1.
    const Image filtered = read_image(folder / "filtered" / "filtered_sinogram_of_row_20.tif");
    REQUIRE(filtered.rows == 90);
    REQUIRE(filtered.columns == 48);
    for (int view = 0; view < 90; ++view) {
      const double b = 4 * view * std::acos(-1.0) / 180;
      const double t = 0.5 * std::cos(b) - std::sin(b), depth = 200 + 0.5 * std::sin(b) + std::cos(b);
      const int middle = int(std::lround(23.5 + t * 400 / depth / 0.5));
      double mean = 0;
      for (int c = middle - 8; c < middle + 8; ++c)
        mean += filtered.at(view, c) / 16;
      CHECK(std::abs(mean - 0.1 / std::acos(-1.0)) < 0.002 * 0.1);
    }
  }

  TEST_CASE("a volume can be scanned again") {
    const Folder folder;
    make_ideal_scan(folder);
    REQUIRE(run(folder, "reconstruct ideal/scan.json -o volume --quiet").status == 0);
    REQUIRE(run(folder, "simulate volume --geometry geometry.json --set views.count=4 -o again --quiet").status == 0);
    const Image first = read_image(folder / "ideal" / "projections" / "view_0000.tif");
    const Image again = read_image(folder / "again" / "projections" / "view_0000.tif");
    double squares = 0, reference = 0;
    for (std::size_t i = 0; i < first.samples.size(); ++i) {
      squares += std::pow(double(first.samples[i]) - double(again.samples[i]), 2);
      reference += std::pow(double(first.samples[i]), 2);
    }
    // 90 views where (pi/2) 32 / 2 = 50 suffice; what is left is the blurred edge.
    CHECK(std::sqrt(squares / reference) < 0.02);
  }
}
