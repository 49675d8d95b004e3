#include "rayloom/prepare/survey.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <tuple>

#include "rayloom/errors.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/prepare/survey_loops.h"

namespace rayloom {

namespace {

constexpr int most_small_rows = 16, most_small_columns = 128;
constexpr int most_pieces = 16;          // of a row, whose logarithms make its profile
constexpr int most_sampled = 128;        // views for the mean view ..
constexpr int most_compared = 16;        // .. of which these for the lowest and highest
constexpr int in_cache = 8192;           // samples of a view taken through all loops at a time
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

  /// Transmission of `count` samples of a view from `pixel` on. @return the least of them.
  float convert(const float* stored, std::size_t pixel, double level, int count, float* transmission) const {
    switch (scan_.images.kind) {
      case ImageKind::counts:
        return survey_loops::flattened(stored, &flattening_.dark.samples[pixel], &flattening_.factor.samples[pixel],
                                       count, transmission);
      case ImageKind::corrected:
        return survey_loops::scaled(stored, level > 0 ? float(1 / level) : 1.0F, count, transmission);
      case ImageKind::transmission:
        return survey_loops::scaled(stored, 1, count, transmission);
      case ImageKind::line_integrals:
        return survey_loops::transmitted(stored, count, transmission);
    }
    return 0;
  }
  /// Gives the bad pixels among samples [first, end) the values of those that stand for them. @return whether there
  /// are any.
  bool mend(std::span<const float> stored, double level, std::size_t first, std::size_t end,
            std::span<float> transmission) const {
    auto one = std::lower_bound(mends_.begin(), mends_.end(), first,
                                [](const Mend& mend, std::size_t pixel) { return mend.pixel < pixel; });
    const bool any = one != mends_.end() && one->pixel < end;
    for (; one != mends_.end() && one->pixel < end; ++one)
      convert(&stored[one->from], one->from, level, 1, &transmission[one->pixel]);
    return any;
  }

