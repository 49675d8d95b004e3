#include "rayloom/scan/image_groups.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <set>
#include <tuple>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/characters.h"
#include "rayloom/scan/tiff_handle.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

// ---- Looking through the folder -------------------------------------------------------------------------------------

constexpr int deepest = 3;

std::string lowercase(std::string text) {
  for (char& c : text)
    c = lower(c);
  return text;
}

/// Where a number of a name starts and ends: a run of digits, or two with a point between.
struct Number {
  std::size_t start, end;
};

/// The numbers of a name before its ending.
std::vector<Number> numbers_in(const std::string& name) {
  const std::size_t stem = std::min(name.size(), name.rfind('.'));
  std::vector<Number> numbers;
  for (std::size_t at = 0; at < stem;) {
    if (!is_digit(name[at])) {
      ++at;
      continue;
    }
    std::size_t end = at;
    while (end < stem && is_digit(name[end]))
      ++end;
    if (end + 1 < stem && name[end] == '.' && is_digit(name[end + 1]))
      for (++end; end < stem && is_digit(name[end]);)
        ++end;
    numbers.push_back({at, end});
    at = end;
  }
  return numbers;
}

/// The name with the numbers that `counts` says as '#'.
std::string with_numbers_out(const std::string& name, const std::vector<char>& counts) {
  std::string pattern;
  std::size_t from = 0;
  const auto numbers = numbers_in(name);
  for (std::size_t n = 0; n < numbers.size(); ++n) {
    if (!counts[n]) continue;
    pattern += name.substr(from, numbers[n].start - from) + '#';
    from = numbers[n].end;
  }
  return pattern + name.substr(from);
}

/// The pattern of each file name. Names that differ in their numbers alone are counted by one of these: the one that
/// leaves the fewest patterns, of equals the last. If that still leaves (nearly) every file alone, all numbers that
/// change count.
std::vector<std::string> patterns_of(const std::vector<std::string>& names) {
  std::vector<std::string> patterns(names.size());
  std::map<std::string, std::vector<std::size_t>> alike;
  for (std::size_t i = 0; i < names.size(); ++i)
    alike[with_numbers_out(names[i], std::vector<char>(numbers_in(names[i]).size(), true))].push_back(i);
  for (const auto& entry : alike) {
    const std::vector<std::size_t>& files = entry.second;
    const std::size_t numbers = numbers_in(names[files[0]]).size();
    const auto left = [&](const std::vector<char>& counts) {
      std::set<std::string> all;
      for (const std::size_t i : files)
        all.insert(with_numbers_out(names[i], counts));
      return all.size();
    };
    std::vector<char> best(numbers, false), changing(numbers, false);
    std::size_t fewest = files.size() + 1;
    for (std::size_t n = 0; n < numbers; ++n) {
      std::set<std::string> values;
      for (const std::size_t i : files) {
        const Number at = numbers_in(names[i])[n];
        values.insert(names[i].substr(at.start, at.end - at.start));
      }
      changing[n] = values.size() > 1;
      std::vector<char> only(numbers, false);
      only[n] = true;
      if (const std::size_t patterns_left = left(only); patterns_left <= fewest) {
        fewest = patterns_left;
        best = only;
      }
    }
    if (files.size() > 2 && 2 * fewest > files.size()) best = changing;
    for (const std::size_t i : files)
      patterns[i] = with_numbers_out(names[i], best);
  }
  return patterns;
}

/// Every file down to `deepest` folders below, relative to `folder`, in natural order.
void list_files(const fs::path& folder, const fs::path& below, int depth, std::vector<fs::path>& files) {
  std::error_code error;
  std::vector<fs::path> folders;
  if (depth > 0 && fs::exists(folder / below / "volume.json", error)) return;
  for (fs::directory_iterator at(folder / below, error), end; !error && at != end; at.increment(error)) {
    const fs::path name = at->path().filename();
    if (name.string().starts_with('.')) continue;
    std::error_code ignored;
    if (at->is_directory(ignored))
      folders.push_back(below / name);
    else if (at->is_regular_file(ignored))
      files.push_back(below / name);
  }
  if (error && depth == 0) throw BadInput(folder.string() + ": cannot be listed: " + error.message());
  if (depth < deepest)
    for (const auto& next : folders)
      list_files(folder, next, depth + 1, files);
}

