#include "fault_options.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <utility>

#include "rayloom/json_fields.h"

namespace rayloom::tools {

namespace {

/// "20" or "0.5%" of the pixels.
int amount(const std::string& option, const std::optional<std::string>& text, double pixels) {
  if (!text) return 0;
  double value = -1;
  const char* const end = text->data() + text->size();
  const auto [next, error] = std::from_chars(text->data(), end, value);
  const std::string rest(next, end);
  if (rest == "%") value = std::round(value / 100 * pixels);
  if (error != std::errc() || (!rest.empty() && rest != "%") || !(value >= 0 && value <= pixels) ||
      value != std::floor(value))
    throw InvalidOption(option + ": '" + *text + "'; must be a number of pixels such as 20, at most " +
                        to_text(pixels) + ", or a share such as 0.5%");
  return int(value);
}

/// A share given in percent.
double share(const std::string& option, const std::optional<double>& percent, double low, double high) {
  if (percent && !(*percent >= low && *percent <= high))
    throw InvalidOption(option + ": " + to_text(*percent) + "; must be from " + to_text(low) + " to " + to_text(high) +
                        " percent");
  return percent.value_or(0) / 100;
}

/// "17,30-35" of views, each once, counted from 0.
std::vector<int> view_list(const std::string& option, const std::optional<std::string>& text) {
  std::vector<int> views;
  if (!text) return views;
  const char* at = text->data();
  const char* const end = at + text->size();
  const auto fail = [&] {
    throw InvalidOption(option + ": '" + *text + "'; must be views and ranges of views such as 17,30-35");
  };
  while (true) {
    int first = 0;
    auto [next, error] = std::from_chars(at, end, first);
    int last = first;
    if (error == std::errc() && next != end && *next == '-') {
      const auto range = std::from_chars(next + 1, end, last);
      next = range.ptr;
      error = range.ec;
    }
    if (error != std::errc() || first < 0 || last < first || last > 1'000'000) fail();
    for (int view = first; view <= last; ++view)
      views.push_back(view);
    if (next == end) break;
    if (*next != ',') fail();
    at = next + 1;
  }
  std::sort(views.begin(), views.end());
  views.erase(std::unique(views.begin(), views.end()), views.end());
  return views;
}

/// "ramp:DX,DY,DZ" or "step:VIEW:DX,DY,DZ".
Movement movement(const std::string& text) {
  const std::string form = "; must be ramp:DX,DY,DZ or step:VIEW:DX,DY,DZ, in mm";
  Movement move;
  std::string way;
  if (text.rfind("ramp:", 0) == 0) {
    way = text.substr(5);
  } else if (const auto colon = text.find(':', 5); text.rfind("step:", 0) == 0 && colon != std::string::npos) {
    move.course = Movement::Course::step;
    const auto [next, error] = std::from_chars(text.data() + 5, text.data() + colon, move.from_view);
    if (error != std::errc() || next != text.data() + colon) throw InvalidOption("--move: '" + text + "'" + form);
    way = text.substr(colon + 1);
  } else {
    throw InvalidOption("--move: '" + text + "'" + form);
  }
  const auto by = parse_numbers("--move", way, 3);
  move.by_mm = {by[0], by[1], by[2]};
  return move;
}

}  // namespace

void FaultOptions::add_to(CLI::App& command) {
  const char* group = "Beam and part";
  const auto add = [&](const char* name, auto& value, const char* help) {
    command.add_option(name, value, help)->group(group);
  };
  const auto add_flag = [&](const char* name, bool& value, const char* help) {
    command.add_flag(name, value, help)->group(group);
  };
  add("--spectrum", spectrum,
      "counting or integrating (as most flat panels): a tungsten tube's spectrum with voltage and filters of the scan "
      "file in place of one energy");
  add("--focal-spot", focal_spot_mm, "MM (0 to 10): blur by a square focal spot of this size");
  add("--scatter", scatter, "PERCENT (0 to 100) of the open beam that falls evenly on all pixels behind the part");
  add("--drift", drift, "PERCENT (-90 to 900) by which the beam rises from before the scan to its end");
  add("--flicker", flicker, "PERCENT (0 to 20) standard deviation of the beam's level from image to image");
  add("--shape", shape, "PERCENT (0 to 20) standard deviation of the beam's slopes from image to image");
  add("--move", move, "ramp:DX,DY,DZ or step:VIEW:DX,DY,DZ in mm: the part moves on the turning table");
  group = "Detector";
  add("--blur", blur_px, "PIXELS (0 to 20) standard deviation of the detector's Gaussian blur");
  add("--lag", lag, "PERCENT (0 to 90) of each signal that the next image reads");
  add("--gain-drift", gain_drift,
      "PERCENT (0 to 20) spread by which the pixels' gains have changed at the end of the scan");
  add("--full-scale", full_scale, "most that a pixel can read, 1 to 65535 (65535); brighter ones are saturated");
  add_flag("--noise-free", noise_free, "counts without photon and electronic noise");
  group = "Bad pixels (N, or P% of all)";
  add("--dead", dead, "always read the same");
  add("--over-responding", over_responding, "gain 1.4 to 2 times too high");
  add("--under-responding", under_responding, "gain down to 0.1 to 0.5");
  add("--noisy", noisy, "8 to 20 times the electronic noise");
  add("--non-uniform", non_uniform, "gain changed by 2 to 5 % since the open-beam images");
  add("--clusters", clusters, "N rectangles of 2 x 2 to 4 x 4 dead pixels");
  add("--lines", lines, "N dead lines, columns and rows in turn");
  add("--pixels", pixels, "FILE: listed ones, as in the truth.json of another scan");
  group = "Images";
  add("--spikes", spikes, "N single samples that are far too bright");
  add("--missing", missing, "VIEWS that are lost, such as 17,30-35");
  add("--repeated", repeated, "VIEWS that show the view before them again");
  add("--black", black, "VIEWS without beam");
  add_flag("--open-after", open_after, "also open-beam images after the scan");
  add_flag("--return-view", return_view, "one more image at the first angle after the turn");
  add_flag("--corrected", corrected, "images as machines export them: dark, gain and bad pixels corrected");
}

void FaultOptions::require_no_counts_needed() const {
  const std::pair<const char*, bool> needing[] = {{"--drift", drift.has_value()},
                                                  {"--flicker", flicker.has_value()},
                                                  {"--shape", shape.has_value()},
                                                  {"--lag", lag.has_value()},
                                                  {"--gain-drift", gain_drift.has_value()},
                                                  {"--full-scale", full_scale.has_value()},
                                                  {"--noise-free", noise_free},
                                                  {"--dead", dead.has_value()},
                                                  {"--over-responding", over_responding.has_value()},
                                                  {"--under-responding", under_responding.has_value()},
                                                  {"--noisy", noisy.has_value()},
                                                  {"--non-uniform", non_uniform.has_value()},
                                                  {"--clusters", clusters.has_value()},
                                                  {"--lines", lines.has_value()},
                                                  {"--pixels", pixels.has_value()},
                                                  {"--spikes", spikes.has_value()},
                                                  {"--black", black.has_value()},
                                                  {"--open-after", open_after},
                                                  {"--corrected", corrected}};
  for (const auto& [name, given] : needing)
    if (given) throw InvalidOption(std::string(name) + ": given without --counts; raw counts alone can show it");
}

std::optional<DetectorResponse> FaultOptions::response() const {
  if (!spectrum) return {};
  if (*spectrum == "counting") return DetectorResponse::counting;
  if (*spectrum == "integrating") return DetectorResponse::integrating;
  throw InvalidOption("--spectrum: '" + *spectrum + "'; must be counting or integrating");
}

Faults FaultOptions::faults(const Geometry& geometry) const {
  const double all = double(geometry.detector.rows) * geometry.detector.columns;
  Faults faults;
  faults.focal_spot_mm = focal_spot_mm.value_or(0);
  faults.blur_px = blur_px.value_or(0);
  faults.scatter = share("--scatter", scatter, 0, 100);
  if (move) faults.movement = movement(*move);
  faults.drift = share("--drift", drift, -90, 900);
  faults.flicker = share("--flicker", flicker, 0, 20);
  faults.shape = share("--shape", shape, 0, 20);
  faults.gain_drift = share("--gain-drift", gain_drift, 0, 20);
  faults.spikes = spikes.value_or(0);
  faults.missing = view_list("--missing", missing);
  faults.repeated = view_list("--repeated", repeated);
  faults.black = view_list("--black", black);
  faults.dead = amount("--dead", dead, all);
  faults.over_responding = amount("--over-responding", over_responding, all);
  faults.under_responding = amount("--under-responding", under_responding, all);
  faults.noisy = amount("--noisy", noisy, all);
  faults.non_uniform = amount("--non-uniform", non_uniform, all);
  faults.clusters = clusters.value_or(0);
  faults.lines = lines.value_or(0);
  if (pixels) faults.pixels = read_defect_pixels(*pixels);
  faults.validate(geometry);
  return faults;
}

void FaultOptions::apply_to(RawDetector& detector) const {
  detector.lag = share("--lag", lag, 0, 90);
  if (full_scale) detector.full_scale = *full_scale;
  if (noise_free) detector.noise = CountNoise::none;
  detector.validate();
}

}  // namespace rayloom::tools
