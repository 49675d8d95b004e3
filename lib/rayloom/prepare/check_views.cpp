// Which views there are, whether they follow each other as the scan file says, and whether they suffice.
#include <algorithm>
#include <cmath>
#include <set>
#include <tuple>

#include "rayloom/geometry/views.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"
#include "rayloom/prepare/survey_loops.h"

namespace rayloom::check_parts {

namespace {

constexpr double odd_steps = 1.6;      // times the usual: steps of a view that may belong elsewhere
constexpr std::size_t most_odd = 100;  // of such views
constexpr double lone_step = 1.45;     // times the largest of the three steps before and the three after

/// Steps between the images made small: root mean square difference without what beam and noise add.
class Steps {
 public:
  explicit Steps(const Check& check) : survey_(check.survey) {
    // Relative variance of a block of n pixels behind transmission t is noise^2/(n t).
    const double noise = check.flattening.noise.value_or(0), variance = noise * noise / survey_.block_pixels;
    for (int i = 0; i < int(check.images()); ++i) {
      double sum = 0;
      for (const float p : survey_.small_of(i))
        sum += std::exp(std::min(double(p), 6.0));
      noise_.push_back(variance * sum / double(survey_.small_of(i).size()));
    }
  }

  /// Mean square of the difference without its mean and its slopes, which the beam may have changed.
  double squared(int a, int b) const {
    const auto first = survey_.small_of(a), second = survey_.small_of(b);
    const int rows = survey_.small_rows, columns = survey_.small_columns;
    double squares = 0, sum = 0, across = 0, down = 0;
    for (int r = 0; r < rows; ++r) {
      const std::size_t start = std::size_t(r * columns);
      const survey_loops::Moments row = survey_loops::moments_of_step(&first[start], &second[start], columns);
      squares += row.squares;
      sum += row.sum;
      across += row.across;
      down += row.sum * (r - (rows - 1) / 2.0);
    }
    const double n = double(first.size());
    // Sum of (i - (m - 1)/2)^2 is m (m^2 - 1)/12.
    const double spread_across = n * (double(columns) * columns - 1) / 12,
                 spread_down = n * (double(rows) * rows - 1) / 12;
    squares -= sum * sum / n;
    if (columns > 1) squares -= across * across / spread_across;
    if (rows > 1) squares -= down * down / spread_down;
    return std::max(squares, 0.0) / n;
  }
  bool same(int a, int b) const {
    const auto first = survey_.small_of(a), second = survey_.small_of(b);
    return std::equal(first.begin(), first.end(), second.begin());
  }
  double between(int a, int b) const {
    return std::sqrt(std::max(squared(a, b) - noise_[std::size_t(a)] - noise_[std::size_t(b)], 0.0));
  }
  double blocks() const { return double(survey_.small_rows) * survey_.small_columns; }
  /// What noise alone would make of a step.
  double noise(int a, int b) const { return std::sqrt(noise_[std::size_t(a)] + noise_[std::size_t(b)]); }

