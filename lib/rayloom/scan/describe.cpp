#include "rayloom/scan/describe.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

using Q = Quantity;

bool agree(double a, double b, double share) {
  return std::abs(a - b) <= share * std::max(std::abs(a), std::abs(b));
}

/// The quantities known so far, each with its origin.
class Knowledge {
 public:
  explicit Knowledge(Description& description) : description_(description) {}

  bool has(Q quantity) const { return known_.count(quantity) > 0; }
  double operator[](Q quantity) const { return known_.at(quantity).value; }
  bool by_option(Q quantity) const { return has(quantity) && known_.at(quantity).option; }
  const std::string& origin(Q quantity) const { return known_.at(quantity).origin; }
  std::optional<double> get(Q quantity) const {
    return has(quantity) ? std::optional((*this)[quantity]) : std::nullopt;
  }
  void forget(Q quantity) { known_.erase(quantity); }

  void option(Q quantity, const std::optional<double>& value, const std::string& name) {
    if (value) known_[quantity] = {*value, name, true};
  }

  /// Takes the readings in; those that disagree are left out unless an option has settled the matter.
  void readings(const std::vector<Reading>& all) {
    std::map<Q, std::vector<const Reading*>> by_quantity;
    for (const auto& reading : all)
      by_quantity[reading.quantity].push_back(&reading);
    for (const auto& [quantity, list] : by_quantity) {
      const auto other = std::find_if(list.begin(), list.end(), [first = list[0]->value](const Reading* r) {
        return !agree(r->value, first, 1e-3);
      });
      if (by_option(quantity)) {
        const double value = (*this)[quantity];
        for (const Reading* reading : list)
          if (!agree(reading->value, value, 1e-3))
            contradict(to_string(quantity) + ": " + to_text(reading->value, 7) + " in " + reading->where + ", but " +
                       origin(quantity) + " says " + to_text(value, 7) + "; the option counts");
      } else if (other != list.end()) {
        contradict(to_string(quantity) + ": " + to_text(list[0]->value, 7) + " in " + list[0]->where + ", but " +
                   to_text((*other)->value, 7) + " in " + (*other)->where + "; neither counts");
      } else {
        known_[quantity] = {list[0]->value, list[0]->where, false};
        if (!list[0]->guess.empty())
          guess(to_string(quantity) + ": " + to_text(list[0]->value, 7) + " from " + list[0]->where + ": " +
                list[0]->guess);
      }
    }
  }

  void derive(Q quantity, double value, const std::string& how) {
    if (!has(quantity) && std::isfinite(value)) known_[quantity] = {value, how, false};
  }

  void contradict(const std::string& line) { description_.contradictions.push_back(line); }
  void guess(const std::string& line) { description_.guesses.push_back(line); }

  void list_into(std::vector<std::string>& lines) const {
    for (const auto& [quantity, entry] : known_)
      lines.push_back(to_string(quantity) + ": " + to_text(entry.value, 7) + ", from " + entry.origin);
  }

 private:
  struct Entry {
    double value;
    std::string origin;
    bool option;
  };
  std::map<Q, Entry> known_;
  Description& description_;
};

