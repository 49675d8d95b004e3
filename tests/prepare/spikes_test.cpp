#include "rayloom/prepare/spikes.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/prepare/line_integrals.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/project_phantom.h"
#include "scan/support.h"

using namespace rayloom;
using test::TemporaryFolder;

namespace {

/// Views of transmissions, made as they are asked for.
struct Views {
  int count, rows, columns;
  std::function<double(int view, int row, int column)> transmission;
  double photons;  ///< In the open beam; 0: no noise.
  unsigned seed = 1;

  std::vector<float> at(int view) const {
    if (view < 0 || view >= count) return {};
    std::mt19937_64 random(seed + 1000003U * unsigned(view));
    std::vector<float> samples;
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c) {
        const double t = transmission(view, r, c);
        samples.push_back(
            float(photons > 0 ? double(std::poisson_distribution<long>(t * photons)(random)) / photons : t));
      }
    return samples;
  }
};

/// @param spoil  Changes a view before it is looked at.
std::vector<SpikeMend> spikes_in(
    const Views& views, const std::function<void(int, std::vector<float>&)>& spoil = [](int, auto&) {}) {
  const std::vector<char> bad(std::size_t(views.rows * views.columns));
  const auto view_of = [&](int view) {
    std::vector<float> samples = views.at(view);
    if (!samples.empty()) spoil(view, samples);
    return samples;
  };
  NoiseByLevel noise;
  for (int i = 0; i < std::min(views.count, 20); ++i)
    noise.add(view_of(i * views.count / std::min(views.count, 20)), views.rows, views.columns, bad);
  noise.finish();
  std::vector<SpikeMend> found;
  std::vector<float> before, view = view_of(0), after;
  for (int i = 0; i < views.count; ++i) {
    after = view_of(i + 1);
    find_spikes(before, view, after, views.rows, views.columns, bad, noise, i, found);
    before = std::exchange(view, std::exchange(after, {}));
  }
  return found;
}

/// Transmissions of a phantom in a cone beam, kept.
Views of_phantom(const std::string& name, int count) {
  const Phantom phantom = read_phantom(RAYLOOM_SOURCE_DIR "/phantoms/" + name + ".json");
  const auto mu = phantom.attenuations(phantom.energy_kev > 0 ? phantom.energy_kev : 100);
  const auto extent = phantom.extent();
  Geometry g;
  g.beam = Beam::cone;
  g.sod_mm = 8 * extent.radius_mm;
  g.sdd_mm = 2 * g.sod_mm;
  const int columns = 96, rows = 40;
  const double pitch = 2.3 * extent.radius_mm * 2 / columns;
  g.detector = {columns, rows, pitch, pitch, (columns - 1) / 2.0, (rows - 1) / 2.0};
  auto all = std::make_shared<std::vector<std::vector<float>>>();
  for (int i = 0; i < count; ++i) {
    all->emplace_back(std::size_t(columns * rows));
    project_phantom(phantom, mu, g, radians(360.0 * i / count), {2, PixelSampling::Average::transmission}, all->back());
  }
  return {count, rows, columns,
          [=](int view, int r, int c) {
            return std::exp(-double((*all)[std::size_t(view)][std::size_t(r * columns + c)]));
          },
          0};
}

}  // namespace