 private:
  const Survey& survey_;
  std::vector<double> noise_;
};

void check_presence(Check& check) {
  const ViewInventory& inventory = check.inventory;
  const std::vector<int>& views = inventory.views();
  const int planned = inventory.planned();
  for (const auto& [file, why] : inventory.unreadable())
    check.add(Severity::serious, "unreadable images", why,
              "copy the file again, or remove it and do without this view");
  for (const auto& why : check.survey.damaged)
    check.add(Severity::serious, "unreadable images", why,
              "copy the file again, or remove it and do without this view");

  std::vector<int> black;
  for (std::size_t i = 0; i < check.images(); ++i)
    if (check.black[i]) black.push_back(views[i]);
  if (!black.empty())
    check.add(Severity::serious, "black views", "no beam in " + list_of(black), "take them again, or leave them out")
        .views = black;
  if (check.trial()) return;

  if (views.back() >= planned) {
    const int surplus = int(std::count_if(views.begin(), views.end(), [&](int view) { return view >= planned; }));
    Finding& finding =
        check.add(Severity::serious, "surplus views",
                  std::to_string(surplus) + (surplus == 1 ? " image" : " images") + " beyond views.count",
                  "correct views.count; an image at the first angle after the turn belongs in "
                  "images.return_view");
    measure(finding, double(inventory.images()), planned, "images");
  }
  std::vector<int> missing;
  const std::set<int> there(views.begin(), views.end());
  for (int view = 0; view < std::min(views.back(), planned); ++view)
    if (!there.contains(view)) missing.push_back(view);
  if (!missing.empty()) {
    Finding& finding = check.add(Severity::serious, "missing views",
                                 std::to_string(missing.size()) + " of " + std::to_string(planned) + ": " +
                                     list_of(missing) + (inventory.numbered() ? " by the numbers of the files" : ""),
                                 "take them again, or reconstruct from the views that are there");
    finding.views = missing;
    measure(finding, double(missing.size()), 0, "views");
  }
  if (views.back() + 1 < planned) {
    const double whole_deg =
        degrees(std::abs(check.scan.geometry.angles_rad.back() - check.scan.geometry.angles_rad.front()));
    const double there_deg = degrees(
        std::abs(check.scan.geometry.angles_rad[std::size_t(views.back())] - check.scan.geometry.angles_rad.front()));
    Finding& finding =
        check.add(Severity::serious, "broken off",
                  "the scan ends with view " + std::to_string(views.back()) + " of " + std::to_string(planned) +
                      ", after " + to_text(there_deg, 4) + " of " + to_text(whole_deg, 4) + " degrees",
                  "go on scanning, or reconstruct from the views that are there");
    finding.views = {views.back()};
    measure(finding, views.back() + 1, planned, "views");
  }
}

/// Geometry of the views that are there.
Geometry geometry_there(const Check& check) {
  const Geometry& geometry = check.scan.geometry;
  std::vector<int> views;
  for (std::size_t i = 0; i < check.images(); ++i)
    if (const int view = check.survey.records[i].view; check.usable(i) && view < int(geometry.angles_rad.size()))
      views.push_back(view);
  return views.empty() ? geometry : with_views(geometry, views);
}

void check_arc(Check& check, const ViewSet& set, const Geometry& geometry) {
  const double half_width =
      std::max(geometry.detector.axis_column + 0.5, geometry.detector.columns - 0.5 - geometry.detector.axis_column) *
      geometry.detector.column_pitch_mm;
  const double fan = geometry.beam == Beam::parallel ? 0 : 2 * std::atan(half_width / geometry.sdd_mm);
  const double needed = set.period_rad > 1.5 * pi ? pi + fan : pi;
  if (set.closed || set.arc_rad >= needed * (1 - 1e-9)) return;
  // A parallel scan of 180 degrees is closed; an open one of as many steps as it should have lacks nothing.
  Finding& finding =
      check.add(Severity::serious, "arc", "the views cover " + to_text(degrees(set.arc_rad), 4) + " degrees",
                "scan on; or expect streaks and missing edges along the directions that are missing");
  measure(finding, degrees(set.arc_rad), degrees(needed), "degrees");
}

}  // namespace

double width_in_use(const Check& check, const Detector& detector) {
  const Image& mean = check.survey.mean;
  std::vector<float> sorted = mean.samples;
  const auto bright = sorted.begin() + std::ptrdiff_t(sorted.size() * 98 / 100);
  std::nth_element(sorted.begin(), bright, sorted.end());
  double reach = 0;
  const int least_rows = std::min(2, mean.rows);
  for (int c = 0; c < mean.columns; ++c) {
    int dark = 0;
    for (int r = 0; r < mean.rows; ++r)
      dark += mean.at(r, c) < 0.95F * *bright;
    if (dark >= least_rows) reach = std::max(reach, std::abs(c - detector.axis_column) + 0.5);
  }
  const Sides& continued = check.options.continued;
  return continued.left || continued.right ? 2 * reach : std::min(2 * reach, 2.0 * detector.columns);
}

namespace {

void check_number(Check& check, const ViewSet& set, const Geometry& geometry) {
  const double width = width_in_use(check, geometry.detector);
  if (width < 4) {
    check.add(Severity::cannot_tell, "number of views", "no part is seen against the air, so its width is not known");
    return;
  }
  // Over 180 degrees (pi/2) width views (Kak & Slaney 1988, ch. 5); common practice is 1 to pi/2 times the width over
  // 360 degrees, so the lower limit is half of it by arc.
  const double arc = set.arc_rad, lowest = width * arc / (2 * pi), best = pi / 2 * width * arc / pi;
  const double views = double(set.distinct);
  if (views >= best) return;
  const bool few = views < lowest;
  Finding& finding =
      check.add(few ? (views < lowest / 2 ? Severity::serious : Severity::warning) : Severity::note, "number of views",
                std::to_string(set.distinct) + " views for a part " + to_text(width, 4) + " pixels wide; " +
                    (few ? "streaks will show" : "fine streaks may show near its edge") + ", best from " +
                    std::to_string(std::lround(std::ceil(best))) + " on (Kak & Slaney 1988)",
                few ? "take at least " + std::to_string(std::lround(std::ceil(lowest))) + " views" : "");
  measure(finding, views, std::ceil(few ? lowest : best), "views");
}

/// The angle between successive images as the scan file tells it.
double gap(const Check& check, int a, int b) {
  const auto& angles = check.scan.geometry.angles_rad;
  const int last = int(angles.size()) - 1;
  const int first = check.survey.records[std::size_t(a)].view, second = check.survey.records[std::size_t(b)].view;
  if (first > last || second > last) return 0;
  return std::abs(angles[std::size_t(second)] - angles[std::size_t(first)]);
}

std::vector<int> usable_images(const Check& check) {
  std::vector<int> images;
  for (std::size_t i = 0; i < check.images(); ++i)
    if (check.usable(i)) images.push_back(int(i));
  return images;
}

void check_order(Check& check, const Steps& steps) {
  std::vector<int> images = usable_images(check);
  while (!images.empty() && check.survey.records[std::size_t(images.back())].view >= check.inventory.planned())
    images.pop_back();  // told as surplus
  if (images.empty()) return;
  const auto view_of = [&](int image) { return check.survey.records[std::size_t(image)].view; };
  std::vector<int> repeated;
  std::set<int> known;  // images whose steps are explained
  for (std::size_t k = 1; k < images.size(); ++k)
    if (steps.same(images[k - 1], images[k])) {
      repeated.push_back(view_of(images[k]));
      known.insert(images[k]);
    }

  // Steps per angle, and what is usual around them.
  std::vector<double> rate, size;
  for (std::size_t k = 1; k < images.size(); ++k) {
    const double angle = gap(check, images[k - 1], images[k]);
    size.push_back(steps.between(images[k - 1], images[k]));
    rate.push_back(angle > 0 ? size.back() / angle : 0);
  }
  const double typical = median_of(size);
  std::vector<double> noise;
  for (std::size_t k = 1; k < images.size(); ++k)
    noise.push_back(steps.noise(images[k - 1], images[k]));
  const double typical_noise = median_of(noise);
  // Steps small enough to follow: two of them make nearly twice the difference.
  std::vector<double> doubled;
  for (std::size_t k = 1; k + 1 < images.size(); ++k)
    if (size[k - 1] > 0) doubled.push_back(steps.between(images[k - 1], images[k + 1]) / size[k - 1]);
  if (check.starved()) {
    check.add(Severity::cannot_tell, "order of views", "too much of the part lets nothing through");
  } else if (images.size() < 12 || !(typical > typical_noise / 2) || !(typical > 0)) {
    check.add(Severity::cannot_tell, "order of views",
              "the part changes too little from view to view to tell order and spacing");
  } else if (median_of(doubled) < 1.4) {
    check.add(Severity::cannot_tell, "order of views",
              "the part changes too much from view to view to tell order and spacing");
  } else {
    const auto usual = [&](std::size_t k) {
      std::vector<double> around;
      for (std::size_t i = k > 8 ? k - 8 : 0; i < std::min(rate.size(), k + 9); ++i)
        if (i != k && !known.contains(images[i + 1])) around.push_back(rate[i]);
      return median_of(around);
    };
    std::vector<int> stood, jumped, exchanged;
    double largest = 0;
    // A part seen face-on hardly changes either, but steps grow small and large again little by little: a table that
    // stood makes a hole with steep sides.
    for (std::size_t k = 1; k < rate.size(); ++k) {
      const auto stands = [&](std::size_t i) {
        const double as_usual = usual(i) * gap(check, images[i], images[i + 1]);
        return size[i] < 0.1 * as_usual && as_usual > 3 * noise[i] && !known.contains(images[i + 1]);
      };
      const auto turns = [&](std::size_t i) { return rate[i] > 0.5 * usual(i); };
      if (!stands(k) || !turns(k - 1)) continue;
      std::size_t end = k + 1;
      while (end < rate.size() && stands(end))
        ++end;
      if (end == rate.size() || !turns(end)) continue;
      for (std::size_t i = k; i < end; ++i) {
        stood.push_back(view_of(images[i + 1]));
        known.insert(images[i + 1]);
      }
      k = end;
    }
    // Views farther apart exchanged make the ways through both places shorter the other way round: the farther apart
    // they are, the more so, while views of a part that looks alike after a while make little of it.
    struct Exchange {
      double left;  ///< Share of the ways' length.
      std::size_t k, l;
    };
    std::vector<Exchange> exchanges;
    const auto consider = [&](std::size_t k, std::size_t l, double most) {
      if (known.contains(images[k]) || known.contains(images[l])) return;
      const auto around = [&](std::size_t place, int image) {
        return steps.between(images[place - 1], image) + steps.between(image, images[place + 1]);
      };
      const double given = around(k, images[k]) + around(l, images[l]),
                   other = around(k, images[l]) + around(l, images[k]);
      if (other < most * given) exchanges.push_back({other / given, k, l});
    };
    // Of neighbours the way through both counts: it is a quarter shorter the other way round.
    for (std::size_t k = 1; k + 2 < images.size(); ++k) {
      const int a = images[k - 1], b = images[k], c = images[k + 1], d = images[k + 2];
      if (known.contains(b) || known.contains(c) || known.contains(d)) continue;
      const double given = steps.between(a, b) + steps.between(c, d), other = steps.between(a, c) + steps.between(b, d);
      if (other < 0.75 * given) exchanges.push_back({other / given, k, k + 1});
    }
    std::vector<std::size_t> odd;  // whose own steps are large
    for (std::size_t k = 1; k + 1 < images.size(); ++k) {
      for (std::size_t l = k + 2; l < std::min(k + 4, images.size() - 1); ++l)
        consider(k, l, 0.85);
      if (odd.size() < most_odd && rate[k - 1] + rate[k] > odd_steps * (usual(k - 1) + usual(k))) odd.push_back(k);
    }
    for (std::size_t i = 0; i < odd.size(); ++i)
      for (std::size_t j = i + 1; j < odd.size(); ++j)
        if (odd[j] >= odd[i] + 4) consider(odd[i], odd[j], 0.6);
    std::sort(exchanges.begin(), exchanges.end(),
              [](const Exchange& a, const Exchange& b) { return std::tie(a.left, a.k) < std::tie(b.left, b.k); });
    for (const Exchange& best : exchanges) {
      if (known.contains(images[best.k]) || known.contains(images[best.l])) continue;
      for (const std::size_t place : {best.k, best.l}) {
        exchanged.push_back(view_of(images[place]));
        known.insert({images[place - 1], images[place], images[place + 1]});
      }
    }
    // A lone step much larger than those beside it, by more than what noise does to steps: the square of one is a mean
    // over blocks.
    for (std::size_t k = 1; k + 1 < rate.size(); ++k) {
      if (known.contains(images[k + 1]) || known.contains(images[k])) continue;
      double beside = 0;
      for (std::size_t i = k > 3 ? k - 3 : 0; i < std::min(rate.size(), k + 4); ++i)
        if (i != k) beside = std::max(beside, rate[i]);
      const double by_chance = 5 * noise[k] / std::sqrt(steps.blocks());
      if (rate[k] > lone_step * beside &&
          size[k] > std::max(2 * noise[k], lone_step * beside * gap(check, images[k], images[k + 1]) + by_chance)) {
        jumped.push_back(view_of(images[k + 1]));
        largest = std::max(largest, rate[k] / usual(k));
      }
    }
    // Steps that go up and down all along: spacing.
    std::vector<double> roughness;
    for (std::size_t k = 1; k + 1 < rate.size(); ++k)
      if (const double mean = (rate[k - 1] + 2 * rate[k] + rate[k + 1]) / 4; mean > 0)
        roughness.push_back(std::abs(2 * rate[k] - rate[k - 1] - rate[k + 1]) / (4 * mean));
    const double unevenness = median_of(roughness);
    if (unevenness > 0.1 && typical > 2 * typical_noise) {
      Finding& finding = check.add(
          Severity::serious, "uneven views",
          "steps from view to view differ by " + percent(unevenness) + " where the scan file's angles say otherwise",
          "list the true angles as views.angles_deg");
      measure(finding, 100 * unevenness, 10, "%");
    } else {
      if (!stood.empty()) {
        check
            .add(Severity::serious, "repeated views", "the part did not turn before " + list_of(stood),
                 "leave these out and list the angles of the others as views.angles_deg")
            .views = stood;
      }
      if (!exchanged.empty())
        check
            .add(Severity::serious, "order of views",
                 list_of(exchanged) + " would follow each other better the other way round",
                 "look at the names of the files")
            .views = exchanged;
      if (!jumped.empty()) {
        Finding& finding = check.add(
            Severity::serious, "jumps",
            "before " + list_of(jumped) + " the part turned or moved by up to " + to_text(largest, 3) + " usual steps",
            "views were lost, the table slipped or the part moved: list the true angles, or scan again");
        finding.views = jumped;
        measure(finding, largest, lone_step, "steps");
      }
    }
  }
  if (!repeated.empty())
    check
        .add(Severity::serious, "repeated views",
             list_of(repeated) + (repeated.size() == 1 ? " shows" : " show") + " the very samples of the view before",
             "leave these out and list the angles of the others as views.angles_deg")
        .views = repeated;
}

/// A turn that ends on its first angle.
void check_closing(Check& check, const Steps& steps) {
  const std::vector<int> images = usable_images(check);
  const bool uneven = std::any_of(check.findings.begin(), check.findings.end(),
                                  [](const Finding& finding) { return finding.what == "uneven views"; });
  if (check.trial() || uneven || images.size() < 12) return;
  const auto& angles = check.scan.geometry.angles_rad;
  const int first = images.front(), last = images.back();
  const int last_view = check.survey.records[std::size_t(last)].view;
  if (check.survey.records[std::size_t(first)].view != 0 || last_view + 1 < int(angles.size())) return;
  const double step = std::abs(angles[1] - angles[0]);
  // The angle from the last view to the first a turn later, were the scan file right.
  const double open =
      last_view < int(angles.size()) ? 2 * pi - std::abs(angles[std::size_t(last_view)] - angles.front()) : 0;
  if (std::abs(open - step) > 0.5 * step && last_view < int(angles.size())) return;
  const double usual = (steps.between(first, images[1]) + steps.between(images[images.size() - 2], last)) / 2;
  if (!(usual > steps.noise(first, images[1]))) {
    check.add(Severity::cannot_tell, "closing of the turn", "the part changes too little from view to view");
    return;
  }
  const double closing = steps.between(last, first);
  if (closing > 0.4 * usual) return;
  // Two images of a part's mirror plane's sides are alike, too; but so are the next ones on each side.
  if (steps.between(images[images.size() - 2], images[1]) < 1.2 * usual) {
    check.add(Severity::cannot_tell, "closing of the turn", "the part looks alike on both sides of the first angle");
    return;
  }
  Finding& finding = check.add(
      Severity::serious, "arc",
      "the last image shows the first angle again: N + 1 images over 360 degrees, so each angle is a little off",
      last_view < int(angles.size()) ? "set views.arc_deg to " +
                                           to_text(degrees(std::abs(angles[1] - angles[0])) * double(angles.size()) *
                                                       double(angles.size()) / double(angles.size() - 1),
                                                   8) +
                                           ", or leave the last image out and name it as images.return_view"
                                     : "name it as images.return_view");
  finding.views = {last_view};
  measure(finding, closing / usual, 0.4, "steps");
}

}  // namespace

void check_views(Check& check) {
  check_presence(check);
  const Geometry there = geometry_there(check);
  if (check.trial()) {
    const bool alone = check.inventory.planned() <= trial_views;
    check.add(Severity::cannot_tell, "order of views",
              std::to_string(check.images()) + (check.images() == 1 ? " trial view says" : " trial views say") +
                  " nothing of order, spacing, arc and movement");
    if (alone)
      check.add(Severity::cannot_tell, "number of views", "the number of views of the scan to come is not known");
    else
      check_number(check, view_set(check.scan.geometry, automatic_coverage(check.scan.geometry)), check.scan.geometry);
    return;
  }
  const ViewSet set = view_set(there, automatic_coverage(there));
  check_arc(check, set, there);
  check_number(check, set, there);
  const Steps steps(check);
  check_order(check, steps);
  check_closing(check, steps);
}

}  // namespace rayloom::check_parts