/// SDD = SOD + ODD, M = SDD/SOD, voxel = pitch/M, each the other way round too; then whether all given ones agree.
void complete_lengths(Knowledge& known) {
  const auto all = [&](Q a, Q b) { return known.has(a) && known.has(b); };
  for (int round = 0; round < 3; ++round) {
    if (all(Q::column_pitch_mm, Q::voxel_mm))
      known.derive(Q::magnification, known[Q::column_pitch_mm] / known[Q::voxel_mm], "pixel size / voxel size");
    if (all(Q::source_to_object_mm, Q::object_to_detector_mm))
      known.derive(Q::source_to_detector_mm, known[Q::source_to_object_mm] + known[Q::object_to_detector_mm],
                   "source to object + object to detector");
    if (all(Q::source_to_detector_mm, Q::object_to_detector_mm))
      known.derive(Q::source_to_object_mm, known[Q::source_to_detector_mm] - known[Q::object_to_detector_mm],
                   "source to detector - object to detector");
    if (all(Q::source_to_object_mm, Q::source_to_detector_mm))
      known.derive(Q::magnification, known[Q::source_to_detector_mm] / known[Q::source_to_object_mm],
                   "source to detector / source to object");
    if (all(Q::source_to_object_mm, Q::magnification))
      known.derive(Q::source_to_detector_mm, known[Q::source_to_object_mm] * known[Q::magnification],
                   "source to object x magnification");
    if (all(Q::source_to_detector_mm, Q::magnification))
      known.derive(Q::source_to_object_mm, known[Q::source_to_detector_mm] / known[Q::magnification],
                   "source to detector / magnification");
    if (all(Q::object_to_detector_mm, Q::magnification))
      known.derive(Q::source_to_object_mm, known[Q::object_to_detector_mm] / (known[Q::magnification] - 1),
                   "object to detector / (magnification - 1)");
    if (all(Q::voxel_mm, Q::magnification))
      known.derive(Q::column_pitch_mm, known[Q::voxel_mm] * known[Q::magnification], "voxel size x magnification");
  }

  // 1 %: magnifications are usually written to three digits.
  const auto check = [&](Q quantity, double value, const std::string& how) {
    if (!agree(known[quantity], value, 0.01))
      known.contradict(to_string(quantity) + ": " + to_text(known[quantity], 7) + " from " + known.origin(quantity) +
                       ", but " + how + " gives " + to_text(value, 7) + "; the distances and the pixel size count");
  };
  if (!all(Q::source_to_object_mm, Q::source_to_detector_mm)) return;
  const double sod = known[Q::source_to_object_mm], sdd = known[Q::source_to_detector_mm];
  if (known.has(Q::object_to_detector_mm))
    check(Q::object_to_detector_mm, sdd - sod, "source to detector - source to object");
  if (known.has(Q::magnification)) check(Q::magnification, sdd / sod, "source to detector / source to object");
  if (all(Q::voxel_mm, Q::column_pitch_mm))
    check(Q::voxel_mm, known[Q::column_pitch_mm] * sod / sdd, "pixel size / magnification");
}

// ---- Views ----------------------------------------------------------------------------------------------------------

/// A few views made small, from either layout.
class ViewLooks {
 public:
  ViewLooks(const ImageSeries& series, Layout layout) : series_(series), layout_(layout) {
    if (layout == Layout::sinograms) middle_ = series.read(series.count() / 2);
    count_ = layout == Layout::views ? series.count() : std::size_t(middle_.rows);
  }
  std::size_t count() const { return count_; }

  Image at(std::size_t view) {
    const Image image = whole(view);
    for (const float sample : image.samples) {
      const double value = double(sample);
      low_ = std::min(low_, value);
      if (value > high_) {
        high_ = value;
        at_high_ = 0;
      }
      at_high_ += value == high_;
    }
    return made_small(image);
  }
  double low() const { return low_; }  ///< Of the views looked at so far.
  double high() const { return high_; }
  std::size_t at_high() const { return at_high_; }

 private:
  Image whole(std::size_t view) const {
    if (layout_ == Layout::views) return series_.read(view);
    Image row(1, middle_.columns);
    for (int c = 0; c < row.columns; ++c)
      row.at(0, c) = middle_.at(int(view), c);
    return row;
  }
  const ImageSeries& series_;
  Layout layout_;
  Image middle_;
  std::size_t count_ = 0, at_high_ = 0;
  double low_ = INFINITY, high_ = -INFINITY;
};

/// How the last view stands to the first.
enum class LastView { repeats_first, neighbour_of_first, elsewhere, unclear };

struct ViewContent {
  LastView last = LastView::unclear;
  double low = 0, high = 0;  ///< Stored values of the views looked at.
  std::size_t at_high = 0;
  double border = 0;  ///< Median of the outer columns: air, in most scans.
  double middle = 0;  ///< Median of all.
};

