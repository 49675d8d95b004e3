#include "rayloom/reconstruct/truncation.h"

#include <algorithm>
#include <cmath>
#include <memory>

#include "rayloom/parallel.h"

namespace rayloom {

namespace {

constexpr double in_part = 0.03;  // of the greatest line integral: an end above may stand in the part
constexpr int most_looked_at = 36;
// Of a scan in air, that any of its ends passes for part (our choice). Of n ends, each then does with this over n.
constexpr double false_alarms = 0.001;
constexpr double clear = 5;  // standard deviations that slopes taken together stand above noise

int columns_of_end(int columns) {
  return std::min(columns, std::max(3, columns / 50));
}

double mean_of(std::span<const float> samples) {
  double sum = 0;
  for (const float sample : samples)
    sum += double(sample);
  return sum / double(samples.size());
}

/// Noise of a pixel, if there were air in place of the part.
double noise_of(std::span<const float> samples) {
  if (samples.size() < 3) return 0;
  double squares = 0;
  for (std::size_t i = 2; i < samples.size(); ++i)
    squares += std::pow(double(samples[i]) - 2 * double(samples[i - 1]) + double(samples[i - 2]), 2);
  // Second differences hold the noise's variance six times and nothing of a slope; that of counts grows as exp(p).
  return std::sqrt(squares / (6 * double(samples.size() - 2))) * std::exp(-std::max(mean_of(samples), 0.0) / 2);
}

template <class T>
T median(std::vector<T> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

int columns_of_line(int columns) {
  return std::min(columns, std::max(3, columns / 15));
}

/// Of a line through so many columns, over that of a pixel.
double slope_noise(int columns) {
  return columns > 1 ? std::sqrt(12 / (double(columns) * (double(columns) * columns - 1))) : 0;
}

/// A line through a row's outermost columns.
struct EndLine {
  /// Value in their middle and at the last column; change from column to column.
  double mean = 0, level = 0, slope = 0;

  EndLine() = default;

  /// @param row  Running outwards.
  explicit EndLine(std::span<const float> row) {
    const int columns = int(row.size()), used = columns_of_line(columns);
    double moment = 0, square = 0;
    for (int i = 0; i < used; ++i) {
      const double x = i - (used - 1) / 2.0, value = double(row[std::size_t(columns - used + i)]);
      mean += value / used;
      moment += x * value;
      square += x * x;
    }
    slope = square > 0 ? moment / square : 0;
    level = mean + slope * (used - 1) / 2.0;
  }

  /// How far the part goes on, were it an ellipse about the view's middle: p = m sqrt(R^2 - u^2) has p / -p' =
  /// (R^2 - u^2) / u. At most the view's own width.
  double columns_to_go(double view_columns) const {
    const double u = view_columns / 2;
    if (!(slope < 0) || !(level > 0)) return view_columns;
    return std::min(view_columns, std::sqrt(u * u - u * level / slope) - u);
  }
};

/// `count` of `total` things, evenly spread, or all of them.
std::vector<int> spread(int total, int count) {
  std::vector<int> chosen;
  for (int i = 0; i < std::min(total, count); ++i)
    chosen.push_back(int(std::int64_t(i) * total / std::min(total, count)));
  return chosen;
}

double smooth_step(double x) {
  x = std::clamp(x, 0.0, 1.0);
  return x * x * (3 - 2 * x);
}

/// One side's ends, by views and rows looked at: mean of the outermost columns, noise of a pixel, a line through more.
struct SideLook {
  std::vector<float> level{}, noise{};
  std::vector<EndLine> line{};

  /// @param row  Running outwards.
  void look(std::size_t at, std::span<const float> row) {
    const auto end = row.last(std::size_t(columns_of_end(int(row.size()))));
    level[at] = float(mean_of(end));
    noise[at] = float(noise_of(end));
    line[at] = EndLine(row);
  }
};

/// Medians of values and their neighbours, and of how many each.
struct Medians {
  std::vector<float> value;
  std::vector<int> count;
};

/// @param half  So many steps of `stride` before and after, of `length` in a line; at its ends as many values.
/// @param leave_out  Of these none is found, nor do they count.
Medians medians(const std::vector<float>& values, const std::vector<char>& leave_out, int length, int stride,
                int half) {
  const int together = std::min(2 * half + 1, length);
  Medians found{std::vector<float>(values.size(), 0.0F), std::vector<int>(values.size(), 0)};
  std::vector<float> near;
  for (int at = 0; at < int(values.size()); ++at) {
    if (leave_out[std::size_t(at)]) continue;
    const int place = at / stride % length, first = std::clamp(place - half, 0, length - together);
    near.clear();
    for (int i = first; i < first + together; ++i)
      if (const std::size_t other = std::size_t(at + (i - place) * stride); !leave_out[other])
        near.push_back(values[other]);
    found.value[std::size_t(at)] = median(near);
    found.count[std::size_t(at)] = int(near.size());
  }
  return found;
}

/// Noise of a median of `count` values over that of one.
double noise_of_median(int count) {
  return count == 1 ? 1 : std::sqrt(pi / 2 / count);
}

/// Noise of ends in air: as far as they scatter below 0 they do so above it, whatever the reason (photons, a beam that
/// flickers); the part is never below. So this holds however many ends stand in the part, as long as some do not.
double noise_below_zero(const std::vector<Medians>& sides, std::size_t views) {
  std::vector<float> below;
  for (const auto& side : sides)
    for (const float level : side.value)
      if (level < 0) below.push_back(-level);
  if (below.empty()) return 0;
  // A half normal distribution's median is 0.674 standard deviations. It is uncertain itself, since a view flickers as
  // a whole by 1 / sqrt(views).
  const double certain = std::sqrt(double(std::min(below.size(), views)));
  return double(median(below)) / 0.674 * (1 + 1 / certain);
}

/// Median of how far the part goes on beyond these ends. Neighbours are taken together until their slope stands clear
/// of the noise, which would shorten some lengths more than it stretches others.
double columns_to_go(const std::vector<EndLine>& lines, int columns, double pixel_noise, double view_columns) {
  if (lines.empty()) return 0;
  std::vector<double> slopes, levels, to_go;
  for (const EndLine& line : lines) {
    slopes.push_back(std::abs(line.slope));
    levels.push_back(line.level);
  }
  const double noise = pixel_noise * std::exp(median(levels) / 2) * slope_noise(columns);
  const double wanted = std::pow(clear * noise / std::max(median(slopes), 1e-12), 2);
  const std::size_t together = std::size_t(std::clamp(std::ceil(wanted), 1.0, double(lines.size())));
  for (std::size_t first = 0; first + together <= lines.size(); first += together) {
    EndLine sum;
    for (std::size_t i = first; i < first + together; ++i) {
      sum.level += lines[i].level;
      sum.slope += lines[i].slope;
    }
    to_go.push_back(sum.columns_to_go(view_columns));
  }
  return median(to_go);
}

/// What none of so many medians of ends in air exceeds. @param noise  Of a median. @param pixel_noise  Of a pixel.
double most_in_air(double noise, double pixel_noise, std::size_t tests) {
  // P(x > z) < exp(-z^2 / 2) / 2 of a normal distribution. The logarithm of counts lies too high by half their relative
  // variance, and is skewed by twice its deviation, which moves so small a chance's place by z^2 / 3 of it (Cornish &
  // Fisher 1938, first term).
  const double z = std::sqrt(2 * std::log(0.5 * double(tests) / false_alarms));
  return noise * z * (1 + noise * z / 3) + pixel_noise * pixel_noise / 2;
}

/// Which ends stand in the part. They are judged alone and by medians over neighbouring rows and views: where the part
/// leaves the view it does so in several, noise does not; and a median moves no border between part and air.
struct Decision {
  std::vector<std::vector<char>> in;      ///< Of each side.
  double end_noise = 0, pixel_noise = 0;  ///< In air.
};

Decision decide(const std::vector<SideLook>& sides, int views, int rows, double greatest, int end_columns) {
  std::vector<float> noises;
  for (const SideLook& side : sides)
    noises.insert(noises.end(), side.noise.begin(), side.noise.end());
  // The median of squares lies below their mean (Wilson & Hilferty 1931, of as many as there are second differences).
  const double below = std::pow(1 - 2 / (9 * std::max(end_columns - 2.0, 1.0)), 1.5);
  Decision decision;
  decision.pixel_noise = double(median(noises)) / below;
  decision.end_noise = decision.pixel_noise / std::sqrt(end_columns);
  decision.in.assign(sides.size(), std::vector<char>(noises.size() / sides.size(), 0));

  // A single row of many says nothing.
  const int few_rows = rows < 3 ? 0 : 1, more_rows = std::clamp(rows / 48, few_rows, 8);
  struct Scale {
    int rows, views;
  };
  std::vector<Scale> scales = {{few_rows, 0}, {more_rows, 0}, {more_rows, 1}, {more_rows, 4}, {more_rows, views}};
  if (few_rows == more_rows) scales.erase(scales.begin());
  const auto over_rows = [&](int half) {
    std::vector<Medians> found;
    for (const SideLook& side : sides)
      found.push_back(medians(side.level, std::vector<char>(side.level.size(), 0), rows, 1, half));
    return found;
  };
  const std::vector<Medians> few = over_rows(few_rows), more = over_rows(more_rows);
  std::vector<std::vector<Medians>> finer;
  std::vector<double> finer_noise;
  for (const Scale& scale : scales) {
    const std::vector<Medians>& ends = scale.rows == few_rows ? few : more;
    const double noise = std::max(decision.end_noise * noise_of_median(std::min(2 * scale.rows + 1, rows)),
                                  noise_below_zero(ends, std::size_t(views)));
    if (rows < 3) decision.end_noise = noise;
    std::vector<Medians> found;
    for (std::size_t s = 0; s < sides.size(); ++s)  // those in the part must not lift the rest
      found.push_back(medians(ends[s].value, decision.in[s], views, rows, scale.views));
    const double from_below = noise_below_zero(found, std::size_t(views));
    for (std::size_t s = 0; s < sides.size(); ++s)
      for (std::size_t i = 0; i < found[s].value.size(); ++i) {
        if (found[s].count[i] == 0) continue;
        const double level = double(found[s].value[i]),
                     own_noise = std::max(noise * noise_of_median(found[s].count[i]), from_below);
        bool in = level > std::max(in_part * greatest,
                                   most_in_air(own_noise, decision.pixel_noise, scales.size() * noises.size()));
        for (std::size_t f = 0; in && f < finer.size(); ++f)  // must not contradict
          in = double(finer[f][s].value[i]) > level / 2 - 3 * finer_noise[f];
        decision.in[s][i] = char(in || decision.in[s][i]);
      }
    finer_noise.push_back(std::max(noise * noise_of_median(std::min(2 * scale.views + 1, views)), from_below));
    finer.push_back(std::move(found));
  }
  return decision;
}

}  // namespace

Truncation look_for_truncation(const Geometry& geometry, const ProjectionSource& source,
                               const ReconstructOptions& options) {
  const Detector& d = geometry.detector;
  const Coverage coverage = options.coverage.value_or(automatic_coverage(geometry));
  const bool left_is_short = d.axis_column < (d.columns - 1) / 2.0;
  const double longer_side = std::max(d.axis_column + 0.5, d.columns - 0.5 - d.axis_column);
  Truncation found;
  found.view_columns = coverage == Coverage::symmetric ? d.columns : 2 * longer_side;
  const int threads = thread_count(options.threads), views = int(geometry.angles_rad.size());
  const std::size_t width = std::size_t(d.columns);
  const bool by_row = source.stored == ProjectionSource::Stored::by_row;
  const std::vector<int> some_views = spread(views, most_looked_at),
                         some_rows = spread(d.rows, by_row ? most_looked_at : d.rows);
  // Next to the axis of a displaced detector all is as it should be.
  const bool looks_left = coverage == Coverage::symmetric || !left_is_short,
             looks_right = coverage == Coverage::symmetric || left_is_short;
  std::vector<SideLook> sides(std::size_t(looks_left) + std::size_t(looks_right));
  for (SideLook& side : sides) {
    side.level.resize(some_views.size() * some_rows.size());
    side.noise.resize(side.level.size());
    side.line.resize(side.level.size());
  }
  const std::size_t end = std::size_t(columns_of_end(d.columns));
  const auto look_at = [&](std::size_t v, std::size_t r, std::span<const float> row) {
    const std::size_t at = v * some_rows.size() + r;
    const std::vector<float> turned(row.rbegin(), row.rend());
    if (looks_left) sides.front().look(at, turned);
    if (looks_right) sides.back().look(at, row);
    double greatest = 0;
    for (std::size_t c = 0; c + end <= width; c += end)
      greatest = std::max(greatest, mean_of(row.subspan(c, end)));
    return greatest;
  };
  const std::vector<int>& blocks = by_row ? some_rows : some_views;
  std::vector<double> greatest(blocks.size(), 0.0);
  parallel_for(int(blocks.size()), threads, [&](int i, int) {
    const std::size_t b = std::size_t(i);
    std::vector<float> samples(std::size_t(by_row ? views : d.rows) * width);
    if (by_row)
      source.read(0, views, blocks[b], 1, samples);
    else
      source.read(blocks[b], 1, 0, d.rows, samples);
    const std::vector<int>& lines = by_row ? some_views : some_rows;
    for (std::size_t l = 0; l < lines.size(); ++l) {
      const auto row = std::span<const float>(samples).subspan(std::size_t(lines[l]) * width, width);
      greatest[b] = std::max(greatest[b], by_row ? look_at(l, b, row) : look_at(b, l, row));
    }
  });
  found.greatest = *std::max_element(greatest.begin(), greatest.end());

  const Decision decision = decide(sides, int(some_views.size()), int(some_rows.size()), found.greatest, int(end));
  found.least = std::max(in_part * found.greatest, 3 * decision.end_noise);
  found.pixel_noise = decision.pixel_noise;
  std::vector<EndLine> lines;
  for (std::size_t s = 0; s < sides.size(); ++s) {
    const std::vector<char>& in = decision.in[s];
    for (std::size_t i = 0; i < in.size(); ++i)
      if (in[i]) lines.push_back(sides[s].line[i]);
    const auto count = std::count(in.begin(), in.end(), 1);
    if (count == 0) continue;
    const bool left = looks_left && s == 0;
    (left ? found.left_share : found.right_share) = double(count) / double(in.size());
    (left ? found.left : found.right) = EndsInPart(geometry, some_views, some_rows, in);
  }
  double level = 0, slope = 0;
  for (const EndLine& line : lines) {
    level += line.level;
    slope += line.slope;
  }
  if (level > 0) {
    found.usual_level = level / double(lines.size());
    found.usual_slope = slope / level;
  }
  found.columns_to_go = columns_to_go(lines, columns_of_line(d.columns), found.pixel_noise, found.view_columns);
  return found;
}

EndsInPart::EndsInPart(const Geometry& geometry, std::vector<int> views, std::vector<int> rows,
                       const std::vector<char>& in)
    : views_(std::move(views)), rows_(std::move(rows)), in_(in.size(), 0) {
  // A rolled detector's ideal rows end in others than they pass in the middle.
  const double rolled = std::abs(geometry.detector.roll_rad) * geometry.detector.columns / 2.0;
  for (std::size_t at = 0; at < in.size(); ++at) {
    if (!in[at]) continue;
    const std::size_t first = at / rows_.size() * rows_.size(), row = at - first;
    for (std::size_t i = 0; i < rows_.size(); ++i)
      if (std::abs(rows_[i] - rows_[row]) <= rolled) in_[first + i] = 1;
  }
}

double EndsInPart::share(int view, double row) const {
  if (in_.empty()) return 0;
  struct Place {
    std::size_t before, after;
    double share;  ///< Of the one after.
  };
  const auto place = [](const std::vector<int>& looked_at, double at) -> Place {
    const auto next = std::upper_bound(looked_at.begin(), looked_at.end(), at);
    if (next == looked_at.begin()) return {0, 0, 0};
    const std::size_t before = std::size_t(next - looked_at.begin()) - 1;
    if (next == looked_at.end()) return {before, before, 0};
    return {before, before + 1, (at - looked_at[before]) / (*next - looked_at[before])};
  };
  const Place v = place(views_, view), r = place(rows_, row);
  const auto in = [&](std::size_t at_view, std::size_t at_row) { return double(in_[at_view * rows_.size() + at_row]); };
  const auto of_view = [&](std::size_t at) { return (1 - r.share) * in(at, r.before) + r.share * in(at, r.after); };
  return (1 - v.share) * of_view(v.before) + v.share * of_view(v.after);
}

RowContinuation::RowContinuation(const Truncation& scan)
    : least_(scan.least), pixel_noise_(scan.pixel_noise), usual_slope_(scan.usual_slope) {
  const int used = columns_of_line(int(scan.view_columns));
  const double length = std::max(1.0, std::min(1.2 * scan.columns_to_go, 0.46 * scan.view_columns));
  const double root = 1.0 / 3, soon = std::min(scan.view_columns / 4, length), share_of_slope = 0.75;
  start_slope_ = -root / length;
  for (int j = 1; j <= int(std::ceil(scan.view_columns)); ++j) {
    fall_.push_back(float(std::cbrt(std::max(1 - j / length, 0.0))));
    bend_.push_back(float(share_of_slope * j * std::exp(-j / soon)));
    step_.push_back(float(std::exp(-2.0 * j / used)));
  }
}

void RowContinuation::run(std::span<const float> measured, std::span<float> beyond, double in_part_share) const {
  const EndLine line(measured);
  const double slope = line.slope, level = line.level;
  const double own = least_ > 0 ? smooth_step((line.mean / least_ - 1.0 / 3) / (2.0 / 3)) : 0;
  const double share = std::max(own, in_part_share);
  if (share == 0 || level <= 0) {
    std::fill(beyond.begin(), beyond.end(), 0.0F);
    return;
  }
  // The root's curve from the line's end; near it the row's own slope takes part, as far as it stands clear of noise
  // and else the usual one, and the way back to the row's last value. What is clipped at 0 must not be noise, or it
  // would lift the mean.
  const int used = columns_of_line(int(measured.size()));
  const double of_slope = slope_noise(used) * (1 - start_slope_ * (used - 1) / 2.0);
  const double noise = pixel_noise_ * std::exp(std::max(line.mean, 0.0) / 2) *
                       std::hypot(of_slope, start_slope_ / std::sqrt(double(used)));
  const double expected = std::max(line.mean, 0.0) * start_slope_;
  const double certain = noise > 0 ? expected * expected / (expected * expected + noise * noise) : 1;
  const float fall = float(share * level),
              bend = float(share * (certain * slope + (1 - certain) * level * usual_slope_ - level * start_slope_)),
              step = float(share * (double(measured.back()) - level));
  for (std::size_t j = 0; j < beyond.size(); ++j)
    beyond[j] = std::max(fall * fall_[j] + bend * bend_[j], 0.0F) + step * step_[j];
}

Beyond continued(const Geometry& geometry, const Truncation& truncation) {
  Beyond beyond;
  if (!truncation.any()) return beyond;
  const auto continuation = std::make_shared<const RowContinuation>(truncation);
  beyond.columns = continuation->columns();
  beyond.thread_bytes = std::size_t(geometry.detector.columns) * sizeof(float);
  const auto left_in = std::make_shared<const EndsInPart>(truncation.left),
             right_in = std::make_shared<const EndsInPart>(truncation.right);
  beyond.of_view = [=](int view, int, int) -> RowEnds {
    return [=](double row, std::span<const float> measured, std::span<float> left, std::span<float> right) {
      std::fill(left.begin(), left.end(), 0.0F);
      std::fill(right.begin(), right.end(), 0.0F);
      const double left_share = left_in->share(view, row), right_share = right_in->share(view, row);
      if (right_share > 0) continuation->run(measured, right, right_share);
      if (left_share == 0) return;
      const std::vector<float> turned(measured.rbegin(), measured.rend());
      continuation->run(turned, left, left_share);
      std::reverse(left.begin(), left.end());
    };
  };
  return beyond;
}

}  // namespace rayloom
