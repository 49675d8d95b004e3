// Tall parts: turns at several heights on one grid.
#include "rayloom/reconstruct/turns.h"

#include <doctest/doctest.h>

#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/simulate/project_phantom.h"

using namespace rayloom;

namespace {

/// Discs of CHECK-VALUES 8.1 (a): spheroids of semi-axes a (x, y) and c (z) on the axis, source at D.
constexpr double D = 500, a = 80, c = 5;

/// What the Feldkamp-Davis-Kress algorithm gives in the centre of a disc at height z0 (8.1 (a), closed form).
double centre_value(double z0) {
  return 1 / std::hypot(1, z0 * a / (c * D));
}

Phantom discs(std::initializer_list<double> heights, double raised_mm) {
  Phantom phantom;
  phantom.substances.push_back({1.0, "", 0});
  for (const double z : heights) {
    Solid& disc = phantom.solids.emplace_back();
    disc.centre_mm = Vec3(0, 0, z + raised_mm);
    disc.semi_axes_mm = Vec3(a, a, c);
  }
  return phantom;
}

/// Views of 2 mm pixels at the axis. All are alike, since the part is one of revolution.
struct ScannedTurn {
  std::vector<float> lines;
  Turn turn;
  ScannedTurn(const Phantom& phantom, double raised_mm) {
    Geometry& g = turn.geometry;
    g.beam = Beam::cone;
    g.sod_mm = D;
    g.sdd_mm = 2 * D;
    g.detector = {
        .columns = 96, .rows = 72, .column_pitch_mm = 4, .row_pitch_mm = 4, .axis_column = 47.5, .midplane_row = 35.5};
    for (int i = 0; i < 180; ++i)
      g.angles_rad.push_back(2 * pi * i / 180);
    std::vector<float> view(96 * 72);
    project_phantom(phantom, phantom.attenuations(), g, 0, {4}, view);
    for (std::size_t i = 0; i < g.angles_rad.size(); ++i)
      lines.insert(lines.end(), view.begin(), view.end());
    turn.source = from_memory(g, lines);
    turn.raised_mm = raised_mm;
  }
};

std::vector<float> volume_of(std::span<const Turn> turns, const TurnsPlan& plan) {
  const std::size_t pixels = std::size_t(plan.grid.nx) * std::size_t(plan.grid.ny);
  std::vector<float> volume(plan.grid.voxels());
  reconstruct_turns(turns, plan, [&](int k, std::span<const float> slice) {
    std::copy(slice.begin(), slice.end(), volume.begin() + std::ptrdiff_t(std::size_t(k) * pixels));
  });
  return volume;
}

}  // namespace

