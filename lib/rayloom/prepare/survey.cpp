#include "rayloom/prepare/survey.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <numeric>
#include <tuple>

#include "rayloom/errors.h"
#include "rayloom/prepare/line_integrals.h"

namespace rayloom {

namespace {

constexpr int most_small_rows = 16, most_small_columns = 128;
constexpr int most_pieces = 16;          // of a row, whose logarithms make its profile
constexpr int most_sampled = 128;        // views for the mean view ..
constexpr int most_compared = 16;        // .. of which these for the lowest and highest
constexpr int in_cache = 8192;           // samples taken through several loops at a time
constexpr float least_compared = 0.03F;  // transmission below which views do not count as different
constexpr float least_seen = 1e-4F;      // transmission below which logarithms end

/// Where each of the bad pixels takes its value from: the nearest good one in its row, else in its column.
struct Mend {
  std::size_t pixel, from;
};

std::vector<Mend> mends_of(const DefectMap& map) {
  std::vector<Mend> mends;
  for (int r = 0; r < map.rows; ++r)
    for (int c = 0; c < map.columns; ++c) {
      if (!map.bad(r, c)) continue;
      const auto index = [&](int y, int x) { return std::size_t(y) * std::size_t(map.columns) + std::size_t(x); };
      std::optional<std::size_t> from;
      for (int step = 1; step < std::max(map.rows, map.columns) && !from; ++step)
        for (const auto& [y, x] : {std::pair(r, c - step), std::pair(r, c + step)})
          if (!from && x >= 0 && x < map.columns && !map.bad(y, x)) from = index(y, x);
      for (int step = 1; step < map.rows && !from; ++step)
        for (const auto& [y, x] : {std::pair(r - step, c), std::pair(r + step, c)})
          if (!from && y >= 0 && y < map.rows && !map.bad(y, x)) from = index(y, x);
      if (from) mends.push_back({index(r, c), *from});
    }
  return mends;
}

/// First pixel of part `i` of `count` equal parts of `size`.
int part_start(int i, int count, int size) {
  return int(std::int64_t(i) * size / count);
}

/// What turns stored samples of one view into transmission.
class Converter {
 public:
  Converter(const Scan& scan, const Flattening& flattening)
      : scan_(scan), flattening_(flattening), mends_(mends_of(flattening.defects)) {}

  /// Stored value that stands for the open beam in a view of `corrected` images, else 1.
  double level_of(std::span<const float> stored, int view) const {
    const ScanImages& images = scan_.images;
    if (images.kind != ImageKind::corrected) return 1;
    if (images.open_level_from_border) {
      Image image(scan_.geometry.detector.rows, scan_.geometry.detector.columns);
      std::copy(stored.begin(), stored.end(), image.samples.begin());
      return border_level(image);
    }
    return images.open_level.size() > 1
               ? images.open_level[std::size_t(std::clamp(view, 0, int(images.open_level.size()) - 1))]
               : images.open_level.front();
  }

  /// Samples [first, end) of a view.
  void convert(std::span<const float> stored, double level, std::size_t first, std::size_t end,
               std::span<float> transmission) const {
    switch (scan_.images.kind) {
      case ImageKind::counts: {
        const float* dark = flattening_.dark.samples.data();
        const float* factor = flattening_.factor.samples.data();
#pragma omp simd
        for (std::size_t i = first; i < end; ++i)
          transmission[i] = (stored[i] - dark[i]) * factor[i];
        break;
      }
      case ImageKind::corrected: {
        const float factor = level > 0 ? float(1 / level) : 1.0F;
#pragma omp simd
        for (std::size_t i = first; i < end; ++i)
          transmission[i] = stored[i] * factor;
        break;
      }
      case ImageKind::transmission:
        std::copy(stored.begin() + std::ptrdiff_t(first), stored.begin() + std::ptrdiff_t(end),
                  transmission.begin() + std::ptrdiff_t(first));
        break;
      case ImageKind::line_integrals:
        // exp(-p) as (1 - p/1024)^1024, low by p^2/2048 of itself: 0.3 % where 10 % pass, 0.6 % where 3 % do.
#pragma omp simd
        for (std::size_t i = first; i < end; ++i) {
          float t = 1 - stored[i] * (1.0F / 1024);
          t = t > 0 ? t : 0;
          for (int k = 0; k < 10; ++k)
            t *= t;
          transmission[i] = t;
        }
    }
  }
  /// Gives the bad pixels among samples [first, end) the values of those that stand for them.
  void mend(std::span<const float> stored, double level, std::size_t first, std::size_t end,
            std::span<float> transmission) const {
    auto one = std::lower_bound(mends_.begin(), mends_.end(), first,
                                [](const Mend& mend, std::size_t pixel) { return mend.pixel < pixel; });
    for (; one != mends_.end() && one->pixel < end; ++one) {
      convert(stored, level, one->from, one->from + 1, transmission);
      transmission[one->pixel] = transmission[one->from];
    }
  }

