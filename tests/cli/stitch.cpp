// `rayloom stitch`: tiles of a raw scan into one wide scan, against one detector of full size.
#include <doctest/doctest.h>

#include <cmath>

#include "program.h"
#include "rayloom/scan/image_series.h"
#include "rayloom/scan/scan_file.h"
#include "rayloom/scan/view_reader.h"
#include "rayloom/volume/volume.h"

using namespace rayloom::cli_test;

namespace {

const std::string plug = RAYLOOM_SOURCE_DIR "/phantoms/cable_plug.json";

/// A grid of tiles of 160 x 128 pixels that overlap by 8 percent.
nlohmann::json tiles_scan(int across, int down, int views) {
  nlohmann::json scan = {{"rayloom_scan", 1},
                         {"beam", "cone"},
                         {"source_to_object_mm", 150},
                         {"source_to_detector_mm", 800},
                         {"detector",
                          {{"columns", 160},
                           {"rows", 128},
                           {"column_pitch_mm", 0.4},
                           {"row_pitch_mm", 0.4},
                           {"axis_column", 79.5 + 73.5 * (across - 1)},
                           {"midplane_row", 63.5 + 79 * (down - 1)}}},
                         {"views", {{"count", views}, {"first_deg", 0}, {"arc_deg", 360}}}};
  for (int r = 0; r < down; ++r)
    for (int c = 0; c < across; ++c)
      scan["tiles"].push_back({{"column_shift_px", 147 * c}, {"row_shift_px", 118 * r}});
  return scan;
}

/// All views of a scan, as the file stores them.
std::vector<float> all_views(const fs::path& file) {
  const rayloom::Scan scan = rayloom::read_scan(file);
  const int views = int(scan.geometry.angles_rad.size()), rows = scan.geometry.detector.rows;
  std::vector<float> samples(std::size_t(views) * std::size_t(rows) * std::size_t(scan.geometry.detector.columns));
  rayloom::ViewReader(scan).read(0, views, 0, rows, samples);
  return samples;
}

double rms_difference(const std::vector<float>& a, const std::vector<float>& b) {
  REQUIRE(a.size() == b.size());
  double sum = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    sum += std::pow(double(a[i]) - double(b[i]), 2);
  return std::sqrt(sum / double(a.size()));
}

std::vector<float> volume_of(const Folder& folder, const std::string& name) {
  return rayloom::StoredVolume(folder / name).read().samples;
}

void require_run(const Folder& folder, const std::string& arguments) {
  const Outcome outcome = run(folder, arguments);
  INFO(arguments, "\n", outcome.err);
  REQUIRE(outcome.status == 0);
}

}  // namespace

TEST_SUITE("stitch: 3 x 2 tiles" * doctest::skip()) {  // half a minute
  TEST_CASE("3 x 2 tiles with 8 percent overlap are as good as one detector of full size") {
    const Folder folder;
    write_json(folder / "tiles.json", tiles_scan(3, 2, 60));
    require_run(folder, "simulate " + plug +
                            " --geometry tiles.json --counts 20000 --tile-error 2 --tile-level-error "
                            "0.05 --seed 5 --dead 20 -o tiles --quiet");
    const Outcome outcome = run(folder, "stitch tiles/scan.json -o wide --json --quiet");
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    const auto answer = nlohmann::json::parse(outcome.out);
    const auto truth = nlohmann::json::parse(slurp(folder / "tiles" / "truth.json"));
    for (std::size_t k = 0; k < 6; ++k) {
      const auto &found = answer["tiles"][k], &put_in = truth["tiles"][k];
      const auto error = [&](const char* key) { return found[key].get<double>() - put_in[key].get<double>(); };
      CHECK(std::abs(error("column_shift_px")) < 0.05);
      CHECK(std::abs(error("row_shift_px")) < 0.05);
      CHECK(std::abs(error("level")) < 0.001);
    }

    // The same whole by one detector without noise, and with.
    require_run(folder, "simulate " + plug + " --geometry wide/scan.json -o ideal --quiet");
    require_run(folder, "simulate " + plug + " --geometry wide/scan.json --counts 20000 --seed 77 -o full --quiet");
    const rayloom::Scan wide = rayloom::read_scan(folder / "wide" / "scan.json");
    const std::size_t columns = std::size_t(wide.geometry.detector.columns),
                      rows = std::size_t(wide.geometry.detector.rows);
    const auto stitched = all_views(folder / "wide" / "scan.json"), ideal = all_views(folder / "ideal" / "scan.json");
    std::vector<double> profile(columns), down(rows);  // mean error of transmission
    for (std::size_t i = 0; i < stitched.size(); ++i) {
      const double error = double(stitched[i]) - std::exp(-double(ideal[i]));
      profile[i % columns] += error / double(stitched.size() / columns);
      down[i / columns % rows] += error / double(stitched.size() / rows);
    }
    // A step: mean of 4 lines on one side of a seam's ends or middle less the mean of 4 on the other.
    const auto largest_step = [](const std::vector<double>& line, std::size_t first_seam, std::size_t apart) {
      double largest = 0;
      for (std::size_t seam = first_seam; seam + 20 < line.size(); seam += apart)
        for (std::size_t i = seam - 10; i <= seam + 10; ++i) {
          double step = 0;
          for (std::size_t j = 0; j < 4; ++j)
            step += (line[i + j] - line[i - 1 - j]) / 4;
          largest = std::max(largest, std::abs(step));
        }
      return largest;
    };
    CHECK(largest_step(profile, 153, 147) < 0.002);
    CHECK(largest_step(down, 123, 118) < 0.002);

    for (const char* scan : {"ideal", "full", "wide"})
      require_run(folder, "reconstruct " + std::string(scan) + "/scan.json --voxel 0.15 --size 140,140,60 -o " + scan +
                              "-volume --quiet");
    const auto truth_volume = volume_of(folder, "ideal-volume");
    const double of_full = rms_difference(volume_of(folder, "full-volume"), truth_volume),
                 of_wide = rms_difference(volume_of(folder, "wide-volume"), truth_volume);
    // What stitching adds to the noise of one detector, as independent errors add, is less than that noise.
    CHECK(of_wide * of_wide - of_full * of_full <= of_full * of_full);
  }
}

