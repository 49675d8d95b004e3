// Bad pixels: those that dark and open-beam images showed, and those that only the views show.
#include <algorithm>
#include <cmath>

#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom::check_parts {

namespace {

constexpr int least_sampled = 16;  // views from which the mean view is smooth enough
constexpr double too_many = 0.05;  // share of bad pixels that makes a scan unfit (common practice)

/// How far each pixel of the mean view stands apart from the pairs of opposite neighbours about it, in the four
/// directions: the least and the most of the four, 0 if they disagree in sign. An edge runs along one of them, so it is
/// not apart; a pixel of changed gain is, as much in all four. 0 at the detector's edge.
struct Isolation {
  Image least, most;
};

Isolation isolation_of(const Image& mean) {
  Isolation apart{Image(mean.rows, mean.columns), Image(mean.rows, mean.columns)};
  parallel_for(mean.rows - 2, thread_count({}), [&](int row, int) {
    const int r = row + 1;
    for (int c = 1; c + 1 < mean.columns; ++c) {
      float least = INFINITY, most = 0;
      int above = 0;
      for (const auto& [down, across] : {std::pair(0, 1), std::pair(1, 0), std::pair(1, 1), std::pair(1, -1)}) {
        const float around = (mean.at(r - down, c - across) + mean.at(r + down, c + across)) / 2;
        const float deviation = around > 0 ? mean.at(r, c) / around - 1 : 0;
        above += deviation > 0 ? 1 : 0;
        least = std::abs(deviation) < std::abs(least) ? deviation : least;
        most = std::max(most, std::abs(deviation));
      }
      apart.least.at(r, c) = above == 0 || above == 4 ? least : 0;
      apart.most.at(r, c) = most;
    }
  });
  return apart;
}

/// Marks the pixels that only the views show to be bad.
/// @return The largest limit used for non-uniform ones.
double mark_from_views(const Check& check, DefectMap& map) {
  const Image& mean = check.survey.mean;
  const int rows = mean.rows, columns = mean.columns;
  // Noise of a deviation goes with 1/sqrt(transmission).
  std::vector<double> scaled;
  for (int r = 1; r + 1 < rows; ++r)
    for (int c = 1 + r % 2; c + 1 < columns; c += 2)
      if (const double around = (double(mean.at(r, c - 1)) + mean.at(r, c + 1)) / 2; around > 0)
        scaled.push_back((mean.at(r, c) / around - 1) * std::sqrt(std::max(double(mean.at(r, c)), 0.0)));
  const double noise = robust_deviation(scaled);

  std::vector<char> spiked(map.states.size());
  for (const Spike& spike : check.survey.spikes)
    spiked[std::size_t(spike.row) * std::size_t(columns) + std::size_t(spike.column)] = true;

  const Isolation apart = isolation_of(mean);
  double largest = DefectLimits::non_uniform;
  for (int r = 1; r + 1 < rows; ++r)
    for (int c = 1; c + 1 < columns; ++c) {
      PixelState& state = map.states[std::size_t(r) * std::size_t(columns) + std::size_t(c)];
      if (state != PixelState::good || spiked[std::size_t(r) * std::size_t(columns) + std::size_t(c)]) continue;
      const double limit =
          std::max(double(DefectLimits::non_uniform), 5.5 * noise / std::sqrt(std::max(double(mean.at(r, c)), 1e-4)));
      largest = std::max(largest, limit);
      const double deviation = apart.least.at(r, c);
      if (std::abs(deviation) <= limit || apart.most.at(r, c) > 1.5 * std::abs(deviation) + limit / 2) continue;
      // Corners of the part stand apart, too, but not alone: a lone bad pixel leaves half its deviation along one
      // direction in its 8 neighbours and none in the 16 around these.
      float beside = 0, around = 0;
      for (int y = std::max(r - 2, 0); y <= std::min(r + 2, rows - 1); ++y)
        for (int x = std::max(c - 2, 0); x <= std::min(c + 2, columns - 1); ++x) {
          if (y == r && x == c) continue;
          float& most = std::max(std::abs(y - r), std::abs(x - c)) == 1 ? beside : around;
          most = std::max(most, apart.most.at(y, x));
        }
      if (beside > 0.75 * std::abs(deviation) + limit / 4 || around > 0.25 * std::abs(deviation) + limit / 4) continue;
      if (deviation > DefectLimits::over - 1)
        state = PixelState::over_responding;
      else if (deviation < DefectLimits::under - 1)
        state = PixelState::under_responding;
      else
        state = PixelState::non_uniform;
    }
  // A pixel that never changes while the part turns.
  for (std::size_t i = 0; i < map.states.size(); ++i)
    if (map.states[i] == PixelState::good && check.survey.lowest.samples[i] == check.survey.highest.samples[i])
      map.states[i] = PixelState::dead;
  return largest;
}

}  // namespace