 private:
  const Scan& scan_;
  const Flattening& flattening_;
  std::vector<Mend> mends_;
};

/// Sums up views one after the other.
class Surveyor {
 public:
  Surveyor(const Scan& scan, const ViewInventory& inventory, const Flattening& flattening)
      : inventory_(inventory),
        flattening_(flattening),
        converter_(scan, flattening),
        rows_(scan.geometry.detector.rows),
        columns_(scan.geometry.detector.columns),
        every_((inventory.images() + most_sampled - 1) / most_sampled),
        compare_every_((inventory.images() / every_ + most_compared - 1) / most_compared),
        bad_(flattening.defects.bad_count()),
        by_border_(scan.images.kind == ImageKind::corrected && scan.images.open_level_from_border) {
    if (scan.images.saturation && scan.images.kind != ImageKind::line_integrals) {
      full_ = float(scan.images.scale * *scan.images.saturation + scan.images.offset);
      full_is_high_ = scan.images.scale > 0;
    }
    const std::size_t images = std::size_t(inventory.images());
    survey_.records.resize(images);
    for (std::size_t i = 0; i < images; ++i)
      survey_.records[i].view = inventory.views()[i];
    survey_.small_rows = std::min(rows_, most_small_rows);
    survey_.small_columns = std::min(columns_, most_small_columns);
    survey_.block_pixels = double(rows_) * columns_ / survey_.small_rows / survey_.small_columns;
    survey_.small.resize(images * std::size_t(survey_.small_rows) * std::size_t(survey_.small_columns));
    survey_.profiles = Image(int(images), rows_);
    survey_.sinogram = Image(int(images), columns_);
    const int middle = int(std::clamp(std::lround(scan.geometry.detector.midplane_row), 0L, long(rows_ - 1)));
    survey_.sinogram_row = middle;
    first_sinogram_row_ = std::max(middle - 2, 0);
    survey_.sinogram_rows = std::min(middle + 3, rows_) - first_sinogram_row_;
    survey_.mean = Image(rows_, columns_);
    survey_.lowest = Image(rows_, columns_, INFINITY);
    survey_.highest = Image(rows_, columns_, -INFINITY);
    edge_ = std::max(1, columns_ / 100);
    pieces_ = std::min(columns_, most_pieces);
    piece_means_.resize(std::size_t(rows_) * std::size_t(pieces_));
    band_sums_.resize(std::size_t(columns_));
    row_mean_.resize(std::size_t(rows_));
  }