TEST_SUITE("stitch") {
  TEST_CASE("a displaced detector as two tiles reconstructs as one scan") {
    const Folder folder;
    nlohmann::json tiles = tiles_scan(2, 1, 60);
    tiles["detector"]["rows"] = 40;
    tiles["detector"]["midplane_row"] = 39.5;
    write_json(folder / "tiles.json", tiles);
    require_run(folder, "simulate " + plug + " --geometry tiles.json --tile-error 1.5 -o tiles --quiet");
    // Said 8 pixels beside the truth, and said to overlap by 5: neither is "no structure", and both are worth a
    // warning.
    const Outcome far = run(folder, "stitch tiles/scan.json --set tiles.1.column_shift_px=139 -o far --quiet");
    CHECK(far.err.find("tiles 0 and 1 do not match within 5 pixels") != std::string::npos);
    CHECK(far.out.find("overlaps do not match near it") != std::string::npos);
    const Outcome narrow = run(folder, "stitch tiles/scan.json --set tiles.1.column_shift_px=155 -o narrow --quiet");
    CHECK(narrow.err.find("tile 1: its overlaps are too narrow to compare") != std::string::npos);
    CHECK(narrow.out.find("column 155.000 px: nominal, its overlaps are too narrow") != std::string::npos);
    const Outcome outcome = run(folder, "stitch tiles/scan.json -o wide --quiet");
    INFO(outcome.err);
    REQUIRE(outcome.status == 0);
    CHECK(outcome.out.find("tile 0  where the scan file says") != std::string::npos);
    require_run(folder, "simulate " + plug + " --geometry wide/scan.json -o ideal --quiet");
    for (const char* scan : {"ideal", "wide"})
      require_run(folder, "reconstruct " + std::string(scan) +
                              "/scan.json --voxel 0.15 --size 140,140,12 --centre 0,0,0.7 -o " + scan +
                              "-volume --quiet");
    const auto ideal = volume_of(folder, "ideal-volume");
    const double rms = rms_difference(volume_of(folder, "wide-volume"), ideal),
                 size = rms_difference(ideal, std::vector<float>(ideal.size()));
    CHECK(rms < 0.05 * size);
  }

  TEST_CASE("tiles that do not belong where the scan file puts them are refused by name") {
    const Folder folder;
    write_json(folder / "tiles.json", tiles_scan(2, 1, 24));
    require_run(folder, "simulate " + plug + " --geometry tiles.json --counts 20000 -o tiles --quiet");
    const auto before = folder.listing();
    const std::string both = "tiles/scan.json: tiles[0] and tiles[1]: where they overlap, ";
    for (const auto& [settings, message] :
         {std::pair("--set tiles.0.column_shift_px=147 --set tiles.1.column_shift_px=0",
                    "they see nothing but air, and at their other ends the part"),
          std::pair("--set tiles.1.images.turned_deg=180", "% of what varies in them"),
          std::pair("--set tiles.1.images.mirrored=true", "% of what varies in them")}) {
      CAPTURE(settings);
      const Outcome outcome = run(folder, "stitch tiles/scan.json -o wide --quiet " + std::string(settings));
      INFO(outcome.err);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(both) != std::string::npos);
      CHECK(outcome.err.find(message) != std::string::npos);
      CHECK(outcome.err.find("hint: are tiles in each other's places") != std::string::npos);
      CHECK(folder.listing() == before);
    }
    const Outcome good = run(folder, "stitch tiles/scan.json -o wide --quiet");
    CHECK(good.status == 0);
    CHECK(good.err.empty());
    // Three quarters of the open-beam level, and half.
    const Outcome dim = run(folder, "stitch tiles/scan.json -o dim --quiet --set tiles.1.images.open=26900");
    CHECK(dim.status == 0);
    CHECK(dim.err.find("tile 1: level 0.7") != std::string::npos);
    CHECK(dim.err.find("must be from 0.8 to 1.25") != std::string::npos);
    const Outcome half = run(folder, "stitch tiles/scan.json -o half --quiet --set tiles.1.images.open=40200");
    CHECK(half.status == 2);
    CHECK(half.err.find(both + "the second's level is 0.5") != std::string::npos);
    CHECK(half.err.find("must be from 0.667 to 1.5") != std::string::npos);
    CHECK_FALSE(fs::exists(folder / "half"));
  }

  TEST_CASE("one tile's images under another are refused by name") {
    const Folder folder;
    nlohmann::json tiles = tiles_scan(2, 1, 8);
    tiles["detector"]["axis_column"] = 20;  // displaced: the outer end lies in air
    write_json(folder / "tiles.json", tiles);
    require_run(folder, "simulate " + plug + " --geometry tiles.json --counts 1000 -o tiles --quiet");
    const std::string both = "tiles/scan.json: tiles[0] and tiles[1]: images.projections: ";
    const Outcome same = run(folder,
                             "stitch tiles/scan.json -o wide --quiet --set "
                             "tiles.1.images.projections=tile-0/projections/*.tif");
    CHECK(same.status == 2);
    CHECK(same.err.find(both + "both name tiles/tile-0/projections/view_0000.tif") != std::string::npos);
    // One file copied over another.
    fs::copy_file(folder / "tiles/tile-0/projections/view_0005.tif", folder / "tiles/tile-1/projections/view_0005.tif",
                  fs::copy_options::overwrite_existing);
    const Outcome copied = run(folder, "stitch tiles/scan.json -o wide --quiet");
    CHECK(copied.status == 2);
    CHECK(copied.err.find(both + "tiles/tile-0/projections/view_0005.tif and tiles/tile-1/projections/view_0005.tif "
                                 "hold the same bytes") != std::string::npos);
    CHECK_FALSE(fs::exists(folder / "wide"));
    // Without noise, tiles that see nothing but air are truly the same.
    tiles["detector"]["axis_column"] = -300;
    tiles["tiles"].push_back({{"column_shift_px", -300}, {"row_shift_px", 0}});
    tiles["tiles"].push_back({{"column_shift_px", -150}, {"row_shift_px", 0}});
    write_json(folder / "air.json", tiles);
    require_run(folder, "simulate " + plug + " --geometry air.json -o air --quiet");
    REQUIRE(slurp(folder / "air/tile-0/projections/view_0000.tif") ==
            slurp(folder / "air/tile-1/projections/view_0000.tif"));
    const Outcome air = run(folder, "stitch air/scan.json -o all-air --quiet");
    INFO(air.err);
    CHECK(air.status == 0);
    CHECK(air.err.find("tile 1: its overlaps show too little of the part") != std::string::npos);
  }

  // Twelve columns of single rows in the thick of a part: beside a beam's slope nothing is left that tells the place.
  TEST_CASE("a tile whose place is not known is warned of") {
    const Folder folder;
    write_json(
        folder / "narrow.json",
        {{"rayloom_scan", 1},
         {"beam", "fan"},
         {"source_to_object_mm", 300},
         {"source_to_detector_mm", 800},
         {"detector",
          {{"columns", 150}, {"rows", 1}, {"column_pitch_mm", 0.6}, {"row_pitch_mm", 0.6}, {"axis_column", 142.2}}},
         {"views", {{"count", 90}, {"first_deg", 0}, {"arc_deg", 360}}},
         {"tiles", {{{"column_shift_px", 0}}, {{"column_shift_px", 138}}}}});
    require_run(folder,
                "simulate " RAYLOOM_SOURCE_DIR
                "/phantoms/pump_end_plate.json --geometry narrow.json --counts 20000 --tile-error 2 -o raw --quiet");
    const Outcome outcome = run(folder, "stitch raw/scan.json -o wide --quiet");
    CHECK(outcome.status == 0);
    CHECK_MESSAGE(outcome.err.find("warning: tile 1: its column is not known, since its overlaps show too little") !=
                      std::string::npos,
                  outcome.err);
  }

  TEST_CASE("bad tiles are one message and nothing written") {
    const Folder folder;
    nlohmann::json tiles = tiles_scan(2, 1, 4);
    tiles["detector"]["rows"] = 8;
    write_json(folder / "tiles.json", tiles);
    make_scan(folder);
    require_run(folder, "simulate " + plug + " --geometry tiles.json -o tiles --quiet");
    tiles = nlohmann::json::parse(slurp(folder / "tiles" / "scan.json"));
    tiles["tiles"][1]["images"]["projections"] = "../views/*.tif";
    tiles["tiles"][1]["views"] = {{"count", 12}, {"arc_deg", 360}};
    write_json(folder / "tiles" / "other-size.json", tiles);
    tiles["tiles"][1]["images"]["projections"] = "tile-2/*.tif";
    write_json(folder / "tiles" / "missing.json", tiles);
    nlohmann::json hole = tiles_scan(3, 2, 4);
    write_json(folder / "whole.json", hole);
    require_run(folder, "simulate " + plug + " --geometry whole.json -o hole --quiet");
    hole = nlohmann::json::parse(slurp(folder / "hole" / "scan.json"));
    hole["tiles"].erase(4);
    write_json(folder / "hole" / "scan.json", hole);
    // A stitched scan whose views are a tile of another.
    require_run(folder, "stitch tiles/scan.json -o first --quiet");
    nlohmann::json again = nlohmann::json::parse(slurp(folder / "first" / "scan.json"));
    again["tiles"] = {{{"column_shift_px", 0}, {"images", again["images"]}}};
    again["tiles"][0]["images"]["projections"] = "first/projections/*.tif";
    again.erase("images");
    write_json(folder / "again.json", again);
    nlohmann::json one = nlohmann::json::parse(slurp(folder / "tiles" / "scan.json"));
    one["tiles"].erase(1);
    write_json(folder / "tiles" / "one.json", one);
    const auto before = folder.listing();
    for (const auto& [arguments, message] :
         {std::pair("stitch tiles/one.json -o wide", "tiles/one.json: tiles: 1 of them; must be 2 or more"),
          std::pair("stitch tiles/other-size.json -o wide", "tiles/other-size.json: tiles[1]: views.count: 12"),
          std::pair("stitch tiles/other-size.json --set tiles.1.views.count=4 --set "
                    "tiles.1.images.projections=../views/view_000[0-3].tif -o wide",
                    "tiles/other-size.json: tiles[1]: images.projections"),
          std::pair("stitch tiles/missing.json --set tiles.1.views.count=4 -o wide",
                    "tiles/missing.json: tiles[1]: images.projections"),
          std::pair("stitch tiles/scan.json --set tiles.1.column_shift_px=170 -o wide", "tiles: none sees column 160"),
          std::pair("stitch tiles/scan.json --set tiles.1.part_raised_mm=5 -o wide", "tiles[1]: part_raised_mm: 5"),
          std::pair("stitch hole/scan.json -o wide", "tiles: none sees column 160, row 128"),
          std::pair("stitch again.json -o first --overwrite", "-o: first is or holds"),
          std::pair("stitch scan.json -o wide", "scan.json: tiles: missing"),
          std::pair("stitch tiles/scan.json -o tiles", "tiles: exists"),
          std::pair("reconstruct tiles/scan.json -o volume", "must be stitched into one first"),
          std::pair("align tiles/scan.json", "must be stitched into one first"),
          std::pair("section tiles/scan.json -o pictures", "must be stitched into one first"),
          std::pair("simulate ball.json --geometry scan.json --tile-error 1 -o again",
                    "--tile-error: scan.json has no tiles")}) {
      CAPTURE(arguments);
      const Outcome outcome = run(folder, arguments);
      INFO(outcome.err);
      CHECK(outcome.status == 2);
      CHECK(outcome.err.find(message) != std::string::npos);
      CHECK(folder.listing() == before);
    }
  }
}
