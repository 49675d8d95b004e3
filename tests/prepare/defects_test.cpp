// Bad pixels by the definitions of ASTM E2597/E2597M-22, as the project's check values 4.3 give them.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/prepare/defects.h"

using namespace rayloom;

namespace {

constexpr int rows = 50, columns = 60;

Image flat(float value) {
  return {rows, columns, value};
}

DefectMap map_of(const std::vector<std::pair<int, int>>& bad, int r = rows, int c = columns) {
  DefectMap map;
  map.rows = r;
  map.columns = c;
  map.states.resize(std::size_t(r * c));
  for (const auto& [row, column] : bad)
    map.states[std::size_t(row * c + column)] = PixelState::dead;
  return map;
}

std::vector<std::pair<int, int>> block(int row, int column, int high, int wide) {
  std::vector<std::pair<int, int>> pixels;
  for (int r = row; r < row + high; ++r)
    for (int c = column; c < column + wide; ++c)
      pixels.emplace_back(r, c);
  return pixels;
}

}  // namespace

TEST_SUITE("ASTM E2597: classes of bad pixels") {
  TEST_CASE("each limit with values just inside and just outside it") {
    struct Case {
      float value;
      PixelState state;
    };
    // 1e4 times 1.3 and 0.6 are exact in float only within a relative 1e-7, far finer than the step of 1e-3 here.
    for (const auto& [value, state] :
         {Case{1.299F, PixelState::good}, Case{1.301F, PixelState::over_responding}, Case{1.29F, PixelState::good},
          Case{1.31F, PixelState::over_responding}, Case{0.601F, PixelState::good},
          Case{0.599F, PixelState::under_responding}, Case{0.61F, PixelState::good},
          Case{0.59F, PixelState::under_responding}, Case{0.011F, PixelState::under_responding},
          Case{0.009F, PixelState::dead}, Case{0, PixelState::dead}, Case{-0.2F, PixelState::dead}})
      for (const auto& [row, column] : {std::pair(25, 30), std::pair(0, 0), std::pair(49, 59), std::pair(3, 41)}) {
        CAPTURE(value);
        DefectEvidence evidence;
        evidence.response = flat(1e4F);
        evidence.response->at(row, column) = value * 1e4F;
        const DefectMap map = classify_pixels(evidence);
        CHECK(map.at(row, column) == state);
        CHECK(map.bad_count() == (state == PixelState::good ? 0 : 1));
      }
    for (const auto& [factor, state] : {Case{5.9F, PixelState::good}, Case{6.1F, PixelState::noisy},
                                        Case{5.999F, PixelState::good}, Case{6.001F, PixelState::noisy}}) {
      DefectEvidence evidence;
      evidence.dark_deviation = flat(7);
      evidence.dark_deviation->at(4, 5) = 7 * factor;
      CHECK(classify_pixels(evidence).at(4, 5) == state);
    }
    for (const float sign : {-1.0F, 1.0F})
      for (const auto& [percent, state] : {Case{0.9F, PixelState::good}, Case{1.1F, PixelState::non_uniform},
                                           Case{0.999F, PixelState::good}, Case{1.001F, PixelState::non_uniform}}) {
        DefectEvidence evidence;
        evidence.flattened = flat(1);
        evidence.flattened->at(4, 5) = 1 + sign * percent / 100;
        CHECK(classify_pixels(evidence).at(4, 5) == state);
      }
  }

  TEST_CASE("the medians are those of 21 x 21 and 9 x 9 pixels") {
    // A step: right of it all is 1.5 times as bright. A pixel d columns left of it has 10 + 1 + d - 1 dark columns ..
    // of 21 in its window; the median is that of the dark side as long as they are 11 or more.
    DefectEvidence evidence;
    evidence.response = flat(1);
    for (int r = 0; r < rows; ++r)
      for (int c = 30; c < columns; ++c)
        evidence.response->at(r, c) = 1.5F;
    DefectMap map = classify_pixels(evidence);
    CHECK(map.bad_count() == 0);   // 1/1.5 > 0.6; bright pixels see bright medians from the first column on
    for (int r = 20; r < 31; ++r)  // of 231 pixels to the left, 11 go: now the bright ones are 210 + 11 = 221 of 441
      evidence.response->at(r, 20) = 1.5F;
    map = classify_pixels(evidence);
    // About (25, 29): columns 19..39, 11 dark ones, in rows 15..35; 11 of the column's pixels are bright: the median is
    // bright. A dark pixel of 0.8 is then under-responding (0.8/1.5 < 0.6), one row off the window's count it is not.
    evidence.response->at(25, 29) = 0.8F;
    CHECK(classify_pixels(evidence).at(25, 29) == PixelState::under_responding);
    evidence.response->at(30, 20) = 1;
    CHECK(classify_pixels(evidence).at(25, 29) == PixelState::good);

    // 9 x 9 = 81: 41 bright pixels make the median bright.
    DefectEvidence flatness;
    flatness.flattened = flat(1);
    for (int r = 21; r <= 29; ++r)
      for (int c = 31; c <= 34; ++c)
        flatness.flattened->at(r, c) = 1.008F;  // 36 pixels right of (25, 30)
    for (int r = 21; r <= 25; ++r)
      flatness.flattened->at(r, 26) = 1.008F;  // and 5
    flatness.flattened->at(25, 30) = 0.995F;
    CHECK(classify_pixels(flatness).at(25, 30) == PixelState::non_uniform);
    flatness.flattened->at(21, 26) = 1;
    CHECK(classify_pixels(flatness).at(25, 30) == PixelState::good);
  }

  TEST_CASE("the bounds on medians leave no pixel out") {
    // Rough images, sizes that no window divides: the same as the definition, pixel by pixel.
    std::mt19937 random(5);
    for (const auto& [high, wide] : {std::pair(50, 60), std::pair(1, 70), std::pair(23, 22), std::pair(8, 100)}) {
      Image image(high, wide);
      std::lognormal_distribution<float> wild(0, 0.35F);
      for (int r = 0; r < high; ++r)
        for (int c = 0; c < wide; ++c)
          image.at(r, c) = wild(random) * float(100 + r + 5 * c);
      DefectEvidence evidence;
      evidence.response = image;
      const DefectMap map = classify_pixels(evidence);
      int bad = 0;
      for (int r = 0; r < high; ++r)
        for (int c = 0; c < wide; ++c) {
          const float median = window_median(image, r, c, 21), value = image.at(r, c);
          const PixelState expected = value > 1.3F * median   ? PixelState::over_responding
                                      : value < 0.6F * median ? PixelState::under_responding
                                                              : PixelState::good;
          bad += expected != PixelState::good;
          // A pixel that all its neighbours leave is bad too.
          const PixelState found = map.at(r, c);
          CHECK((found == expected || (expected == PixelState::good && found == PixelState::bad_neighbourhood)));
        }
      CHECK(bad > high * wide / 20);
    }
  }

  TEST_CASE("noise raises the limit of non-uniformity beyond chance") {
    std::mt19937 random(6);
    std::normal_distribution<float> noise(1, 0.004F);
    DefectEvidence evidence;
    evidence.flattened = Image(300, 300);
    for (float& sample : evidence.flattened->samples)
      sample = noise(random);
    evidence.flattened->at(100, 100) = 1.04F;
    const DefectMap map = classify_pixels(evidence);
    CHECK(map.non_uniform_limit == doctest::Approx(5.5 * 0.004).epsilon(0.05));
    // 5.5 deviations: 4e-8 x 9e4 pixels = 0.003 expected by chance.
    CHECK(map.bad_count() == 1);
    CHECK(map.at(100, 100) == PixelState::non_uniform);
  }

  TEST_CASE("a pixel whose neighbours are all bad is bad") {
    std::vector<std::pair<int, int>> ring = block(10, 10, 3, 3);
    DefectEvidence evidence;
    evidence.listed = flat(0);
    for (const auto& [r, c] : ring)
      if (r != 11 || c != 11) evidence.listed->at(r, c) = 1;
    DefectMap map = classify_pixels(evidence);
    CHECK(map.at(11, 11) == PixelState::bad_neighbourhood);
    CHECK(map.count(PixelState::listed) == 8);
    evidence.listed->at(10, 10) = 0;
    CHECK(classify_pixels(evidence).at(11, 11) == PixelState::good);
  }

  TEST_CASE("sizes that differ and no evidence are refused") {
    DefectEvidence evidence;
    CHECK_THROWS_AS(classify_pixels(evidence), InvalidOption);
    evidence.response = flat(1);
    evidence.listed = Image(rows, columns - 1);
    CHECK_THROWS_AS(classify_pixels(evidence), InvalidOption);
  }
}