  /// @param stored  Empty if the image could not be read.
  void add(int image, std::span<const float> stored) {
    std::vector<float> transmission = std::move(free_);
    ViewRecord& record = survey_.records[std::size_t(image)];
    if (stored.empty()) {
      transmission.clear();
    } else {
      transmission.resize(stored.size());
      record.readable = true;
      const double level = converter_.level_of(stored, record.view);
      const std::size_t columns = std::size_t(columns_);
      const int some_rows = std::max(1, in_cache / columns_);
      record.least = INFINITY;
      band_ = 0;
      spiky_rows_.clear();
      const bool sampled = image % every_ == 0;
      survey_.sampled += sampled ? 1 : 0;
      for (int row = 0; row < rows_; row += some_rows) {
        const int end_row = std::min(row + some_rows, rows_);
        const std::size_t first = std::size_t(row) * columns, end = std::size_t(end_row) * columns;
        converter_.convert(stored, level, first, end, transmission);
        converter_.mend(stored, level, first, end, transmission);
        if (full_) count_saturated(stored, first, end, record);
        look(image, row, end_row, transmission, record);
        if (sampled) sample(transmission, first, end);
        if (image > 0) look_for_spikes(row, end_row, before_, now_, transmission);
      }
      survey_.samples += stored.size() - bad_;
      remember(image, transmission, record);
      look_at_edges(transmission, record);
      record.level = by_border_ ? level : record.air;
    }
    // The view before is judged once its successor is known.
    if (image > 0) {
      if (transmission.empty()) look_for_all_spikes(before_, now_, {});
      find_spikes(image - 1, before_, now_, transmission);
    }
    free_ = std::move(before_);
    before_ = std::move(now_);
    now_ = std::move(transmission);
  }

  Survey finish() {
    look_for_all_spikes(before_, now_, {});
    find_spikes(inventory_.images() - 1, before_, now_, {});
    if (survey_.sampled > 0)
      for (float& sum : survey_.mean.samples)
        sum /= float(survey_.sampled);
    return std::move(survey_);
  }

  void damaged(const std::string& why) { survey_.damaged.push_back(why); }

 private:
  void count_saturated(std::span<const float> stored, std::size_t first, std::size_t end, ViewRecord& record) const {
    int count = 0;
    const float full = *full_;
    if (full_is_high_) {
#pragma omp simd reduction(+ : count)
      for (std::size_t i = first; i < end; ++i)
        count += stored[i] >= full ? 1 : 0;
    } else {
#pragma omp simd reduction(+ : count)
      for (std::size_t i = first; i < end; ++i)
        count += stored[i] <= full ? 1 : 0;
    }
    if (count == 0) return;
    // Bad pixels do not count.
    for (std::size_t i = first; i < end; ++i)
      if (flattening_.defects.states[i] != PixelState::good && (full_is_high_ ? stored[i] >= full : stored[i] <= full))
        --count;
    record.saturated += std::size_t(count);
  }

  /// Rows [first_row, end_row) of a view, which come in order.
  void look(int image, int first_row, int end_row, std::span<const float> t, ViewRecord& record) {
    const int blocks = survey_.small_columns;
    const std::size_t small_size = std::size_t(survey_.small_rows) * std::size_t(blocks);
    const std::span<float> small = std::span(survey_.small).subspan(std::size_t(image) * small_size, small_size);
    for (int r = first_row; r < end_row; ++r) {
      const float* row = &t[std::size_t(r) * std::size_t(columns_)];
      float row_least = INFINITY;
#pragma omp simd reduction(min : row_least)
      for (int c = 0; c < columns_; ++c)
        row_least = row[c] < row_least ? row[c] : row_least;
      if (row_least < 0.1F) {
        int row_10 = 0, row_3 = 0;
#pragma omp simd reduction(+ : row_10, row_3)
        for (int c = 0; c < columns_; ++c) {
          row_10 += row[c] < 0.1F ? 1 : 0;
          row_3 += row[c] < 0.03F ? 1 : 0;
        }
        record.below_10 += std::size_t(row_10);
        record.below_3 += std::size_t(row_3);
      }
      if (row_least < float(record.least)) {
        record.least = row_least;
        record.least_row = r;
        record.least_column = int(std::find(row, row + columns_, row_least) - row);
      }
      float* columns = band_sums_.data();
#pragma omp simd
      for (int c = 0; c < columns_; ++c)
        columns[c] += row[c];
      for (int k = 0; k < pieces_; ++k) {
        const int first = part_start(k, pieces_, columns_), end = part_start(k + 1, pieces_, columns_);
        float sum = 0;
#pragma omp simd reduction(+ : sum)
        for (int c = first; c < end; ++c)
          sum += row[c];
        piece_means_[std::size_t(r) * std::size_t(pieces_) + std::size_t(k)] = sum / float(end - first);
      }
      if (r + 1 == part_start(band_ + 1, survey_.small_rows, rows_)) {
        const int high = r + 1 - part_start(band_, survey_.small_rows, rows_);
        for (int b = 0; b < blocks; ++b) {
          const int first = part_start(b, blocks, columns_), end = part_start(b + 1, blocks, columns_);
          float sum = 0;
          for (int c = first; c < end; ++c)
            sum += columns[c];
          small[std::size_t(band_ * blocks + b)] = sum / float((end - first) * high);
        }
        std::fill(band_sums_.begin(), band_sums_.end(), 0.0F);
        ++band_;
      }
    }
  }