using Sample = Headerless::Sample;

struct Stored {
  int rows, columns;
  Sample sample;
  std::size_t pages;
};

/// What a TIFF's header says. @throws BadInput with the reason only.
Stored tiff_header(const fs::path& file) {
  const TiffHandle handle(file, "r");
  TIFF* tiff = handle.get();
  if (!tiff) throw BadInput("cannot be read as TIFF: " + handle.error());
  std::uint32_t columns = 0, rows = 0;
  std::uint16_t bits = 1, format = SAMPLEFORMAT_UINT, channels = 1;
  TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &columns);
  TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &rows);
  TIFFGetFieldDefaulted(tiff, TIFFTAG_BITSPERSAMPLE, &bits);
  TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLEFORMAT, &format);
  TIFFGetFieldDefaulted(tiff, TIFFTAG_SAMPLESPERPIXEL, &channels);
  if (channels != 1) throw BadInput(std::to_string(channels) + " channels a pixel, not grey");
  if (rows < 1 || columns < 1 || rows > 1u << 24 || columns > 1u << 24) throw BadInput("no usable image size");

  std::size_t pages = 0;
  do {
    std::uint32_t subfile = 0;
    TIFFGetField(tiff, TIFFTAG_SUBFILETYPE, &subfile);
    pages += (subfile & FILETYPE_REDUCEDIMAGE) == 0;
  } while (TIFFReadDirectory(tiff) != 0);

  const std::string name = (format == SAMPLEFORMAT_IEEEFP ? "float"
                            : format == SAMPLEFORMAT_INT  ? "int"
                                                          : "uint") +
                           std::to_string(bits);
  for (const Sample sample : {Sample::uint8, Sample::uint16, Sample::uint32, Sample::int8, Sample::int16, Sample::int32,
                              Sample::float16, Sample::float32, Sample::float64})
    if (to_string(sample) == name) return {int(rows), int(columns), sample, pages};
  throw BadInput(name + " samples");
}

Stored headerless_file(const fs::path& file, const ImageStorage& storage) {
  const Headerless& headerless = *storage.headerless;
  const std::uintmax_t needed = headerless.skip_bytes + std::uintmax_t(storage.headerless_rows) *
                                                            std::uintmax_t(storage.headerless_columns) *
                                                            bytes_of(headerless.sample);
  const std::uintmax_t size = fs::file_size(file);
  if (size != needed)
    throw BadInput(std::to_string(size) + " bytes, but one image as --headerless says takes " + std::to_string(needed));
  return {storage.headerless_rows, storage.headerless_columns, headerless.sample, 1};
}

// ---- Words in names -------------------------------------------------------------------------------------------------

struct Word {
  std::string_view text;
  enum Match { whole, start } match;  ///< `start`: "dark" also finds "darkfield".
};

