#include "rayloom/simulate/faults.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <functional>
#include <limits>
#include <tuple>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/simulate/random.h"

namespace rayloom {

namespace {

/// Exposure numbers that chance draws from, far above any exposure's and that of the fixed pattern.
constexpr std::uint64_t highest = std::numeric_limits<std::uint64_t>::max();
constexpr std::uint64_t places_stream = highest - 1, spikes_stream = highest - 2, gain_stream = highest - 3,
                        beam_stream = highest - 4;

constexpr DefectClass all_classes[] = {DefectClass::dead, DefectClass::over_responding, DefectClass::under_responding,
                                       DefectClass::noisy, DefectClass::non_uniform};

/// What the value of a class is called in files.
const char* value_name(DefectClass kind) {
  switch (kind) {
    case DefectClass::dead:
      return "reads_counts";
    case DefectClass::over_responding:
    case DefectClass::under_responding:
      return "gain_factor";
    case DefectClass::noisy:
      return "noise_factor";
    case DefectClass::non_uniform:
      break;
  }
  return "gain_change";
}

void require(bool holds, const std::string& field, const std::string& value, const std::string& must) {
  if (!holds) throw InvalidOption(field + ": " + value + "; must " + must);
}

void require_range(const char* field, double value, double low, double high) {
  require(value >= low && value <= high, field, to_text(value), "be from " + to_text(low) + " to " + to_text(high));
}

std::string place_of(int row, int column) {
  return "row " + std::to_string(row) + ", column " + std::to_string(column);
}

/// Uniform in [low, high].
double between(PixelRandom& random, double low, double high) {
  return low + (high - low) * random.uniform();
}

/// Uniform in 0 .. count - 1.
int one_of(PixelRandom& random, int count) {
  return std::min(int(random.uniform() * count), count - 1);
}

/// Finds places for bad pixels and blocks of them that do not touch each other.
class Places {
 public:
  Places(std::uint64_t seed, int rows, int columns) : seed_(seed), taken_(rows, columns) {}

  bool free(const FaultTruth::Block& block, int margin) const {
    for (int r = std::max(block.row - margin, 0); r < std::min(block.row + block.rows + margin, taken_.rows); ++r)
      for (int c = std::max(block.column - margin, 0);
           c < std::min(block.column + block.columns + margin, taken_.columns); ++c)
        if (taken_.at(r, c) != 0) return false;
    return true;
  }
  void take(const FaultTruth::Block& block) {
    for (int r = block.row; r < block.row + block.rows; ++r)
      for (int c = block.column; c < block.column + block.columns; ++c)
        taken_.at(r, c) = 1;
  }
  bool taken(int row, int column) const { return taken_.at(row, column) != 0; }

  /// The first of many tries that touches nothing taken, and takes it.
  /// @param draw  Makes a block within the detector from random numbers.
  FaultTruth::Block find(const char* field, int count, const std::function<FaultTruth::Block(PixelRandom&)>& draw) {
    PixelRandom random(seed_, places_stream, item_++);
    for (int tries = 0; tries < 10000; ++tries)
      if (const FaultTruth::Block block = draw(random); free(block, 1)) {
        take(block);
        return block;
      }
    throw InvalidOption(std::string(field) + ": " + std::to_string(count) +
                        "; must leave room for each apart from other bad pixels on " + std::to_string(taken_.rows) +
                        " x " + std::to_string(taken_.columns) + " pixels");
  }
  /// Random numbers for what the last item is like.
  PixelRandom last_item() const { return {seed_, places_stream, item_ - 1 + (1U << 31)}; }

