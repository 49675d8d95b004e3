// Movement of the part against the turntable, and scans whose images or sense of turn are the wrong way round.
#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/check_parts.h"

namespace rayloom::check_parts {

namespace {

// An axis wrong by more than 0.1 to 0.25 voxel shows in the volume (common practice); so does as large a movement.
constexpr double noticed_px = 0.25, serious_px = 1;
const char* const advice = "fix the part better and scan again; small movements can be corrected by 'align'";

Severity severity_of(double pixels) {
  return pixels > serious_px ? Severity::serious : Severity::warning;
}

void add_movement(Check& check, double pixels, const std::string& text, std::vector<int> views = {}) {
  Finding& finding = check.add(severity_of(pixels), "movement", text, advice);
  finding.views = std::move(views);
  measure(finding, pixels, noticed_px, "pixels");
}

// ---- The return view

/// Shift (columns, rows) of `b` against `a` that fits best in the least-squares sense (Gauss-Newton steps on images
/// smoothed by [1 2 1]/4 both ways; `b` resampled linearly). 0 rows if the images hold nothing to tell rows by; NaN if
/// nothing to tell columns by.
Eigen::Vector2d shift_between(Image a, Image b) {
  const int rows = a.rows, columns = a.columns;
  const auto smooth = [&](Image& image) {
    for (const bool across : {true, false}) {
      const Image before = image;
      for (int r = 0; r < rows; ++r)
        for (int c = 0; c < columns; ++c) {
          const int down = across ? 0 : 1, right = across ? 1 : 0;
          image.at(r, c) = (before.at(std::max(r - down, 0), std::max(c - right, 0)) + 2 * before.at(r, c) +
                            before.at(std::min(r + down, rows - 1), std::min(c + right, columns - 1))) /
                           4;
        }
    }
  };
  smooth(a);
  smooth(b);
  Eigen::Vector2d shift(0, 0);
  bool flat = rows < 5;
  for (int iteration = 0; iteration < 12; ++iteration) {
    Eigen::Matrix2d normal = Eigen::Matrix2d::Zero();
    Eigen::Vector2d right = Eigen::Vector2d::Zero();
    double rest = 0;
    const int margin = 2 + int(std::ceil(std::max(std::abs(shift[0]), std::abs(shift[1]))));
    const int first_row = flat ? 0 : margin, end_row = flat ? rows : rows - margin;
    for (int r = first_row; r < end_row; ++r)
      for (int c = margin; c < columns - margin; ++c) {
        const double y = flat ? r : r + shift[1], x = c + shift[0];
        const int y0 = std::clamp(int(std::floor(y)), 0, rows - 1), x0 = int(std::floor(x)),
                  y1 = std::min(y0 + 1, rows - 1);
        const double fy = y - y0, fx = x - x0;
        const double moved = (1 - fy) * ((1 - fx) * b.at(y0, x0) + fx * b.at(y0, x0 + 1)) +
                             fy * ((1 - fx) * b.at(y1, x0) + fx * b.at(y1, x0 + 1));
        const Eigen::Vector2d slope((a.at(r, c + 1) - a.at(r, c - 1)) / 2,
                                    flat ? 0 : (a.at(r + 1, c) - a.at(r - 1, c)) / 2);
        // The variance of -ln goes with 1/transmission.
        const double weight = std::exp(-std::max({double(a.at(r, c)), moved, 0.0}));
        normal += weight * slope * slope.transpose();
        right += weight * slope * (a.at(r, c) - moved);
        rest += weight * (a.at(r, c) - moved) * (a.at(r, c) - moved);
      }
    // White noise of variance s^2 in both images leaves 2 (3/8)^2 s^2 in the difference of the smoothed ones and
    // (1/4) (5/8) (3/8) s^2 in a slope: 0.21 of it. Slopes must be well above that.
    const double by_noise = 4 * 0.21 * rest;
    if (iteration == 11 || (iteration > 0 && normal.ldlt().solve(right).norm() < 1e-3)) {
      if (normal(0, 0) < by_noise) return {NAN, NAN};
      if (!flat && normal(1, 1) < by_noise) {
        flat = true;
        shift.setZero();
        iteration = 0;
        continue;
      }
    }
    if (flat) normal(1, 1) = 1;
    if (!(normal.determinant() > 1e-12 * normal(0, 0) * normal(1, 1))) return {NAN, NAN};
    const Eigen::Vector2d step = normal.ldlt().solve(right);
    shift += step;
    if (!(shift.norm() < columns / 4.0)) return {NAN, NAN};
    if (step.norm() < 1e-3) break;
  }
  return shift;
}

void check_return_view(Check& check) {
  const auto stored = return_view(check.scan);
  if (!stored) return;
  std::size_t first = 0;
  while (first < check.images() && !check.usable(first))
    ++first;
  if (first == check.images() || check.survey.records[first].view != 0) {
    check.add(Severity::cannot_tell, "movement", "view 0 is not there to compare the return view with");
    return;
  }
  Image begin(check.scan.geometry.detector.rows, check.scan.geometry.detector.columns);
  check.inventory.read(int(first), 1, begin.samples);
  const Eigen::Vector2d shift =
      shift_between(line_integrals_of(check.scan, check.flattening, begin, 0),
                    line_integrals_of(check.scan, check.flattening, *stored, int(check.inventory.planned()) - 1));
  if (!shift.allFinite()) {
    check.add(Severity::cannot_tell, "movement", "the return view cannot be laid on the first");
    return;
  }
  if (shift.norm() <= noticed_px) {
    Finding& finding = check.add(Severity::note, "movement",
                                 "the return view lies within " + to_text(shift.norm(), 2) + " pixels of the first");
    measure(finding, shift.norm(), noticed_px, "pixels");
    return;
  }
  add_movement(
      check, shift.norm(),
      "the return view lies " + to_text(shift[0], 3) + " columns and " + to_text(shift[1], 3) + " rows from the first");
}

// ---- Opposite rays

/// The sinogram as of a full, even turn, views in order of time; nothing if the scan is none.
struct Turn {
  int views = 0;
  double first = 0, step = 0;  // rad
  std::vector<const float*> lines;
};

std::optional<Turn> full_turn(const Check& check) {
  const Geometry& geometry = check.scan.geometry;
  const int views = int(geometry.angles_rad.size());
  if (views < 24) return {};
  Turn turn;
  turn.views = views;
  turn.first = geometry.angles_rad.front();
  turn.step = geometry.angles_rad[1] - turn.first;
  if (std::abs(std::abs(turn.step) * views - 2 * pi) > 1e-3) return {};
  for (int view = 0; view < views; ++view)
    if (std::abs(geometry.angles_rad[std::size_t(view)] - turn.first - view * turn.step) > 1e-6) return {};
  turn.lines.resize(std::size_t(views), nullptr);
  int absent = views;
  for (std::size_t i = 0; i < check.images(); ++i)
    if (const int view = check.survey.records[i].view; check.usable(i) && view < views) {
      turn.lines[std::size_t(view)] = &check.survey.sinogram.samples[i * std::size_t(check.survey.sinogram.columns)];
      --absent;
    }
  if (20 * absent > views) return {};
  // A lost view is near its neighbour.
  for (int view = 0; view < views; ++view)
    for (int away = 1; turn.lines[std::size_t(view)] == nullptr && away < views; ++away) {
      turn.lines[std::size_t(view)] = turn.lines[std::size_t((view + away) % views)];
      if (turn.lines[std::size_t(view)] == nullptr)
        turn.lines[std::size_t(view)] = turn.lines[std::size_t((view - away + views) % views)];
    }
  return turn;
}

/// Parallel projections of the midplane, [angle][place], angles as those of the views, places spaced by the virtual
/// pitch about the axis: the ray at place t = SOD sin g of angle theta is in view theta - g at fan angle g.
/// @param sense  1, or -1 as if the table had turned the other way.
Image parallel_turn(const Check& check, const Turn& turn, int sense) {
  const Geometry& geometry = check.scan.geometry;
  const Detector& detector = geometry.detector;
  const double shorter = std::min(detector.axis_column, detector.columns - 1 - detector.axis_column);
  const int half = int(std::floor(shorter));
  const double pitch = geometry.virtual_column_pitch_mm();
  Image result(turn.views, std::max(2 * half + 1, 1));
  for (int i = -half; i <= half; ++i) {
    double fan = 0, column = detector.axis_column + i;
    if (geometry.beam != Beam::parallel) {
      fan = std::asin(std::clamp(i * pitch / geometry.sod_mm, -1.0, 1.0));
      const double u = detector.shape == DetectorShape::arc ? geometry.sdd_mm * fan : geometry.sdd_mm * std::tan(fan);
      column = detector.axis_column + u / detector.column_pitch_mm;
    }
    const int c = std::clamp(int(std::floor(column)), 0, detector.columns - 2);
    const float part = float(std::clamp(column - c, 0.0, 1.0));
    const double behind = -sense * fan / turn.step;
    const double whole = std::floor(behind);
    const float later = float(behind - whole);
    for (int view = 0; view < turn.views; ++view) {
      const int first = int(((view + std::int64_t(whole)) % turn.views + turn.views) % turn.views),
                second = (first + 1) % turn.views;
      const float *a = turn.lines[std::size_t(first)], *b = turn.lines[std::size_t(second)];
      result.at(view, i + half) =
          (1 - later) * ((1 - part) * a[c] + part * a[c + 1]) + later * ((1 - part) * b[c] + part * b[c + 1]);
    }
  }
  return result;
}

/// Shift in places that lays the mirrored opposite projection on each of the first half turn, and what is left over.
struct Opposites {
  std::vector<double> shift;
  double misfit = 0;  ///< Mean square left over the mean square of slopes: pixels squared.
};

/// The whole shift common to all pairs that leaves least: twice as far as the axis is from where the scan file has it.
/// Steps along slopes find a shift only within the size of the part's features.
int common_shift(const Image& parallel) {
  const int half = parallel.rows / 2, width = parallel.columns, reach = width / 4;
  const int every = std::max(1, half / 32);
  double least = INFINITY;
  int best = 0;
  for (int shift = -reach; shift <= reach; ++shift) {
    double squares = 0;
    for (int j = 0; j < half; j += every)
      for (int i = 0; i < width; ++i) {
        const double apart = parallel.at(j, i) - parallel.at(j + half, std::clamp(width - 1 - i - shift, 0, width - 1));
        squares += apart * apart;
      }
    if (squares < least) {
      least = squares;
      best = shift;
    }
  }
  return best;
}

Opposites compare_opposites(const Image& parallel) {
  const int half = parallel.rows / 2, width = parallel.columns;
  const double start = common_shift(parallel);
  Opposites result;
  std::vector<double> left_over;
  std::vector<double> a(std::size_t(width), 0.0), b = a, slope = a;
  for (int j = 0; j < half; ++j) {
    for (int i = 0; i < width; ++i) {
      a[std::size_t(i)] = parallel.at(j, i);
      b[std::size_t(i)] = parallel.at(j + half, width - 1 - i);
    }
    double shift = start, rest = 0, energy = 0;
    for (int iteration = 0; iteration < 6; ++iteration) {
      const int margin = 2 + int(std::ceil(std::abs(shift)));
      double up = 0;
      energy = rest = 0;
      for (int i = margin; i < width - margin; ++i) {
        const double x = i + shift;
        const int x0 = int(std::floor(x));
        const double f = x - x0, moved = (1 - f) * b[std::size_t(x0)] + f * b[std::size_t(x0 + 1)];
        const double g =
            (a[std::size_t(i + 1)] - a[std::size_t(i - 1)] + b[std::size_t(x0 + 1)] - b[std::size_t(x0 - 1)]) / 4;
        energy += g * g;
        up += g * (a[std::size_t(i)] - moved);
        rest += (a[std::size_t(i)] - moved) * (a[std::size_t(i)] - moved);
      }
      if (!(energy > 0)) break;
      const double step = std::clamp(up / energy, -2.0, 2.0);
      shift += step;
      if (std::abs(shift - start) > width / 4.0) break;
      if (std::abs(step) < 1e-3) break;
    }
    result.shift.push_back(shift);
    left_over.push_back(energy > 0 ? rest / energy : 0);
  }
  result.misfit = median_of(left_over);
  return result;
}

/// A movement (dx, dy) of the part, in places, beside a constant.
struct Fit {
  double squares = INFINITY, size = 0;
  int from_view = -1;  ///< -1: evenly all along.
};

/// Least squares of shift_j = c + w_j (dx cos theta_j + dy sin theta_j).
Fit fit_movement(const std::vector<double>& shift, const Turn& turn, const std::vector<double>& weight) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  double total = 0;
  for (std::size_t j = 0; j < shift.size(); ++j) {
    const double theta = turn.first + double(j) * turn.step;
    const Eigen::Vector3d row(1, weight[j] * std::cos(theta), weight[j] * std::sin(theta));
    normal += row * row.transpose();
    right += row * shift[j];
    total += shift[j] * shift[j];
  }
  Fit fit;
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d> eigen(normal);
  if (!(eigen.eigenvalues()[0] > 2e-3 * double(shift.size()))) return fit;
  const Eigen::Vector3d solution = normal.ldlt().solve(right);
  fit.squares = total - right.dot(solution);
  fit.size = std::hypot(solution[1], solution[2]);
  return fit;
}

void check_opposites(Check& check, const Turn& turn, const std::vector<double>& shift) {
  const double middle = median_of(shift);
  std::vector<double> about;
  for (const double value : shift)
    about.push_back(value - middle);
  double mean = 0, still = 0;
  for (const double value : about)
    mean += value / double(about.size());
  for (const double value : about)
    still += (value - mean) * (value - mean);

  const std::size_t half = about.size();
  Fit best = fit_movement(about, turn, std::vector<double>(half, -0.5));
  // A step between the view of a pair and its opposite shows in that pair only. One near the middle shows in all pairs
  // as an even movement of twice its size does, which stands for it.
  for (std::size_t from = half / 8; from + half / 8 < 2 * half; from += std::max<std::size_t>(1, half / 90)) {
    if (from + half / 8 > half && from < half + half / 8) continue;
    std::vector<double> weight(half);
    for (std::size_t j = 0; j < half; ++j)
      weight[j] = j < from && j + half >= from ? -1 : 0;
    Fit fit = fit_movement(about, turn, weight);
    fit.from_view = int(from);
    if (fit.squares < 0.5 * best.squares) best = fit;
  }
  // The fit must leave less than half of what there is without movement.
  if (!(best.size > noticed_px) || !(best.squares < still / 2)) return;
  add_movement(check, best.size,
               "opposite rays do not see the same: across the axis the part moved by " + to_text(best.size, 3) +
                   " pixels, " +
                   (best.from_view < 0 ? "evenly over the turn" : "near view " + std::to_string(best.from_view)),
               best.from_view < 0 ? std::vector<int>{} : std::vector<int>{best.from_view});
}

// ---- Heights

/// Movement along the axis: heights of the row profiles jump where straight lines through the views before and after do
/// not meet; the end of a full turn meets its beginning.
void check_heights(Check& check, bool closed) {
  const Image& profiles = check.survey.profiles;
  std::vector<int> images;
  for (std::size_t i = 0; i < check.images(); ++i)
    if (check.usable(i)) images.push_back(int(i));
  const int rows = profiles.columns;
  if (rows < 8 || images.size() < 24) {
    check.add(Severity::cannot_tell, "movement along the axis",
              rows < 8 ? "too few rows to see heights" : "too few views to see steps");
    return;
  }
  if (check.starved()) {
    check.add(Severity::cannot_tell, "movement along the axis", "too much of the part lets nothing through");
    return;
  }
  std::vector<double> mean(std::size_t(rows), 0.0);
  for (const int image : images)
    for (int r = 0; r < rows; ++r)
      mean[std::size_t(r)] += profiles.at(image, r) / double(images.size());
  std::vector<double> slope(std::size_t(rows), 0.0);
  double energy = 0, top = 0;
  for (int r = 1; r + 1 < rows; ++r) {
    slope[std::size_t(r)] = (mean[std::size_t(r + 1)] - mean[std::size_t(r - 1)]) / 2;
    energy += slope[std::size_t(r)] * slope[std::size_t(r)];
    top = std::max(top, mean[std::size_t(r)]);
  }
  if (!(energy > 1e-4 * top * top)) {
    check.add(Severity::cannot_tell, "movement along the axis", "the part has no ends or steps along the axis in view");
    return;
  }
  // Heights by linear steps from a mean profile, which is made anew from the profiles laid on each other.
  std::vector<double> height(images.size(), 0.0);
  const auto shifted = [&](int image, int row, double by) {
    const double y = std::clamp(row - by, 0.0, rows - 1.001);
    const int first = int(y);
    return (1 - (y - first)) * profiles.at(image, first) + (y - first) * profiles.at(image, first + 1);
  };
  for (int iteration = 0; iteration < 3; ++iteration) {
    std::vector<double> sharp(std::size_t(rows), 0.0);
    for (std::size_t i = 0; i < images.size(); ++i)
      for (int r = 0; r < rows; ++r)
        sharp[std::size_t(r)] += shifted(images[i], r, height[i]) / double(images.size());
    energy = 0;
    for (int r = 1; r + 1 < rows; ++r) {
      slope[std::size_t(r)] = (sharp[std::size_t(r + 1)] - sharp[std::size_t(r - 1)]) / 2;
      energy += slope[std::size_t(r)] * slope[std::size_t(r)];
    }
    for (std::size_t i = 0; i < images.size(); ++i) {
      double sum = 0;
      for (int r = 1; r + 1 < rows; ++r)
        sum += slope[std::size_t(r)] * (shifted(images[i], r, height[i]) - sharp[std::size_t(r)]);
      height[i] = std::clamp(height[i] + sum / energy, -rows / 8.0, rows / 8.0);
    }
  }
  const int count = int(height.size()), reach = 4;
  const auto at = [&](int i) { return height[std::size_t((i % count + count) % count)]; };
  // Value half a view on, from a line through `reach` views ending (beginning) there.
  const auto extrapolated = [&](int from, int direction) {
    double sum = 0, moment = 0;
    for (int k = 0; k < reach; ++k) {
      sum += at(from - direction * k);
      moment += (k - (reach - 1) / 2.0) * at(from - direction * k);
    }
    const double spread = reach * (reach * reach - 1) / 12.0;
    return sum / reach - moment / spread * ((reach - 1) / 2.0 + 0.5);
  };
  std::vector<double> jump;
  for (int i = 0; i < count; ++i)  // between i - 1 and i; 0: the closing of the turn
    jump.push_back(i < reach && !(i == 0 && closed) ? 0
                   : i > count - reach              ? 0
                                                    : extrapolated(i, -1) - extrapolated(i - 1, 1));
  const double usual = robust_deviation(jump), limit = std::max(noticed_px, 8 * usual);
  std::vector<int> views;
  double largest = 0;
  for (int i = 1; i < count; ++i)
    if (std::abs(jump[std::size_t(i)]) > limit) {
      if (std::abs(jump[std::size_t(i)]) > std::abs(largest)) {
        largest = jump[std::size_t(i)];
        views = {check.survey.records[std::size_t(images[std::size_t(i)])].view};
      }
    }
  if (!views.empty())
    add_movement(check, std::abs(largest),
                 "the part moved " + std::string(largest > 0 ? "up" : "down") + " by " + to_text(std::abs(largest), 3) +
                     " pixels before " + list_of(views),
                 views);
  else if (std::abs(jump[0]) > limit)
    add_movement(check, std::abs(jump[0]),
                 "the end of the turn lies " + to_text(std::abs(jump[0]), 3) + " pixels " +
                     (jump[0] < 0 ? "above" : "below") + " its beginning");
}

}  // namespace