/// Words for each role in several languages, as people name folders and files; views last.
const std::vector<std::pair<ImageRole, std::vector<Word>>>& words_of_roles() {
  constexpr auto whole = Word::whole, start = Word::start;
  static const std::vector<std::pair<ImageRole, std::vector<Word>>> table = {
      {ImageRole::stray,
       {{"preview", start},
        {"thumb", start},
        {"scout", start},
        {"overview", start},
        {"snapshot", start},
        {"vorschau", start},
        {"apercu", start},
        {"slice", start},
        {"recon", start},
        {"volume", start},
        {"section", start}}},
      {ImageRole::defects,
       {{"defect", start},
        {"defekt", start},
        {"badpixel", start},
        {"deadpixel", start},
        {"hotpixel", start},
        {"bad", whole},
        {"dead", whole},
        {"mask", whole}}},
      {ImageRole::return_view,
       {{"return", start},
        {"repeat", start},
        {"retour", start},
        {"closing", whole},
        {"again", whole},
        {"rueckkehr", start}}},
      {ImageRole::dark,
       {{"dark", start},
        {"offset", start},
        {"bias", whole},
        {"black", whole},
        {"noise", whole},
        {"off", whole},
        {"dunkel", start},
        {"noir", whole},
        {"obscur", start},
        {"oscuro", whole},
        {"nero", whole},
        {"buio", whole},
        {"beamoff", start}}},
      {ImageRole::open,
       {{"open", start},     {"flat", start},  {"gain", start},       {"bright", start}, {"white", start},
        {"blank", whole},    {"empty", whole}, {"air", whole},        {"ref", whole},    {"reference", start},
        {"referenz", start}, {"bg", whole},    {"background", start}, {"ff", whole},     {"i0", whole},
        {"hell", start},     {"leer", start},  {"luft", start},       {"blanc", whole},  {"vide", whole},
        {"blanco", whole},   {"vacio", whole}, {"bianco", whole},     {"vuoto", whole},  {"aria", whole},
        {"brillante", whole}}},
      {ImageRole::projections,
       {{"proj", start},
        {"view", start},
        {"radiograph", start},
        {"raw", whole},
        {"scan", whole},
        {"tomo", start},
        {"sinogram", start}}},
  };
  return table;
}
constexpr std::string_view after_words[] = {"after", "post", "end", "nach", "danach", "apres", "despues", "dopo"};

/// Lower-case words of a name: runs of letters and digits, cut also where aB or 12ab change, and the runs whole.
std::set<std::string> words_in(const std::string& name) {
  std::set<std::string> words;
  std::string run, piece;
  const auto finish = [&words](std::string& word) {
    if (!word.empty()) words.insert(lowercase(word));
    word.clear();
  };
  for (std::size_t i = 0; i <= name.size(); ++i) {
    const char c = i < name.size() ? name[i] : ' ';
    const bool letter = is_lower(c) || is_upper(c);
    if (!letter && !is_digit(c)) {
      finish(run);
      finish(piece);
      continue;
    }
    const char before = piece.empty() ? c : piece.back();
    if (is_digit(before) != is_digit(c) || (is_lower(before) && is_upper(c))) finish(piece);
    run += c;
    piece += c;
  }
  return words;
}

std::set<std::string> words_of(const ImageGroup& group) {
  const std::string first = group.files.front().filename().string();
  auto words = words_in(group.folder.string() + "/" + fs::path(group.pattern).stem().string());
  words.merge(words_in(fs::path(first).stem().string()));
  return words;
}

struct Named {
  ImageRole role;
  std::string word;
  bool after;
};

/// The first word of `list` that is among `words`.
const Word* find_word(const std::vector<Word>& list, const std::set<std::string>& words) {
  for (const Word& word : list)
    for (const auto& spoken : words)
      if (spoken == word.text || (word.match == Word::start && spoken.starts_with(word.text))) return &word;
  return nullptr;
}

std::optional<Named> named_role(const std::set<std::string>& words) {
  const auto& table = words_of_roles();
  const bool views_too = find_word(table.back().second, words) != nullptr;
  for (const auto& [role, list] : table) {
    const Word* word = find_word(list, words);
    // A short word beside 'view' or 'proj' may mean anything: view_off_centre, proj_air_gap.
    if (!word || (views_too && role != ImageRole::projections && word->match == Word::whole)) continue;
    const bool after = std::any_of(std::begin(after_words), std::end(after_words),
                                   [&](std::string_view a) { return words.count(std::string(a)) > 0; });
    return Named{role, std::string(word->text), after};
  }
  return {};
}

// ---- Content --------------------------------------------------------------------------------------------------------

double mean_of(const Image& image) {
  double sum = 0;
  for (const float v : image.samples)
    sum += double(v);
  return sum / double(image.samples.size());
}

