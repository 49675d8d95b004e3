#include "rayloom/prepare/spikes.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace rayloom {

namespace {

constexpr float spike_noises = 5, detail_limit = 3, level_limit = 0.02F, beyond_beam = 1.25F;
constexpr std::size_t enough_samples = 100;  // samples of a level; a median deviation is then known to a tenth

float middle_of(std::span<float> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

void NoiseByLevel::add(std::span<const float> view, int rows, int columns, const std::vector<char>& bad, int nth_row) {
  for (int r = 0; r < rows; r += nth_row)
    for (int c = 1; c + 1 < columns; c += 3) {
      const std::size_t p = std::size_t(r) * std::size_t(columns) + std::size_t(c);
      if (bad[p - 1] || bad[p] || bad[p + 1]) continue;
      const float mean = (view[p - 1] + view[p + 1]) / 2;
      level_.push_back(mean);
      deviation_.push_back(std::abs(view[p] - mean));
    }
}

int NoiseByLevel::index_of(float level) const {
  if (!(level > 0) || !(bright_ > 0)) return 0;
  return std::min(int(float(levels) * std::sqrt(level / bright_)), levels - 1);
}

void NoiseByLevel::finish() {
  noise_.assign(levels, 0);
  if (level_.empty()) return;
  std::vector<float> sorted = level_;
  const auto high = sorted.begin() + std::ptrdiff_t(sorted.size() - 1 - sorted.size() / 20);
  std::nth_element(sorted.begin(), high, sorted.end());
  bright_ = *high;
  std::vector<std::vector<float>> by_level(levels);
  for (std::size_t i = 0; i < level_.size(); ++i)
    by_level[std::size_t(index_of(level_[i]))].push_back(deviation_[i]);
  // A level with too few samples is judged as the next brighter one, whose noise is not less.
  float known = 1.4826F / std::sqrt(1.5F) * middle_of(deviation_);
  for (int i = levels - 1; i >= 0; --i) {
    std::vector<float>& values = by_level[std::size_t(i)];
    if (values.size() >= enough_samples) known = 1.4826F / std::sqrt(1.5F) * middle_of(values);
    noise_[std::size_t(i)] = known;
  }
  level_ = {};
  deviation_ = {};
}

float NoiseByLevel::at(float level) const {
  return noise_[std::size_t(index_of(level))];
}

void find_spikes(std::span<const float> before, std::span<const float> view, std::span<const float> after, int rows,
                 int columns, const std::vector<char>& bad, const NoiseByLevel& noise, int view_number,
                 std::vector<SpikeMend>& found) {
  const float least = level_limit * noise.bright();
  const std::size_t width = std::size_t(columns);
  const auto index = [&](int r, int c) { return std::size_t(r) * width + std::size_t(c); };
  for (int r = 0; r < rows; ++r) {
    const float* row = &view[index(r, 0)];
    for (int c = 0; c < columns; ++c) {
      const float value = row[c], level = value - least;
      // Nearly all samples end here.
      if ((c > 0 && !(row[c - 1] < level) && !bad[index(r, c - 1)]) ||
          (c + 1 < columns && !(row[c + 1] < level) && !bad[index(r, c + 1)]))
        continue;
      const std::size_t pixel = index(r, c);
      if (bad[pixel]) continue;

      std::array<float, 26> around{};
      std::size_t count = 0;
      for (const auto& image : {before, view, after}) {
        if (image.empty()) continue;
        for (int y = std::max(r - 1, 0); y <= std::min(r + 1, rows - 1); ++y)
          for (int x = std::max(c - 1, 0); x <= std::min(c + 1, columns - 1); ++x)
            if (!(image.data() == view.data() && index(y, x) == pixel) && !bad[index(y, x)])
              around[count++] = image[index(y, x)];
      }
      if (count < 4) continue;  // too few to tell
      const std::span<float> neighbours(around.data(), count);
      const float middle = middle_of(neighbours), most = *std::max_element(neighbours.begin(), neighbours.end());
      const float excess = value - most;
      if (!(excess > least && excess > spike_noises * noise.at(most))) continue;
      if (!(excess > detail_limit * (most - middle) || value > beyond_beam * noise.bright())) continue;

      float best = middle, doubt = INFINITY;
      const auto pair = [&](float a, float b) {
        if (std::abs(a - b) >= doubt) return;
        doubt = std::abs(a - b);
        best = (a + b) / 2;
      };
      if (!before.empty() && !after.empty()) pair(before[pixel], after[pixel]);
      for (const auto& [down, across] : {std::pair(0, 1), std::pair(1, 0), std::pair(1, 1), std::pair(1, -1)}) {
        const auto good = [&](int y, int x) {
          return y >= 0 && y < rows && x >= 0 && x < columns && !bad[index(y, x)];
        };
        if (good(r - down, c - across) && good(r + down, c + across))
          pair(view[index(r - down, c - across)], view[index(r + down, c + across)]);
      }
      found.push_back({view_number, std::uint32_t(pixel), best});
    }
  }
}

}  // namespace rayloom
