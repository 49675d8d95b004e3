// Raw scans with one fault each, and without any: what is put in is found, and nothing else is.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdio>
#include <map>
#include <nlohmann/json.hpp>
#include <random>
#include <set>

#include "rayloom/json_fields.h"
#include "rayloom/phantom/phantom.h"
#include "rayloom/prepare/check.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/simulate/faulty_detector.h"
#include "rayloom/simulate/project_phantom.h"
#include "scan/support.h"

using namespace rayloom;

namespace {

namespace fs = std::filesystem;

constexpr int dark_exposures = 8, open_exposures = 16;

/// A part and how it is scanned; its ideal views are kept, as most faults come after them.
struct Part {
  std::string name;
  Phantom phantom;
  nlohmann::json scan;
  double virtual_pitch_mm;
  PixelSampling sampling;
  std::vector<std::vector<float>> views;
};

/// `coarse`: factor on the pixels' size, divisor of their number.
Part make_part(const std::string& name, double sod, int columns, int rows, double pitch, int views, double coarse) {
  Part part{name, read_phantom(fs::path(RAYLOOM_SOURCE_DIR) / "phantoms" / (name + ".json")), {}, {}, {}, {}};
  part.scan = {{"rayloom_scan", 1},
               {"beam", "cone"},
               {"source_to_object_mm", sod},
               {"source_to_detector_mm", 800},
               {"detector",
                {{"columns", int(columns / coarse)},
                 {"rows", int(rows / coarse)},
                 {"column_pitch_mm", pitch * coarse},
                 {"row_pitch_mm", pitch * coarse}}},
               {"views", {{"count", views}, {"arc_deg", 360}}}};
  part.virtual_pitch_mm = pitch * coarse * sod / 800;
  // An edge along the axis that moves less than a pixel a view jumps whole pixels where one ray stands for each.
  part.sampling = {views > 200 ? 2 : 1, PixelSampling::Average::transmission};
  return part;
}

std::vector<Part> parts_at(double coarse, int views) {
  return {make_part("pump_end_plate", 300, 320, 128, 0.55, views, coarse),
          make_part("cable_plug", 150, 320, 160, 0.4, views, coarse),
          make_part("milled_bracket", 250, 300, 150, 0.45, views, coarse)};
}

/// What differs from a clean scan.
struct Recipe {
  std::string name;
  std::set<std::string> expected;  ///< Subjects of which each must be found ..
  std::set<std::string> allowed;   ///< .. and those that may be, as its consequences.
  std::function<void(Faults&, const Part&)> faults;
  std::function<void(RawDetector&)> detector;
  std::function<void(nlohmann::json&)> geometry;                ///< Before the scan is taken.
  std::function<void(const fs::path&, nlohmann::json&)> after;  ///< To the files and the scan file.
  std::optional<double> energy_kev;
  bool open_after = false, return_view = false, corrected = false;
};

fs::path view_file(const fs::path& folder, int view) {
  char name[40];
  std::snprintf(name, sizeof name, "view_%04d.tif", view);
  return folder / "projections" / name;
}

std::vector<std::vector<float>> ideal_views(const Part& part, const Geometry& geometry, const Recipe& recipe) {
  const auto attenuation = part.phantom.attenuations(recipe.energy_kev);
  std::vector<std::vector<float>> views;
  for (const double angle : geometry.angles_rad) {
    views.emplace_back(std::size_t(geometry.detector.rows) * std::size_t(geometry.detector.columns));
    project_phantom(part.phantom, attenuation, geometry, angle, part.sampling, views.back());
  }
  return views;
}

CheckResult scan_and_check(Part& part, const Recipe& recipe, std::uint64_t seed = 1, double counts = 30000) {
  const test::TemporaryFolder temporary;
  const fs::path& folder = temporary.path();
  nlohmann::json json = part.scan;
  if (recipe.geometry) recipe.geometry(json);
  const Scan ideal = parse_scan(json, folder / "scan.json");
  const Geometry& geometry = ideal.geometry;
  const int rows = geometry.detector.rows, columns = geometry.detector.columns, count = int(geometry.angles_rad.size());
  const bool own_views = recipe.geometry || recipe.energy_kev;
  if (!own_views && part.views.empty()) part.views = ideal_views(part, geometry, recipe);
  const auto fresh = own_views ? ideal_views(part, geometry, recipe) : std::vector<std::vector<float>>();
  const auto& views = own_views ? fresh : part.views;

  Faults faults;
  if (recipe.faults) recipe.faults(faults, part);
  RawDetector detector;
  detector.open_counts = counts;
  detector.seed = seed;
  if (recipe.detector) recipe.detector(detector);
  FaultyDetector panel(detector, faults, geometry);
  std::vector<float> samples(std::size_t(rows) * std::size_t(columns));
  const auto write = [&](const fs::path& file) { write_tiff(file, rows, columns, samples, SampleType::uint16); };
  for (const char* name : {"projections", "dark", "open", "after"})
    fs::create_directory(folder / name);
  Image dark(rows, columns), open(rows, columns);
  const auto add_to = [&](Image& mean, int exposures) {
    for (std::size_t i = 0; i < samples.size(); ++i)
      mean.samples[i] += samples[i] / float(exposures);
  };
  for (int i = 0; i < dark_exposures; ++i) {
    panel.dark(std::uint64_t(count + i), samples);
    write(folder / "dark" / test::numbered("d_", i, ".tif"));
    add_to(dark, dark_exposures);
  }
  for (int i = 0; i < open_exposures; ++i) {
    panel.open(std::uint64_t(count + 100 + i), samples);
    write(folder / "open" / test::numbered("o_", i, ".tif"));
    add_to(open, open_exposures);
  }
  for (int i = 0; recipe.open_after && i < open_exposures; ++i) {
    panel.open_after(std::uint64_t(count + 200 + i), samples);
    write(folder / "after" / test::numbered("a_", i, ".tif"));
  }
  const CorrectedExport exported(dark, open, panel.truth().pixels, 50000);

  const auto line_integrals = [&](int view, double angle) {
    std::vector<float> lines = views[std::size_t(view % count)];
    if (faults.movement) {
      const Vec3 shift = faults.movement->at(view, count);
      if (!shift.isZero(0))
        project_phantom(part.phantom.moved(shift), part.phantom.attenuations(), geometry, angle, part.sampling, lines);
    }
    blur_and_scatter(faults, geometry, lines);
    return lines;
  };
  std::vector<float> delivered;
  for (int view = 0; view < count; ++view) {
    panel.view(view, line_integrals(view, geometry.angles_rad[std::size_t(view)]), samples);
    if (recipe.corrected) exported.apply(samples);
    if (std::find(faults.repeated.begin(), faults.repeated.end(), view) == faults.repeated.end()) delivered = samples;
    samples = delivered;
    if (std::find(faults.missing.begin(), faults.missing.end(), view) == faults.missing.end())
      write(view_file(folder, view));
  }
  if (recipe.return_view) {
    panel.return_view(std::uint64_t(count + 300), line_integrals(count, geometry.angles_rad.front()), samples);
    write(folder / "return.tif");
  }

  json["images"] = {{"projections", "projections/*.tif"},
                    {"kind", recipe.corrected ? "corrected" : "counts"},
                    {"saturation", detector.full_scale}};
  if (recipe.corrected) {
    json["images"]["open_level"] = 50000;
  } else {
    json["images"]["dark"] = "dark/*.tif";
    json["images"]["open"] = "open/*.tif";
    if (recipe.open_after) json["images"]["open_after"] = "after/*.tif";
  }
  if (recipe.return_view) json["images"]["return_view"] = "return.tif";
  if (recipe.after) recipe.after(folder, json);
  return check_scan(parse_scan(json, folder / "scan.json"));
}

std::string told(const CheckResult& result) {
  std::string text;
  for (const Finding& finding : result.findings)
    text += to_string(finding.severity) + " " + finding.what + ": " + finding.text + "\n";
  return text;
}

/// Subjects of warnings and worse.
std::set<std::string> alarms(const CheckResult& result) {
  std::set<std::string> subjects;
  for (const Finding& finding : result.findings)
    if (finding.severity <= Severity::warning) subjects.insert(finding.what);
  return subjects;
}

const Finding& finding_of(const CheckResult& result, const std::string& what) {
  for (const Finding& finding : result.findings)
    if (finding.what == what) return finding;
  FAIL("no finding: ", what, "\n", told(result));
  return result.findings.front();
}

/// A scan spoilt in the detector, the beam or the part.
Recipe with_faults(const std::string& name, const std::set<std::string>& expected,
                   std::function<void(Faults&, const Part&)> faults, const std::set<std::string>& allowed = {}) {
  Recipe recipe;
  recipe.name = name;
  recipe.expected = expected;
  recipe.allowed = allowed;
  recipe.faults = std::move(faults);
  return recipe;
}

/// A sound scan whose files or scan file come to harm.
Recipe with_harm(const std::string& name, const std::set<std::string>& expected,
                 std::function<void(const fs::path&, nlohmann::json&)> after,
                 const std::set<std::string>& allowed = {}) {
  Recipe recipe;
  recipe.name = name;
  recipe.expected = expected;
  recipe.allowed = allowed;
  recipe.after = std::move(after);
  return recipe;
}

Recipe with_geometry(const std::string& name, const std::set<std::string>& expected,
                     std::function<void(nlohmann::json&)> geometry, const std::set<std::string>& allowed = {}) {
  Recipe recipe;
  recipe.name = name;
  recipe.expected = expected;
  recipe.allowed = allowed;
  recipe.geometry = std::move(geometry);
  return recipe;
}

Movement ramp(double x, double y, double z) {
  Movement move;
  move.by_mm = {x, y, z};
  return move;
}

Movement step(int view, double x, double y, double z) {
  Movement move = ramp(x, y, z);
  move.course = Movement::Course::step;
  move.from_view = view;
  return move;
}

/// Every fault by itself. Movements are in virtual pixels.
std::vector<Recipe> all_faults(int views) {
  std::vector<Recipe> list;
  const auto faults = [&](auto&&... given) -> Recipe& { return list.emplace_back(with_faults(given...)); };
  const auto harm = [&](auto&&... given) { list.push_back(with_harm(given...)); };
  const auto geometry = [&](auto&&... given) { list.push_back(with_geometry(given...)); };
  using Names = std::set<std::string>;

  faults("dead", Names{"dead pixels"}, [](Faults& f, const Part&) { f.dead = 10; });
  faults("over", Names{"over-responding pixels"}, [](Faults& f, const Part&) { f.over_responding = 8; });
  faults("under", Names{"under-responding pixels"}, [](Faults& f, const Part&) { f.under_responding = 8; });
  faults("noisy", Names{"noisy pixels"}, [](Faults& f, const Part&) { f.noisy = 10; });
  faults("non-uniform by the open beam after", Names{"non-uniform pixels"}, [](Faults& f, const Part&) {
    f.non_uniform = 10;
  }).open_after = true;
  faults("non-uniform by the views", Names{"non-uniform pixels"}, [](Faults& f, const Part&) { f.non_uniform = 20; });
  faults(
      "clusters", Names{"clusters"}, [](Faults& f, const Part&) { f.clusters = 6; }, Names{"dead pixels"});
  faults(
      "lines", Names{"lines"}, [](Faults& f, const Part&) { f.lines = 2; }, Names{"dead pixels", "clusters"});
  faults("spikes", Names{"spikes"}, [](Faults& f, const Part&) { f.spikes = 12; });
  faults(
      "drift", Names{"drift"}, [](Faults& f, const Part&) { f.drift = 0.03; }, Names{"air level"});
  faults(
      "drift by the open beam after", Names{"drift"}, [](Faults& f, const Part&) { f.drift = -0.04; },
      Names{"air level"})
      .open_after = true;
  faults(
      "flicker", Names{"flicker"}, [](Faults& f, const Part&) { f.flicker = 0.01; }, Names{"air level"});
  faults(
      "shape", Names{"open-beam shape"}, [](Faults& f, const Part&) { f.shape = 0.015; },
      Names{"air level", "flicker"});
  faults("gain drift", Names{"gain drift"}, [](Faults& f, const Part&) { f.gain_drift = 0.015; }).open_after = true;
  faults("missing", Names{"missing views"}, [](Faults& f, const Part&) { f.missing = {17, 40, 41, 42}; });
  faults("repeated", Names{"repeated views"}, [](Faults& f, const Part&) { f.repeated = {33, 80}; });
  faults("black", Names{"black views"}, [](Faults& f, const Part&) { f.black = {21}; });
  faults("moved evenly along x", Names{"movement"},
         [](Faults& f, const Part& part) { f.movement = ramp(1.5 * part.virtual_pitch_mm, 0, 0); });
  faults("moved evenly along y", Names{"movement"},
         [](Faults& f, const Part& part) { f.movement = ramp(0, 1.5 * part.virtual_pitch_mm, 0); });
  faults("moved evenly along z", Names{"movement"},
         [](Faults& f, const Part& part) { f.movement = ramp(0, 0, 1.5 * part.virtual_pitch_mm); });
  faults(
      "stepped across", Names{"movement"},
      [=](Faults& f, const Part& part) {
        f.movement = step(views * 3 / 8, part.virtual_pitch_mm, part.virtual_pitch_mm, 0);
      },
      Names{"jumps"});
  faults(
      "stepped along z", Names{"movement"},
      [=](Faults& f, const Part& part) { f.movement = step(views * 3 / 8, 0, 0, 1.2 * part.virtual_pitch_mm); },
      Names{"jumps"});
  faults("moved by the return view", Names{"movement"}, [](Faults& f, const Part& part) {
    f.movement = ramp(0.8 * part.virtual_pitch_mm, 0, 0.5 * part.virtual_pitch_mm);
  }).return_view = true;

  Recipe saturated;
  saturated.name = "saturated";
  saturated.expected = {"saturation", "open-beam level"};
  saturated.allowed = {"bad pixels", "dead pixels",      "non-uniform pixels", "clusters",
                       "lines",      "low transmission", "air level",          "drift"};
  saturated.detector = [](RawDetector& detector) { detector.full_scale = 29500; };
  list.push_back(saturated);
  Recipe thick;
  thick.name = "too thick";
  thick.expected = {"low transmission"};
  thick.allowed = {"non-uniform pixels"};
  thick.energy_kev = 45;
  list.push_back(thick);
  Recipe weak;
  weak.name = "weak beam";
  weak.expected = {"open-beam level"};
  weak.allowed = {"low transmission"};
  weak.detector = [](RawDetector& detector) { detector.open_counts = 6000; };
  list.push_back(weak);
  Recipe white = with_harm("corrected to another white", {"air level"},
                           [](const fs::path&, nlohmann::json& json) { json["images"]["open_level"] = 53000; });
  white.corrected = true;
  list.push_back(white);
  Recipe drifting =
      with_faults("corrected and drifting", {"drift"}, [](Faults& f, const Part&) { f.drift = 0.04; }, {"air level"});
  drifting.corrected = true;
  list.push_back(drifting);

  harm("broken off", Names{"broken off"}, [=](const fs::path& folder, nlohmann::json&) {
    for (int view = views * 2 / 3; view < views; ++view)
      fs::remove(view_file(folder, view));
  });
  harm("broken off within half a turn", Names{"broken off", "arc"}, [=](const fs::path& folder, nlohmann::json&) {
    for (int view = views / 3; view < views; ++view)
      fs::remove(view_file(folder, view));
  });
  harm("two files exchanged", Names{"order of views"}, [](const fs::path& folder, nlohmann::json&) {
    fs::rename(view_file(folder, 60), folder / "x.tif");
    fs::rename(view_file(folder, 61), view_file(folder, 60));
    fs::rename(folder / "x.tif", view_file(folder, 61));
  });
  for (const int other : {62, 64, 95})
    harm("files exchanged with number " + std::to_string(other), Names{"order of views"},
         [=](const fs::path& folder, nlohmann::json&) {
           fs::rename(view_file(folder, 60), folder / "x.tif");
           fs::rename(view_file(folder, other), view_file(folder, 60));
           fs::rename(folder / "x.tif", view_file(folder, other));
         });
  harm(
      "views lost and the files renumbered", Names{"jumps"},
      [=](const fs::path& folder, nlohmann::json& json) {
        for (int view = 50; view + 2 < views; ++view)
          fs::rename(view_file(folder, view + 2), view_file(folder, view));
        json["views"]["count"] = views - 2;
      },
      Names{"movement"});
  harm(
      "a file cut short", Names{"unreadable images"},
      [](const fs::path& folder, nlohmann::json&) {
        fs::resize_file(view_file(folder, 50), fs::file_size(view_file(folder, 50)) / 2);
      },
      Names{"missing views"});
  harm("turned the other way", Names{"mirrored or reversed"},
       [](const fs::path&, nlohmann::json& json) { json["views"]["arc_deg"] = -360; });
  harm("mirrored", Names{"mirrored or reversed"},
       [](const fs::path&, nlohmann::json& json) { json["images"]["mirrored"] = true; });
  harm(
      "one image too many", Names{"surplus views"},
      [=](const fs::path& folder, nlohmann::json&) { fs::copy_file(view_file(folder, 0), view_file(folder, views)); },
      Names{"arc"});

  geometry(
      "too few views", Names{"number of views"}, [](nlohmann::json& json) { json["views"]["count"] = 36; },
      Names{"order of views", "movement"});
  geometry("a short arc", Names{"arc"}, [](nlohmann::json& json) { json["views"]["arc_deg"] = 150; });
  geometry("a narrow detector", Names{"part leaves the view"}, [](nlohmann::json& json) {
    const int columns = json["detector"]["columns"];
    json["detector"]["columns"] = columns / 2;
  });
  Recipe uneven = with_geometry("uneven views", {"uneven views"},
                                [=](nlohmann::json& json) {
                                  std::mt19937 random(3);
                                  std::uniform_real_distribution<double> off(-0.4, 0.4);
                                  nlohmann::json angles = nlohmann::json::array();
                                  for (int i = 0; i < views; ++i)
                                    angles.push_back((i + off(random)) * 360 / views);
                                  json["views"] = {{"angles_deg", angles}};
                                },
                                {"movement", "mirrored or reversed"});
  uneven.after = [=](const fs::path&, nlohmann::json& json) { json["views"] = {{"count", views}, {"arc_deg", 360}}; };
  list.push_back(uneven);
  Recipe closed = with_geometry("N + 1 images over 360 degrees", {"arc"}, [=](nlohmann::json& json) {
    json["views"] = {{"count", views + 1}, {"step_deg", 360.0 / views}};
  });
  closed.after = [=](const fs::path&, nlohmann::json& json) {
    json["views"] = {{"count", views + 1}, {"arc_deg", 360}};
  };
  list.push_back(closed);
  return list;
}

void check_all_faults(std::vector<Part> parts, int views) {
  for (Part& part : parts)
    for (const Recipe& recipe : all_faults(views)) {
      CAPTURE(part.name);
      CAPTURE(recipe.name);
      const CheckResult result = scan_and_check(part, recipe);
      const std::string text = told(result);
      CAPTURE(text);
      const auto found = alarms(result);
      for (const auto& what : recipe.expected)
        CHECK_MESSAGE(found.contains(what), "not found: ", what);
      for (const auto& what : found)
        CHECK_MESSAGE((recipe.expected.contains(what) || recipe.allowed.contains(what)), "besides: ", what);
    }
}

/// Realistic noise, blur, scatter, lag and spot, differing from scan to scan; none large enough to be a fault.
void check_clean_scans(std::vector<Part> parts, int scans) {
  for (int i = 0; i < scans; ++i) {
    Part& part = parts[std::size_t(i) % parts.size()];
    Recipe recipe = with_faults("clean", {}, [=](Faults& f, const Part&) {
      f.blur_px = 0.1 * (i % 8);
      f.focal_spot_mm = i % 3 == 0 ? 0.3 : 0;
      f.scatter = i % 4 == 1 ? 0.01 : 0;
      f.flicker = i % 5 == 2 ? 0.001 : 0;
      f.drift = i % 6 == 3 ? 0.003 : 0;
    });
    recipe.detector = [=](RawDetector& detector) { detector.lag = i % 7 == 4 ? 0.005 : 0; };
    recipe.open_after = i % 2 == 1;
    recipe.return_view = i % 3 == 1;
    recipe.corrected = i % 10 == 6;
    const double counts = 15000 + 1500 * i;
    const CheckResult result = scan_and_check(part, recipe, std::uint64_t(100 + i), counts);
    CAPTURE(part.name);
    CAPTURE(i);
    const std::string text = told(result);
    CAPTURE(text);
    CHECK(result.verdict == Verdict::fit);
  }
}

constexpr int small_views = 120;
constexpr double small_coarse = 2.5;

}  // namespace

