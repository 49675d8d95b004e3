#include "rayloom/prepare/defects.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/median.h"

namespace rayloom {

namespace {

/// First row or column of a window about `centre`, moved inwards at the edge.
int window_start(int centre, int window, int size) {
  return std::clamp(centre - window / 2, 0, std::max(size - window, 0));
}

/// Bounds on the medians of all windows of one size. A window overlaps at most 4 tiles of its size. If x is the value
/// of rank b in each of these, or less, then at most 4 b pixels of the window lie below x, so that its median (of rank
/// n/2) is x at least if 4 b <= n/2; from above likewise.
class MedianBounds {
 public:
  MedianBounds(const Image& image, int window)
      : image_(image),
        high_(std::min(window, image.rows)),
        wide_(std::min(window, image.columns)),
        down_((image.rows + high_ - 1) / high_),
        across_((image.columns + wide_ - 1) / wide_),
        low_(std::size_t(down_) * std::size_t(across_), INFINITY),
        high_value_(low_.size(), -INFINITY) {
    const std::size_t rank = std::size_t(high_ * wide_ / 2 / 4);
    parallel_for(down_, thread_count({}), [&](int i, int) {
      std::vector<float> values;
      for (int j = 0; j < across_; ++j) {
        values.clear();
        for (int r = i * high_; r < std::min((i + 1) * high_, image.rows); ++r)
          for (int c = j * wide_; c < std::min((j + 1) * wide_, image.columns); ++c)
            values.push_back(image.at(r, c));
        // A tile cut by the edge with no more pixels than that sets no bound.
        if (values.size() <= rank) continue;
        const std::size_t tile = std::size_t(i) * std::size_t(across_) + std::size_t(j);
        const auto from_below = values.begin() + std::ptrdiff_t(rank);
        std::nth_element(values.begin(), from_below, values.end());
        low_[tile] = *from_below;
        const auto from_above = values.end() - 1 - std::ptrdiff_t(rank);
        std::nth_element(values.begin(), from_above, values.end());
        high_value_[tile] = *from_above;
      }
    });
  }

  struct Bounds {
    float low, high;
  };
  Bounds about(int row, int column) const {
    const int r = window_start(row, high_, image_.rows), c = window_start(column, wide_, image_.columns);
    Bounds bounds{INFINITY, -INFINITY};
    for (int i = r / high_; i <= (r + high_ - 1) / high_; ++i)
      for (int j = c / wide_; j <= (c + wide_ - 1) / wide_; ++j) {
        bounds.low = std::min(bounds.low, low_[std::size_t(i * across_ + j)]);
        bounds.high = std::max(bounds.high, high_value_[std::size_t(i * across_ + j)]);
      }
    return bounds;
  }