 private:
  const Scan& scan_;
  const Flattening& flattening_;
  std::vector<Mend> mends_;
};

/// What looking at one view leaves, band by band of its rows, and its transmission.
struct Look {
  /// A band is what becomes one row of the view made small; bands are looked at in any order, each by one thread.
  struct Band {
    float least = INFINITY;
    int least_row = 0, least_column = 0;
    std::size_t below_10 = 0, below_3 = 0, saturated = 0;
    std::vector<int> spiky_rows;
  };
  int image = -1;
  std::span<const float> stored;  // empty if it could not be read
  double level = 1;
  bool sampled = false, compared = false;
  std::vector<Band> bands;
  std::vector<float> transmission;             // empty as `stored`
  std::vector<float> piece_means;              // [row][piece]
  std::vector<float> left_means, right_means;  // of every row at the edges
  std::span<const float> seen() const { return stored.empty() ? std::span<const float>() : transmission; }
};

/// Sums up views, some at a time: take, look at every band, sum up.
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
    edge_ = survey_.edge_columns = std::max(1, columns_ / 100);
    pieces_ = std::min(columns_, most_pieces);
    looks_.resize(2);
  }

  /// Makes ready for views [first_image, +damage.size()), which come in order. @param stored  count x pixels.
  /// @param damage  One a view, "" if it was read.
  void take(int first_image, std::span<const float> stored, std::span<const std::string> damage) {
    const std::size_t count = damage.size(), pixels = std::size_t(rows_) * std::size_t(columns_);
    looks_.resize(count + 2);
    for (std::size_t i = 0; i < count; ++i) {
      Look& look = looks_[i + 2];
      look.image = first_image + int(i);
      look.stored = damage[i].empty() ? stored.subspan(i * pixels, pixels) : std::span<const float>();
      look.bands.assign(std::size_t(survey_.small_rows), {});
      look.sampled = look.compared = false;
      if (look.stored.empty()) {
        survey_.damaged.push_back(damage[i]);
        continue;
      }
      look.level = converter_.level_of(look.stored, survey_.records[std::size_t(look.image)].view);
      look.sampled = look.image % every_ == 0;
      look.compared = look.sampled && survey_.sampled % compare_every_ == 0;
      survey_.sampled += look.sampled ? 1 : 0;
      survey_.samples += pixels - bad_;
      look.transmission.resize(pixels);
      look.piece_means.resize(std::size_t(rows_) * std::size_t(pieces_));
      look.left_means.resize(std::size_t(rows_));
      look.right_means.resize(std::size_t(rows_));
    }
  }

  int bands() const { return survey_.small_rows; }
  /// Looks at one band of rows of all views taken, some rows of all before the next, so that what views share stays in
  /// the cache. Bands may be looked at at once.
  void look_at_band(int band) {
    const int blocks = survey_.small_columns, first_row = band_start(band), end_row = band_start(band + 1);
    const std::size_t columns = std::size_t(columns_);
    const int some_rows = std::max(1, in_cache / columns_);
    std::vector<float> column_sums(looks_.size() * columns);
    for (int row = first_row; row < end_row; row += some_rows)
      for (std::size_t i = 2; i < looks_.size(); ++i) {
        const int end = std::min(row + some_rows, end_row);
        if (!looks_[i].stored.empty()) look_at_rows(band, row, end, looks_[i], &column_sums[i * columns]);
        if (looks_[i].image == 0) continue;
        for (int r = row; r < end; ++r)
          look_for_spikes(band, r, looks_[i - 2].seen(), looks_[i - 1], looks_[i].seen());
      }
    for (std::size_t i = 2; i < looks_.size(); ++i) {
      if (looks_[i].stored.empty()) continue;
      float* small =
          &survey_.small[(std::size_t(looks_[i].image) * std::size_t(survey_.small_rows) + std::size_t(band)) *
                         std::size_t(blocks)];
      for (int b = 0; b < blocks; ++b) {
        const int first = part_start(b, blocks, columns_), end = part_start(b + 1, blocks, columns_);
        small[b] = survey_loops::sum(&column_sums[i * columns + std::size_t(first)], end - first) /
                   float((end - first) * (end_row - first_row));
      }
    }
  }

  /// Once all bands were looked at.
  void sum_up() {
    parallel_for(int(looks_.size()) - 2, thread_count({}), [&](int i, int) {
      if (const Look& look = looks_[std::size_t(i) + 2]; !look.stored.empty()) sum_up(look);
    });
    // The view before is judged once its successor is known.
    for (std::size_t i = 2; i < looks_.size(); ++i)
      if (looks_[i].image > 0) find_spikes(looks_[i - 2].seen(), looks_[i - 1], looks_[i].seen());
    // The last two are needed again; buffers are used again.
    std::rotate(looks_.begin(), looks_.end() - 2, looks_.end());
    looks_[0].stored = looks_[0].seen();  // what was stored is gone; only whether it was read counts
    looks_[1].stored = looks_[1].seen();
  }

  Survey finish() {
    for (int band = 0; band < survey_.small_rows; ++band)
      for (int row = band_start(band); row < band_start(band + 1); ++row)
        look_for_spikes(band, row, looks_[0].seen(), looks_[1], {});
    find_spikes(looks_[0].seen(), looks_[1], {});
    if (survey_.sampled > 0)
      for (float& sum : survey_.mean.samples)
        sum /= float(survey_.sampled);
    return std::move(survey_);
  }

 private:
  int band_start(int band) const { return part_start(band, survey_.small_rows, rows_); }

  void look_at_rows(int band_number, int first_row, int end_row, Look& look, float* column_sums) {
    Look::Band& band = look.bands[std::size_t(band_number)];
    for (int r = first_row; r < end_row; ++r) {
      const std::size_t first = std::size_t(r) * std::size_t(columns_);
      float* row = &look.transmission[first];
      float least = converter_.convert(&look.stored[first], first, look.level, columns_, row);
      if (converter_.mend(look.stored, look.level, first, first + std::size_t(columns_), look.transmission))
        least = *std::min_element(row, row + columns_);
      if (full_) band.saturated += saturated(&look.stored[first], first);
      if (least < 0.1F) {
        int row_10 = 0, row_3 = 0;
        survey_loops::count_low(row, columns_, row_10, row_3);
        band.below_10 += std::size_t(row_10);
        band.below_3 += std::size_t(row_3);
      }
      if (least < band.least) {
        band.least = least;
        band.least_row = r;
        band.least_column = int(std::find(row, row + columns_, least) - row);
      }
      survey_loops::add_to(column_sums, row, columns_);
      float* means = &look.piece_means[std::size_t(r) * std::size_t(pieces_)];
      for (int k = 0; k < pieces_; ++k) {
        const int start = part_start(k, pieces_, columns_), end = part_start(k + 1, pieces_, columns_);
        means[k] = survey_loops::sum(row + start, end - start) / float(end - start);
      }
      look.left_means[std::size_t(r)] = survey_loops::sum(row, edge_) / float(edge_);
      look.right_means[std::size_t(r)] = survey_loops::sum(row + columns_ - edge_, edge_) / float(edge_);
      if (look.sampled) survey_loops::add_to(&survey_.mean.samples[first], row, columns_);
      if (look.compared)
        survey_loops::widen(&survey_.lowest.samples[first], &survey_.highest.samples[first], row, columns_);
    }
  }

  /// Samples of a row at full scale; bad pixels do not count.
  std::size_t saturated(const float* stored, std::size_t pixel) const {
    const float full = *full_;
    int count = full_is_high_ ? survey_loops::count_at_least(stored, columns_, full)
                              : survey_loops::count_at_most(stored, columns_, full);
    if (count == 0) return 0;
    for (int i = 0; i < columns_; ++i)
      if (flattening_.defects.states[pixel + std::size_t(i)] != PixelState::good &&
          (full_is_high_ ? stored[i] >= full : stored[i] <= full))
        --count;
    return std::size_t(count);
  }

  /// The view as its record, its line of the sinogram and its row profile.
  void sum_up(const Look& look) {
    ViewRecord& record = survey_.records[std::size_t(look.image)];
    record.readable = true;
    record.least = INFINITY;
    for (const Look::Band& band : look.bands) {
      if (band.least < float(record.least)) {
        record.least = band.least;
        record.least_row = band.least_row;
        record.least_column = band.least_column;
      }
      record.below_10 += band.below_10;
      record.below_3 += band.below_3;
      record.saturated += band.saturated;
    }
    remember(look, record);
    look_at_edges(look, record);
    record.level = by_border_ ? look.level : record.air;
  }

  void remember(const Look& look, ViewRecord& record) {
    const std::size_t small_size = std::size_t(survey_.small_rows) * std::size_t(survey_.small_columns);
    const std::span<float> small = std::span(survey_.small).subspan(std::size_t(look.image) * small_size, small_size);
    std::vector<float> sorted(small.begin(), small.end());
    const auto bright = sorted.begin() + std::ptrdiff_t(sorted.size() * 95 / 100);
    std::nth_element(sorted.begin(), bright, sorted.end());
    record.air = *bright;
    const float air = std::max(float(record.air), least_seen);
    for (float& value : small)
      value = -std::log(std::max(value / air, least_compared));

    float* profile = &survey_.profiles.samples[std::size_t(look.image) * std::size_t(rows_)];
    for (int r = 0; r < rows_; ++r) {
      double sum = 0;
      for (int k = 0; k < pieces_; ++k)
        sum -= std::log(
            std::max(look.piece_means[std::size_t(r) * std::size_t(pieces_) + std::size_t(k)] / air, least_seen));
      profile[r] = float(sum / pieces_);
    }

    std::vector<float> sums(static_cast<std::size_t>(columns_));
    for (int r = first_sinogram_row_; r < first_sinogram_row_ + survey_.sinogram_rows; ++r)
      survey_loops::add_to(sums.data(), &look.transmission[std::size_t(r) * std::size_t(columns_)], columns_);
    float* line = &survey_.sinogram.samples[std::size_t(look.image) * std::size_t(columns_)];
    for (std::size_t c = 0; c < sums.size(); ++c)
      line[c] = -std::log(std::max(sums[c] / float(survey_.sinogram_rows) / air, least_seen));
  }

  void look_at_edges(const Look& look, ViewRecord& record) const {
    // Where less than this share of the air passes, the part is there: 10 %, or 5 deviations of the mean of an edge.
    // The air is that of the edge itself where most of it is free, since the beam may slope across the view.
    const float noise = flattening_.noise.value_or(0.01F);
    const float share = 1 - std::max(0.1F, 5 * noise / std::sqrt(float(edge_)));
    const float brightest = float(record.air);
    const auto limit_of = [&](std::vector<float> means) {
      const auto upper = means.begin() + std::ptrdiff_t(means.size() * 3 / 4);
      std::nth_element(means.begin(), upper, means.end());
      return share * std::clamp(*upper, 0.92F * brightest, std::max(brightest, 0.0F));
    };
    const auto side = [&](const std::vector<float>& row_means, int& blocked, std::optional<double>& level) {
      const float limit = limit_of(row_means);
      std::vector<float> air;
      for (const float mean : row_means)
        if (mean >= limit) air.push_back(mean);
      blocked = rows_ - int(air.size());
      if (air.empty() || 4 * int(air.size()) < rows_) return;
      // The mean of the middle half: as safe as a median where a tail is left, and less noisy.
      std::sort(air.begin(), air.end());
      const auto quarter = std::ptrdiff_t(air.size() / 4);
      level = std::accumulate(air.begin() + quarter, air.end() - quarter, 0.0) /
              double(std::ptrdiff_t(air.size()) - 2 * quarter);
    };
    side(look.left_means, record.left_rows, record.left_air);
    side(look.right_means, record.right_rows, record.right_air);
    const int deep = std::min(edge_, rows_);
    const auto end = [&](int first_row, int& blocked) {
      std::vector<float> means(static_cast<std::size_t>(columns_), 0.0F);
      for (int r = first_row; r < first_row + deep; ++r)
        survey_loops::add_to(means.data(), &look.transmission[std::size_t(r) * std::size_t(columns_)], columns_);
      for (float& mean : means)
        mean /= float(deep);
      const float limit = limit_of(means);
      blocked = int(std::count_if(means.begin(), means.end(), [&](float mean) { return mean < limit; }));
    };
    end(0, record.top_columns);
    end(rows_ - deep, record.bottom_columns);
  }

  /// The least height of a spike. Noise of the difference of two samples is sqrt(2) of one; 7 of these deviations are
  /// below 1e-11 by chance.
  float least_height() const { return std::max(spike_height, 10 * flattening_.noise.value_or(0.0F)); }

  /// Views beside a view; at the ends of the scan and beside unreadable ones the other one twice, or none.
  static std::pair<std::span<const float>, std::span<const float>> beside(std::span<const float> before,
                                                                          std::span<const float> after) {
    return {before.empty() ? after : before, after.empty() ? before : after};
  }

  /// Notes the row of `now` if it holds samples above those in the views before and after.
  void look_for_spikes(int band, int row, std::span<const float> before, Look& now,
                       std::span<const float> after) const {
    std::tie(before, after) = beside(before, after);
    if (now.seen().empty() || before.empty()) return;
    const std::size_t first = std::size_t(row) * std::size_t(columns_);
    if (survey_loops::count_rises(&before[first], &now.transmission[first], &after[first], columns_, least_height()) >
        0)
      now.bands[std::size_t(band)].spiky_rows.push_back(row);
  }

  /// Of the samples in the rows noted, those that tower above their neighbours, too.
  void find_spikes(std::span<const float> before, const Look& look, std::span<const float> after) {
    std::tie(before, after) = beside(before, after);
    const std::span<const float> now = look.seen();
    if (now.empty() || before.empty()) return;
    for (const Look::Band& band : look.bands)
      for (const int row : band.spiky_rows)
        find_spikes_in_row(look.image, row, before, now, after);
  }
  void find_spikes_in_row(int image, int r, std::span<const float> before, std::span<const float> now,
                          std::span<const float> after) {
    const float least = least_height();
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

  const ViewInventory& inventory_;
  const Flattening& flattening_;
  Converter converter_;
  int rows_, columns_, every_, compare_every_, edge_ = 1, pieces_ = 1, first_sinogram_row_ = 0;
  std::size_t bad_;
  bool by_border_, full_is_high_ = true;
  std::optional<float> full_;
  Survey survey_;
  std::vector<Look> looks_;  // of the two views before, then those at hand
};