TEST_SUITE("check: seeded faults") {
  TEST_CASE("each fault is found in scans of three parts and nothing unasked") {
    check_all_faults(parts_at(small_coarse, small_views), small_views);
  }
  TEST_CASE("twenty clean scans with realistic noise raise no alarm") {
    check_clean_scans(parts_at(small_coarse, small_views), 20);
  }

  TEST_CASE("movement is told alike wherever the scan file has the axis") {
    // A part of 20 columns with pins of two: steps along slopes find a shift of that size only. A turn about an axis d
    // columns beside the one in the file shows as a shift of 2 d between opposite rays.
    Part part = make_part("cable_plug", 400, 192, 64, 1.9, 240, 1);
    for (const double off : {0.0, 3.3, -9.5, 18.0}) {
      Recipe still;
      still.after = [=](const fs::path&, nlohmann::json& json) { json["detector"]["axis_column"] = 95.5 + off; };
      Recipe moved = still;
      moved.faults = [](Faults& f, const Part& p) { f.movement = step(96, 0, p.virtual_pitch_mm, 0); };
      CAPTURE(off);
      const CheckResult of_still = scan_and_check(part, still), of_moved = scan_and_check(part, moved);
      CAPTURE(told(of_still));
      CHECK(!alarms(of_still).contains("movement"));
      CHECK(std::abs(*finding_of(of_moved, "movement").value - 1) < 0.2);  // as `near` below, for 1 pixel
    }
  }

  TEST_CASE("few views and few photons in few rows are no fault of the part or the beam") {
    auto few = parts_at(small_coarse, 45);
    Recipe clean;
    for (Part& part : few) {
      CAPTURE(part.name);
      const CheckResult result = scan_and_check(part, clean);
      CAPTURE(told(result));
      CHECK(!alarms(result).contains("movement"));
      CHECK(finding_of(result, "movement").severity == Severity::cannot_tell);
    }
    // Two samples of air at either edge, of 2 to 1 percent noise: single views seem up to 5 percent off.
    for (const double counts : {5000.0, 20000.0}) {
      Part part = make_part("cable_plug", 150, 200, 1, 0.6, 400, 1);
      part.scan["beam"] = "fan";
      const CheckResult result = scan_and_check(part, clean, 3, counts);
      CAPTURE(counts);
      CAPTURE(told(result));
      for (const char* what : {"flicker", "open-beam shape", "air level", "drift"})
        CHECK_MESSAGE(!alarms(result).contains(what), what);
      // What flickers, drifts or tilts still does so.
      const Recipe flickers = with_faults("flicker", {}, [](Faults& f, const Part&) { f.flicker = 0.02; });
      CHECK(alarms(scan_and_check(part, flickers, 3, counts)).contains("flicker"));
      const Recipe drifts = with_faults("drift", {}, [](Faults& f, const Part&) { f.drift = 0.05; });
      CHECK(alarms(scan_and_check(part, drifts, 3, counts)).contains("drift"));
      const Recipe tilts = with_faults("shape", {}, [](Faults& f, const Part&) { f.shape = 0.05; });
      CHECK(alarms(scan_and_check(part, tilts, 3, counts)).contains("open-beam shape"));
    }
  }

  TEST_CASE("findings say how much and where") {
    auto parts = parts_at(small_coarse, small_views);
    const auto recipes = all_faults(small_views);
    const auto found = [&](const std::string& name, const std::string& what) {
      for (const Recipe& recipe : recipes)
        if (recipe.name == name) return finding_of(scan_and_check(parts[2], recipe), what);
      FAIL("no recipe ", name);
      return Finding();
    };
    CHECK(found("dead", "dead pixels").value == 10);
    CHECK(found("noisy", "noisy pixels").value == 10);
    CHECK(found("spikes", "spikes").value == 12);
    CHECK(found("missing", "missing views").views == std::vector<int>{17, 40, 41, 42});
    CHECK(found("repeated", "repeated views").views == std::vector<int>{33, 80});
    CHECK(found("black", "black views").views == std::vector<int>{21});
    CHECK(found("two files exchanged", "order of views").views == std::vector<int>{60, 61});
    CHECK(found("views lost and the files renumbered", "jumps").views == std::vector<int>{50});
    // Between the medians of the first and last tenth of the views, nine tenths of the drift: 0.9 x 3 %, over the level
    // of 1 + 0.05 x 3 %; the levels' noise is 0.02 %.
    CHECK(*found("drift", "drift").value == doctest::Approx(100 * 0.9 * 0.03 / 1.0015).epsilon(0.03));
    CHECK(*found("drift by the open beam after", "drift").value > 3.4);
    CHECK(*found("corrected to another white", "air level").value ==
          doctest::Approx(100 * (1 - 50.0 / 53)).epsilon(0.05));
    // Heights of the part differ in magnification, so shifts in pixels are as those on the axis within a few percent;
    // registration of noisy edges adds some hundredths of a pixel. Taken as a tenth and 0.1 pixel.
    const auto near = [](const Finding& finding, double pixels) {
      CAPTURE(finding.text);
      CHECK(std::abs(*finding.value - pixels) < 0.1 * pixels + 0.1);
    };
    near(found("moved evenly along x", "movement"), 1.5);
    near(found("moved evenly along y", "movement"), 1.5);
    near(found("moved evenly along z", "movement"), 1.5);
    near(found("stepped along z", "movement"), 1.2);
    const Finding across = found("stepped across", "movement");
    near(across, std::sqrt(2));
    CHECK(std::abs(across.views.at(0) - small_views * 3 / 8) < 10);
    // Along x at angle 0, x runs along the detector and z up.
    near(found("moved by the return view", "movement"), std::hypot(0.8, 0.5));
  }
}

// Run by `ctest -C slow`.
TEST_SUITE("check: seeded faults at full size" * doctest::skip()) {
  TEST_CASE("each fault is found in scans of three parts and nothing unasked") {
    check_all_faults(parts_at(1, 360), 360);
  }
  TEST_CASE("twenty clean scans with realistic noise raise no alarm") {
    check_clean_scans(parts_at(1, 360), 20);
  }
}