std::array<std::size_t, 4> quarters(std::size_t count) {
  return {0, count / 4, count / 2, 3 * count / 4};
}

/// The views as far as the other groups are compared with them.
struct ViewLook {
  Image first, low, high;   ///< The first one; least and greatest of a few over the turn, pixel by pixel.
  double to_neighbour = 0;  ///< Median difference of views that follow each other; 0 with one view.
  double mean_low, mean_high;
};

ViewLook look_at_views(const ImageSeries& series) {
  ViewLook look;
  std::vector<double> steps;
  for (const std::size_t i : quarters(series.count())) {
    const Image view = made_small(series.read(i));
    if (i + 1 < series.count()) steps.push_back(mean_difference(view, made_small(series.read(i + 1))));
    if (look.first.samples.empty()) look.first = look.low = look.high = view;
    for (std::size_t p = 0; p < view.samples.size(); ++p) {
      look.low.samples[p] = std::min(look.low.samples[p], view.samples[p]);
      look.high.samples[p] = std::max(look.high.samples[p], view.samples[p]);
    }
  }
  if (!steps.empty()) {
    std::nth_element(steps.begin(), steps.begin() + std::ptrdiff_t(steps.size() / 2), steps.end());
    look.to_neighbour = steps[steps.size() / 2];
  }
  look.mean_low = mean_of(look.low);
  look.mean_high = mean_of(look.high);
  return look;
}

/// Share of pixels for which `holds(image, low, high)`.
template <class Condition>
double share(const Image& image, const ViewLook& views, Condition holds) {
  std::size_t count = 0;
  for (std::size_t p = 0; p < image.samples.size(); ++p)
    count += holds(image.samples[p], views.low.samples[p], views.high.samples[p]);
  return double(count) / double(image.samples.size());
}

bool below_every_view(const Image& image, const ViewLook& views) {
  const float margin = float(0.02 * views.mean_high);
  return mean_of(image) < 0.7 * views.mean_low &&
         share(image, views, [&](float v, float low, float) { return v <= low + margin; }) >= 0.98;
}

/// Not less than any view, and clearly more somewhere: where the part cast its shadow.
bool above_every_view(const Image& image, const ViewLook& views) {
  return share(image, views, [](float v, float, float high) { return v >= 0.97f * high; }) >= 0.98 &&
         share(image, views, [](float v, float low, float) { return v > 1.1f * low; }) > 0;
}

/// How much the images of a group differ among themselves.
double change_within(const ImageSeries& series) {
  double change = 0;
  const Image first = made_small(series.read(0));
  for (const std::size_t i : quarters(series.count()))
    if (i > 0) change = std::max(change, mean_difference(first, made_small(series.read(i))));
  return change;
}

double data_in(const ImageGroup& group) {
  return double(group.images) * group.rows * group.columns * double(bytes_of(group.sample));
}

bool same_size(const ImageGroup& a, const ImageGroup& b) {
  return a.rows == b.rows && a.columns == b.columns;
}

std::string size_text(const ImageGroup& group) {
  return std::to_string(group.rows) + " x " + std::to_string(group.columns);
}

/// A glob for a name that holds no wildcard of its own.
std::string escaped(const std::string& name) {
  std::string out;
  for (const char c : name)
    out += c == '*' || c == '?' || c == '[' ? std::string("[") + c + "]" : std::string(1, c);
  return out;
}

}  // namespace

std::string to_string(ImageRole role) {
  switch (role) {
    case ImageRole::projections:
      return "projections";
    case ImageRole::dark:
      return "dark";
    case ImageRole::open:
      return "open";
    case ImageRole::open_after:
      return "open_after";
    case ImageRole::defects:
      return "defects";
    case ImageRole::return_view:
      return "return_view";
    case ImageRole::stray:
      break;
  }
  return "stray";
}