double median(std::vector<double> values) {
  const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

ViewContent look_at_content(const ImageSeries& series, Layout layout) {
  ViewLooks looks(series, layout);
  const std::size_t count = looks.count();
  ViewContent content;
  std::vector<double> steps, border, all;
  double far = 0;
  const Image first = looks.at(0), last = looks.at(count - 1);
  for (const std::size_t i : {count / 5, 2 * count / 5, 3 * count / 5, 4 * count / 5}) {
    if (i + 1 >= count) continue;
    const Image view = looks.at(i);
    steps.push_back(mean_difference(view, looks.at(i + 1)));
    far = std::max(far, mean_difference(view, first));
  }
  for (const Image* view : {&first, &last})
    for (int r = 0; r < view->rows; ++r)
      for (int c = 0; c < view->columns; ++c) {
        all.push_back(double(view->at(r, c)));
        if (c < 2 || c >= view->columns - 2) border.push_back(all.back());
      }
  content.border = median(border);
  content.middle = median(all);
  content.low = looks.low();
  content.high = looks.high();
  content.at_high = looks.at_high();

  // A part that looks alike from all sides, or views so far apart that neighbours are strangers, tell nothing.
  if (count < 8 || steps.empty()) return content;
  const double step = median(steps), closing = mean_difference(first, last);
  if (closing < 0.5 * step)
    content.last = LastView::repeats_first;
  else if (far > 3 * step)
    content.last = closing < 2 * step ? LastView::neighbour_of_first : LastView::elsewhere;
  return content;
}

/// Whether an angle is one or more whole turns to within `slack_deg`.
bool whole_turns(double angle_deg, double slack_deg) {
  const double turns = std::round(std::abs(angle_deg) / 360);
  return turns >= 1 && std::abs(std::abs(angle_deg) - 360 * turns) <= slack_deg;
}

/// Whether an angle has at most seven decimals, as steps that people choose have: 0.5, 0.225, 360/1024.
bool round_angle(double angle_deg) {
  const double units = angle_deg * 1e7;
  return std::abs(units - std::round(units)) < 1e-3;
}

/// Whether the step is a round number only if the last view lies at the end of the arc: 721 views over 360 degrees.
bool round_with_end(double arc_deg, int views) {
  return views > 2 && !round_angle(arc_deg / views) && round_angle(arc_deg / (views - 1));
}

/// Fills `scan.views`, or says what is missing.
void settle_views(int images, LastView last, const DescribeOptions& options, Knowledge& known,
                  const std::optional<std::string>& angles_file, Description& out, Scan& scan) {
  Scan::Views& views = scan.views;
  views.count = images;
  if (angles_file) {
    views.angles_file = *angles_file;
    scan.geometry.angles_rad.resize(std::size_t(images));  // so many must be in it; read when the scan is checked
    return;
  }
  // What a whole turn means is known by the arc; without one, a repeated view tells it.
  const bool repeats = last == LastView::repeats_first;
  bool closes = repeats && (!known.has(Q::arc_deg) || whole_turns(known[Q::arc_deg], 0.5));
  if (known.has(Q::view_count) && known[Q::view_count] != images) {
    const std::string both = to_text(known[Q::view_count], 7) + " views in " + known.origin(Q::view_count) + ", but " +
                             std::to_string(images) + " images are there";
    if (known[Q::view_count] + 1 == images) {
      closes |= last == LastView::unclear;
      out.guesses.push_back(both + (closes ? ": the last one closes the turn" : ""));
    } else {
      known.contradict(both + "; the images count");
      if (!options.step_deg && !options.arc_deg && !known.has(Q::step_deg))
        known.forget(Q::arc_deg);  // an arc divided by the wrong number turns every view wrongly
    }
  }
  // Of arc and step, an option for one rules a file's other out.
  if (options.arc_deg && known.has(Q::step_deg)) {
    const double step = std::abs(known[Q::step_deg]);
    if (!agree(step * images, std::abs(*options.arc_deg), 1e-3) &&
        !agree(step * (images - 1), std::abs(*options.arc_deg), 1e-3))
      known.contradict("views.step_deg: " + to_text(known[Q::step_deg], 7) + " in " + known.origin(Q::step_deg) +
                       " does not fit --arc and " + std::to_string(images) + " images; the option counts");
    else if (agree(step * (images - 1), std::abs(*options.arc_deg), 1e-3) && images > 1)
      closes = true;
    known.forget(Q::step_deg);
  } else if (known.has(Q::step_deg) && known.has(Q::arc_deg)) {
    const double step = std::abs(known[Q::step_deg]), arc = std::abs(known[Q::arc_deg]);
    if (!agree(step * images, arc, 1e-3) && !agree(step * (images - 1), arc, 1e-3)) {
      known.contradict("views.arc_deg: " + to_text(known[Q::arc_deg], 7) + " in " + known.origin(Q::arc_deg) +
                       ", but " + std::to_string(images) + " images at " + known.origin(Q::step_deg) + "'s step of " +
                       to_text(known[Q::step_deg], 7) + " make " + to_text(step * images, 7) +
                       (options.step_deg ? "; the option counts" : "; neither counts"));
      if (!options.step_deg) known.forget(Q::step_deg);
    }
    known.forget(Q::arc_deg);
  }
  if (!known.has(Q::step_deg) && !known.has(Q::arc_deg)) {
    out.missing.push_back(
        std::string("views: give --arc DEG (angle covered by all views), --step DEG or --angles-file FILE") +
        (closes ? "; the last view repeats the first, so it is a whole turn"
         : last == LastView::neighbour_of_first
             ? "; the last view looks like a neighbour of the first, so it may be 360"
             : ""));
    return;
  }
  double sense = 1;
  if (known.has(Q::turn_sense) && known[Q::turn_sense] < 0) {
    if (options.arc_deg || options.step_deg)
      out.guesses.push_back("sense of rotation: as the sign of " +
                            known.origin(options.arc_deg ? Q::arc_deg : Q::step_deg) + " says, not as " +
                            known.origin(Q::turn_sense));
    else if (known.get(Q::step_deg).value_or(1) > 0 && known.get(Q::arc_deg).value_or(1) > 0)
      sense = -1;
  } else if (!known.has(Q::turn_sense) && !options.arc_deg && !options.step_deg) {
    out.guesses.push_back(
        "sense of rotation: not told, taken as a turntable that turns clockwise seen from above; if the volume comes "
        "out mirrored, give a negative --arc or --step");
  }
  views.first_deg = known.get(Q::first_deg).value_or(0);
  if (known.has(Q::step_deg)) {
    views.step_deg = sense * known[Q::step_deg];
  } else if (images > 1 && (closes || round_with_end(known[Q::arc_deg], images))) {
    views.step_deg = sense * known[Q::arc_deg] / (images - 1);
    out.guesses.push_back(
        "views: " + std::to_string(images) + " over " + to_text(known[Q::arc_deg], 7) + " degrees, " +
        (closes ? "the last again at the first angle" : "the last at the end, as that makes a round step") + ": " +
        to_text(*views.step_deg, 7) + " apart; give --step if not");
  } else {
    views.arc_deg = sense * known[Q::arc_deg];
  }
}

// ---- Images ---------------------------------------------------------------------------------------------------------

bool holds_floats(const ImageGroup& group) {
  return to_string(group.sample).starts_with("float");
}

/// Sets kind and levels of `images`, or says what is missing.
void settle_kind(const ImageGroup& views, const ViewContent& content, const DescribeOptions& options,
                 const Knowledge& known, Description& out, ScanImages& images) {
  const std::string range = "values from " + to_text(content.low, 7) + " to " + to_text(content.high, 7);
  if (options.kind) {
    images.kind = *options.kind;
  } else if (images.open) {
    images.kind = ImageKind::counts;
    out.guesses.push_back("kind: counts, as there are open-beam images");
  } else if (!holds_floats(views) || content.high > 50) {
    images.kind = ImageKind::corrected;
    out.guesses.push_back("kind: corrected, as there are " +
                          std::string(holds_floats(views) ? "large values" : "whole numbers") + " (" + range +
                          ") and no open-beam images");
  } else if (content.high > 1.5 || std::abs(content.border) < std::abs(content.border - 1)) {
    images.kind = ImageKind::line_integrals;
    out.guesses.push_back("kind: line_integrals, as fractions (" + range + ") are there, " +
                          to_text(content.border, 7) + " at the border");
  } else {
    images.kind = ImageKind::transmission;
    out.guesses.push_back("kind: transmission, as fractions (" + range + ") are there, " + to_text(content.border, 7) +
                          " at the border");
  }
  if (images.kind == ImageKind::counts) {
    if (!images.open)
      out.missing.push_back(
          "images.open: kind counts needs open-beam images in the folder; if the images are corrected already, give "
          "--kind corrected");
    if (!images.dark) out.guesses.push_back("dark: no dark images found, 0 is taken");
  } else if (images.dark || images.open) {
    out.guesses.push_back("dark and open-beam images are not used: kind is " + to_string(images.kind));
    images.dark = images.open = images.open_after = std::nullopt;
  }
  if (images.kind == ImageKind::corrected) {
    images.open_level_from_border = true;
    out.guesses.push_back("open_level: from the border of each view, where no part must be");
    if (content.border < content.middle)
      out.contradictions.push_back("open_level: the border (" + to_text(content.border, 7) +
                                   ") is darker than the middle (" + to_text(content.middle, 7) +
                                   "): is the part in it, or are the values line integrals?");
  }

  const double high = content.high;
  const bool full = high > 254 && std::exp2(std::round(std::log2(high + 1))) == high + 1 && content.at_high > 1;
  if (known.has(Q::saturation)) {
    images.saturation = known.get(Q::saturation);
  } else if (full && !holds_floats(views)) {
    images.saturation = high;
    out.guesses.push_back("saturation: " + to_text(high, 7) + ", the largest value, which many pixels have");
  }
}

std::string relative_name(const fs::path& file, const fs::path& relative_to) {
  return fs::weakly_canonical(file).lexically_relative(fs::weakly_canonical(relative_to)).generic_string();
}

void append(std::optional<Level>& level, const ImageNames& names) {
  if (!level) level = ImageNames{};
  auto& list = std::get<ImageNames>(*level);
  list.insert(list.end(), names.begin(), names.end());
}

/// Puts every group but the strays into `images`.
void name_images(const fs::path& folder, const fs::path& relative_to, const std::vector<ImageGroup>& groups,
                 ScanImages& images) {
  for (const auto& group : groups) {
    if (group.role == ImageRole::stray) continue;
    const ImageNames names = names_of(group, folder, relative_to);
    switch (group.role) {
      case ImageRole::projections:
        images.projections = names;
        break;
      case ImageRole::dark:
        append(images.dark, names);
        break;
      case ImageRole::open:
        append(images.open, names);
        break;
      case ImageRole::open_after:
        append(images.open_after, names);
        break;
      case ImageRole::defects:
        images.defects = names;
        break;
      case ImageRole::return_view:
        images.return_view = names;
        break;
      case ImageRole::stray:
        break;
    }
  }
}

/// One line a reason.
void say_damaged(const std::vector<FolderContents::Damaged>& damaged, Description& out) {
  std::map<std::string, std::size_t> reasons;
  for (const auto& file : damaged)
    ++reasons[file.why];
  for (const auto& file : damaged) {
    std::size_t& more = reasons[file.why];
    if (more == 0) continue;
    out.contradictions.push_back(file.file.string() +
                                 (more > 1 ? " and " + std::to_string(more - 1) + " more" : std::string()) +
                                 ": left out: " + file.why);
    more = 0;
  }
}

/// A first view that is stored twice, sample by sample the same, would turn all others by a step.
void leave_out_repeated_first(const fs::path& folder, const ImageStorage& storage, const ImageGroup& views,
                              std::vector<ImageGroup>& groups, Description& out) {
  if (views.files.size() != views.images || views.files.size() < 3) return;
  const auto image_at = [&](std::size_t i) {
    ImageGroup one = views;
    one.files = {views.files[i]};
    return ImageSeries(folder, names_of(one, folder, folder), storage, Holes::allow).read(0).samples;
  };
  const auto first = image_at(0);
  if (first != image_at(1) ||
      std::minmax_element(first.begin(), first.end()).first[0] ==
          std::minmax_element(first.begin(), first.end()).second[0] ||
      first == image_at(2))
    return;
  ImageGroup copy = views;
  copy.files = {views.files[0]};
  copy.images = 1;
  copy.role = ImageRole::stray;
  copy.why = "the same image as " + views.files[1].string();
  out.guesses.push_back(views.files[0].string() + ": left out, as it is the same image as " + views.files[1].string());
  auto& all = *std::find_if(groups.begin(), groups.end(), [&](const ImageGroup& group) { return &group == &views; });
  all.files.erase(all.files.begin());
  --all.images;
  groups.push_back(copy);
}

/// Damaged files and files of another size among those named like the views.
void check_neighbours(const FolderContents& contents, const ImageGroup& views, Description& out) {
  const auto among_views = [&](const fs::path& folder, const std::string& pattern) {
    return folder == views.folder && pattern == views.pattern;
  };
  for (const auto& damaged : contents.damaged)
    if (among_views(damaged.file.parent_path(), damaged.pattern))
      throw BadInput(damaged.file.string() + ": " + damaged.why + "; every view must be readable",
                     "copy it again, or move it away if it is no view");
  say_damaged(contents.damaged, out);
  for (const auto& group : contents.groups)
    if (&group != &views && among_views(group.folder, group.pattern))
      out.contradictions.push_back(group.files.front().string() + ": " + std::to_string(group.rows) + " x " +
                                   std::to_string(group.columns) + " " + to_string(group.sample) + " among views of " +
                                   std::to_string(views.rows) + " x " + std::to_string(views.columns) + " " +
                                   to_string(views.sample) + ": " + std::to_string(group.images) +
                                   " image(s) left out");
}

// ---- Texts ----------------------------------------------------------------------------------------------------------

constexpr std::size_t most_texts = 20;

/// A text of the folder that holds one angle a view and nothing else.
std::optional<fs::path> find_angles(const fs::path& folder, const std::vector<fs::path>& texts, std::size_t views,
                                    Description& out) {
  std::optional<fs::path> found;
  for (std::size_t i = 0; i < texts.size() && i < most_texts; ++i) {
    const auto numbers = read_number_list(folder / texts[i]);
    if (!numbers || numbers->size() != views || views < 2) continue;
    const auto [low, high] = std::minmax_element(numbers->begin(), numbers->end());
    if (*high - *low < 7) {
      out.not_understood.push_back(texts[i].string() + ": one number a view, but they span only " +
                                   to_text(*high - *low, 7) + ": angles in radians? Angles must be in degrees");
    } else if (found) {
      out.not_understood.push_back(texts[i].string() + ": one number a view, but " + found->string() + " has that too");
    } else {
      found = texts[i];
      out.guesses.push_back("angles: from " + texts[i].string() + ", which holds " + std::to_string(views) +
                            " numbers, one a view");
    }
  }
  return found;
}

SettingsText read_texts(const fs::path& folder, const std::vector<fs::path>& texts, const DescribeOptions& options,
                        Description& out) {
  std::vector<fs::path> files;
  if (options.settings_file) {
    files = {*options.settings_file};
  } else if (texts.size() > most_texts) {
    out.not_understood.push_back(std::to_string(texts.size()) +
                                 " text files, none read; --settings FILE says which one holds the settings");
  } else {
    for (const auto& text : texts)
      files.push_back(folder / text);
  }
  SettingsText all;
  for (const auto& file : files) {
    SettingsText text;
    try {
      text = read_settings_file(file);
    } catch (const BadInput& problem) {
      if (options.settings_file) throw;
      out.not_understood.push_back(problem.what());
      continue;
    }
    if (text.readings.empty() && !text.beam && !options.settings_file) continue;  // some other text
    out.texts.push_back(file.string());
    all.readings.insert(all.readings.end(), text.readings.begin(), text.readings.end());
    all.notes.insert(all.notes.end(), text.notes.begin(), text.notes.end());
    out.not_understood.insert(out.not_understood.end(), text.not_understood.begin(), text.not_understood.end());
    if (!all.beam) all.beam = text.beam;
    if (all.filters.empty()) all.filters = text.filters;
  }
  return all;
}

void take_options(const DescribeOptions& options, Knowledge& known) {
  known.option(Q::source_to_object_mm, options.sod_mm, "--sod");
  known.option(Q::source_to_detector_mm, options.sdd_mm, "--sdd");
  known.option(Q::column_pitch_mm, options.column_pitch_mm, "--pitch");
  known.option(Q::row_pitch_mm, options.row_pitch_mm ? options.row_pitch_mm : options.column_pitch_mm, "--pitch");
  known.option(Q::first_deg, options.first_deg, "--first");
  known.option(Q::arc_deg, options.arc_deg, "--arc");
  known.option(Q::step_deg, options.step_deg, "--step");
  known.option(Q::axis_column, options.axis_column, "--axis-column");
  known.option(Q::midplane_row, options.midplane_row, "--midplane-row");
  known.option(Q::voltage_kv, options.voltage_kv, "--voltage");
  known.option(Q::current_ma, options.current_ma, "--current");
  known.option(Q::saturation, options.saturation, "--saturation");
}

/// Beam and distances into `scan`, or what is missing.
void settle_beam(const DescribeOptions& options, const SettingsText& settings, const Knowledge& known, int rows,
                 Description& out, Scan& scan) {
  Geometry& geometry = scan.geometry;
  const bool distances = known.has(Q::source_to_object_mm) || known.has(Q::source_to_detector_mm);
  if (options.beam) {
    geometry.beam = *options.beam;
    if (settings.beam && *settings.beam != *options.beam)
      out.contradictions.push_back("beam: " + to_string(*settings.beam) + " in the settings, but --beam says " +
                                   to_string(*options.beam) + "; the option counts");
  } else if (settings.beam) {
    geometry.beam = *settings.beam;
  } else {
    geometry.beam = rows == 1 ? Beam::fan : Beam::cone;
    if (distances && rows > 0)
      out.guesses.push_back("beam: " + to_string(geometry.beam) + ", as the source has a distance and the detector " +
                            std::to_string(rows) + (rows > 1 ? " rows" : " row"));
  }
  if (geometry.beam == Beam::parallel) {
    if (distances) out.guesses.push_back("beam: parallel, so the source's distances are left out");
    return;
  }
  const std::string or_parallel = options.beam || settings.beam || distances ? "" : " (or --beam parallel)";
  if (!known.has(Q::source_to_object_mm)) out.missing.push_back("source_to_object_mm: give --sod MM" + or_parallel);
  if (!known.has(Q::source_to_detector_mm)) out.missing.push_back("source_to_detector_mm: give --sdd MM" + or_parallel);
  geometry.sod_mm = known.get(Q::source_to_object_mm).value_or(0);
  geometry.sdd_mm = known.get(Q::source_to_detector_mm).value_or(0);
}

void settle_detector(int rows, int columns, Knowledge& known, Description& out, Detector& detector) {
  detector.rows = rows;
  detector.columns = columns;
  for (const auto& [quantity, size] : {std::pair{Q::columns, columns}, std::pair{Q::rows, rows}})
    if (known.has(quantity) && known[quantity] != size)
      known.contradict(to_string(quantity) + ": " + to_text(known[quantity], 7) + " in " + known.origin(quantity) +
                       ", but the images have " + std::to_string(size) +
                       "; the images count. Binned or cropped? --pitch is of the images' pixels");
  if (!known.has(Q::column_pitch_mm)) out.missing.push_back("detector.column_pitch_mm: give --pitch MM");
  detector.column_pitch_mm = known.get(Q::column_pitch_mm).value_or(0);
  detector.row_pitch_mm = known.get(Q::row_pitch_mm).value_or(detector.column_pitch_mm);

  detector.axis_column = (columns - 1) / 2.0;
  if (known.has(Q::axis_column)) {
    detector.axis_column = known[Q::axis_column];
    if (known.has(Q::axis_offset_px) &&
        std::abs(known[Q::axis_column] - detector.columns / 2.0 + 0.5 - known[Q::axis_offset_px]) > 0.6)
      known.contradict("axis_column: " + to_text(known[Q::axis_column], 7) + " from " + known.origin(Q::axis_column) +
                       ", but an offset of " + to_text(known[Q::axis_offset_px], 7) + " in " +
                       known.origin(Q::axis_offset_px) + "; the column counts");
    if (!known.by_option(Q::axis_column))
      out.guesses.push_back("axis_column: " + to_text(detector.axis_column, 7) +
                            ", taken as counted from 0 at the middle of the first column");
  } else if (known.has(Q::axis_offset_px)) {
    detector.axis_column += known[Q::axis_offset_px];
    out.guesses.push_back("axis_column: " + to_text(detector.axis_column, 7) +
                          ", the offset taken as towards higher columns");
  } else {
    out.guesses.push_back("axis_column: " + to_text(detector.axis_column, 7) +
                          ", the detector's middle; --axis-column if "
                          "the axis falls elsewhere");
  }
  detector.midplane_row = known.get(Q::midplane_row).value_or((rows - 1) / 2.0);
}

}  // namespace