 private:
  std::uint64_t seed_;
  Image taken_;
  std::uint32_t item_ = 0;
};

void add_block(const FaultTruth::Block& block, double value, std::vector<DefectPixel>& pixels) {
  for (int r = block.row; r < block.row + block.rows; ++r)
    for (int c = block.column; c < block.column + block.columns; ++c)
      pixels.push_back({DefectClass::dead, r, c, value});
}

/// What a seeded pixel of a class is like; `i` counts within the class.
double drawn_value(DefectClass kind, int i, const RawDetector& detector, PixelRandom random) {
  switch (kind) {
    case DefectClass::dead:
      return std::round(i % 2 == 0 ? detector.dark_counts : between(random, 0, detector.full_scale));
    case DefectClass::over_responding:
      return between(random, 1.4, 2);
    case DefectClass::under_responding:
      return between(random, 0.1, 0.5);
    case DefectClass::noisy:
      return between(random, 8, 20);
    case DefectClass::non_uniform:
      break;
  }
  return (i % 2 == 0 ? 1 : -1) * between(random, 0.02, 0.05);
}

/// A whole column or, every second time, a whole row, with no such line beside it.
FaultTruth::Block draw_line(const Faults& faults, const FaultTruth& truth, Places& places, const RawDetector& detector,
                            const Detector& size) {
  const int i = int(truth.lines.size());
  const bool as_column = i % 2 == 0 || size.rows == 1;
  PixelRandom random(detector.seed, places_stream, std::uint32_t(i) + (3U << 30));
  for (int tries = 0; tries < 10000; ++tries) {
    const FaultTruth::Block line = as_column ? FaultTruth::Block{0, one_of(random, size.columns), size.rows, 1}
                                             : FaultTruth::Block{one_of(random, size.rows), 0, 1, size.columns};
    const bool beside = std::any_of(truth.lines.begin(), truth.lines.end(), [&](const FaultTruth::Block& other) {
      return other.rows == line.rows && std::abs(other.row - line.row) < 2 && std::abs(other.column - line.column) < 2;
    });
    if (beside) continue;
    places.take(line);
    return line;
  }
  throw InvalidOption("lines: " + std::to_string(faults.lines) + "; must leave good pixels between them");
}

void draw_pixels(const RawDetector& detector, const Faults& faults, const Detector& size, FaultTruth& truth) {
  Places places(detector.seed, size.rows, size.columns);
  const auto one = [](int row, int column) { return FaultTruth::Block{row, column, 1, 1}; };
  for (const DefectPixel& pixel : faults.pixels) {
    places.take(one(pixel.row, pixel.column));
    truth.pixels.push_back(pixel);
  }
  std::vector<DefectPixel> dead;
  for (int i = 0; i < faults.lines; ++i) {
    truth.lines.push_back(draw_line(faults, truth, places, detector, size));
    add_block(truth.lines.back(), std::round(detector.dark_counts), dead);
  }
  for (int i = 0; i < faults.clusters; ++i) {
    truth.clusters.push_back(places.find("clusters", faults.clusters, [&](PixelRandom& random) {
      const int rows = std::min(2 + one_of(random, 3), size.rows),
                columns = std::min(2 + one_of(random, 3), size.columns);
      return FaultTruth::Block{one_of(random, size.rows - rows + 1), one_of(random, size.columns - columns + 1), rows,
                               columns};
    }));
    add_block(truth.clusters.back(), std::round(detector.dark_counts), dead);
  }
  const std::pair<DefectClass, int> classes[] = {{DefectClass::dead, faults.dead},
                                                 {DefectClass::over_responding, faults.over_responding},
                                                 {DefectClass::under_responding, faults.under_responding},
                                                 {DefectClass::noisy, faults.noisy},
                                                 {DefectClass::non_uniform, faults.non_uniform}};
  for (const auto& [kind, count] : classes)
    for (int i = 0; i < count; ++i) {
      const FaultTruth::Block at = places.find(to_string(kind).c_str(), count, [&](PixelRandom& random) {
        const int row = one_of(random, size.rows);
        return one(row, one_of(random, size.columns));
      });
      truth.pixels.push_back({kind, at.row, at.column, drawn_value(kind, i, detector, places.last_item())});
    }
  // Where lines cross each other or a listed pixel, the pixel counts once, as listed.
  for (const DefectPixel& pixel : dead)
    truth.pixels.push_back(pixel);
  const auto place = [&](const DefectPixel& pixel) { return std::int64_t(pixel.row) * size.columns + pixel.column; };
  std::stable_sort(truth.pixels.begin(), truth.pixels.end(),
                   [&](const DefectPixel& a, const DefectPixel& b) { return place(a) < place(b); });
  truth.pixels.erase(std::unique(truth.pixels.begin(), truth.pixels.end(),
                                 [&](const DefectPixel& a, const DefectPixel& b) { return place(a) == place(b); }),
                     truth.pixels.end());
}

void draw_spikes(const RawDetector& detector, const Faults& faults, const Geometry& geometry, FaultTruth& truth) {
  const Detector& size = geometry.detector;
  Image bad(size.rows, size.columns);
  for (const DefectPixel& pixel : truth.pixels)
    bad.at(pixel.row, pixel.column) = 1;
  std::vector<int> views;  // those that are seen as they were taken
  for (int view = 0; view < int(geometry.angles_rad.size()); ++view) {
    const auto among = [view](const std::vector<int>& list) {
      return std::find(list.begin(), list.end(), view) != list.end();
    };
    if (!among(faults.missing) && !among(faults.repeated) && !among(faults.black)) views.push_back(view);
  }
  const double samples = double(views.size()) * double(bad.samples.size() - truth.pixels.size());
  require(faults.spikes <= samples / 10, "spikes", std::to_string(faults.spikes),
          "be at most a tenth of the " + to_text(samples) + " good samples of views");
  const auto order = [](const FaultTruth::Spike& a, const FaultTruth::Spike& b) {
    return std::tie(a.view, a.row, a.column) < std::tie(b.view, b.row, b.column);
  };
  PixelRandom random(detector.seed, spikes_stream, 0);
  while (int(truth.spikes.size()) < faults.spikes) {
    const int view = views[std::size_t(one_of(random, int(views.size())))], row = one_of(random, size.rows),
              column = one_of(random, size.columns);
    const FaultTruth::Spike spike{view, row, column, std::round(between(random, 0.3, 1) * detector.open_counts)};
    const auto at = std::lower_bound(truth.spikes.begin(), truth.spikes.end(), spike, order);
    const bool there = at != truth.spikes.end() && !order(spike, *at);
    if (!there && bad.at(row, column) == 0) truth.spikes.insert(at, spike);
  }
}

void validate_views(const char* field, const std::vector<int>& list, int first, int views) {
  for (const int view : list)
    require(view >= first && view < views, field, std::to_string(view),
            "be a view from " + std::to_string(first) + " to " + std::to_string(views - 1));
}

}  // namespace

std::string to_string(DefectClass kind) {
  switch (kind) {
    case DefectClass::dead:
      return "dead";
    case DefectClass::over_responding:
      return "over-responding";
    case DefectClass::under_responding:
      return "under-responding";
    case DefectClass::noisy:
      return "noisy";
    case DefectClass::non_uniform:
      break;
  }
  return "non-uniform";
}

Vec3 Movement::at(int view, int views) const {
  if (course == Course::step) return view >= from_view ? by_mm : Vec3(Vec3::Zero());
  return by_mm * (double(view) / views);
}

void Faults::validate(const Geometry& geometry) const {
  const int views = int(geometry.angles_rad.size()), rows = geometry.detector.rows, columns = geometry.detector.columns;
  require(focal_spot_mm >= 0 && focal_spot_mm <= 10, "focal_spot_mm", to_text(focal_spot_mm), "be from 0 to 10");
  require(focal_spot_mm == 0 || geometry.beam != Beam::parallel, "focal_spot_mm", to_text(focal_spot_mm),
          "be absent for parallel beam");
  require_range("blur_px", blur_px, 0, 20);
  require_range("scatter", scatter, 0, 1);
  if (movement) {
    require(movement->by_mm.allFinite(), "movement", "not a number", "be finite");
    if (movement->course == Movement::Course::step) validate_views("movement", {movement->from_view}, 0, views);
  }
  require_range("drift", drift, -0.9, 9);
  require_range("flicker", flicker, 0, 0.2);
  require_range("shape", shape, 0, 0.2);
  require_range("gain_drift", gain_drift, 0, 0.2);
  validate_views("missing", missing, 0, views);
  validate_views("repeated", repeated, 1, views);
  validate_views("black", black, 0, views);
  require(int(missing.size()) < views, "missing", std::to_string(missing.size()) + " views", "leave some");
  const double pixel_count = double(rows) * columns;
  const std::pair<const char*, int> counts[] = {{"spikes", spikes},
                                                {"dead", dead},
                                                {"over-responding", over_responding},
                                                {"under-responding", under_responding},
                                                {"noisy", noisy},
                                                {"non-uniform", non_uniform},
                                                {"clusters", clusters},
                                                {"lines", lines}};
  for (const auto& [field, count] : counts)
    require(count >= 0 && (count <= pixel_count || field == std::string("spikes")), field, std::to_string(count),
            "be from 0 to the number of pixels, " + to_text(pixel_count));
  require(lines <= std::max(rows, columns) / 4, "lines", std::to_string(lines), "leave most of the detector");
  std::vector<std::int64_t> places;
  for (const DefectPixel& pixel : this->pixels) {
    const std::string name = "pixels: " + place_of(pixel.row, pixel.column);
    require(pixel.row >= 0 && pixel.row < rows && pixel.column >= 0 && pixel.column < columns, name,
            to_string(pixel.kind),
            "lie within " + std::to_string(rows) + " rows and " + std::to_string(columns) + " columns, counted from 0");
    const bool change = pixel.kind == DefectClass::non_uniform;
    require(pixel.value >= (change ? -1 : 0) && pixel.value <= 65535, name, to_text(pixel.value),
            change ? "be from -1" : "be from 0 to 65535");
    places.push_back(std::int64_t(pixel.row) * columns + pixel.column);
  }
  std::sort(places.begin(), places.end());
  if (const auto twice = std::adjacent_find(places.begin(), places.end()); twice != places.end())
    throw InvalidOption("pixels: " + place_of(int(*twice / columns), int(*twice % columns)) +
                        ": listed twice; must be listed once");
}

FaultTruth draw_faults(const RawDetector& detector, const Faults& faults, const Geometry& geometry) {
  detector.validate();
  faults.validate(geometry);
  const Detector& size = geometry.detector;
  const int views = int(geometry.angles_rad.size());
  FaultTruth truth;
  draw_pixels(detector, faults, size, truth);
  draw_spikes(detector, faults, geometry, truth);
  for (int view = 0; view < views; ++view) {
    truth.beams.push_back(beam_of(detector, faults, (view + 0.5) / views, std::uint64_t(view)));
    truth.displacements_mm.push_back(faults.movement ? faults.movement->at(view, views) : Vec3(Vec3::Zero()));
  }
  truth.gain_drift = Image(size.rows, size.columns);
  if (faults.gain_drift > 0)
    for (std::size_t i = 0; i < truth.gain_drift.samples.size(); ++i)
      truth.gain_drift.samples[i] =
          float(faults.gain_drift * PixelRandom(detector.seed, gain_stream, std::uint32_t(i)).normal());
  return truth;
}

BeamState beam_of(const RawDetector& detector, const Faults& faults, double time, std::uint64_t exposure) {
  PixelRandom random(detector.seed, beam_stream, std::uint32_t(exposure));
  const double flicker = faults.flicker * random.normal(), across = faults.shape * random.normal(),
               down = faults.shape * random.normal();
  return {(1 + faults.drift * time) * std::max(1 + flicker, 0.01), across, down};
}

nlohmann::ordered_json to_json(const RawDetector& detector, const Faults& faults, const FaultTruth& truth) {
  nlohmann::ordered_json json = nlohmann::ordered_json::object();
  const auto number = [&](const char* key, double value) {
    if (value != 0) json[key] = value;
  };
  const auto vector = [](const Vec3& v) { return nlohmann::ordered_json{v.x(), v.y(), v.z()}; };
  const auto blocks = [&](const char* key, const std::vector<FaultTruth::Block>& list) {
    for (const auto& [row, column, rows, columns] : list)
      json[key].push_back({{"row", row}, {"column", column}, {"rows", rows}, {"columns", columns}});
  };
  const auto views = [&](const char* key, const std::vector<int>& list) {
    if (!list.empty()) json[key] = list;
  };
  number("focal_spot_mm", faults.focal_spot_mm);
  number("blur_px", faults.blur_px);
  number("scatter", faults.scatter);
  if (faults.movement) {
    const bool step = faults.movement->course == Movement::Course::step;
    auto& movement = json["movement"] = {{"course", step ? "step" : "ramp"}, {"by_mm", vector(faults.movement->by_mm)}};
    if (step) movement["from_view"] = faults.movement->from_view;
    for (const Vec3& shift : truth.displacements_mm)
      movement["displacements_mm"].push_back(vector(shift));
  }
  number("drift", faults.drift);
  number("flicker", faults.flicker);
  number("shape", faults.shape);
  if (faults.drift != 0 || faults.flicker != 0)
    for (const BeamState& beam : truth.beams)
      json["levels"].push_back(beam.level);
  if (faults.shape != 0)
    for (const BeamState& beam : truth.beams)
      json["slopes"].push_back({beam.slope_across, beam.slope_down});
  number("gain_drift", faults.gain_drift);
  number("lag", detector.lag);
  if (detector.full_scale != 65535) json["full_scale"] = detector.full_scale;
  views("missing", faults.missing);
  views("repeated", faults.repeated);
  views("black", faults.black);
  blocks("clusters", truth.clusters);
  blocks("lines", truth.lines);
  for (const DefectPixel& pixel : truth.pixels)
    json["pixels"].push_back({{"class", to_string(pixel.kind)},
                              {"row", pixel.row},
                              {"column", pixel.column},
                              {value_name(pixel.kind), pixel.value}});
  for (const auto& [view, row, column, counts] : truth.spikes)
    json["spikes"].push_back({{"view", view}, {"row", row}, {"column", column}, {"counts", counts}});
  return json;
}

std::vector<DefectPixel> read_defect_pixels(const std::filesystem::path& file) {
  const JsonFields top(read_json_file(file), file.string());
  std::vector<DefectPixel> pixels;
  for (const JsonFields& entry : top.objects("pixels")) {
    DefectPixel& pixel = pixels.emplace_back();
    const std::string name = entry.text("class");
    const auto kind = std::find_if(std::begin(all_classes), std::end(all_classes),
                                   [&](DefectClass one) { return to_string(one) == name; });
    if (kind == std::end(all_classes))
      entry.fail("class", "must be dead, over-responding, under-responding, noisy or non-uniform");
    pixel.kind = *kind;
    entry.allow_only({"class", "row", "column", value_name(pixel.kind)});
    pixel.row = int(std::clamp(entry.integer("row"), -1L, 1L << 30));
    pixel.column = int(std::clamp(entry.integer("column"), -1L, 1L << 30));
    pixel.value = entry.number(value_name(pixel.kind));
  }
  return pixels;
}

}  // namespace rayloom
