#include "rayloom/prepare/exposures.h"

#include <algorithm>
#include <cmath>

#include "rayloom/json_fields.h"
#include "rayloom/prepare/defects.h"
#include "rayloom/prepare/median.h"
#include "rayloom/scan/image_groups.h"
#include "rayloom/scan/view_reader.h"

namespace rayloom {

namespace {

constexpr double frame_limit = 6, spike_limit = 8, share_of_signal = 0.01;
constexpr int least_to_judge = 3;

/// A group of exposures, each made small.
struct Looks {
  const Level* level;
  std::string field;
  std::vector<Image> small;  // none for a number
  Image middle;              // their median, block by block

  Looks(const Scan& scan, const Level& level_, std::string field_) : level(&level_), field(std::move(field_)) {
    if (const auto* names = std::get_if<ImageNames>(level))
      for_each_exposure(scan, *names, field, [&](const Image& exposure) { small.push_back(made_small(exposure)); });
    if (small.empty()) return;
    middle = small.front();
    std::vector<float> values(small.size());
    for (std::size_t i = 0; i < middle.samples.size(); ++i) {
      for (std::size_t k = 0; k < small.size(); ++k)
        values[k] = small[k].samples[i];
      middle.samples[i] = median(values);
    }
  }
  double typical() const { return small.empty() ? std::get<double>(*level) : double(median(middle.samples)); }
};

/// Images that differ grossly among themselves, some of them bad, but which?
void warn_of_spread(const Scan& scan, const Looks& looks, double signal, const std::vector<int>& left_out,
                    const Hooks& hooks) {
  constexpr double gross = 0.1;  // of the signal (common practice)
  std::vector<float> levels;
  for (std::size_t k = 0; k < looks.small.size(); ++k)
    if (!std::ranges::binary_search(left_out, int(k))) levels.push_back(median(looks.small[k].samples));
  if (levels.size() < 2) return;
  const auto [least, most] = std::ranges::minmax(levels);
  if (most - least > gross * signal)
    hooks.warn(scan.file.string() + ": " + looks.field + ": levels from " + to_text(double(least), 6) + " to " +
               to_text(double(most), 6) + " among " + std::to_string(levels.size()) +
               " images; which of them are bad cannot be told, and all were averaged");
}

MeanExposure mean_of(const Scan& scan, const Looks& looks, double signal, const Hooks& hooks) {
  MeanExposure result;
  const auto* names = std::get_if<ImageNames>(looks.level);
  if (!names || looks.small.size() < least_to_judge) {
    result.mean = mean_image(scan, *looks.level, looks.field);
    result.used = int(looks.small.size());
    warn_of_spread(scan, looks, signal, {}, hooks);
    return result;
  }
  // Where a block is off by more, it counts as off by a tenth of the signal, so that a spike does not make a bad image.
  const double most_of_block = signal / 10;
  std::vector<float> distances;
  for (const Image& small : looks.small) {
    double sum = 0;
    for (std::size_t i = 0; i < small.samples.size(); ++i)
      sum += std::min(std::abs(double(small.samples[i]) - looks.middle.samples[i]), most_of_block);
    distances.push_back(float(sum / double(small.samples.size())));
  }
  const double limit = std::max(frame_limit * median(distances), share_of_signal * signal);
  for (std::size_t k = 0; k < distances.size(); ++k)
    if (distances[k] > limit) result.left_out.push_back(int(k));

  warn_of_spread(scan, looks, signal, result.left_out, hooks);

  ExposureAccumulator sum;
  Image most;
  int number = 0;
  for_each_exposure(scan, *names, looks.field, [&](const Image& exposure) {
    if (std::ranges::binary_search(result.left_out, number++)) return;
    sum.add(exposure);
    if (most.samples.empty()) most = exposure;
    for (std::size_t i = 0; i < most.samples.size(); ++i)
      most.samples[i] = std::max(most.samples[i], exposure.samples[i]);
  });
  ExposureStatistics statistics = sum.statistics();
  const double n = result.used = statistics.count;
  if (result.used >= least_to_judge) {
    // Mean and deviation of each pixel's others: its sum of squared deviations less that of the brightest.
    std::vector<float> deviation(most.samples.size());
    for (std::size_t i = 0; i < deviation.size(); ++i) {
      const double above = double(most.samples[i]) - statistics.mean.samples[i];
      const double squares =
          (n - 1) * std::pow(double(statistics.deviation.samples[i]), 2) - above * above * n / (n - 1);
      deviation[i] = float(std::sqrt(std::max(squares, 0.0) / (n - 2)));
    }
    const float middle = median(deviation);
    for (std::size_t i = 0; i < deviation.size(); ++i) {
      const double others = (n * statistics.mean.samples[i] - most.samples[i]) / (n - 1);
      if (most.samples[i] - others <= std::max(spike_limit * std::max(middle, deviation[i]), share_of_signal * signal))
        continue;
      statistics.mean.samples[i] = float(others);
      ++result.spikes;
    }
  }
  result.mean = std::move(statistics.mean);

  if (!result.left_out.empty()) {
    std::string which;
    for (std::size_t k = 0; k < std::min<std::size_t>(result.left_out.size(), 5); ++k)
      which += (k > 0 ? ", " : "") + std::to_string(result.left_out[k] + 1);
    hooks.warn(scan.file.string() + ": " + looks.field + ": " + std::to_string(result.left_out.size()) + " of " +
               std::to_string(looks.small.size()) + " images far from the others, left out: number " + which +
               (result.left_out.size() > 5 ? ", .." : ""));
  }
  if (result.spikes > 0)
    hooks.warn(scan.file.string() + ": " + looks.field + ": " + std::to_string(result.spikes) +
               (result.spikes == 1 ? " sample" : " samples") + " of single images far too bright, left out");
  return result;
}

}  // namespace

double MeanExposures::noise_variance_factor() const {
  double factor = open.used > 0 ? 1 + 1.0 / open.used : 1;
  if (open_after && open_after->used > 0) factor = std::max(factor, 1 + 1.0 / open_after->used);
  return factor;
}

MeanExposures read_exposures(const Scan& scan, const Hooks& hooks) {
  const Level none = 0.0;
  const Looks dark(scan, scan.images.dark ? *scan.images.dark : none, "images.dark");
  const Looks open(scan, *scan.images.open, "images.open");
  const double signal = std::abs(open.typical() - dark.typical());
  MeanExposures exposures{mean_of(scan, dark, signal, hooks), mean_of(scan, open, signal, hooks), {}};
  if (scan.images.open_after)
    exposures.open_after = mean_of(scan, Looks(scan, *scan.images.open_after, "images.open_after"), signal, hooks);
  return exposures;
}

}  // namespace rayloom