 private:
  const Image& image_;
  int high_, wide_, down_, across_;
  std::vector<float> low_, high_value_;  // one a tile
};

void mark(DefectMap& map, std::size_t pixel, PixelState state) {
  PixelState& known = map.states[pixel];
  if (known == PixelState::good || state < known) known = state;
}

void judge_response(const Image& response, DefectMap& map) {
  const int window = DefectLimits::response_window;
  const MedianBounds bounds(response, window);
  parallel_for(map.rows, thread_count({}), [&](int r, int) {
    for (int c = 0; c < map.columns; ++c) {
      const std::size_t pixel = std::size_t(r) * std::size_t(map.columns) + std::size_t(c);
      const float value = response.samples[pixel];
      const auto [low, high] = bounds.about(r, c);
      if (value <= DefectLimits::over * low && value >= DefectLimits::under * high && low > 0) continue;
      const float median = window_median(response, r, c, window);
      if (value <= 0 || value < DefectLimits::dead * median)
        mark(map, pixel, PixelState::dead);
      else if (value > DefectLimits::over * median)
        mark(map, pixel, PixelState::over_responding);
      else if (value < DefectLimits::under * median)
        mark(map, pixel, PixelState::under_responding);
    }
  });
}

void judge_noise(const Image& deviation, DefectMap& map) {
  std::vector<float> sorted = deviation.samples;
  const float limit = DefectLimits::noisy * middle_of(sorted);
  for (std::size_t i = 0; i < deviation.samples.size(); ++i)
    if (deviation.samples[i] > limit && limit > 0) mark(map, i, PixelState::noisy);
}

void judge_uniformity(const Image& flattened, DefectMap& map) {
  // Noise of the image, from differences of neighbours: 1.4826 median absolute deviations are one standard deviation
  // (Hampel 1974), of a difference sqrt(2) of them. Pixels known as bad are few and do not move a median.
  std::vector<float> differences;
  for (int r = 0; r < map.rows; ++r)
    for (int c = 1; c < map.columns; c += 2) {
      const float a = flattened.at(r, c - 1), b = flattened.at(r, c);
      if (a > 0 && b > 0) differences.push_back(std::abs(a - b) / std::max(a, b));
    }
  const double noise = differences.empty() ? 0 : 1.4826 / std::sqrt(2.0) * middle_of(differences);
  map.non_uniform_limit = std::max(double(DefectLimits::non_uniform), 5.5 * noise);
  const float limit = float(map.non_uniform_limit);

  const int window = DefectLimits::uniformity_window;
  const MedianBounds bounds(flattened, window);
  parallel_for(map.rows, thread_count({}), [&](int r, int) {
    for (int c = 0; c < map.columns; ++c) {
      const std::size_t pixel = std::size_t(r) * std::size_t(map.columns) + std::size_t(c);
      const float value = flattened.samples[pixel];
      const auto [low, high] = bounds.about(r, c);
      if (value <= (1 + limit) * low && value >= (1 - limit) * high && low > 0) continue;
      const float median = window_median(flattened, r, c, window);
      if (std::abs(value - median) > limit * median) mark(map, pixel, PixelState::non_uniform);
    }
  });
}

/// Calls `visit(row, column)` for the neighbours inside the detector.
template <class Visit>
void for_neighbours(int rows, int columns, int row, int column, const Visit& visit) {
  for (int r = std::max(row - 1, 0); r <= std::min(row + 1, rows - 1); ++r)
    for (int c = std::max(column - 1, 0); c <= std::min(column + 1, columns - 1); ++c)
      if (r != row || c != column) visit(r, c);
}

void judge_neighbourhoods(DefectMap& map) {
  std::vector<std::size_t> surrounded;
  for (int r = 0; r < map.rows; ++r)
    for (int c = 0; c < map.columns; ++c) {
      if (map.bad(r, c)) continue;
      int neighbours = 0, bad = 0;
      for_neighbours(map.rows, map.columns, r, c, [&](int y, int x) {
        ++neighbours;
        bad += map.bad(y, x);
      });
      if (neighbours > 0 && bad == neighbours)
        surrounded.push_back(std::size_t(r) * std::size_t(map.columns) + std::size_t(c));
    }
  for (const std::size_t pixel : surrounded)
    map.states[pixel] = PixelState::bad_neighbourhood;
}

/// Whether a pixel has fewer than 5 good neighbours of 8.
bool is_kernel_pixel(const DefectMap& map, int row, int column) {
  const auto inside = [&](int r, int c) { return r >= 0 && r < map.rows && c >= 0 && c < map.columns; };
  int counted = 0, good = 0;
  for (int down = -1; down <= 1; ++down)
    for (int across = -1; across <= 1; ++across) {
      if (down == 0 && across == 0) continue;
      int r = row + down, c = column + across;
      if (!inside(r, c)) {
        r = row - down;
        c = column - across;
      }
      if (!inside(r, c)) continue;
      ++counted;
      good += !map.bad(r, c);
    }
  return 8 * good < 5 * counted;
}

}  // namespace

std::string to_string(PixelState state) {
  constexpr const char* names[pixel_states] = {
      "good",        "listed as bad",    "dead", "over-responding", "under-responding", "noisy",
      "non-uniform", "bad neighbourhood"};
  return names[std::size_t(state)];
}

std::string to_string(DefectGroup::Kind kind) {
  if (kind == DefectGroup::Kind::line) return "line";
  return kind == DefectGroup::Kind::cluster ? "cluster" : "relevant cluster";
}

void ExposureAccumulator::add(const Image& exposure) {
  if (count_ == 0) {
    rows_ = exposure.rows;
    columns_ = exposure.columns;
    mean_.resize(exposure.samples.size());
    squares_.resize(exposure.samples.size());
  }
  if (exposure.rows != rows_ || exposure.columns != columns_)
    throw InvalidOption("exposure: " + std::to_string(exposure.rows) + " x " + std::to_string(exposure.columns) +
                        "; must have the size of the first");
  ++count_;
  const double part = 1.0 / count_;
  parallel_for(rows_, thread_count({}), [&](int r, int) {
    for (std::size_t i = std::size_t(r) * std::size_t(columns_), end = i + std::size_t(columns_); i < end; ++i) {
      const double step = exposure.samples[i] - mean_[i];
      mean_[i] += step * part;
      squares_[i] += step * (exposure.samples[i] - mean_[i]);
    }
  });
}

ExposureStatistics ExposureAccumulator::statistics() const {
  ExposureStatistics result;
  result.count = count_;
  result.mean = Image(rows_, columns_);
  std::transform(mean_.begin(), mean_.end(), result.mean.samples.begin(), [](double mean) { return float(mean); });
  if (count_ < 2) return result;
  result.deviation = Image(rows_, columns_);
  std::transform(squares_.begin(), squares_.end(), result.deviation.samples.begin(),
                 [&](double squares) { return float(std::sqrt(squares / (count_ - 1))); });
  return result;
}

std::size_t DefectMap::count(PixelState state) const {
  return std::size_t(std::count(states.begin(), states.end(), state));
}

float window_median(const Image& image, int row, int column, int window) {
  const int high = std::min(window, image.rows), wide = std::min(window, image.columns);
  const int first_row = window_start(row, high, image.rows), first_column = window_start(column, wide, image.columns);
  std::vector<float> values;
  values.reserve(std::size_t(high) * std::size_t(wide));
  for (int r = first_row; r < first_row + high; ++r) {
    const float* start = &image.samples[std::size_t(r) * std::size_t(image.columns) + std::size_t(first_column)];
    values.insert(values.end(), start, start + wide);
  }
  return middle_of(values);
}

DefectMap classify_pixels(const DefectEvidence& evidence) {
  DefectMap map;
  for (const auto* image : {&evidence.response, &evidence.dark_deviation, &evidence.flattened, &evidence.listed}) {
    if (!*image) continue;
    if (map.states.empty()) {
      map.rows = (*image)->rows;
      map.columns = (*image)->columns;
      map.states.resize((*image)->samples.size());
    }
    if ((*image)->rows != map.rows || (*image)->columns != map.columns)
      throw InvalidOption("evidence of defects: " + std::to_string((*image)->rows) + " x " +
                          std::to_string((*image)->columns) + " pixels beside " + std::to_string(map.rows) + " x " +
                          std::to_string(map.columns) + "; must be of one size");
  }
  if (map.states.empty()) throw InvalidOption("evidence of defects: no image; must hold one");

  if (evidence.listed)
    for (std::size_t i = 0; i < map.states.size(); ++i)
      if (evidence.listed->samples[i] != 0) map.states[i] = PixelState::listed;
  if (evidence.response) judge_response(*evidence.response, map);
  if (evidence.dark_deviation) judge_noise(*evidence.dark_deviation, map);
  if (evidence.flattened) judge_uniformity(*evidence.flattened, map);
  judge_neighbourhoods(map);
  return map;
}

std::vector<DefectGroup> defect_groups(const DefectMap& map) {
  std::vector<DefectGroup> groups;
  std::vector<char> seen(map.states.size());
  const auto index = [&](int r, int c) { return std::size_t(r) * std::size_t(map.columns) + std::size_t(c); };
  std::vector<std::pair<int, int>> members;
  for (int row = 0; row < map.rows; ++row)
    for (int column = 0; column < map.columns; ++column) {
      if (!map.bad(row, column) || seen[index(row, column)]) continue;
      members = {{row, column}};
      seen[index(row, column)] = true;
      int top = row, bottom = row, left = column, right = column;
      std::size_t kernel_pixels = 0;
      for (std::size_t i = 0; i < members.size(); ++i) {
        const auto [r, c] = members[i];
        top = std::min(top, r);
        bottom = std::max(bottom, r);
        left = std::min(left, c);
        right = std::max(right, c);
        kernel_pixels += is_kernel_pixel(map, r, c);
        for_neighbours(map.rows, map.columns, r, c, [&](int y, int x) {
          if (!map.bad(y, x) || seen[index(y, x)]) return;
          seen[index(y, x)] = true;
          members.emplace_back(y, x);
        });
      }
      if (members.size() < 2) continue;
      const int rows = bottom - top + 1, columns = right - left + 1;
      if (std::min(rows, columns) > 1 || std::max(rows, columns) < line_length)
        groups.push_back({kernel_pixels > 0 ? DefectGroup::Kind::relevant_cluster : DefectGroup::Kind::cluster, top,
                          left, rows, columns, members.size(), kernel_pixels});
      // Runs begin at a member that no member precedes.
      std::sort(members.begin(), members.end());
      for (const auto& [r, c] : members)
        for (const auto& [down, across] : {std::pair(0, 1), std::pair(1, 0)}) {
          if (r >= down && c >= across && map.bad(r - down, c - across)) continue;
          int length = 0;
          std::size_t kernels = 0;
          for (int y = r, x = c; y < map.rows && x < map.columns && map.bad(y, x); y += down, x += across) {
            ++length;
            kernels += is_kernel_pixel(map, y, x);
          }
          if (length >= line_length)
            groups.push_back(
                {DefectGroup::Kind::line, r, c, down ? length : 1, across ? length : 1, std::size_t(length), kernels});
        }
    }
  return groups;
}

}  // namespace rayloom
