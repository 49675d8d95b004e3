#include "rayloom/prepare/exposures.h"

#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/scan/tiff_write.h"
#include "scan/support.h"

using namespace rayloom;
using test::TemporaryFolder;
using Json = nlohmann::json;

namespace {

constexpr int rows = 20, columns = 30;

/// Dark and open-beam images of level 100 and 1100 with noise, which a test may spoil; their means by hand.
struct Folder {
  TemporaryFolder folder;
  std::vector<std::string> warnings;

  /// @param spoil  Changes exposure k.
  template <class Spoil>
  void put(const std::string& name, int count, float level, const Spoil& spoil) const {
    std::mt19937 random(unsigned(level) + unsigned(count));
    std::normal_distribution<float> noise(0, 4);
    for (int k = 0; k < count; ++k) {
      std::vector<float> samples(std::size_t(rows * columns));
      for (float& sample : samples)
        sample = level + noise(random);
      spoil(k, samples);
      write_tiff(folder / (name + std::to_string(k) + ".tif"), rows, columns, samples, SampleType::float32);
    }
  }
  MeanExposures read(Json images) {
    images["kind"] = "counts";
    images["projections"] = "view*.tif";
    const Scan scan =
        parse_scan({{"rayloom_scan", 1},
                    {"beam", "parallel"},
                    {"detector", {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 1}, {"row_pitch_mm", 1}}},
                    {"views", {{"count", 3}, {"arc_deg", 180}}},
                    {"images", images}},
                   folder / "scan.json");
    Hooks hooks;
    hooks.warning = [&](const std::string& message) { warnings.push_back(message.substr(message.find("images."))); };
    return read_exposures(scan, hooks);
  }
};

double worst(const Image& image, double level) {
  double most = 0;
  for (const float sample : image.samples)
    most = std::max(most, std::abs(sample - level));
  return most;
}

}  // namespace

TEST_SUITE("dark and open-beam images") {
  // The mean of n exposures of noise 4 is off by 5.5 deviations of 4/sqrt(n) in fewer than one of 600 pixels in 1e5.
  TEST_CASE("bad ones are left out and told") {
    Folder in;
    in.put("open", 8, 1100, [](int k, std::vector<float>& samples) {
      if (k == 2) std::ranges::fill(samples, 103.0F);  // the beam was off
      if (k == 5)                                      // a shutter half open
        for (std::size_t i = 0; i < samples.size() / 2; ++i)
          samples[i] *= 0.9F;
      if (k == 6) samples[77] = 40000;
    });
    in.put("dark", 5, 100, [](int k, std::vector<float>& samples) {
      if (k == 0) std::ranges::fill(samples, 400.0F);  // afterglow
      if (k == 3) samples[11] = 900;
    });
    const MeanExposures exposures = in.read({{"dark", "dark*.tif"}, {"open", "open*.tif"}});
    CHECK(exposures.open.left_out == std::vector<int>{2, 5});
    CHECK(exposures.open.used == 6);
    CHECK(exposures.open.spikes == 1);
    CHECK(worst(exposures.open.mean, 1100) < 5.5 * 4 / std::sqrt(5.0));
    CHECK(exposures.dark.left_out == std::vector<int>{0});
    CHECK(exposures.dark.spikes == 1);
    CHECK(worst(exposures.dark.mean, 100) < 5.5 * 4 / std::sqrt(3.0));
    CHECK(std::abs(exposures.noise_variance_factor() - (1 + 1.0 / 6)) < 1e-15);
    CHECK(in.warnings ==
          std::vector<std::string>{"images.dark: 1 of 5 images far from the others, left out: number 1",
                                   "images.dark: 1 sample of single images far too bright, left out",
                                   "images.open: 2 of 8 images far from the others, left out: number 3, 6",
                                   "images.open: 1 sample of single images far too bright, left out"});
  }

  TEST_CASE("sound ones all count: noise and a beam that drifts among them") {
    Folder in;
    in.put("open", 9, 1100, [](int k, std::vector<float>& samples) {
      for (float& sample : samples)
        sample *= 1 + 0.005F * float(k - 4);
    });
    in.put("dark", 9, 100, [](int, auto&) {});
    in.put("after", 3, 1000, [](int, auto&) {});
    const MeanExposures exposures =
        in.read({{"dark", "dark*.tif"}, {"open", "open*.tif"}, {"open_after", "after*.tif"}});
    CHECK(in.warnings.empty());
    CHECK(exposures.open.used == 9);
    CHECK(worst(exposures.open.mean, 1100) < 5.5 * 4 / std::sqrt(9.0));
    CHECK(std::abs(exposures.noise_variance_factor() - (1 + 1.0 / 3)) < 1e-15);
  }

  TEST_CASE("gross differences that do not tell the bad ones are said") {
    const auto dimmed = [](int from) {
      return [from](int k, std::vector<float>& samples) {
        if (k >= from)
          for (float& sample : samples)
            sample *= 0.5F;
      };
    };
    for (const auto& [images, from] : {std::pair{2, 1}, {4, 2}}) {
      Folder folder;
      folder.put("dark", 3, 100, [](int, auto&) {});
      folder.put("open", images, 1100, dimmed(from));
      folder.read({{"dark", "dark*.tif"}, {"open", "open*.tif"}});
      REQUIRE(folder.warnings.size() == 1);
      CHECK(folder.warnings[0].find("images.open: levels from 5") == 0);
      CHECK(folder.warnings[0].find("which of them are bad cannot be told") != std::string::npos);
    }
  }

  TEST_CASE("fewer than three cannot be judged and numbers add no noise") {
    Folder in;
    in.put("open", 2, 1100, [](int k, std::vector<float>& samples) { samples[5] = k == 0 ? 5000 : 1000; });
    const MeanExposures exposures = in.read({{"open", "open*.tif"}});
    CHECK(exposures.open.mean.samples[5] == 3000);
    CHECK(exposures.noise_variance_factor() == 1.5);
    CHECK(exposures.dark.used == 0);
    CHECK(worst(exposures.dark.mean, 0) == 0);
    CHECK(in.read({{"dark", 100}, {"open", 1100}}).noise_variance_factor() == 1);
    CHECK(in.warnings.empty());
  }
}