TEST_SUITE("ASTM E2597: groups") {
  TEST_CASE("fewer than five good neighbours make a cluster relevant") {
    using Kind = DefectGroup::Kind;
    struct Case {
      int high, wide;
      Kind kind;
      std::size_t kernels;
    };
    for (const auto& [high, wide, kind, kernels] :
         {Case{2, 2, Kind::cluster, 0},  // each has 5 good ones
          Case{1, 2, Kind::cluster, 0}, Case{3, 1, Kind::cluster, 0},
          Case{3, 3, Kind::relevant_cluster, 5},     // centre 0, edges 3, corners 5
          Case{2, 3, Kind::relevant_cluster, 2}}) {  // the middle two have 3
      CAPTURE(high);
      CAPTURE(wide);
      for (const auto& [row, column] : {std::pair(20, 20), std::pair(7, 31)}) {
        const auto groups = defect_groups(map_of(block(row, column, high, wide)));
        REQUIRE(groups.size() == 1);
        CHECK(groups[0].kind == kind);
        CHECK(groups[0].kernel_pixels == kernels);
        CHECK(groups[0].pixels == std::size_t(high * wide));
        CHECK(groups[0].row == row);
        CHECK(groups[0].columns == wide);
      }
    }
    CHECK(defect_groups(map_of({{5, 5}, {5, 7}, {9, 9}})).empty());  // single ones touch nothing
    CHECK(defect_groups(map_of({{5, 5}, {6, 6}})).size() == 1);      // diagonals touch
  }

  TEST_CASE("lines one pixel wide can be mended and two pixels wide cannot") {
    auto groups = defect_groups(map_of(block(0, 17, rows, 1)));
    REQUIRE(groups.size() == 1);
    CHECK(groups[0].kind == DefectGroup::Kind::line);
    CHECK(groups[0].kernel_pixels == 0);
    CHECK(groups[0].rows == rows);
    groups = defect_groups(map_of(block(0, 0, 1, columns)));  // the first row: the edge makes it no worse
    REQUIRE(groups.size() == 1);
    CHECK(groups[0].kernel_pixels == 0);

    groups = defect_groups(map_of(block(0, 17, rows, 2)));
    REQUIRE(groups.size() == 3);
    CHECK(groups[0].kind == DefectGroup::Kind::relevant_cluster);
    CHECK(groups[0].kernel_pixels == 2 * rows);
    CHECK(groups[1].kind == DefectGroup::Kind::line);
    CHECK(groups[2].kind == DefectGroup::Kind::line);

    std::vector<std::pair<int, int>> cross = block(0, 17, rows, 1);
    for (const auto& pixel : block(30, 0, 1, columns))
      if (pixel.second != 17) cross.push_back(pixel);
    groups = defect_groups(map_of(cross));
    CHECK(std::count_if(groups.begin(), groups.end(),
                        [](const DefectGroup& group) { return group.kind == DefectGroup::Kind::line; }) == 2);
    CHECK(defect_groups(map_of(block(5, 5, 1, line_length - 1))).front().kind == DefectGroup::Kind::cluster);
    CHECK(defect_groups(map_of(block(5, 5, 1, line_length))).front().kind == DefectGroup::Kind::line);
  }
}