FolderContents look_through(const fs::path& folder, const ImageStorage& storage) {
  std::error_code error;
  if (!fs::is_directory(folder, error))
    throw BadInput(folder.string() + ": no such folder; must be a folder of images");
  std::vector<fs::path> files;
  list_files(folder, {}, 0, files);
  std::sort(files.begin(), files.end(),
            [](const fs::path& a, const fs::path& b) { return natural_less(a.string(), b.string()); });

  FolderContents contents;
  std::map<std::tuple<std::string, std::string, int, int, Sample>, std::size_t> known;
  std::map<fs::path, std::string> pattern_of;
  std::map<fs::path, std::vector<std::string>> names;  // of each folder
  for (const auto& file : files)
    names[file.parent_path()].push_back(file.filename().string());
  for (const auto& [below, all] : names) {
    const auto patterns = patterns_of(all);
    for (std::size_t i = 0; i < all.size(); ++i)
      pattern_of[below / all[i]] = patterns[i];
  }
  for (const auto& file : files) {
    const std::string ending = lowercase(file.extension().string()), pattern = pattern_of[file];
    const auto ends_in = [&](std::initializer_list<std::string_view> list) {
      return std::find(list.begin(), list.end(), ending) != list.end();
    };
    const bool tiff = ends_in({".tif", ".tiff"});
    const bool headerless = storage.headerless && ends_in({".raw", ".bin", ".img", ".dat"});
    if (ends_in({".txt", ".ini", ".cfg", ".conf", ".info", ".log"})) contents.texts.push_back(file);
    if (!tiff && !headerless) continue;

    Stored stored;
    try {
      stored = tiff ? tiff_header(folder / file) : headerless_file(folder / file, storage);
    } catch (const std::exception& problem) {
      contents.damaged.push_back({file, pattern, problem.what()});
      continue;
    }
    const auto key = std::tuple(file.parent_path().string(), pattern, stored.rows, stored.columns, stored.sample);
    const auto [at, is_new] = known.emplace(key, contents.groups.size());
    if (is_new) {
      ImageGroup group;
      group.folder = file.parent_path();
      group.pattern = pattern;
      group.rows = stored.rows;
      group.columns = stored.columns;
      group.sample = stored.sample;
      contents.groups.push_back(group);
    }
    ImageGroup& group = contents.groups[at->second];
    group.files.push_back(file);
    group.images += stored.pages;
  }
  return contents;
}