  /// The view made small, its row profile, its line of the sinogram.
  void remember(int image, std::span<const float> t, ViewRecord& record) {
    const std::size_t small_size = std::size_t(survey_.small_rows) * std::size_t(survey_.small_columns);
    const std::span<float> small = std::span(survey_.small).subspan(std::size_t(image) * small_size, small_size);
    std::vector<float> sorted(small.begin(), small.end());
    const auto bright = sorted.begin() + std::ptrdiff_t(sorted.size() * 95 / 100);
    std::nth_element(sorted.begin(), bright, sorted.end());
    record.air = *bright;
    const float air = std::max(float(record.air), least_seen);
    for (float& value : small)
      value = -std::log(std::max(value / air, least_compared));

    float* profile = &survey_.profiles.samples[std::size_t(image) * std::size_t(rows_)];
    for (int r = 0; r < rows_; ++r) {
      double sum = 0;
      for (int k = 0; k < pieces_; ++k)
        sum -=
            std::log(std::max(piece_means_[std::size_t(r) * std::size_t(pieces_) + std::size_t(k)] / air, least_seen));
      profile[r] = float(sum / pieces_);
    }

    float* line = &survey_.sinogram.samples[std::size_t(image) * std::size_t(columns_)];
    for (int c = 0; c < columns_; ++c) {
      float sum = 0;
      for (int r = first_sinogram_row_; r < first_sinogram_row_ + survey_.sinogram_rows; ++r)
        sum += t[std::size_t(r) * std::size_t(columns_) + std::size_t(c)];
      line[c] = -std::log(std::max(sum / float(survey_.sinogram_rows) / air, least_seen));
    }
  }

  void look_at_edges(std::span<const float> t, ViewRecord& record) {
    // Where less than this share of the air passes, the part is there: 10 %, or 5 deviations of the mean of an edge.
    // The air is that of the edge itself where most of it is free, since the beam may slope across the view.
    const float noise = flattening_.noise.value_or(0.01F);
    const float share = 1 - std::max(0.1F, 5 * noise / std::sqrt(float(edge_)));
    const float brightest = float(record.air);
    const auto at = [&](int r, int c) { return t[std::size_t(r) * std::size_t(columns_) + std::size_t(c)]; };
    const auto limit_of = [&](std::vector<float> means) {
      const auto upper = means.begin() + std::ptrdiff_t(means.size() * 3 / 4);
      std::nth_element(means.begin(), upper, means.end());
      return share * std::clamp(*upper, 0.92F * brightest, std::max(brightest, 0.0F));
    };
    const auto side = [&](int first_column, int& blocked, std::optional<double>& level) {
      for (int r = 0; r < rows_; ++r) {
        float sum = 0;
        for (int c = first_column; c < first_column + edge_; ++c)
          sum += at(r, c);
        row_mean_[std::size_t(r)] = sum / float(edge_);
      }
      const float limit = limit_of(row_mean_);
      std::vector<float> air;
      for (const float mean : row_mean_)
        if (mean >= limit) air.push_back(mean);
      blocked = rows_ - int(air.size());
      if (air.empty() || 4 * int(air.size()) < rows_) return;
      // The mean of the middle half: as safe as a median where a tail is left, and less noisy.
      std::sort(air.begin(), air.end());
      const auto quarter = std::ptrdiff_t(air.size() / 4);
      level = std::accumulate(air.begin() + quarter, air.end() - quarter, 0.0) /
              double(std::ptrdiff_t(air.size()) - 2 * quarter);
    };
    side(0, record.left_rows, record.left_air);
    side(columns_ - edge_, record.right_rows, record.right_air);
    const int deep = std::min(edge_, rows_);
    const auto end = [&](int first_row, int& blocked) {
      std::vector<float> means(static_cast<std::size_t>(columns_), 0.0F);
      for (int r = first_row; r < first_row + deep; ++r)
        for (int c = 0; c < columns_; ++c)
          means[std::size_t(c)] += at(r, c) / float(deep);
      const float limit = limit_of(means);
      blocked = int(std::count_if(means.begin(), means.end(), [&](float mean) { return mean < limit; }));
    };
    end(0, record.top_columns);
    end(rows_ - deep, record.bottom_columns);
  }

