// Back-projection through Fourier space against its sum written out, in double precision and without any transform.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/fft.h"
#include "rayloom/reconstruct/backproject.h"
#include "rayloom/reconstruct/reconstruct.h"

using namespace rayloom;

namespace {

struct Case {
  const char* name;
  int columns, views;
  double pitch_mm, axis_column, arc_deg, voxel_mm;
  int nx, ny;
  Vec3 centre_mm;
  FilterOptions filter;
  bool shuffled;  // uneven views in any order
  double moved_mm = 0;
};

const Case cases[] = {
    {"half turn", 96, 70, 1, 47.5, 180, 1, 66, 66, {0, 0, 0}, {}, false},
    {"axis and grid off the middle", 90, 64, 0.7, 41.3, 180, 0.7, 41, 58, {5.2, -3.9, 0}, {}, false},
    {"full turn and fine voxels", 64, 130, 1.3, 30.2, 360, 0.5, 75, 40, {-2, 3.3, 0}, {Window::hann, 0.8}, false},
    {"views as they come", 80, 77, 1, 40.1, 180, 0.93, 52, 47, {1.1, 0.4, 0}, {Window::shepp_logan}, true},
    {"displaced", 70, 180, 1, 14.6, 360, 1, 60, 60, {0, 0, 0}, {}, false},
    {"part moved", 96, 70, 1, 47.5, 180, 1, 58, 58, {0, 0, 0}, {}, false, 2.5},
};

Geometry geometry_of(const Case& c, std::mt19937& random, int rows = 1) {
  Geometry g;
  g.beam = Beam::parallel;
  g.detector = {c.columns, rows, c.pitch_mm, c.pitch_mm, c.axis_column, (rows - 1) / 2.0};
  std::uniform_real_distribution<double> uneven(-0.4, 0.4);
  for (int i = 0; i < c.views; ++i)
    g.angles_rad.push_back(radians(11 + c.arc_deg * (i + (c.shuffled ? uneven(random) : 0)) / c.views));
  std::uniform_real_distribution<double> shift(-c.moved_mm, c.moved_mm);
  for (int i = 0; c.moved_mm > 0 && i < c.views; ++i)
    g.part_moved_mm.emplace_back(shift(random), shift(random), 0);
  if (c.shuffled) std::shuffle(g.angles_rad.begin(), g.angles_rad.end(), random);
  return g;
}

/// Noise everywhere: all frequencies, and zero frequency most.
std::vector<float> noise(const Geometry& g, std::mt19937& random) {
  std::normal_distribution<float> value(2, 1);
  std::vector<float> all(g.angles_rad.size() * std::size_t(g.detector.columns) * std::size_t(g.detector.rows));
  for (float& one : all)
    one = value(random);
  return all;
}

std::vector<float> volume(const Geometry& g, const std::vector<float>& lines, const Case& c, Method method,
                          int slices = 1, std::optional<int> threads = {}, std::optional<std::size_t> memory = {}) {
  ReconstructOptions options;
  options.filter = c.filter;
  options.method = method;
  options.threads = threads;
  options.memory_bytes = memory;
  const GridRequest request{.voxel_mm = c.voxel_mm, .size = {{c.nx, c.ny, slices}}, .centre_mm = c.centre_mm};
  const auto plan = plan_reconstruction(g, request, options);
  REQUIRE(plan.method == method);
  std::vector<float> all;
  reconstruct(g, from_memory(g, lines), plan, options,
              [&](int, std::span<const float> slice) { all.insert(all.end(), slice.begin(), slice.end()); });
  return all;
}

/// The voxel's sum over views and columns: each filtered row is a sum of cosines about each of its samples, times the
/// transform of the triangle that interpolates linearly and a raised cosine from 0.4 to 0.5 cycles a column.
class Oracle {
 public:
  Oracle(const Geometry& g, const Case& c) : g_(g), redundancy_(redundancy(g, {})) {
    int widened = c.columns;
    if (redundancy_.coverage == Coverage::displaced)
      widened += int(std::ceil(std::abs(c.columns - 1 - 2 * c.axis_column)));
    length_ = quick_fft_length(2 * widened);
    const auto kernel = ramp_kernel(c.filter, widened, c.pitch_mm);
    for (int m = 0; m <= length_ / 2; ++m) {
      double sum = 0;
      for (int n = -widened; n <= widened; ++n)
        if (n < widened || 2 * widened < length_)
          sum += kernel[std::size_t(n + widened)] * std::cos(2 * pi * m * n / length_);
      const double half_turn = pi * m / length_, triangle = m == 0 ? 1 : std::pow(std::sin(half_turn) / half_turn, 2);
      const double end = 10 * m > 4 * length_ ? std::pow(std::cos(5 * (half_turn - 0.4 * pi)), 2) : 1;
      response_.push_back((m == 0 || 2 * m == length_ ? 1 : 2) * triangle * end * sum * c.pitch_mm / length_);
    }
    for (std::size_t view = 0; view < g.angles_rad.size(); ++view)
      column_weights(g, redundancy_, view, weights_.emplace_back());
  }

