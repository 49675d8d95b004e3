// Sections: which way they lie, and interpolation between layers.
#include <cfloat>
#include <cmath>

#include "rayloom/volume/section.h"
#include "volume_support.h"

using namespace rayloom;
using namespace volume_test;

namespace {

/// As text: '#' where a sample is above one half.
std::string drawn(const Image& image) {
  std::string text;
  for (int r = 0; r < image.rows; ++r) {
    for (int c = 0; c < image.columns; ++c)
      text += image.at(r, c) > 0.5F ? '#' : '.';
    text += '\n';
  }
  return text;
}

/// The letter F with its foot at (0, 0): stem along up, arms to the right.
bool in_letter(double right, double up) {
  const int column = int(std::lround(right)), row = int(std::lround(up));
  return (column == 0 && row >= 0 && row <= 4) || (row == 4 && column >= 0 && column <= 3) ||
         (row == 2 && column >= 0 && column <= 2);
}

const std::string letter =
    ".......\n"
    ".####..\n"
    ".#.....\n"
    ".###...\n"
    ".#.....\n"
    ".#.....\n"
    ".......\n";

/// 7 x 7 x 7 voxels of 1 mm from -1 to 5 mm each way, so that the letter's foot is at the origin.
const Grid letter_grid{.nx = 7, .ny = 7, .nz = 7, .voxel_mm = 1, .centre_mm = {2, 2, 2}};

}  // namespace

TEST_SUITE("sections") {
  TEST_CASE("xy shows x to the right and y up; xz and yz show z up") {
    for (const auto format : {VolumeFormat::slices, VolumeFormat::bigtiff, VolumeFormat::raw}) {
      const TemporaryFolder folder;
      write(folder / "xy", filled(letter_grid, [](double x, double y, double z) { return z == 1 && in_letter(x, y); }),
            {format});
      write(folder / "xz", filled(letter_grid, [](double x, double y, double z) { return y == 1 && in_letter(x, z); }),
            {format});
      write(folder / "yz", filled(letter_grid, [](double x, double y, double z) { return x == 1 && in_letter(y, z); }),
            {format});
      CHECK(drawn(section(StoredVolume(folder / "xy"), Plane::xy, 1)) == letter);
      CHECK(drawn(section(StoredVolume(folder / "xz"), Plane::xz, 1)) == letter);
      CHECK(drawn(section(StoredVolume(folder / "yz"), Plane::yz, 1)) == letter);
      const std::string nothing = drawn(Image(7, 7));
      CHECK(drawn(section(StoredVolume(folder / "xy"), Plane::xy, 3)) == nothing);
      CHECK(drawn(section(StoredVolume(folder / "xz"), Plane::xz, 3)) == nothing);
      CHECK(drawn(section(StoredVolume(folder / "yz"), Plane::yz, 3)) == nothing);
    }
  }

  TEST_CASE("a linear function is exact between layers up to float32 rounding") {
    const Grid grid{.nx = 6, .ny = 9, .nz = 4, .voxel_mm = 0.3, .centre_mm = {4, -1, 0.7}};
    const auto f = [](double x, double y, double z) { return 0.5 + 0.25 * x - 0.5 * y + 2 * z; };
    const TemporaryFolder folder;
    write(folder / "v", filled(grid, f));
    const StoredVolume volume(folder / "v");
    // |f| < 8: each sample was rounded by at most 2^-22 = 8 * 2^-25 ... twice (when stored, when mixed), and sums in
    // double precision add far less.
    const double tolerance = 8 * double(FLT_EPSILON);
    for (const double share : {0.0, 0.1, 0.5, 0.77, 1.0}) {
      CAPTURE(share);
      const double z = grid.z_mm(0) + share * (grid.z_mm(3) - grid.z_mm(0));
      const double y = grid.y_mm(0) + share * (grid.y_mm(8) - grid.y_mm(0));
      const double x = grid.x_mm(0) + share * (grid.x_mm(5) - grid.x_mm(0));
      const Image xy = section(volume, Plane::xy, z), xz = section(volume, Plane::xz, y),
                  yz = section(volume, Plane::yz, x);
      REQUIRE((xy.rows == 9 && xy.columns == 6));
      REQUIRE((xz.rows == 4 && xz.columns == 6));
      REQUIRE((yz.rows == 4 && yz.columns == 9));
      double worst = 0;
      for (int i = 0; i < 6; ++i)
        for (int j = 0; j < 9; ++j)
          worst = std::max(worst, std::abs(xy.at(j, i) - f(grid.x_mm(i), grid.y_mm(j), z)));
      for (int k = 0; k < 4; ++k) {
        for (int i = 0; i < 6; ++i)
          worst = std::max(worst, std::abs(xz.at(3 - k, i) - f(grid.x_mm(i), y, grid.z_mm(k))));
        for (int j = 0; j < 9; ++j)
          worst = std::max(worst, std::abs(yz.at(3 - k, 8 - j) - f(x, grid.y_mm(j), grid.z_mm(k))));
      }
      CHECK(worst <= tolerance);
    }
  }

  TEST_CASE("from the outermost layer's centre to its face that layer counts and beyond it nothing") {
    const Grid grid{.nx = 3, .ny = 2, .nz = 1, .voxel_mm = 2, .centre_mm = {10, 20, 30}};
    const TemporaryFolder folder;
    write(folder / "v", filled(grid, [](double x, double y, double z) { return x + y + z; }));
    const StoredVolume volume(folder / "v");
    CHECK(section(volume, Plane::xy, 29).samples == section(volume, Plane::xy, 30).samples);
    CHECK(section(volume, Plane::xy, 31).samples == section(volume, Plane::xy, 30).samples);
    CHECK(section(volume, Plane::xz, 22).samples == section(volume, Plane::xz, 21).samples);
    CHECK(section(volume, Plane::yz, 7).samples == section(volume, Plane::yz, 8).samples);
    const auto refused = [&](Plane plane, double at) {
      return message_of<InvalidOption>([&] { section(volume, plane, at); });
    };
    CHECK(contains(refused(Plane::xy, 31.01), "z = 31.01 mm: outside the volume; must be from 29 to 31 mm"));
    CHECK(contains(refused(Plane::xz, 17.5), "y = 17.5 mm: outside the volume; must be from 18 to 22 mm"));
    CHECK(contains(refused(Plane::yz, 13.5), "x = 13.5 mm: outside the volume; must be from 7 to 13 mm"));
    CHECK(contains(refused(Plane::yz, std::nan("")), "x = nan mm: outside"));
  }

  TEST_CASE("axes of the planes") {
    CHECK(to_string(Plane::xz) == "xz");
    for (const auto plane : {Plane::xy, Plane::xz, Plane::yz}) {
      const PlaneAxes axes = axes_of(plane);
      CHECK(to_string(plane) == std::string{axes.right, axes.up});
      CHECK(axes.across == char('x' + 'y' + 'z' - axes.right - axes.up));
    }
  }
}
