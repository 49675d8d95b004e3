#include "rayloom/prepare/defect_mending.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include "rayloom/errors.h"
#include "scan/support.h"

using namespace rayloom;
using test::message_of;

namespace {

constexpr double rounding = 16 * 0x1p-24;  // some sums and products of floats up to 1 in size

using Reach = DefectMending::Reach;

/// An image whose pixels 'x' are bad, and what mending it gives.
struct Mended {
  std::vector<char> bad;
  std::vector<float> values;
  int rows, columns;

  Mended(int rows_, int columns_, const std::vector<std::pair<int, int>>& at, const std::function<double(int, int)>& f,
         Reach reach = Reach::image)
      : bad(std::size_t(rows_ * columns_)), values(bad.size()), rows(rows_), columns(columns_) {
    for (const auto& [r, c] : at)
      bad[std::size_t(r * columns + c)] = true;
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c)
        values[std::size_t(r * columns + c)] = bad[std::size_t(r * columns + c)] ? 1e9F : float(f(r, c));
    DefectMending(bad, rows, columns, reach, "defects").mend(values, 0, 0, rows);
  }
  float at(int r, int c) const { return values[std::size_t(r * columns + c)]; }
};

}  // namespace

TEST_SUITE("bad pixels from good neighbours") {
  TEST_CASE("straight edges in any of four directions stay as they are") {
    // Brightness 0 and 1 on the sides of an edge through the bad pixel, which lies on the bright side.
    const std::function<double(int, int)> edges[] = {
        [](int r, int) { return r >= 4; }, [](int, int c) { return c >= 4; }, [](int r, int c) { return r + c >= 8; },
        [](int r, int c) { return r - c >= 0; }};
    for (const auto& edge : edges)
      CHECK(std::abs(Mended(9, 9, {{4, 4}}, edge).at(4, 4) - 1) < rounding);
  }

  TEST_CASE("a plane stays a plane: at edges and corners of the detector and in clusters and lines") {
    const auto plane = [](int r, int c) { return 0.5 + 0.02 * r - 0.03 * c; };
    std::vector<std::pair<int, int>> bad = {{2, 2}, {2, 3}, {3, 2}, {3, 3}, {0, 7}, {8, 6}, {5, 0}, {6, 9}};
    for (int r = 0; r < 9; ++r)
      bad.emplace_back(r, 8);
    const Mended mended(9, 10, bad, plane);
    for (int r = 0; r < 9; ++r)
      for (int c = 0; c < 10; ++c)
        if (std::pair(r, c) != std::pair(6, 9)) CHECK(std::abs(mended.at(r, c) - plane(r, c)) < rounding);
    // At a corner of all that is good there is nothing on the other side: the nearest.
    CHECK(Mended(2, 2, {{0, 0}}, plane).at(0, 0) == float(plane(0, 1)));
  }

  TEST_CASE("a sum of any function of the row and any of the column is found exactly") {
    std::mt19937 random(7);
    std::uniform_real_distribution<double> uniform(0, 1);
    double f[9], g[9];
    for (int i = 0; i < 9; ++i) {
      f[i] = uniform(random);
      g[i] = uniform(random);
    }
    const auto sum = [&](int r, int c) { return (f[r] + g[c]) / 2; };
    CHECK(std::abs(Mended(9, 9, {{4, 4}}, sum).at(4, 4) - sum(4, 4)) < rounding);
  }

  TEST_CASE("one row: between left and right in proportion to distance") {
    const auto slope = [](int, int c) { return c == 0 ? 0.25 : 0.1 * c; };
    const Mended mended(1, 8, {{0, 2}, {0, 4}, {0, 5}, {0, 7}}, slope);
    for (const int c : {2, 4, 5})
      CHECK(std::abs(mended.at(0, c) - 0.1 * c) < rounding);
    CHECK(mended.at(0, 7) == 0.6F);
  }

  TEST_CASE("sinograms keep to their row while it has good pixels") {
    const auto f = [](int r, int c) { return r == 1 ? 0.1 * c : 9.0; };
    const Mended mended(3, 5, {{1, 2}, {2, 0}, {2, 1}, {2, 2}, {2, 3}, {2, 4}}, f, Reach::row);
    CHECK(std::abs(mended.at(1, 2) - 0.2) < rounding);
    CHECK(mended.at(2, 4) == 0.4F);  // the row is bad: the nearest above
    const std::vector<char> bad = {0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0};
    CHECK(DefectMending(bad, 3, 5, Reach::row, "").needed(1, 1).count == 1);
    CHECK(DefectMending(bad, 3, 5, Reach::image, "").needed(1, 1).first == 0);
  }

  TEST_CASE("noise grows no more than by the corner rule") {
    // Weights of the corner value: 4 (1/2)^2 + 4 (1/4)^2 = 1.25 times a pixel's variance; a line's: 1/2. A mean of both
    // lies below the larger. 4000 values: the variance is known to sqrt(2/4000) = 2.2 %, four of which are 9 %.
    std::mt19937 random(3);
    std::normal_distribution<double> normal;
    double sum = 0;
    const int n = 4000;
    for (int i = 0; i < n; ++i) {
      const double value = Mended(5, 5, {{2, 2}}, [&](int, int) { return normal(random); }).at(2, 2);
      sum += value * value;
    }
    CHECK(sum / n < 1.25 * 1.09);
    MESSAGE("variance of a mended pixel: " << sum / n << " of a good one's");
  }

  TEST_CASE("nothing good in any direction is refused by place") {
    CHECK(message_of<BadInput>([] {
            DefectMending({1, 1, 1, 1, 1, 0}, 2, 3, Reach::image, "scan.json: images.defects");
          }) ==
          "scan.json: images.defects: the pixel at row 0, column 0 is bad, and so are all in its row, column and "
          "diagonals; some must be good");
  }

  TEST_CASE("groups too dense for good neighbours are told with count and place") {
    std::vector<char> bad(400);
    const auto block = [&](int row, int column, int rows, int columns) {
      for (int r = row; r < row + rows; ++r)
        for (int c = column; c < column + columns; ++c)
          bad[std::size_t(r * 20 + c)] = true;
    };
    block(1, 1, 2, 2);    // each pixel has 5 good neighbours
    block(0, 10, 20, 1);  // a line one pixel wide: 6
    CHECK(unmendable_groups(bad, 20, 20).empty());
    block(5, 3, 3, 3);
    CHECK(unmendable_groups(bad, 20, 20) ==
          "1 group of bad pixels is too dense to be mended from good neighbours (fewer than 5 of 8), 9 pixels in all; "
          "it lies at row 5 to 7, column 3 to 5; expect rings there");
    block(0, 15, 20, 2);
    CHECK(unmendable_groups(bad, 20, 20) ==
          "2 groups of bad pixels are too dense to be mended from good neighbours (fewer than 5 of 8), 49 pixels in "
          "all; the largest lies at row 0 to 19, column 15 to 16; expect rings there");
  }
}
