#include "rayloom/prepare/line_integrals.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/exposures.h"
#include "rayloom/prepare/scatter_stops.h"

namespace rayloom {

namespace {

/// Samples of which every third tells the noise.
constexpr std::size_t noise_samples = 1000000;

/// Threads and views at once of a pass over the images that fits the memory.
struct Pass {
  int threads, block;
};
/// @param beside  Images that a thread holds beside its block.
Pass pass_within(std::size_t bytes, std::size_t pixels, int beside) {
  constexpr std::size_t most_samples = std::size_t{8} << 20;  // in a block
  const std::size_t images = bytes / (pixels * sizeof(float));
  const int least = beside + 1;
  const int threads = int(std::clamp<std::size_t>(images / std::size_t(2 * least), 1, std::size_t(thread_count({}))));
  const auto room = std::int64_t(images / std::size_t(threads)) - beside;
  return {threads, int(std::clamp<std::int64_t>(std::min(room, std::int64_t(most_samples / pixels)), 1, 32))};
}

/// -ln x of a normal x > 0, without branches, so that the compiler makes vectors of it. x = m 2^e with m from sqrt(1/2)
/// to sqrt(2), and ln m = 2 atanh((m - 1)/(m + 1)), whose series is cut after s^9: 2e-9 of ln m. Rounding: 3 units in
/// the last place of the larger of |ln x| and 0.35.
float minus_log(float x) {
  constexpr std::int32_t root_half = 0x3f3504f3, mantissa = 0x007fffff;
  const std::int32_t bits = std::bit_cast<std::int32_t>(x) - root_half;
  const float e = float(bits >> 23), m = std::bit_cast<float>((bits & mantissa) + root_half);
  const float s = (m - 1) / (m + 1), q = s * s;
  const float log_m = 2 * s * (1 + q * (1.0F / 3 + q * (1.0F / 5 + q * (1.0F / 7 + q * (1.0F / 9)))));
  constexpr float ln2_high = 0.693359375F, ln2_low = -2.12194440e-4F;  // the first has few enough bits for e ln2_high
  return -(e * ln2_high + (e * ln2_low + log_m));
}

std::string named(const Level& level) {
  if (const auto* number = std::get_if<double>(&level)) return to_text(*number);
  return "\"" + std::get<ImageNames>(level).front() + "\"";
}

std::string place_of(std::size_t pixel, int columns) {
  return "row " + std::to_string(pixel / std::size_t(columns)) + ", column " +
         std::to_string(pixel % std::size_t(columns));
}

/// open - dark of every pixel. @param gain  The mean open-beam image.
Image gain_of(const Scan& scan, const Level& level, const std::string& field, Image gain, const Image& dark) {
  for (std::size_t i = 0; i < gain.samples.size(); ++i)
    gain.samples[i] -= dark.samples[i];
  const auto not_above = [](float value) { return !(value > 0); };
  const auto below = std::size_t(std::count_if(gain.samples.begin(), gain.samples.end(), not_above));
  if (2 * below > gain.samples.size()) {
    const auto first =
        std::size_t(std::find_if(gain.samples.begin(), gain.samples.end(), not_above) - gain.samples.begin());
    throw BadInput(scan.file.string() + ": " + field + ": " + named(level) + ": not above images.dark (" +
                       (scan.images.dark ? named(*scan.images.dark) : "absent") + ") at " + std::to_string(below) +
                       " of " + std::to_string(gain.samples.size()) + " pixels, first at " +
                       place_of(first, gain.columns) + " (open " + to_text(gain.samples[first] + dark.samples[first]) +
                       ", dark " + to_text(dark.samples[first]) + "); must be above it",
                   "are the dark and open images exchanged?");
  }
  return gain;
}

}  // namespace

LineIntegrals::LineIntegrals(const Scan& scan, const Hooks& hooks, const Corrections& corrections,
                             std::size_t pass_bytes)
    : scan_(scan),
      corrections_(corrections),
      reader_(scan),
      scatter_(scan.geometry.detector.rows, scan.geometry.detector.columns),
      counted_(std::make_unique<std::atomic<bool>[]>(scan.geometry.angles_rad.size() *
                                                     std::size_t(scan.geometry.detector.rows))) {
  corrections_.validate(scan_);
  const Image defects = defect_map(scan_);
  for (const float sample : defects.samples)
    bad_.push_back(sample != 0);
  defects_ = std::size_t(std::count(bad_.begin(), bad_.end(), char(true)));
  if (scan_.images.kind == ImageKind::counts) read_gain(hooks);
  const int rows = scan_.geometry.detector.rows, columns = scan_.geometry.detector.columns;
  const std::string field = scan_.file.string() + (defects_ > 0 ? ": images.defects" : ": images.open");
  const auto reach = scan_.images.sinograms ? DefectMending::Reach::row : DefectMending::Reach::image;
  mending_ = DefectMending(bad_, rows, columns, reach, field);
  if (const std::string dense = unmendable_groups(bad_, rows, columns); !dense.empty())
    hooks.warn(field + ": " + dense);

  if (scan_.images.kind == ImageKind::corrected) {
    air_levels_ = scan_.images.open_level;
    air_levels_.resize(scan_.geometry.angles_rad.size(), air_levels_.empty() ? 0 : air_levels_.back());
  }
  for (int i = 0; i < scatter_.blocks(); ++i)
    scatter_[i] = float(corrections_.scatter);
  if (!corrections_.scatter_from.empty()) measure_scatter();
  if (air_from_border() || corrections_.spikes || corrections_.follows_beam()) look_over_views(hooks, pass_bytes);
  if (corrections_.rings) find_ring_offsets(hooks, pass_bytes);
}

void LineIntegrals::read_gain(const Hooks& hooks) {
  const ScanImages& images = scan_.images;
  const Detector& detector = scan_.geometry.detector;
  MeanExposures exposures = read_exposures(scan_, hooks);
  open_noise_factor_ = exposures.noise_variance_factor();
  left_out_ = {exposures.dark.left_out, exposures.open.left_out, {}};
  if (exposures.open_after) left_out_.open_after = exposures.open_after->left_out;
  if (corrections_.open_shapes > 0) shapes_ = beam_shapes(scan_, exposures, bad_, corrections_.open_shapes, hooks);
  dark_ = std::move(exposures.dark.mean);
  if (!images.dark)
    hooks.warn(scan_.file.string() +
               ": images.dark: absent; taken as 0. If the detector has an offset, dense parts will look too thin");
  gain_ = gain_of(scan_, *images.open, "images.open", std::move(exposures.open.mean), dark_);
  if (exposures.open_after)
    gain_after_ = gain_of(scan_, *images.open_after, "images.open_after", std::move(exposures.open_after->mean), dark_);

  std::size_t first = 0;
  for (std::size_t i = 0; i < bad_.size(); ++i) {
    const bool alive = gain_.samples[i] > 0 && (!images.open_after || gain_after_.samples[i] > 0);
    if (alive || bad_[i]) continue;
    bad_[i] = true;
    if (dead_++ == 0) first = i;
  }
  if (dead_ > 0)
    hooks.warn(scan_.file.string() + ": images.open: not above the dark image at " + std::to_string(dead_) +
               (dead_ == 1 ? " pixel, at " : " pixels, the first at ") + place_of(first, detector.columns) +
               "; taken as dead, their neighbours stand in");
}

void LineIntegrals::measure_scatter() {
  const int rows = scan_.geometry.detector.rows, columns = scan_.geometry.detector.columns;
  Image with_stops = image_beside(scan_, "scatter_from", {corrections_.scatter_from}), without(rows, columns);
  reader_.read(0, 1, 0, rows, without.samples);
  for (Image* image : {&with_stops, &without}) {
    for (int row = 0; row < rows; ++row)
      normalise(0, row,
                std::span(image->samples).subspan(std::size_t(row) * std::size_t(columns), std::size_t(columns)));
    if (!air_from_border()) continue;
    const double level = border_level(*image);
    for (float& sample : image->samples)
      sample /= float(level);
  }
  const MeasuredScatter measured = scatter_from_stops(with_stops, without, bad_, corrections_.scatter_from);
  scatter_ = measured.scatter;
  scatter_stops_ = int(measured.stops.size());
}

NoiseByLevel LineIntegrals::learn_noise() const {
  const int rows = scan_.geometry.detector.rows, columns = scan_.geometry.detector.columns;
  const int views = int(scan_.geometry.angles_rad.size());
  const std::size_t pixels = std::size_t(rows) * std::size_t(columns);
  const int some = std::min(views, int(std::clamp<std::size_t>(noise_samples / pixels, 5, 200)));
  const int nth_row = std::max(1, int(std::size_t(some) * pixels / noise_samples));
  NoiseByLevel noise;
  std::vector<float> view(pixels);
  for (int i = 0; i < some; ++i) {
    const int number = int(std::int64_t(views) * i / some);
    reader_.read(number, 1, 0, rows, view);
    for (int r = 0; r < rows; ++r)
      normalise(number, r, std::span(view).subspan(std::size_t(r) * std::size_t(columns), std::size_t(columns)));
    noise.add(view, rows, columns, bad_, nth_row);
  }
  noise.finish();
  return noise;
}

void LineIntegrals::look_over_views(const Hooks& hooks, std::size_t pass_bytes) {
  const std::string step = "look over all views";
  const int rows = scan_.geometry.detector.rows, columns = scan_.geometry.detector.columns;
  const std::size_t width = std::size_t(columns), pixels = std::size_t(rows) * width;
  const int views = int(scan_.geometry.angles_rad.size());
  const int beside = corrections_.spikes ? 1 : 0;
  // Several views at once, because a sinogram file is opened once a block.
  const auto [threads, block] = pass_within(pass_bytes, pixels, 2 * beside + 1);
  const int blocks = (views + block - 1) / block;
  const NoiseByLevel noise = corrections_.spikes ? learn_noise() : NoiseByLevel();
  std::vector<std::vector<SpikeMend>> spikes(static_cast<std::size_t>(blocks));
  std::vector<std::optional<ViewBeam>> beams(static_cast<std::size_t>(views));
  int done = 0;
  parallel_for(blocks, threads, [&, block = block](int b, int) {
    const int first = b * block, count = std::min(block, views - first);
    const int from = std::max(first - beside, 0), to = std::min(first + count + beside, views);
    std::vector<float> samples(std::size_t(to - from) * pixels);
    reader_.read(from, to - from, 0, rows, samples);
    const auto samples_of = [&](int view) {
      return view < from || view >= to ? std::span<float>()
                                       : std::span(samples).subspan(std::size_t(view - from) * pixels, pixels);
    };
    for (int view = from; view < to; ++view)
      for (int row = 0; row < rows; ++row)
        normalise(view, row, samples_of(view).subspan(std::size_t(row) * width, width));
    std::vector<SpikeMend>& found = spikes[std::size_t(b)];
    Image image(rows, columns);
    for (int view = first; view < first + count; ++view) {
      const std::size_t known = found.size();
      if (corrections_.spikes)
        find_spikes(samples_of(view - 1), samples_of(view), samples_of(view + 1), rows, columns, bad_, noise, view,
                    found);
      std::ranges::copy(samples_of(view), image.samples.begin());
      for (std::size_t i = known; i < found.size(); ++i)
        image.samples[found[i].pixel] = found[i].value;
      if (corrections_.follows_beam()) beams[std::size_t(view)] = beam_of(image, bad_, shapes_, scatter_);
      if (!air_from_border()) continue;
      mending_.mend(image.samples, 0, 0, rows);
      const double level = border_level(image);
      if (!(level > 0))
        throw BadInput(reader_.name_of(view, 0) + ": view " + std::to_string(view) + ": border level " +
                           to_text(level) + "; must be above 0 where images.open_level is \"border\"",
                       "give images.open_level as a number");
      air_levels_[std::size_t(view)] = level;
    }
    bool stop = false;
#pragma omp critical(rayloom_look_over_views)
    {
      done += count;
      hooks.report(step, double(done) / views);
      stop = hooks.stop();
    }
    if (stop) throw Cancelled("stopped while it went to " + step);
  });

  for (const auto& found : spikes)
    for (SpikeMend spike : found) {
      if (scan_.images.kind == ImageKind::counts)
        spike.value = spike.value * gain_at(spike.view, spike.pixel) + dark_.samples[spike.pixel];
      else if (scan_.images.kind == ImageKind::corrected && !air_from_border())
        spike.value *= float(air_levels_[std::size_t(spike.view)]);
      spikes_.push_back(spike);
    }
  if (!corrections_.follows_beam()) return;
  std::string problem;
  beams_ = without_gaps(beams, problem);
  if (!problem.empty()) hooks.warn(scan_.file.string() + ": drift of the beam: " + problem);
}

float LineIntegrals::gain_at(int view, std::size_t pixel) const {
  if (gain_after_.samples.empty()) return gain_.samples[pixel];
  const float done = scan_.view_times.empty()  // of the scan, at the middle of the view
                         ? (float(view) + 0.5F) / float(scan_.geometry.angles_rad.size())
                         : scan_.view_times[std::size_t(view)];
  return gain_.samples[pixel] + done * (gain_after_.samples[pixel] - gain_.samples[pixel]);
}

void LineIntegrals::normalise(int view, int row, std::span<float> samples) const {
  const std::size_t first = std::size_t(row) * samples.size();
  if (scan_.images.kind == ImageKind::counts) {
    const float *dark = &dark_.samples[first], *gain = &gain_.samples[first];
    if (gain_after_.samples.empty()) {
      for (std::size_t c = 0; c < samples.size(); ++c)
        samples[c] = (samples[c] - dark[c]) / gain[c];
    } else {
      for (std::size_t c = 0; c < samples.size(); ++c)
        samples[c] = (samples[c] - dark[c]) / gain_at(view, first + c);
    }
  } else if (scan_.images.kind == ImageKind::corrected && !air_from_border()) {
    for (float& sample : samples)
      sample /= float(air_levels_[std::size_t(view)]);
  }
}

void LineIntegrals::replace_spikes(int view_number, int first_row, int row_count, std::span<float> view) const {
  const std::size_t width = std::size_t(scan_.geometry.detector.columns);
  const std::size_t from = std::size_t(first_row) * width, to = from + std::size_t(row_count) * width;
  const auto before = [](const SpikeMend& a, const std::pair<int, std::size_t>& b) {
    return std::pair(a.view, std::size_t(a.pixel)) < b;
  };
  auto spike = std::lower_bound(spikes_.begin(), spikes_.end(), std::pair(view_number, from), before);
  for (; spike != spikes_.end() && spike->view == view_number && spike->pixel < to; ++spike)
    view[spike->pixel - from] = spike->value;
}

void LineIntegrals::find_ring_offsets(const Hooks& hooks, std::size_t pass_bytes) {
  const auto read_lines = [this](int view, int views, int row, int rows, std::span<float> values) {
    read_hardened(view, views, row, rows, values);
  };
  rings_ = find_rings(scan_.geometry, read_lines,
                      {.method = *corrections_.rings,
                       .by_row = scan_.images.sinograms,
                       .memory_bytes = pass_bytes,
                       .threads = thread_count({})},
                      hooks);
  count_anew();
}

void LineIntegrals::count_anew() {
  const std::size_t lines = scan_.geometry.angles_rad.size() * std::size_t(scan_.geometry.detector.rows);
  for (std::size_t i = 0; i < lines; ++i)
    counted_[i] = false;
  samples_ = saturated_ = non_positive_ = 0;
}

void LineIntegrals::read(int first_view, int view_count, int first_row, int row_count, std::span<float> values) const {
  read_hardened(first_view, view_count, first_row, row_count, values);
  if (corrections_.hardening) corrections_.hardening->apply(values);
}

void LineIntegrals::read_hardened(int first_view, int view_count, int first_row, int row_count,
                                  std::span<float> values) const {
  const Detector& detector = scan_.geometry.detector;
  const int views = int(scan_.geometry.angles_rad.size());
  const std::size_t columns = std::size_t(detector.columns);
  if (first_view < 0 || view_count < 0 || first_view > views - view_count || first_row < 0 || row_count < 0 ||
      first_row > detector.rows - row_count ||
      values.size() != std::size_t(view_count) * std::size_t(row_count) * columns)
    throw InvalidOption("views " + std::to_string(first_view) + " + " + std::to_string(view_count) + ", rows " +
                        std::to_string(first_row) + " + " + std::to_string(row_count) + ", " +
                        std::to_string(values.size()) + " values; must lie within " + std::to_string(views) +
                        " views of " + std::to_string(detector.rows) + " rows and fit");

  // The band, widened to the rows whose pixels stand in for bad ones.
  const auto [low, rows] = mending_.needed(first_row, row_count);
  const std::size_t band = std::size_t(row_count) * columns, wide_band = std::size_t(rows) * columns;
  std::vector<float> wide(wide_band == band ? 0 : std::size_t(view_count) * wide_band);
  const std::span<float> all = wide.empty() ? values : std::span<float>(wide);
  reader_.read(first_view, view_count, low, rows, all);
  for (int i = 0; i < view_count; ++i)
    replace_spikes(first_view + i, low, rows, all.subspan(std::size_t(i) * wide_band, wide_band));
  const std::size_t origin = std::size_t(low) * columns;
  std::vector<float> exposure_before;  // the first view, for lag
  if (corrections_.lag > 0) {
    exposure_before.resize(wide_band);
    if (first_view > 0) {
      reader_.read(first_view - 1, 1, low, rows, exposure_before);
      replace_spikes(first_view - 1, low, rows, exposure_before);
    } else {
      for (std::size_t i = 0; i < wide_band; ++i)
        exposure_before[i] = dark_.samples[origin + i] + gain_.samples[origin + i];
    }
  }
  for (int i = view_count - 1; i >= 0; --i) {  // from the last, since lag needs the view before as it was stored
    const std::span<float> view = all.subspan(std::size_t(i) * wide_band, wide_band);
    const std::span<const float> before =
        corrections_.lag == 0 ? std::span<const float>()
        : i > 0               ? std::span<const float>(all.subspan(std::size_t(i - 1) * wide_band, wide_band))
                              : std::span<const float>(exposure_before);
    for (int row = low; row < low + rows; ++row) {
      const std::size_t at = std::size_t(row - low) * columns;
      convert(first_view + i, row, before.empty() ? before : before.subspan(at, columns), view.subspan(at, columns));
    }
    mending_.mend(view, low, first_row, row_count);
    if (!wide.empty()) std::copy_n(&view[std::size_t(first_row - low) * columns], band, &values[std::size_t(i) * band]);
    if (rings_.views > 0)
      for (int row = first_row; row < first_row + row_count; ++row)
        rings_.subtract(first_view + i, row,
                        values.subspan(std::size_t(i) * band + std::size_t(row - first_row) * columns, columns));
  }
}

void LineIntegrals::convert(int view, int row, std::span<const float> before, std::span<float> samples) const {
  const ScanImages& images = scan_.images;
  const std::size_t columns = samples.size();
  const std::size_t first = std::size_t(row) * columns;

  std::size_t good = 0, saturated = 0, non_positive = 0;
  const float full = images.saturation ? float(images.scale * *images.saturation + images.offset) : 0;
  for (std::size_t c = 0; c < columns; ++c) {
    good += !bad_[first + c];
    if (images.saturation && !bad_[first + c]) saturated += images.scale > 0 ? samples[c] >= full : samples[c] <= full;
  }

  if (corrections_.lag > 0) {  // the dark level cancels
    const float lag = float(corrections_.lag), kept = 1 - lag;
    for (std::size_t c = 0; c < columns; ++c)
      samples[c] = (samples[c] - lag * before[c]) / kept;
  }
  normalise(view, row, samples);
  if (air_from_border())
    for (float& sample : samples)
      sample /= float(air_levels_[std::size_t(view)]);
  if (!beams_.empty()) {
    const ViewBeam& beam = beams_[std::size_t(view)];
    std::vector<float> level(columns, float(beam.level));
    for (std::size_t k = 0; k < beam.weights.size(); ++k)
      shapes_.shapes[k].add_row(row, float(beam.weights[k]), level);
    for (std::size_t c = 0; c < columns; ++c)
      samples[c] /= level[c];
  }
  if (corrections_.scatter > 0 || scatter_stops_ > 0) scatter_.add_row(row, -1, samples);
  if (images.kind != ImageKind::line_integrals) {
    constexpr float least = float(least_transmission);
    const char* bad = &bad_[first];
    std::size_t raised = 0;
    for (std::size_t c = 0; c < columns; ++c) {
      const float signal = samples[c];
      raised += std::size_t(!(signal > least) & !bad[c]);
      samples[c] = signal > least ? signal : least;
    }
    non_positive += raised;
    for (float& sample : samples)
      sample = minus_log(sample);
  }

  if (counted_[std::size_t(view) * std::size_t(scan_.geometry.detector.rows) + std::size_t(row)].exchange(true)) return;
  samples_ += good;
  saturated_ += saturated;
  non_positive_ += non_positive;
}

PrepareCounts LineIntegrals::counts() const {
  return {samples_, non_positive_, saturated_, defects_, dead_, spikes_.size()};
}

}  // namespace rayloom