/// Views that a disk fetches while others are looked at: at most 32 Mi samples of them.
int views_ahead(const Scan& scan) {
  const std::size_t pixels = std::size_t(scan.geometry.detector.rows) * std::size_t(scan.geometry.detector.columns);
  return std::clamp(int((std::size_t{32} << 20) / pixels), 4, 64);
}

}  // namespace

void expect_survey(const Scan& scan, const ViewInventory& inventory) {
  inventory.expect(0, views_ahead(scan));
}

Survey survey_scan(const Scan& scan, const ViewInventory& inventory, const Flattening& flattening, const Hooks& hooks) {
  const std::size_t pixels = std::size_t(scan.geometry.detector.rows) * std::size_t(scan.geometry.detector.columns);
  const int images = inventory.images();
  // Views at once, so that dark and open images are fetched once for all of them; a file of sinograms is opened once a
  // block. At most 16 MiB.
  const bool whole_blocks = scan.images.sinograms;
  const int block = std::clamp(int((std::size_t{4} << 20) / pixels), 1, whole_blocks ? 32 : 8);

  struct Block {
    int first = 0;
    std::vector<float> samples;
    std::vector<std::string> damage;  // one an image, "" if it was read
    int count() const { return int(damage.size()); }
  };
  const auto begin = [&](int first, Block& next) {
    next.first = first;
    next.damage.assign(std::size_t(std::clamp(images - first, 0, block)), {});
    next.samples.resize(next.damage.size() * pixels);
  };
  const auto read_one = [&](Block& next, int i) {
    try {
      inventory.read(next.first + i, 1, std::span(next.samples).subspan(std::size_t(i) * pixels, pixels));
    } catch (const BadInput& problem) {
      next.damage[std::size_t(i)] = problem.what();
    }
  };
  // Pieces in which a block is read: views, or, from sinograms, all at once.
  const auto pieces = [&](const Block& next) { return next.count() > 0 && whole_blocks ? 1 : next.count(); };
  const auto read = [&](Block& next, int piece) {
    if (!whole_blocks) return read_one(next, piece);
    try {
      inventory.read(next.first, next.count(), next.samples);
    } catch (const BadInput&) {
      for (int i = 0; i < next.count(); ++i)
        read_one(next, i);
    }
  };

  Surveyor surveyor(scan, inventory, flattening);
  const int threads = thread_count({});
  Block current, next;
  const int ahead = views_ahead(scan);
  begin(0, current);
  expect_survey(scan, inventory);
  parallel_for(pieces(current), threads, [&](int piece, int) { read(current, piece); });
  while (current.count() > 0) {
    begin(current.first + current.count(), next);
    surveyor.take(current.first, current.samples, current.damage);
    // The next views are read, and those after them asked for, while these are looked at.
    const int to_read = pieces(next);
    parallel_for(1 + to_read + surveyor.bands(), threads, [&](int i, int) {
      if (i == 0)
        inventory.expect(current.first + ahead, current.count());
      else if (i <= to_read)
        read(next, i - 1);
      else
        surveyor.look_at_band(i - 1 - to_read);
    });
    surveyor.sum_up();
    hooks.report("looking at the views", double(current.first + current.count()) / images);
    if (hooks.stop()) throw Cancelled("stopped while looking at the views");
    std::swap(current, next);
  }
  return surveyor.finish();
}

Image line_integrals_of(const Scan& scan, const Flattening& flattening, const Image& stored, int view) {
  Image lines(stored.rows, stored.columns);
  const Converter converter(scan, flattening);
  const double level = converter.level_of(stored.samples, view);
  converter.convert(stored.samples.data(), 0, level, int(stored.samples.size()), lines.samples.data());
  converter.mend(stored.samples, level, 0, stored.samples.size(), lines.samples);
  for (float& value : lines.samples)
    value = -std::log(std::max(value, least_seen));
  return lines;
}

}  // namespace rayloom