TEST_SUITE("spikes") {
  // Derived: of 27 normal numbers (9 with one row) one exceeds the greatest other by 5 deviations with probability
  // below 1e-10 (3e-9): the integral of Q(m + 5) over the density of the greatest. 4e5 samples each.
  TEST_CASE("clean noise holds none") {
    const auto slope = [](int view, int r, int c) { return 0.02 + 0.9 * (c + 0.3 * r + view % 7) / 400; };
    for (const double photons : {30000.0, 2000.0, 200.0}) {
      CAPTURE(photons);
      CHECK(spikes_in({8, 200, 250, slope, photons}).empty());
      CHECK(spikes_in({1000, 1, 400, slope, photons}).empty());
    }
  }

  TEST_CASE("parts keep their edges and details with noise and without") {
    for (const char* name : {"pump_end_plate", "milled_bracket", "cable_plug"}) {
      Views views = of_phantom(name, 48);
      for (const double photons : {0.0, 30000.0, 2000.0}) {
        CAPTURE(name);
        CAPTURE(photons);
        views.photons = photons;
        CHECK(spikes_in(views).empty());
      }
    }
  }

  TEST_CASE("spikes of 0.3 to 1 open beams are found where the part has no strong edge and replaced within noise") {
    Views views = of_phantom("pump_end_plate", 72);
    views.photons = 30000;
    std::mt19937 random(11);
    std::vector<SpikeMend> truth;
    for (int i = 3; i < 69; i += 3)  // far enough apart not to hide each other
      for (int k = 0; k < 4; ++k)
        truth.push_back({i, std::uint32_t((5 + 9 * k) * views.columns + int(random() % 96)),
                         0.3F + 0.7F * float(random() % 1000) / 1000});
    const auto found = spikes_in(views, [&](int view, std::vector<float>& samples) {
      for (const SpikeMend& spike : truth)
        if (spike.view == view) samples[spike.pixel] += spike.value;
    });
    std::size_t hits = 0, next = 0;
    double squares = 0;
    for (const SpikeMend& spike : truth) {
      const auto hit = std::find_if(found.begin(), found.end(), [&](const SpikeMend& one) {
        return one.view == spike.view && one.pixel == spike.pixel;
      });
      if (hit == found.end()) continue;
      ++hits;
      const int r = int(spike.pixel) / views.columns, c = int(spike.pixel) % views.columns;
      squares += std::pow(hit->value - views.transmission(spike.view, r, c), 2);
      ++next;
    }
    MESSAGE(hits << " of " << truth.size() << " found, " << found.size() - hits << " false; RMS error "
                 << std::sqrt(squares / double(next)));
    CHECK(found.size() == hits);
    CHECK(hits >= truth.size() * 9 / 10);
    CHECK(std::sqrt(squares / double(next)) < 0.02);
  }

  TEST_CASE("through line integrals: every kind of counts and any block and band") {
    const TemporaryFolder folder;
    const int views = 5, rows = 7, columns = 30;
    std::vector<float> pixels(std::size_t(rows * columns));
    for (int v = 0; v < views; ++v) {
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c)
          pixels[std::size_t(r * columns + c)] = float(100 + (c < 20 ? 500 : 250) * (1 + 0.01 * ((r + v) % 2)));
      if (v == 2) pixels[3 * columns + 1] = 1000;                            // alone
      if (v == 4) pixels[0] = 900;                                           // at a corner of view, rows and columns
      if (v == 3) pixels[5 * columns + 6] = pixels[5 * columns + 5] = 1100;  // two side by side are no spike
      write_tiff(folder / ("view" + std::to_string(v) + ".tif"), rows, columns, pixels, SampleType::float32);
    }
    const Scan scan =
        parse_scan({{"rayloom_scan", 1},
                    {"beam", "parallel"},
                    {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                    {"views", {{"count", views}, {"arc_deg", 180}}},
                    {"images", {{"projections", "view*.tif"}, {"kind", "counts"}, {"dark", 100}, {"open", 1100}}}},
                   folder / "scan.json");
    const LineIntegrals mended(scan, {}, {.spikes = true}), plain(scan);
    CHECK(mended.counts().spikes == 2);
    std::vector<float> all(std::size_t(views * rows * columns)), as_stored(all.size());
    mended.read(0, views, 0, rows, all);
    plain.read(0, views, 0, rows, as_stored);
    const std::size_t alone = std::size_t((2 * rows + 3) * columns + 1), corner = std::size_t(4 * rows * columns);
    for (std::size_t i = 0; i < all.size(); ++i) {
      CAPTURE(i);
      if (i == alone || i == corner)
        CHECK(std::abs(all[i] + std::log(0.5)) < 0.011);
      else
        CHECK(all[i] == as_stored[i]);
    }
    for (int v = 0; v < views; ++v)
      for (int r = 0; r < rows; ++r) {
        std::vector<float> row(columns);
        mended.read(v, 1, r, 1, row);
        CHECK(std::equal(row.begin(), row.end(), all.begin() + (v * rows + r) * columns));
      }
  }
}
