#include "rayloom/prepare/rings.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <numeric>
#include <tuple>
#include <vector>

#include "rayloom/errors.h"
#include "rayloom/geometry/views.h"
#include "rayloom/parallel.h"

namespace rayloom {

namespace {

// Widths are half windows in columns. The window around a jump is as narrow as the edges of two stripes in it allow;
// the window around an offset is more than twice as wide as the widest stripe, 15 columns or a few more.
constexpr int most_groups = 96, around_jump = 3, around_offset = 30, around_sorted = 15, around_mirror = 4;
/// Jumps are found twice, the second time with those left out before that are at least this share of the largest
/// around.
constexpr int passes = 2;
constexpr double large_jump = 0.5;
/// Offsets fade over so many columns where no jump holds them: few where all columns jump alike, many where few do.
constexpr double narrowest_reach = 2.5, widest_reach = 100;
/// Offsets whose difference from their mirror image is less than the first share of both together belong to the part,
/// those from the second share on are stripes; between, they count in part.
constexpr double mirrored_share = 0.25, stripe_share = 0.5;
/// A drift is told from the part only where that comes round once.
constexpr double arc_for_drift_rad = radians(270);

using Profile = std::vector<double>;

/// Whether offsets may change in the course of the scan.
enum class Course { steady, drifting };

/// One row's sinogram: groups x columns, and the time of each group, from -1 to 1 over the scan.
struct Sinogram {
  std::size_t columns;
  std::span<const double> times;
  Course course;
  std::vector<float> samples;
  std::span<float> group(std::size_t g) { return std::span(samples).subspan(g * columns, columns); }
};

/// middle + drift time for each column.
struct Stripes {
  Profile middle, drift;
};

/// Median of the samples up to `half` away; beyond the ends the last sample is repeated. In place.
template <class Value>
void running_median(std::span<Value> line, int half) {
  const int n = int(line.size());
  const std::vector<Value> in(line.begin(), line.end());
  const auto at = [&](int i) { return in[std::size_t(std::clamp(i, 0, n - 1))]; };
  std::vector<Value> window;
  for (int i = -half; i <= half; ++i)
    window.push_back(at(i));
  std::sort(window.begin(), window.end());
  for (int i = 0;; ++i) {
    line[std::size_t(i)] = window[std::size_t(half)];
    if (i + 1 == n) return;
    const Value leaves = at(i - half), comes = at(i + 1 + half);
    auto place = std::lower_bound(window.begin(), window.end(), leaves);
    for (; place + 1 != window.end() && *(place + 1) < comes; ++place)
      *place = *(place + 1);
    for (; place != window.begin() && *(place - 1) > comes; --place)
      *place = *(place - 1);
    *place = comes;
  }
}

float median(std::span<float> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return values.size() % 2 ? *middle : (*middle + *std::max_element(values.begin(), middle)) / 2;
}

/// The line middle + drift t (or the constant) with the least sum of absolute deviations from values at times t, each
/// of the two minimised in turn. It passes by values that stand apart, as long as they are the smaller part.
class LineFit {
 public:
  LineFit(std::span<const double> times, Course course) : times_(times), rounds_(course == Course::steady ? 0 : 4) {
    for (const double t : times)
      half_ += std::abs(t) / 2;
  }
  std::pair<double, double> operator()(std::span<const float> values) {
    rest_.assign(values.begin(), values.end());
    double middle = double(median(rest_)), drift = 0;
    for (int round = 0; round < rounds_; ++round) {
      ratios_.clear();
      for (std::size_t i = 0; i < times_.size(); ++i)
        if (times_[i] != 0) ratios_.emplace_back((double(values[i]) - middle) / times_[i], std::abs(times_[i]));
      std::sort(ratios_.begin(), ratios_.end());
      double sum = 0;
      const auto middle_ratio =
          std::find_if(ratios_.begin(), ratios_.end(), [&](const auto& one) { return (sum += one.second) >= half_; });
      drift = middle_ratio == ratios_.end() ? 0 : middle_ratio->first;
      for (std::size_t i = 0; i < times_.size(); ++i)
        rest_[i] = float(double(values[i]) - drift * times_[i]);
      const double before = middle;
      middle = double(median(rest_));
      if (middle == before) break;
    }
    return {middle, drift};
  }