TEST_SUITE("turns at several heights") {
  TEST_CASE("a disc off the plane of one turn and in that of another: the error of one turn falls by more than half") {
    const auto stack = {-30.0, 0.0, 30.0};
    std::vector<ScannedTurn> scanned;
    for (const double raised : {-30.0, 0.0, 30.0})
      scanned.emplace_back(discs(stack, raised), raised);
    std::vector<Turn> turns;
    for (const auto& one : scanned)
      turns.push_back(one.turn);

    const GridRequest request{.voxel_mm = 2, .size = std::array{3, 3, 51}, .centre_mm = Vec3::Zero(), .slice_mm = {}};
    const TurnsPlan plan = plan_turns(turns, request);
    const auto volume = volume_of(turns, plan);
    const auto at = [&](double z) { return double(volume[std::size_t(std::lround(plan.grid.slice_of(z))) * 9 + 4]); };
    // A voxel's mean over 2 mm of discs 10 mm thick, whose values at the centre are flat; sampled as 8.1 (d) says,
    // within 0.5 %, and the weights with it.
    for (const double z0 : stack) {
      double expected = 0;
      const auto weights = turn_weights(plan.fields, turns, z0);
      for (std::size_t t = 0; t < turns.size(); ++t)
        expected += weights[t] * centre_value(z0 + turns[t].raised_mm);
      CAPTURE(z0);
      CHECK(at(z0) == doctest::Approx(expected).epsilon(0.005));
    }
    const double alone = 1 - centre_value(30);  // the middle disc in a turn that does not lift it into the plane
    CHECK(alone == doctest::Approx(1 - .721387).epsilon(1e-5));
    CHECK(1 - at(0) < alone / 2);
    // And as a whole: the middle disc's squared error on the axis where a voxel and its neighbours lie in it.
    const std::vector<Turn> off(turns.begin() + 2, turns.end());
    const auto one = volume_of(off, plan_turns(off, request));
    double blended = 0, single = 0;
    for (int k = 24; k <= 26; ++k) {
      blended += std::pow(double(volume[std::size_t(k) * 9 + 4]) - 1, 2);
      single += std::pow(double(one[std::size_t(k) * 9 + 4]) - 1, 2);
    }
    CHECK(blended < single / 4);
  }

  TEST_CASE("a height that is said 5 mm wrong is found to half a voxel and right heights are not doubted") {
    // Flat discs at uneven distances, off the planes of the turns, so that each turn shows them unlike.
    const auto stack = {-37.0, -16.0, 3.0, 32.0};
    std::vector<ScannedTurn> scanned;
    for (const double raised : {-8.0, 8.0})
      scanned.emplace_back(discs(stack, raised), raised);
    std::vector<Turn> turns = {scanned[0].turn, scanned[1].turn};
    const GridRequest request{.voxel_mm = 2, .size = std::array{9, 9, 51}, .centre_mm = Vec3::Zero(), .slice_mm = {}};
    const auto mismatches = [&] {
      return reconstruct_turns(turns, plan_turns(turns, request), [](int, std::span<const float>) {}).mismatches;
    };
    CHECK(mismatches().empty());
    for (const double wrong : {5.0, -5.0}) {
      turns[1].raised_mm = 8 + wrong;
      const auto found = mismatches();
      REQUIRE(found.size() == 1);
      CHECK(found[0].a == 0);
      CHECK(found[0].b == 1);
      CHECK(std::abs(found[0].off_mm + wrong) < 1);
    }
    // What does not change along z says nothing of heights.
    Phantom bar = discs({0.0}, 0);
    bar.solids[0].semi_axes_mm = Vec3(20, 20, 1e5);
    const ScannedTurn of_bar(bar, 0);
    turns = {of_bar.turn, of_bar.turn};
    turns[1].raised_mm = 20;
    CHECK(mismatches().empty());
  }

  TEST_CASE("discs at even distances: a better match one disc farther on does not count") {
    // Each turn shows the disc in its own plane well and the other one, 10 slices on, at half. Without means the
    // correlation is 2 (1/2) / (1 + 1/4) = 0.8 in place and 1 / (1 + 1/4) = 0.8 one disc farther on.
    for (const int off : {0, 3}) {
      const Grid grid{4, 4, 80, 0.5, Vec3::Zero()};
      TurnHeights heights(grid, 2);
      for (int k = 0; k < 80; ++k) {
        const auto disc = [&](int at) { return std::abs(k - at) < 2 ? 1.0F : 0.0F; };
        heights.add(0, k, std::vector<float>(16, disc(15) + 0.5F * disc(25)));
        heights.add(1, k, std::vector<float>(16, 0.5F * disc(15 + off) + disc(25 + off)));
      }
      const auto found = heights.mismatches();
      REQUIRE(found.size() == (off == 0 ? 0 : 1));
      if (off != 0) CHECK(found[0].off_mm == doctest::Approx(off * 0.5).epsilon(0.02));
    }
  }

  TEST_CASE("one turn: the bytes of a plain reconstruction at its height; memory changes none") {
    const ScannedTurn scanned(discs({10.0}, 6), 6);
    const std::vector<Turn> turns = {scanned.turn};
    const GridRequest request{
        .voxel_mm = 2, .size = std::array{90, 90, 40}, .centre_mm = Vec3(0, 0, 4), .slice_mm = {}};
    const auto volume = volume_of(turns, plan_turns(turns, request));
    GridRequest raised = request;
    raised.centre_mm = Vec3(0, 0, 10);
    const Geometry& g = scanned.turn.geometry;
    const auto plan = plan_reconstruction(g, raised, {});
    std::vector<float> plain;
    reconstruct(g, scanned.turn.source, plan, {},
                [&](int, std::span<const float> slice) { plain.insert(plain.end(), slice.begin(), slice.end()); });
    CHECK(volume == plain);

    std::vector<Turn> two = {scanned.turn, scanned.turn};
    two[1].raised_mm = 20;
    const auto whole = volume_of(two, plan_turns(two, request));
    const std::size_t most = plan_turns(two, request).memory_bytes;
    for (Turn& turn : two)
      turn.options.memory_bytes = most - 200000;
    const TurnsPlan tight = plan_turns(two, request);
    CHECK(tight.slabs.size() > 1);
    CHECK(tight.memory_bytes <= most - 200000);
    CHECK(volume_of(two, tight) == whole);

    // What is said to suffice does, and a byte less does not. The second turn, of finer pixels, takes more.
    two[1].geometry.detector = {960, 720, 0.4, 0.4, 479.5, 359.5};
    two[1].options.memory_bytes = two[0].options.memory_bytes = std::size_t{1} << 30;
    const TurnsPlan both = plan_turns(two, request);
    const std::size_t least = both.turns[1]->least_bytes;
    CHECK(least > 2 * both.turns[0]->least_bytes);
    two[0].options.memory_bytes = 1000;
    CHECK_THROWS_WITH_AS(plan_turns(two, request), doctest::Contains(std::to_string((least >> 20) + 1).c_str()),
                         InvalidOption);
    for (Turn& turn : two)
      turn.options.memory_bytes = least;
    CHECK(plan_turns(two, request).memory_bytes <= least);
    for (Turn& turn : two)
      turn.options.memory_bytes = least - 1;
    CHECK_THROWS_AS(plan_turns(two, request), InvalidOption);
  }

  TEST_CASE("the default grid spans the heights of all turns; a gap between them is named") {
    const ScannedTurn scanned(discs({0.0}, 0), 0);
    std::vector<Turn> turns = {scanned.turn, scanned.turn};
    turns[1].raised_mm = -50;
    const FieldOfView one = plan_turns(std::span(turns).first(1), {}).field;
    const TurnsPlan plan = plan_turns(turns, {});
    CHECK(plan.field.z_low_mm == one.z_low_mm);
    CHECK(plan.field.z_high_mm == one.z_high_mm + 50);
    CHECK(plan.grid.z_mm(plan.grid.nz - 1) == doctest::Approx(one.z_high_mm + 49).epsilon(0.03));
    turns[1].raised_mm = -2 * one.z_high_mm - 4;
    CHECK_THROWS_WITH_AS(plan_turns(turns, {}), doctest::Contains("turns must meet or overlap"), InvalidOption);
    turns[1].raised_mm = 0;
    CHECK_THROWS_AS(plan_turns(turns, {.slice_mm = 500}), InvalidOption);
  }
}