  double at(double x, double y, const std::vector<float>& lines) const {
    double sum = 0;
    for (std::size_t view = 0; view < g_.angles_rad.size(); ++view) {
      const Pose pose = g_.pose(view);
      const double b = pose.angle_rad;
      const double t = (x + pose.moved_mm.x()) * std::cos(b) + (y + pose.moved_mm.y()) * std::sin(b);
      const double column = g_.detector.axis_column + t / g_.detector.column_pitch_mm;
      for (int c = 0; c < g_.detector.columns; ++c) {
        double kernel = 0;
        for (std::size_t m = 0; m < response_.size(); ++m)
          kernel += response_[m] * std::cos(2 * pi * double(m) * (column - c) / length_);
        const std::size_t at = std::size_t(c);
        sum += kernel * weights_[view][at] * lines[view * std::size_t(g_.detector.columns) + at];
      }
    }
    return sum;
  }

 private:
  const Geometry& g_;
  Redundancy redundancy_;
  int length_;
  std::vector<double> response_;
  std::vector<std::vector<float>> weights_;
};

/// RMS of what differs over the RMS of the oracle, at some voxels within the field of view.
double error_at_some(const Geometry& g, const Case& c, const std::vector<float>& lines,
                     const std::vector<float>& found) {
  const Oracle oracle(g, c);
  const Grid grid{c.nx, c.ny, 1, c.voxel_mm, c.centre_mm};
  const double radius = field_of_view(g, redundancy(g, {}).coverage).radius_mm;
  std::mt19937 random(9);
  double difference = 0, all = 0;
  for (int n = 0; n < 24;) {
    const int i = int(random() % unsigned(c.nx)), j = int(random() % unsigned(c.ny));
    if (std::hypot(grid.x_mm(i), grid.y_mm(j)) > radius) continue;
    const double truth = oracle.at(grid.x_mm(i), grid.y_mm(j), lines);
    difference += std::pow(found[std::size_t(j * c.nx + i)] - truth, 2);
    all += truth * truth;
    ++n;
  }
  return std::sqrt(difference / all);
}

}  // namespace

TEST_SUITE("gridding") {
  // A window of 4 cells at 1.4 times the voxels folds up to some 1e-3 of what lies outside back into the picture
  // (Beatty et al. 2005, fig. 3, from memory; at 1.25 it is 3e-3 here). Noise holds all frequencies alike.
  TEST_CASE("the sum written out") {
    for (const Case& c : cases) {
      CAPTURE(c.name);
      std::mt19937 random(4);
      const Geometry g = geometry_of(c, random);
      const auto lines = noise(g, random);
      const double gridding = error_at_some(g, c, lines, volume(g, lines, c, Method::gridding));
      const double direct = error_at_some(g, c, lines, volume(g, lines, c, Method::direct));
      CAPTURE(direct);
      CHECK(gridding < 2e-3);
      CHECK(gridding < direct / 20);
      CHECK(direct < 0.7);  // linear interpolation loses that much of noise, and not more
    }
  }

  TEST_CASE("the same whatever threads and memory") {
    const Case& c = cases[1];
    std::mt19937 random(5);
    const Geometry g = geometry_of(c, random, 9);
    const auto lines = noise(g, random);
    const auto whole = volume(g, lines, c, Method::gridding, 9, 1);
    CHECK(whole.size() == std::size_t(c.nx * c.ny * 9));
    CHECK(volume(g, lines, c, Method::gridding, 9, 3) == whole);
    CHECK(volume(g, lines, c, Method::gridding, 9, 2, 2'500'000) == whole);
  }

  TEST_CASE("every instruction set") {
    const Case& c = cases[3];
    std::mt19937 random(6);
    const Geometry g = geometry_of(c, random);
    const auto lines = noise(g, random);
    for (const std::string& set : kernel_names()) {
      CAPTURE(set);
      setenv("RAYLOOM_KERNELS", set.c_str(), 1);
      CHECK(error_at_some(g, c, lines, volume(g, lines, c, Method::gridding)) < 2e-3);
    }
    unsetenv("RAYLOOM_KERNELS");
  }

  TEST_CASE("chosen where it can be and pays") {
    const auto method_for = [](Beam beam, int columns, int views, double voxel_mm, ReconstructOptions options = {},
                               std::optional<std::array<int, 3>> size = {}) {
      Geometry g;
      g.beam = beam;
      g.sod_mm = 4000;
      g.sdd_mm = 8000;
      g.detector = {columns, 1, 1, 1, (columns - 1) / 2.0, 0};
      for (int i = 0; i < views; ++i)
        g.angles_rad.push_back((beam == Beam::parallel ? pi : 2 * pi) * i / views);
      return plan_reconstruction(g, {.voxel_mm = voxel_mm, .size = size}, options).method;
    };
    ReconstructOptions unfiltered, forced;
    unfiltered.filter.window = Window::none;
    forced.method = Method::gridding;
    CHECK(method_for(Beam::parallel, 2048, 1536, 1) == Method::gridding);
    CHECK(method_for(Beam::parallel, 2048, 1536, 1.1) == Method::direct);
    CHECK(method_for(Beam::parallel, 2048, 1536, 1, {}, {{1800, 1800, 1}}) == Method::direct);  // not the whole view
    CHECK(method_for(Beam::parallel, 2048, 1536, 1, unfiltered) == Method::direct);
    CHECK(method_for(Beam::parallel, 64, 20, 1) == Method::direct);
    CHECK(method_for(Beam::parallel, 64, 20, 1, forced) == Method::gridding);
    CHECK_THROWS_WITH_AS(method_for(Beam::fan, 64, 20, 1, forced),
                         doctest::Contains("method: gridding; must be direct"), InvalidOption);
    CHECK_THROWS_AS(method_for(Beam::parallel, 64, 20, 1.1, forced), InvalidOption);
  }
}