void check_pixels(Check& check) {
  const ScanImages& images = check.scan.images;
  DefectMap& map = check.flattening.defects;
  const Exposures& exposures = check.exposures;
  const bool by_views = check.survey.sampled >= least_sampled && map.rows >= 3 && map.columns >= 3;
  if (by_views) map.non_uniform_limit = std::max(map.non_uniform_limit, mark_from_views(check, map));

  if (images.kind == ImageKind::counts) {
    if (exposures.dark.count < DefectLimits::least_dark_images)
      check.add(Severity::cannot_tell, "noisy pixels",
                std::to_string(exposures.dark.count) +
                    (exposures.dark.count == 1 ? " dark image says" : " dark images say") +
                    " nothing of the noise of pixels",
                "ASTM E2597 judges it from 30 to 100 dark images");
    else if (exposures.dark.count < DefectLimits::dark_images)
      check.add(Severity::note, "noisy pixels",
                "judged from " + std::to_string(exposures.dark.count) +
                    " dark images; slightly noisy ones may be missed: ASTM E2597 takes 30 to 100");
    if (exposures.open.count == 0 && !by_views)
      check.add(Severity::cannot_tell, "dead pixels", "there are no open-beam images and too few views to tell from");
  }
  if (!by_views && exposures.open_after.count == 0)
    check.add(Severity::cannot_tell, "non-uniform pixels",
              "fewer than " + std::to_string(least_sampled) +
                  " views or 3 rows and no open-beam images after the scan: nothing shows whether gains have changed",
              "take open-beam images after the scan (images.open_after)");

  const double all = double(map.states.size());
  const auto first_of = [&](PixelState state) {
    return int(std::find(map.states.begin(), map.states.end(), state) - map.states.begin());
  };
  const struct {
    PixelState state;
    const char* what;
    const char* meaning;
  } classes[] = {{PixelState::dead, "dead pixels", "no response or a constant one"},
                 {PixelState::over_responding, "over-responding pixels", "above 1.3 times the median around them"},
                 {PixelState::under_responding, "under-responding pixels", "below 0.6 times the median around them"},
                 {PixelState::noisy, "noisy pixels", "dark noise above 6 times the median"},
                 {PixelState::non_uniform, "non-uniform pixels", "gain off the neighbours' after correction"},
                 {PixelState::bad_neighbourhood, "bad neighbourhoods", "all neighbours are bad"}};
  const std::string remedy = "write the defect map with -o and name it as images.defects";
  for (const auto& [state, what, meaning] : classes) {
    const std::size_t count = map.count(state);
    if (count == 0) continue;
    Finding& finding =
        check.add(Severity::warning, what,
                  std::to_string(count) + " of " + to_text(all) + ": " + meaning + " (ASTM E2597)" +
                      (state == PixelState::non_uniform
                           ? "; limit " + percent(map.non_uniform_limit) +
                                 (map.non_uniform_limit > DefectLimits::non_uniform ? " where noise is highest" : "")
                           : ""),
                  remedy);
    finding.row = first_of(state) / map.columns;
    finding.column = first_of(state) % map.columns;
    measure(finding, double(count), 0, "pixels");
  }
  if (const std::size_t listed = map.count(PixelState::listed); listed > 0)
    check.add(Severity::note, "listed pixels", std::to_string(listed) + " are bad by the scan's own map");

  const std::vector<DefectGroup> groups = defect_groups(map);
  for (const auto& [kind, what, meaning, advice] :
       {std::tuple(DefectGroup::Kind::relevant_cluster, "clusters",
                   " that interpolation cannot mend (a pixel has fewer than 5 good neighbours)",
                   "expect rings where their shadow falls; let the detector be serviced or shift it"),
        std::tuple(DefectGroup::Kind::line, "lines", " of bad pixels", remedy.c_str()),
        std::tuple(DefectGroup::Kind::cluster, "small clusters", " that interpolation can mend", "")}) {
    const auto of_kind = [&, k = kind](const DefectGroup& group) { return group.kind == k; };
    const auto count = std::count_if(groups.begin(), groups.end(), of_kind);
    if (count == 0) continue;
    const DefectGroup& first = *std::find_if(groups.begin(), groups.end(), of_kind);
    Finding& finding = check.add(kind == DefectGroup::Kind::cluster ? Severity::note : Severity::warning, what,
                                 std::to_string(count) + meaning + ", the first of " + std::to_string(first.rows) +
                                     " rows x " + std::to_string(first.columns) + " columns",
                                 advice);
    finding.row = first.row;
    finding.column = first.column;
    measure(finding, double(count), 0, "");
  }
  if (const double share = double(map.bad_count()) / all; share > too_many) {
    Finding& finding = check.add(Severity::serious, "bad pixels", percent(share) + " of all pixels are bad",
                                 "calibrate the detector anew; are dark and open-beam images exchanged?");
    measure(finding, 100 * share, 100 * too_many, "%");
  }
}

}  // namespace rayloom::check_parts
