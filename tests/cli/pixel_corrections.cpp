// Faults of pixels, exposures and the beam, seeded by the program and corrected by it.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "program.h"
#include "rayloom/scan/image_series.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// A ball of 3 mm in a cone beam of magnification 2; pixels of 0.5 mm.
void make_ball(const Folder& folder, int views) {
  write_json(folder / "ball.json",
             {{"rayloom_phantom", 1},
              {"title", "a ball"},
              {"source", "made for this test"},
              {"solids", {{{"shape", "ellipsoid"}, {"semi_axes_mm", {3, 3, 3}}, {"value_per_mm", 0.2}}}}});
  auto scan = cone_scan(views);
  scan["detector"] = {{"columns", 48}, {"rows", 40}, {"column_pitch_mm", 0.5}, {"row_pitch_mm", 0.5}};
  scan.erase("images");
  write_json(folder / "geometry.json", scan);
}

const std::string simulate = "simulate ball.json --geometry geometry.json --counts 20000 --quiet ";

nlohmann::json read_json(const fs::path& file) {
  return nlohmann::json::parse(slurp(file));
}

std::vector<float> volume_of(const fs::path& folder) {
  return StoredVolume(folder).read().samples;
}

double rms_difference(const std::vector<float>& a, const std::vector<float>& b) {
  REQUIRE(a.size() == b.size());
  double squares = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    squares += std::pow(double(a[i]) - b[i], 2);
  return std::sqrt(squares / double(a.size()));
}

}  // namespace