 private:
  std::span<const double> times_;
  int rounds_;
  double half_ = 0;
  std::vector<float> rest_;
  std::vector<std::pair<double, double>> ratios_;
};

/// Lines through each of `count` columns of [group][column] values.
Stripes fit_columns(std::span<const float> values, std::size_t count, const Sinogram& sinogram) {
  Stripes lines{Profile(count), Profile(count)};
  LineFit fit(sinogram.times, sinogram.course);
  std::vector<float> column(sinogram.times.size());
  for (std::size_t c = 0; c < count; ++c) {
    for (std::size_t g = 0; g < column.size(); ++g)
      column[g] = values[g * count + c];
    std::tie(lines.middle[c], lines.drift[c]) = fit(column);
  }
  return lines;
}

/// The offsets q that minimise  sum_c (q_c+1 - q_c - jump_c)^2 + sum_c q_c^2 / reach^2:  a tridiagonal system.
Profile from_jumps(const Profile& jumps, double reach) {
  const std::size_t n = jumps.size() + 1;
  Profile q(n), upper(n);
  for (std::size_t c = 0; c < n; ++c) {
    const double right = c + 1 < n ? jumps[c] : 0, left = c > 0 ? jumps[c - 1] : 0;
    double diagonal = double(c > 0) + double(c + 1 < n) + 1 / (reach * reach), value = left - right;
    if (c > 0) {
      diagonal += upper[c - 1];
      value += q[c - 1];
    }
    upper[c] = c + 1 < n ? -1 / diagonal : 0;
    q[c] = value / diagonal;
  }
  for (std::size_t c = n - 1; c-- > 0;)
    q[c] -= upper[c] * q[c + 1];
  return q;
}

/// What of the jumps is left out before the slope of the part is looked for: those that are not small beside the
/// largest around, at either end of the scan.
Stripes large_ones(const Stripes& jumps) {
  const int n = int(jumps.middle.size());
  Profile size(jumps.middle.size());
  for (std::size_t c = 0; c < size.size(); ++c)
    size[c] = std::abs(jumps.middle[c]) + std::abs(jumps.drift[c]);
  Stripes large{Profile(size.size()), Profile(size.size())};
  for (int c = 0; c < n; ++c) {
    double most = 0;
    for (int i = std::max(c - 2 * around_jump, 0); i <= std::min(c + 2 * around_jump, n - 1); ++i)
      most = std::max(most, size[std::size_t(i)]);
    if (size[std::size_t(c)] < large_jump * most) continue;
    large.middle[std::size_t(c)] = jumps.middle[std::size_t(c)];
    large.drift[std::size_t(c)] = jumps.drift[std::size_t(c)];
  }
  return large;
}

Stripes by_differences(Sinogram& sinogram) {
  const std::size_t groups = sinogram.times.size(), count = sinogram.columns - 1;
  std::vector<float> outstanding(groups * count), slope(count);
  Stripes jumps{Profile(count), Profile(count)};
  for (int pass = 0; pass < passes; ++pass) {
    const Stripes known = large_ones(jumps);
    for (std::size_t g = 0; g < groups; ++g) {
      const auto line = sinogram.group(g);
      const auto jump = std::span(outstanding).subspan(g * count, count);
      for (std::size_t c = 0; c < count; ++c) {
        jump[c] = line[c + 1] - line[c];
        slope[c] = jump[c] - float(known.middle[c] + known.drift[c] * sinogram.times[g]);
      }
      running_median<float>(slope, around_jump);
      for (std::size_t c = 0; c < count; ++c)
        jump[c] -= slope[c];
    }
    jumps = fit_columns(outstanding, count, sinogram);
  }
  Stripes stripes;
  for (const auto& [part, into] :
       {std::pair(&jumps.middle, &stripes.middle), std::pair(&jumps.drift, &stripes.drift)}) {
    std::vector<float> sizes;
    double squares = 0;
    for (const double jump : *part) {
      sizes.push_back(float(std::abs(jump)));
      squares += jump * jump;
    }
    const double common = 1.4826 * double(median(sizes)), whole = std::sqrt(squares / double(count));
    const double reach = std::clamp(narrowest_reach * whole / std::max(common, 1e-12), narrowest_reach, widest_reach);
    *into = from_jumps(*part, reach);
    // A step that does not come back is no stripe.
    Profile base = *into;
    running_median<double>(base, around_offset);
    for (std::size_t c = 0; c < base.size(); ++c)
      (*into)[c] -= base[c];
  }
  return stripes;
}

Stripes by_sorting(Sinogram& sinogram) {
  const std::size_t groups = sinogram.times.size(), count = sinogram.columns;
  std::vector<std::uint32_t> order(groups * count);  // [rank][column]: the group with this rank
  std::vector<float> sorted(groups * count);
  std::vector<std::uint32_t> ranks(groups);
  for (std::size_t c = 0; c < count; ++c) {
    std::iota(ranks.begin(), ranks.end(), 0U);
    std::sort(ranks.begin(), ranks.end(), [&](std::uint32_t a, std::uint32_t b) {
      const float left = sinogram.samples[a * count + c], right = sinogram.samples[b * count + c];
      return left != right ? left < right : a < b;
    });
    for (std::size_t rank = 0; rank < groups; ++rank) {
      order[rank * count + c] = ranks[rank];
      sorted[rank * count + c] = sinogram.samples[ranks[rank] * count + c];
    }
  }
  std::vector<float> taken(groups * count);
  for (std::size_t rank = 0; rank < groups; ++rank) {
    const auto line = std::span(sorted).subspan(rank * count, count);
    running_median<float>(line, around_sorted);
    for (std::size_t c = 0; c < count; ++c) {
      const std::size_t at = order[rank * count + c] * count + c;
      taken[at] = sinogram.samples[at] - line[c];
    }
  }
  return fit_columns(taken, count, sinogram);
}

/// Leaves out what lies on both sides of the axis alike. The mean over a turn of any part's line integrals is so, for
/// every beam: it is the projection of the part smeared about the axis.
void leave_mirrored(double axis_column, Stripes& stripes) {
  const int n = int(stripes.middle.size());
  const Profile& q = stripes.middle;
  Profile apart(q.size()), both(q.size());
  for (int c = 0; c < n; ++c) {
    const double mirror = 2 * axis_column - c;
    double there = 0;
    if (mirror >= 0 && mirror <= n - 1) {
      const int left = std::min(int(mirror), n - 2);
      there = q[std::size_t(left)] + (mirror - left) * (q[std::size_t(left) + 1] - q[std::size_t(left)]);
    }
    apart[std::size_t(c)] = std::abs(q[std::size_t(c)] - there);
    both[std::size_t(c)] = std::abs(q[std::size_t(c)]) + std::abs(there);
  }
  for (int c = 0; c < n; ++c) {
    double sum_apart = 0, sum_both = 0;
    for (int i = std::max(c - around_mirror, 0); i <= std::min(c + around_mirror, n - 1); ++i) {
      sum_apart += apart[std::size_t(i)];
      sum_both += both[std::size_t(i)];
    }
    const double share = sum_both > 0 ? sum_apart / sum_both : 0;
    const double kept = std::clamp((share - mirrored_share) / (stripe_share - mirrored_share), 0.0, 1.0);
    stripes.middle[std::size_t(c)] *= kept;
    stripes.drift[std::size_t(c)] *= kept;
  }
}

}  // namespace

std::string to_string(RingMethod method) {
  return method == RingMethod::differences ? "differences" : "sorting";
}

nlohmann::ordered_json to_json(RingMethod method) {
  nlohmann::ordered_json record = {{"method", to_string(method)}, {"groups_of_views", most_groups}};
  if (method == RingMethod::differences)
    record.update({{"window_of_jumps_px", 2 * around_jump + 1},
                   {"window_of_offsets_px", 2 * around_offset + 1},
                   {"reach_px", {narrowest_reach, widest_reach}}});
  else
    record["window_px"] = 2 * around_sorted + 1;
  record["window_of_mirror_px"] = 2 * around_mirror + 1;
  return record;
}

void RingOffsets::subtract(int view, int row, std::span<float> line) const {
  const float time = float((2.0 * view + 1) / views - 1);
  const std::size_t first = std::size_t(row) * std::size_t(middle.columns);
  for (std::size_t c = 0; c < line.size(); ++c)
    line[c] -= middle.samples[first + c] + time * drift.samples[first + c];
}

std::size_t RingOffsets::bytes(const Detector& detector) {
  return 2 * std::size_t(detector.rows) * std::size_t(detector.columns) * sizeof(float);
}

RingOffsets find_rings(const Geometry& geometry, const ReadLines& read, const RingSearch& search, const Hooks& hooks) {
  const std::string step = "ring offsets";
  const int views = int(geometry.angles_rad.size()), rows = geometry.detector.rows;
  const std::size_t columns = std::size_t(geometry.detector.columns);
  RingOffsets offsets{Image(rows, int(columns)), Image(rows, int(columns)), views};
  if (columns < 2) return offsets;

  const int groups = std::min(views, most_groups);
  const auto first_view = [&](int g) { return int(std::int64_t(g) * views / groups); };
  std::vector<double> times;
  for (int g = 0; g < groups; ++g)
    times.push_back(double(first_view(g) + first_view(g + 1)) / views - 1);

  const Course course =
      view_set(geometry.angles_rad, 2 * pi).arc_rad < arc_for_drift_rad ? Course::steady : Course::drifting;

  // A band of rows holds the groups' means; each thread reads one group's views of the band, or all views of one row.
  const int threads = std::max(search.threads, 1), longest = views / groups + 1;
  const std::size_t row_bytes = columns * sizeof(float);
  const std::size_t reading = row_bytes * std::size_t(threads) * std::size_t(search.by_row ? views : 0);
  const std::size_t per_row = row_bytes * std::size_t(groups + (search.by_row ? 0 : threads * longest));
  const int band = int(std::clamp<std::size_t>(
      search.memory_bytes > reading ? (search.memory_bytes - reading) / per_row : 1, 1, std::size_t(rows)));
  std::vector<float> means(std::size_t(band) * std::size_t(groups) * columns);
  const auto read_mean = [&](int first_group, int group_count, int band_row, int first_row, int row_count) {
    const int from = first_view(first_group), count = first_view(first_group + group_count) - from;
    std::vector<float> lines(std::size_t(count) * std::size_t(row_count) * columns);
    read(from, count, first_row, row_count, lines);
    std::vector<double> sum(columns);
    for (int r = 0; r < row_count; ++r)
      for (int g = first_group; g < first_group + group_count; ++g) {
        std::fill(sum.begin(), sum.end(), 0);
        for (int view = first_view(g); view < first_view(g + 1); ++view)
          for (std::size_t c = 0; c < columns; ++c)
            sum[c] += double(lines[(std::size_t(view - from) * std::size_t(row_count) + std::size_t(r)) * columns + c]);
        float* mean = &means[(std::size_t(band_row + r) * std::size_t(groups) + std::size_t(g)) * columns];
        for (std::size_t c = 0; c < columns; ++c)
          mean[c] = float(sum[c] / (first_view(g + 1) - first_view(g)));
      }
  };
  const auto solve = [&](int band_row, int row) {
    Sinogram sinogram{columns, times, course, {}};
    const auto first = means.begin() + std::ptrdiff_t(std::size_t(band_row) * std::size_t(groups) * columns);
    sinogram.samples.assign(first, first + std::ptrdiff_t(std::size_t(groups) * columns));
    Stripes stripes = search.method == RingMethod::differences ? by_differences(sinogram) : by_sorting(sinogram);
    leave_mirrored(geometry.detector.axis_column, stripes);
    for (std::size_t c = 0; c < columns; ++c) {
      offsets.middle.at(row, int(c)) = float(stripes.middle[c]);
      offsets.drift.at(row, int(c)) = float(stripes.drift[c]);
    }
  };

  for (int first_row = 0; first_row < rows; first_row += band) {
    const int count = std::min(band, rows - first_row), pieces = search.by_row ? count : groups;
    int done = 0;
    parallel_for(pieces, threads, [&](int i, int) {
      if (search.by_row)
        read_mean(0, groups, i, first_row + i, 1);
      else
        read_mean(i, 1, 0, first_row, count);
      bool stop = false;
#pragma omp critical(rayloom_rings)
      {
        hooks.report(step, (first_row + double(count) * ++done / pieces) / rows);
        stop = hooks.stop();
      }
      if (stop) throw Cancelled("stopped while finding the " + step);
    });
    parallel_for(count, threads, [&](int i, int) { solve(i, first_row + i); });
  }
  return offsets;
}

}  // namespace rayloom