void tell_roles(const fs::path& folder, const ImageStorage& storage, Layout layout, std::vector<ImageGroup>& groups,
                std::vector<std::string>& doubts) {
  // Names.
  std::vector<std::set<std::string>> words;
  for (const auto& group : groups)
    words.push_back(words_of(group));
  const auto shared = [&](const std::string& word) {
    return std::all_of(words.begin(), words.end(), [&](const auto& set) { return set.count(word) > 0; });
  };
  std::vector<std::optional<Named>> named;
  for (const auto& set : words) {
    auto telling = set;
    std::erase_if(telling, [&](const std::string& word) { return shared(word); });
    named.push_back(named_role(telling));
  }
  const auto open_series = [&](const ImageGroup& group) {
    return ImageSeries(folder, names_of(group, folder, folder), storage, Holes::allow);
  };

  // Which are the views? Of what is not named otherwise, the size class with the most data; in it, what changes.
  std::vector<std::size_t> candidates;
  for (std::size_t i = 0; i < groups.size(); ++i)
    if (!named[i] || named[i]->role == ImageRole::projections) candidates.push_back(i);
  if (candidates.empty()) {  // a part called 'flat plate', say
    for (std::size_t i = 0; i < groups.size(); ++i)
      if (named[i]->role == ImageRole::open) candidates.push_back(i);
    if (candidates.size() < 2) return;
  }
  const auto less_data = [&](std::size_t a, std::size_t b) { return data_in(groups[a]) < data_in(groups[b]); };
  std::size_t chosen = *std::max_element(candidates.begin(), candidates.end(), less_data);
  std::string why = named[chosen] && named[chosen]->role == ImageRole::projections
                        ? "named '" + named[chosen]->word + "'"
                        : "most data of all that is not named otherwise";
  std::erase_if(candidates, [&](std::size_t i) { return !same_size(groups[i], groups[chosen]); });
  if (layout == Layout::views && candidates.size() > 1) {
    std::map<std::size_t, double> change;
    double most = 0;
    for (const std::size_t i : candidates)
      most = std::max(most, change[i] = change_within(open_series(groups[i])));
    std::erase_if(candidates, [&](std::size_t i) { return change[i] < 0.3 * most; });
    chosen = *std::max_element(candidates.begin(), candidates.end(), less_data);
    why =
        "by content: its images change from one to the next" + std::string(candidates.size() > 1 ? ", most data" : "");
  }
  groups[chosen].role = ImageRole::projections;
  groups[chosen].why = why;

  const ImageGroup& views = groups[chosen];
  std::optional<ViewLook> look;
  const auto view_look = [&]() -> const ViewLook& {
    if (!look) look = look_at_views(open_series(views));
    return *look;
  };

  // Everything else, by name, then by content.
  bool have_return = false;
  for (std::size_t i = 0; i < groups.size(); ++i) {
    if (i == chosen) continue;
    ImageGroup& group = groups[i];
    const bool fits = layout == Layout::views ? same_size(group, views) : group.columns == views.columns;
    if (!fits) {
      group.why = size_text(group) + " pixels, the views have " + size_text(views);
      continue;
    }
    if (named[i] && named[i]->role != ImageRole::projections) {
      group.role = named[i]->role;
      if (group.role == ImageRole::open && named[i]->after) group.role = ImageRole::open_after;
      group.why = "named '" + named[i]->word + "'";
    } else if (layout == Layout::views) {
      const Image small = made_small(open_series(group).read(0));
      if (below_every_view(small, view_look())) {
        group.role = ImageRole::dark;
        group.why = "by content: mean " + to_text(mean_of(small), 4) + " lies below every view";
      } else if (above_every_view(small, view_look())) {
        group.role = ImageRole::open;
        group.why = "by content: mean " + to_text(mean_of(small), 4) + " lies above every view";
      } else if (group.images == 1 && mean_difference(small, view_look().first) < 0.5 * view_look().to_neighbour) {
        group.role = ImageRole::return_view;
        group.why = "by content: nearer to the first view than its neighbour is";
      } else {
        group.why = group.images == 1 ? "a lone image, neither dark nor open beam nor the first view again"
                                      : "neither dark nor open beam, and less data than the views";
      }
    } else {
      group.why = "its name says nothing";
    }
    const bool single = group.role == ImageRole::return_view || group.role == ImageRole::defects;
    if (single && group.images != 1) {
      group.why += ", but holds " + std::to_string(group.images) + " images where one is needed";
      group.role = ImageRole::stray;
    } else if (group.role == ImageRole::return_view && have_return) {
      group.why += ", but there is one already";
      group.role = ImageRole::stray;
    }
    have_return |= group.role == ImageRole::return_view;
  }
  // After the scan only makes sense beside before it.
  const bool before =
      std::any_of(groups.begin(), groups.end(), [](const auto& g) { return g.role == ImageRole::open; });
  for (auto& group : groups)
    if (group.role == ImageRole::open_after && !before) {
      group.role = ImageRole::open;
      group.why += "; the only open-beam images";
    }

  // Do the names fit the content?
  std::optional<double> darkest_open, brightest_dark;
  std::string open_name, dark_name;
  for (const auto& group : groups) {
    const bool open = group.role == ImageRole::open || group.role == ImageRole::open_after;
    if (!open && group.role != ImageRole::dark) continue;
    const double mean = mean_of(made_small(open_series(group).read(0)));
    if (open && (!darkest_open || mean < *darkest_open)) darkest_open = mean, open_name = group.name();
    if (!open && (!brightest_dark || mean > *brightest_dark)) brightest_dark = mean, dark_name = group.name();
  }
  if (darkest_open && brightest_dark && *brightest_dark >= *darkest_open)
    doubts.push_back(dark_name + ": taken as dark, mean " + to_text(*brightest_dark, 4) +
                     ", is not darker than the open beam in " + open_name + ", mean " + to_text(*darkest_open, 4));
}