TEST_SUITE("pixels and exposures and the beam corrected") {
  TEST_CASE("volume.json names the exposures that were left out") {
    const Folder folder;
    make_ball(folder, 24);
    REQUIRE(run(folder, simulate + "-o raw").status == 0);
    std::vector<fs::path> open;
    for (const auto& entry : fs::directory_iterator(folder / "raw" / "open"))
      open.push_back(entry.path());
    std::sort(open.begin(), open.end());
    fs::copy_file(fs::directory_iterator(folder / "raw" / "dark")->path(), open.at(3),
                  fs::copy_options::overwrite_existing);
    REQUIRE(run(folder, "reconstruct raw/scan.json -o volume").status == 0);
    const auto left_out = read_json(folder / "volume" / "volume.json")["exposures_left_out"];
    CHECK(left_out["open"] == std::vector<int>{3});
    CHECK(left_out["dark"] == std::vector<int>{});
  }

  TEST_CASE("spikes and a drifting beam are undone and told") {
    const Folder folder;
    make_ball(folder, 24);
    REQUIRE(run(folder, simulate + "-o clean").status == 0);
    REQUIRE(run(folder, simulate + "--drift 6 --flicker 1 --spikes 40 -o spoilt").status == 0);
    REQUIRE(run(folder, "reconstruct clean/scan.json -o ideal").status == 0);
    REQUIRE(run(folder, "reconstruct spoilt/scan.json -o bad").status == 0);
    const Outcome outcome = run(folder, "reconstruct spoilt/scan.json -o mended --spikes --drift");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    CHECK(outcome.out.find("thin places are at most 1.03 times as noisy as their own photons make them") !=
          std::string::npos);
    const auto record = read_json(folder / "mended" / "volume.json");
    CHECK(record["corrections"] == nlohmann::json{{"spikes", true}, {"drift", "from the part-free border"}});
    const auto replaced = record["samples"]["spikes_replaced"].get<int>();
    CHECK(replaced >= 32);  // of 40 some hide on strong edges and beside each other
    CHECK(replaced <= 40);
    CHECK(record["beam"]["least_level"] > 0.97);
    CHECK(record["beam"]["greatest_level"] > 1.04);
    CHECK(record["beam"]["greatest_level"] < 1.10);
    CHECK(record["open_beam_noise_variance_factor"] == 1 + 1 / 16.0);
    CHECK(read_json(folder / "bad" / "volume.json")["corrections"] == nlohmann::json::object());

    const auto ideal = volume_of(folder / "ideal");
    const double before = rms_difference(volume_of(folder / "bad"), ideal),
                 after = rms_difference(volume_of(folder / "mended"), ideal);
    MESSAGE("RMS difference from the ideal scan's volume: " << before << " /mm as it is, " << after
                                                            << " /mm corrected");
    // Drift is undone to 1e-3, so the spikes that stay, at most 8 of 40, leave sqrt(1/5) of the error; some stay
    // dimmer.
    CHECK(after < 0.45 * before);
  }

  TEST_CASE("scatter measured behind stops is taken off and told") {
    const Folder folder;
    make_ball(folder, 4);
    REQUIRE(run(folder, "simulate ball.json --geometry geometry.json --quiet -o clean").status == 0);
    auto scan = read_json(folder / "clean" / "scan.json");
    scan["images"]["kind"] = "transmission";
    write_json(folder / "clean" / "scan.json", scan);
    for (const auto& entry : fs::directory_iterator(folder / "clean" / "projections")) {
      Image view = ImageSeries({}, {entry.path().string()}, {}).read(0);
      const bool first = entry.path().filename() == "view_0000.tif";
      Image stops = view;
      for (int r = 0; r < view.rows; ++r)
        for (int c = 0; c < view.columns; ++c) {
          const float primary = std::exp(-view.at(r, c));
          view.at(r, c) = primary + 0.05F;
          stops.at(r, c) = (r % 20 < 5 && c % 16 < 5 ? 0 : primary) + 0.05F;
        }
      write_tiff(entry.path(), view.rows, view.columns, view.samples, SampleType::float32);
      if (first) write_tiff(folder / "stops.tif", view.rows, view.columns, stops.samples, SampleType::float32);
    }
    REQUIRE(run(folder, "reconstruct clean/scan.json -o given --scatter 5").status == 0);
    const Outcome outcome = run(folder, "reconstruct clean/scan.json -o measured --scatter-from stops.tif");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    CHECK(rms_difference(volume_of(folder / "given"), volume_of(folder / "measured")) < 1e-6);
    const auto record = read_json(folder / "measured" / "volume.json");
    CHECK(record["corrections"]["scatter_from"] == (folder / "stops.tif").string());
    CHECK(record["scatter"]["stops"] == 6);
    CHECK(std::abs(record["scatter"]["least_share"].get<double>() - 0.05) < 1e-6);
    const Outcome none = run(folder, "reconstruct clean/scan.json -o no --scatter-from nowhere.tif");
    CHECK(none.status == 2);
    CHECK(none.err.find("--scatter-from: nowhere.tif: no such file; must be an image with stops") != std::string::npos);
  }

  TEST_CASE("a scan that broke off is refused with a hint and reconstructed on request") {
    const Folder folder;
    make_scan(folder, 120);
    for (int i = 96; i < 120; ++i)
      fs::remove(view_file(folder, i));
    fs::remove(view_file(folder, 7));
    const Outcome refused = run(folder, "reconstruct scan.json -o volume");
    CHECK(refused.status == 2);
    CHECK(refused.err.find("--use-what-is-there") != std::string::npos);
    CHECK(!fs::exists(folder / "volume"));
    const Outcome outcome = run(folder, "reconstruct scan.json -o volume --use-what-is-there");
    REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
    CHECK(outcome.err.find("95 of 120 views are there: 0 to 6, 8 to 95; the noise is 1.12 times") != std::string::npos);
    const auto record = read_json(folder / "volume" / "volume.json");
    CHECK(record["reconstruction"]["views"] == 95);
    CHECK(record["reconstruction"]["views_planned"] == 120);
    CHECK(record["reconstruction"]["views_missing"].size() == 25);
    CHECK(record["reconstruction"]["views_missing"][0] == 7);
    CHECK(std::abs(record["reconstruction"]["arc_deg"].get<double>() - 288) < 1e-9);
    CHECK(record["scan"]["description"]["views"]["angles_deg"].size() == 95);
  }

  TEST_CASE("images that have no such fault are refused by option") {
    const Folder folder;
    make_scan(folder);
    for (const std::string option : {"spikes", "drift", "open-shapes 2", "scatter-from views/view_0000.tif"}) {
      const Outcome outcome = run(folder, "reconstruct scan.json -o volume --" + option);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(": the images are line_integrals; must be counts") != std::string::npos);
    }
    CHECK(!fs::exists(folder / "volume"));
  }
}