  void sample(std::span<const float> t, std::size_t first, std::size_t end) {
    float* mean = survey_.mean.samples.data();
#pragma omp simd
    for (std::size_t i = first; i < end; ++i)
      mean[i] += t[i];
    if ((survey_.sampled - 1) % compare_every_ != 0) return;
    float* lowest = survey_.lowest.samples.data();
    float* highest = survey_.highest.samples.data();
#pragma omp simd
    for (std::size_t i = first; i < end; ++i) {
      lowest[i] = t[i] < lowest[i] ? t[i] : lowest[i];
      highest[i] = t[i] > highest[i] ? t[i] : highest[i];
    }
  }

  /// The least height of a spike. Noise of the difference of two samples is sqrt(2) of one; 7 of these deviations are
  /// below 1e-11 by chance.
  float least_height() const {
    return std::max(spike_height, 10 * flattening_.noise.value_or(0.0F));
  }

  /// Views beside a view; at the ends of the scan and beside unreadable ones the other one twice, or none.
  static std::pair<std::span<const float>, std::span<const float>> beside(std::span<const float> before,
                                                                          std::span<const float> after) {
    return {before.empty() ? after : before, after.empty() ? before : after};
  }

  /// Notes rows of `now` that hold samples above those in the views before and after.
  void look_for_spikes(int first_row, int end_row, std::span<const float> before, std::span<const float> now,
                       std::span<const float> after) {
    std::tie(before, after) = beside(before, after);
    if (now.empty() || before.empty()) return;
    const float least = least_height();
    for (int r = first_row; r < end_row; ++r) {
      const std::size_t first = std::size_t(r) * std::size_t(columns_);
      const float *a = &before[first], *b = &now[first], *c = &after[first];
      int found = 0;
#pragma omp simd reduction(+ : found)
      for (int i = 0; i < columns_; ++i) {
        const float higher = a[i] > c[i] ? a[i] : c[i];
        found += b[i] - higher > least ? 1 : 0;
      }
      if (found > 0) spiky_rows_.push_back(r);
    }
  }
  void look_for_all_spikes(std::span<const float> before, std::span<const float> now, std::span<const float> after) {
    spiky_rows_.clear();
    look_for_spikes(0, rows_, before, now, after);
  }

  /// Of the samples in the rows noted, those that tower above their neighbours, too.
  void find_spikes(int image, std::span<const float> before, std::span<const float> now, std::span<const float> after) {
    std::tie(before, after) = beside(before, after);
    if (now.empty() || before.empty()) return;
    const float least = least_height();
    for (const int r : spiky_rows_) {
      const std::size_t first = std::size_t(r) * std::size_t(columns_);
      const float *a = &before[first], *b = &now[first], *c = &after[first];
      for (int i = 0; i < columns_; ++i) {
        double surroundings = std::max(a[i], c[i]);
        if (!(b[i] - float(surroundings) > least) || flattening_.defects.bad(r, i)) continue;
        // A slit of the part shows in neighbours, too, or moves on to them.
        for (int y = std::max(r - 1, 0); y <= std::min(r + 1, rows_ - 1); ++y)
          for (int x = std::max(i - 1, 0); x <= std::min(i + 1, columns_ - 1); ++x) {
            const std::size_t at = std::size_t(y) * std::size_t(columns_) + std::size_t(x);
            if (y != r || x != i) surroundings = std::max(surroundings, double(now[at]));
            surroundings = std::max(surroundings, double(std::max(before[at], after[at])));
          }
        const double height = b[i] - surroundings;
        if (!(height > double(least))) continue;
        ++survey_.spike_count;
        if (survey_.spikes.size() < most_spikes) survey_.spikes.push_back({image, r, i, height});
      }
    }
  }