void check_movement(Check& check) {
  if (!check.scan.geometry.part_moved_mm.empty()) {
    check.add(Severity::note, "movement",
              "the scan file says how the part moved (views.part_moved_mm); it is not looked for again");
    return;
  }
  check_return_view(check);
  if (check.trial()) return;
  const Sides& continued = check.options.continued;
  const bool leaves = continued.left || continued.right ||
                      std::any_of(check.findings.begin(), check.findings.end(), [](const Finding& finding) {
                        return finding.what == "part leaves the view" && finding.unit == "rows";
                      });
  const auto turn = full_turn(check);
  check_heights(check, turn.has_value());
  if (!turn || leaves) {
    if (check.scan.images.return_view.empty())
      check.add(Severity::cannot_tell, "movement",
                leaves ? continued.left || continued.right
                             ? "a tile sees only one side of the part, so that opposite rays do not compare"
                             : "the part leaves the view, so that opposite rays do not compare"
                       : "views do not make a full, even turn, so that few opposite rays can be compared",
                "take one more image at the first angle after the turn (images.return_view)");
    return;
  }
  const Opposites given = compare_opposites(parallel_turn(check, *turn, 1));
  if (check.scan.geometry.beam == Beam::parallel) {
    check.add(Severity::cannot_tell, "mirrored or reversed", "parallel beam looks the same either way");
  } else {
    const Opposites other = compare_opposites(parallel_turn(check, *turn, -1));
    if (other.misfit < 0.25 * given.misfit) {
      Finding& finding = check.add(
          Severity::serious, "mirrored or reversed",
          "opposite rays fit " + to_text(std::sqrt(given.misfit / other.misfit), 2) +
              " times better if the table turned the other way or the images were mirrored",
          "change the sign of views.arc_deg, or set images.mirrored; a known feature of the part tells which");
      measure(finding, std::sqrt(given.misfit / other.misfit), 2, "times");
      return;
    }
    if (other.misfit < 4 * given.misfit)
      check.add(Severity::cannot_tell, "mirrored or reversed", "opposite rays fit about as well either way");
  }
  // Between views farther apart than a pixel at the part's edge nothing can be interpolated; only of parallel rays is
  // there a view that looks exactly the other way.
  const double width = width_in_use(check, check.scan.geometry.detector);
  if (turn->views < width && (check.scan.geometry.beam != Beam::parallel || turn->views % 2 != 0)) {
    check.add(Severity::cannot_tell, "movement",
              std::to_string(turn->views) + " views are too few to compare opposite rays of a part " +
                  to_text(width, 4) + " pixels wide",
              "take one more image at the first angle after the turn (images.return_view)");
    return;
  }
  check_opposites(check, *turn, given.shift);
}

}  // namespace rayloom::check_parts