ImageNames names_of(const ImageGroup& group, const fs::path& folder, const fs::path& relative_to) {
  // Symbolic links to either folder are followed, so that ".." means what it says; those below `folder` are kept.
  const fs::path home = fs::weakly_canonical(folder), base = fs::weakly_canonical(relative_to);
  fs::path from = (home / group.folder).lexically_relative(base);
  if (!from.has_filename()) from = from.parent_path();
  const std::string prefix = from.empty() || from == "." ? "" : escaped(from.generic_string()) + "/";

  std::vector<fs::path> wanted;
  for (const auto& file : group.files)
    wanted.push_back(fs::weakly_canonical(home / file));
  const auto matches = [&](const ImageNames& names) {  // in the same order, too
    std::vector<fs::path> found;
    for (const auto& name : names)
      for (const auto& file : find_files(base, name))
        found.push_back(fs::weakly_canonical(file));
    return found == wanted;
  };

  const std::string first = group.files.front().filename().string();
  ImageNames each;
  for (const auto& file : group.files)
    each.push_back(prefix + escaped(file.filename().string()));
  if (group.files.size() == 1) return each;
  if (ImageNames all = {prefix + "*" + fs::path(first).extension().string()}; matches(all)) return all;
  // The pattern's '#' stand for numbers: the same names with anything there, then with digits only.
  std::vector<std::string> literals(1);
  for (const char c : group.pattern)
    if (c == '#')
      literals.emplace_back();
    else
      literals.back() += c;
  std::string any = prefix + escaped(literals[0]);
  for (std::size_t i = 1; i < literals.size(); ++i)
    any += "*" + escaped(literals[i]);
  if (matches({any})) return {any};
  std::set<std::string> digits;  // one a length of the numbers
  for (const auto& file : group.files) {
    const std::string name = file.filename().string();
    std::string glob = prefix;
    std::size_t at = 0;
    for (const Number& number : numbers_in(name)) {
      glob += escaped(name.substr(at, number.start - at));
      for (std::size_t i = number.start; i < number.end; ++i)
        glob += name[i] == '.' ? "." : "[0-9]";
      at = number.end;
    }
    digits.insert(glob + escaped(name.substr(at)));
  }
  ImageNames globs(digits.begin(), digits.end());
  std::stable_sort(globs.begin(), globs.end(),
                   [](const std::string& a, const std::string& b) { return a.size() < b.size(); });
  return digits.size() < 10 && matches(globs) ? globs : each;
}

Image made_small(const Image& image) {
  constexpr int most = 64;
  const int row_block = (image.rows + most - 1) / most, column_block = (image.columns + most - 1) / most;
  Image small((image.rows + row_block - 1) / row_block, (image.columns + column_block - 1) / column_block);
  for (int r = 0; r < small.rows; ++r)
    for (int c = 0; c < small.columns; ++c) {
      const int last_row = std::min(image.rows, (r + 1) * row_block);
      const int last_column = std::min(image.columns, (c + 1) * column_block);
      double sum = 0;
      for (int row = r * row_block; row < last_row; ++row)
        for (int column = c * column_block; column < last_column; ++column)
          sum += double(image.at(row, column));
      small.at(r, c) = float(sum / ((last_row - r * row_block) * (last_column - c * column_block)));
    }
  return small;
}

double mean_difference(const Image& a, const Image& b) {
  double sum = 0;
  for (std::size_t p = 0; p < a.samples.size(); ++p)
    sum += std::abs(double(a.samples[p]) - double(b.samples[p]));
  return sum / double(a.samples.size());
}

}  // namespace rayloom