  const ViewInventory& inventory_;
  const Flattening& flattening_;
  Converter converter_;
  int rows_, columns_, every_, compare_every_, edge_ = 1, pieces_ = 1, first_sinogram_row_ = 0;
  int band_ = 0;                 // of the rows made small, at hand
  std::vector<int> spiky_rows_;  // of the view before, as far as looked at
  std::size_t bad_;
  bool by_border_, full_is_high_ = true;
  std::optional<float> full_;
  Survey survey_;
  std::vector<float> before_, now_, free_;                 // transmission of the last two views; a buffer to use again
  std::vector<float> band_sums_, piece_means_, row_mean_;  // of the view at hand
};

}  // namespace

Survey survey_scan(const Scan& scan, const ViewInventory& inventory, const Flattening& flattening, const Hooks& hooks) {
  const std::size_t pixels = std::size_t(scan.geometry.detector.rows) * std::size_t(scan.geometry.detector.columns);
  const int images = inventory.images();
  // As many views at once as stay in the cache; a file of sinograms is opened once a block: at most 32 MiB then.
  const std::size_t room = scan.images.sinograms ? std::size_t{8} << 20 : std::size_t{1} << 19;
  const int block = std::clamp(int(room / pixels), 1, 32);

  struct Block {
    int first = 0, count = 0;
    std::vector<float> samples;
    std::vector<std::string> damage;  // one an image, "" if it was read
  };
  const auto read = [&](int first, Block recycled) {
    recycled.first = first;
    recycled.count = std::min(block, images - first);
    recycled.samples.resize(std::size_t(recycled.count) * pixels);
    recycled.damage.assign(std::size_t(recycled.count), {});
    try {
      inventory.read(first, recycled.count, recycled.samples);
    } catch (const BadInput&) {
      for (int i = 0; i < recycled.count; ++i)
        try {
          inventory.read(first + i, 1, std::span(recycled.samples).subspan(std::size_t(i) * pixels, pixels));
        } catch (const BadInput& problem) {
          recycled.damage[std::size_t(i)] = problem.what();
        }
    }
    return recycled;
  };

  Surveyor surveyor(scan, inventory, flattening);
  Block current = read(0, {}), spare;
  while (current.count > 0) {
    const int next = current.first + current.count;
    std::future<Block> reading;
    if (next < images) reading = std::async(std::launch::async, read, next, std::move(spare));
    for (int i = 0; i < current.count; ++i) {
      const std::string& damage = current.damage[std::size_t(i)];
      if (!damage.empty()) surveyor.damaged(damage);
      surveyor.add(current.first + i,
                   damage.empty() ? std::span<const float>(current.samples).subspan(std::size_t(i) * pixels, pixels)
                                  : std::span<const float>());
    }
    hooks.report("looking at the views", double(next) / images);
    Block ready = reading.valid() ? reading.get() : Block();
    if (hooks.stop()) throw Cancelled("stopped while looking at the views");
    spare = std::exchange(current, std::move(ready));
  }
  return surveyor.finish();
}

Image line_integrals_of(const Scan& scan, const Flattening& flattening, const Image& stored, int view) {
  Image lines(stored.rows, stored.columns);
  const Converter converter(scan, flattening);
  const double level = converter.level_of(stored.samples, view);
  converter.convert(stored.samples, level, 0, stored.samples.size(), lines.samples);
  converter.mend(stored.samples, level, 0, stored.samples.size(), lines.samples);
  for (float& value : lines.samples)
    value = -std::log(std::max(value, least_seen));
  return lines;
}

}  // namespace rayloom