Description describe_folder(const fs::path& folder, const DescribeOptions& options, const Hooks& hooks) {
  if (options.arc_deg && options.step_deg)
    throw InvalidOption("--arc and --step: both given; must be at most one of them");
  if (options.angles_file && (options.arc_deg || options.step_deg || options.first_deg))
    throw InvalidOption("--angles-file: given with --arc, --step or --first; must stand alone");

  Description out;
  hooks.report("Looking through the folder", 0);
  FolderContents contents = look_through(folder, options.storage);
  if (hooks.stop()) throw Cancelled("stopped");
  tell_roles(folder, options.storage, options.layout, contents.groups, out.contradictions);
  hooks.report("Looking through the folder", 1);

  const SettingsText settings = read_texts(folder, contents.texts, options, out);
  Knowledge known(out);
  take_options(options, known);
  known.readings(settings.readings);
  complete_lengths(known);

  const auto is_views = [](const ImageGroup& group) { return group.role == ImageRole::projections; };
  auto views = std::find_if(contents.groups.begin(), contents.groups.end(), is_views);
  Scan scan;
  scan.file = options.scan_file;
  scan.title = fs::absolute(folder).lexically_normal().filename().string();
  if (scan.title.empty()) scan.title = fs::absolute(folder).lexically_normal().parent_path().filename().string();
  for (const auto& [key, value] : settings.notes)
    scan.notes[key] = value;
  scan.source = {known.get(Q::voltage_kv), known.get(Q::current_ma), known.get(Q::focal_spot_mm), settings.filters};

  const fs::path relative_to = fs::absolute(options.scan_file).parent_path();
  if (views == contents.groups.end()) {
    out.missing.push_back("images.projections: no views found; must be TIFF files, or others with --headerless");
    settle_beam(options, settings, known, 0, out, scan);
    if (!known.has(Q::column_pitch_mm)) out.missing.push_back("detector.column_pitch_mm: give --pitch MM");
    say_damaged(contents.damaged, out);
  } else {
    check_neighbours(contents, *views, out);
    leave_out_repeated_first(folder, options.storage, *views, contents.groups, out);
    views = std::find_if(contents.groups.begin(), contents.groups.end(), is_views);
    name_images(folder, relative_to, contents.groups, scan.images);
    ScanImages& images = scan.images;
    images.turned_deg = options.storage.turned_deg;
    images.mirrored = options.storage.mirrored;
    images.headerless = options.storage.headerless;
    images.sinograms = options.layout == Layout::sinograms;

    const ImageSeries series(relative_to, images.projections, options.storage, Holes::allow);
    const ViewContent content = look_at_content(series, options.layout);
    const int rows = images.sinograms ? int(series.count()) : series.rows();
    const int count = images.sinograms ? series.rows() : int(series.count());

    settle_beam(options, settings, known, rows, out, scan);
    settle_detector(rows, series.columns(), known, out, scan.geometry.detector);
    std::optional<fs::path> angles = options.angles_file;
    if (!angles && !options.arc_deg && !options.step_deg)
      if (const auto found = find_angles(folder, contents.texts, std::size_t(count), out)) angles = folder / *found;
    settle_views(count, content.last, options, known,
                 angles ? std::optional(relative_name(*angles, relative_to)) : std::nullopt, out, scan);
    settle_kind(*views, content, options, known, out, images);

    // A last view that repeats the first is also what the movement check looks at.
    const Scan::Views& turn = scan.views;
    const double to_last_deg = turn.step_deg ? *turn.step_deg * (count - 1) : 0;
    const bool at_first_angle = turn.step_deg && whole_turns(to_last_deg, 0.5 * std::abs(*turn.step_deg));
    if (content.last == LastView::repeats_first && !at_first_angle && !angles && out.missing.empty())
      out.contradictions.push_back(
          "views: the last looks like the first again, but its angle is " +
          to_text(turn.step_deg ? to_last_deg : turn.arc_deg.value_or(0) * (count - 1) / count, 7) +
          " degrees from it; is the arc right, did the turntable stop?");
    if (content.last == LastView::repeats_first && at_first_angle && images.return_view.empty() && !images.sinograms &&
        views->files.size() == views->images) {
      ImageGroup last = *views;
      last.files = {views->files.back()};
      images.return_view = names_of(last, folder, relative_to);
      out.guesses.push_back("return_view: " + images.return_view[0] + ", which repeats the first view");
    }
    // Refuses holes in the numbering, unless the angles are listed.
    ImageSeries(relative_to, images.projections, options.storage,
                angles && !images.sinograms ? Holes::allow : Holes::refuse);
  }
  known.list_into(out.found);
  out.groups = std::move(contents.groups);
  if (out.missing.empty()) out.scan = parse_scan(to_json(scan), options.scan_file);
  return out;
}

}  // namespace rayloom
