#include "rayloom/scan/settings_text.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <fstream>
#include <sstream>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/characters.h"

namespace rayloom {

namespace {

// ---- The table: what a key means ------------------------------------------------------------------------------------

enum class Dimension { length, angle, voltage, current, count };

struct Unit {
  std::string_view name;
  Dimension dimension;
  double factor;  ///< To mm, deg, kV, mA, or one.
};
/// A unit stands before every shorter one that it ends in: "pixelsizeum" ends in um, not in m.
constexpr Unit units[] = {
    {"mm", Dimension::length, 1},
    {"cm", Dimension::length, 10},
    {"um", Dimension::length, 1e-3},
    {"nm", Dimension::length, 1e-6},
    {"m", Dimension::length, 1000},
    {"micron", Dimension::length, 1e-3},
    {"microns", Dimension::length, 1e-3},
    {"micrometre", Dimension::length, 1e-3},
    {"micrometer", Dimension::length, 1e-3},
    {"millimetre", Dimension::length, 1},
    {"millimeter", Dimension::length, 1},
    {"deg", Dimension::angle, 1},
    {"degree", Dimension::angle, 1},
    {"degrees", Dimension::angle, 1},
    {"grad", Dimension::angle, 1},  // German for degree
    {"mrad", Dimension::angle, 0.18 / pi},
    {"rad", Dimension::angle, 180 / pi},
    {"kv", Dimension::voltage, 1},
    {"v", Dimension::voltage, 1e-3},
    {"ma", Dimension::current, 1},
    {"ua", Dimension::current, 1e-3},
    {"px", Dimension::count, 1},
    {"pixel", Dimension::count, 1},
    {"pixels", Dimension::count, 1},
    {"views", Dimension::count, 1},
    {"images", Dimension::count, 1},
};

struct Meaning {
  Quantity quantity;
  std::string_view unit;        ///< When neither key nor value has one.
  double small_from;            ///< Above 0: a number without unit from here on is in a thousandth of that unit ..
  std::string_view small_unit;  ///< .. which is this: no detector has pixels of 50 mm.
  std::vector<std::string_view> keys;   ///< As `plain_key` leaves them.
  std::optional<Quantity> second = {};  ///< What the second of a pair of numbers means.
};

const std::vector<Meaning>& meanings() {
  using Q = Quantity;
  static const std::vector<Meaning> table = {
      {Q::source_to_object_mm,
       "mm",
       0,
       "",
       {"sod", "fod", "sad", "sourceobject", "sourcetoobject", "sourceaxis", "sourcetoaxis", "objectsource"}},
      {Q::source_to_detector_mm,
       "mm",
       0,
       "",
       {"sdd", "fdd", "sid", "ffd", "sourcedetector", "sourcetodetector", "sourceimage", "sourcetoimage",
        "detectorsource"}},
      {Q::object_to_detector_mm,
       "mm",
       0,
       "",
       {"odd", "oid", "objectdetector", "objecttodetector", "axisdetector", "axistodetector"}},
      {Q::magnification, "", 0, "", {"magnification", "geometricmagnification", "geometricalmagnification"}},
      {Q::column_pitch_mm,
       "mm",
       5,
       "um",
       {"pixelsize", "pixelpitch", "pitch", "detectorpixelsize", "detectorpixelpitch", "pixelsizedetector",
        "detectorpitch", "pixelspacing"},
       Q::row_pitch_mm},
      {Q::column_pitch_mm,
       "mm",
       5,
       "um",
       {"pixelsizex", "pixelsizeu", "pixelpitchx", "pixelpitchu", "pixelwidth", "columnpitch", "horizontalpixelsize",
        "horizontalpixelpitch"}},
      {Q::row_pitch_mm,
       "mm",
       5,
       "um",
       {"pixelsizey", "pixelsizev", "pixelpitchy", "pixelpitchv", "pixelheight", "rowpitch", "verticalpixelsize",
        "verticalpixelpitch"}},
      {Q::voxel_mm,
       "mm",
       5,
       "um",
       {"voxelsize", "voxel", "voxelpitch", "effectivepixelsize", "objectpixelsize", "pixelsizeobject"}},
      {Q::view_count,
       "",
       0,
       "",
       {"views", "viewcount", "nviews", "numviews", "images", "imagecount", "nimages", "numimages", "angles",
        "anglecount", "nangles", "anzahlprojektionen", "projektionen"}},
      {Q::first_deg, "deg", 0, "", {"startangle", "firstangle", "anglestart", "initialangle", "startwinkel"}},
      {Q::step_deg,
       "deg",
       0,
       "",
       {"anglestep", "angularstep", "stepangle", "angleincrement", "angularincrement", "rotationstep", "anglestepsize",
        "angularstepsize", "anglespacing", "winkelschritt"}},
      {Q::arc_deg,
       "deg",
       0,
       "",
       {"totalangle", "arc", "scanangle", "scanarc", "angularrange", "anglerange", "rotationrange", "totalrotation",
        "scanrange", "gesamtwinkel"}},
      {Q::columns, "px", 0, "", {"detectorsize", "imagesize", "detectorpixels"}, Q::rows},
      {Q::columns,
       "px",
       0,
       "",
       {"columns", "detectorcolumns", "imagecolumns", "ncolumns", "numcolumns", "detectorwidth", "imagewidth",
        "width"}},
      {Q::rows,
       "px",
       0,
       "",
       {"rows", "detectorrows", "imagerows", "nrows", "numrows", "detectorheight", "imageheight", "height"}},
      {Q::axis_column, "px", 0, "", {"axiscolumn", "centrecolumn", "centreofrotation", "rotationcentre"}},
      {Q::axis_offset_px, "px", 0, "", {"axisoffset", "centreoffset", "rotationcentreoffset"}},
      {Q::midplane_row, "px", 0, "", {"midplanerow", "centrerow", "centralrow"}},
      {Q::voltage_kv,
       "kv",
       1000,
       "v",
       {"voltage", "kv", "acceleratingvoltage", "accelerationvoltage", "highvoltage", "sourcevoltage", "spannung"}},
      {Q::current_ma, "ma", 30, "ua", {"current", "ma", "sourcecurrent", "beamcurrent", "strom"}},
      {Q::current_ma, "ua", 0, "", {"ua"}},
      {Q::focal_spot_mm, "mm", 3, "um", {"focalspot", "focalspotsize", "spotsize", "sourcesize", "sourcespotsize"}},
      {Q::saturation, "", 0, "", {"saturation", "saturationlevel", "saturationvalue", "fullscale"}},
      {Q::turn_sense,
       "",
       0,
       "",
       {"rotationdirection", "rotationsense", "directionofrotation", "senseofrotation", "turndirection"}},
  };
  return table;
}

/// Keys whose value is a word, not a number.
constexpr std::string_view beam_keys[] = {"beam", "beamgeometry", "beamshape", "beamtype"};
constexpr std::string_view filter_keys[] = {"filter", "prefilter", "sourcefilter", "beamfilter"};
constexpr std::string_view note_keys[] = {"exposure",
                                          "exposuretime",
                                          "exposuretimems",
                                          "exposuretimes",
                                          "exposurems",
                                          "integrationtime",
                                          "integrationtimems",
                                          "integrationtimes",
                                          "averages",
                                          "averaging",
                                          "frameaverage",
                                          "frameaverages",
                                          "framesaveraged",
                                          "averagedframes",
                                          "imagesperview",
                                          "framesperview",
                                          "binning",
                                          "detectorbinning",
                                          "gain",
                                          "detectorgain",
                                          "operator",
                                          "date",
                                          "time",
                                          "comment",
                                          "comments",
                                          "title",
                                          "object",
                                          "objectname",
                                          "targetmaterial"};

/// The same word in other spellings, and words that add nothing.
constexpr std::pair<std::string_view, std::string_view> same_words[] = {
    {"center", "centre"},
    {"projection", "view"},
    {"rotationaxis", "axis"},
    {"focus", "source"},
    {"fokus", "source"},
    {"sample", "object"},
    {"specimen", "object"},
    {"part", "object"},
    {"objekt", "object"},
    {"detektor", "detector"},
    {"distance", ""},
    {"abstand", ""},
    {"xray", ""},
    {"tube", ""},
    {"numberof", ""},
};

// ---- Text -----------------------------------------------------------------------------------------------------------

bool is_letter(char c) {
  return is_lower(c) || is_upper(c);
}

std::string_view trimmed(std::string_view text) {
  const auto first = text.find_first_not_of(" \t\r\v\f");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r\v\f") - first + 1);
}

std::string normalised(std::string_view text) {
  std::string out;
  for (const char c : text)
    if (is_letter(c) || is_digit(c)) out += lower(c);
  return out;
}

std::string with_replaced(std::string_view text, std::string_view from, std::string_view to) {
  std::string out;
  for (auto at = text.find(from); at != std::string_view::npos; at = text.find(from)) {
    out.append(text.substr(0, at)).append(to);
    text.remove_prefix(at + from.size());
  }
  return out.append(text);
}

/// Lower-case letters and digits, synonyms made equal.
std::string plain_key(std::string_view key) {
  std::string plain = normalised(key);
  for (const auto& [from, to] : same_words)
    plain = with_replaced(plain, from, to);
  return plain;
}

/// UTF-16 to UTF-8 for the basic plane, byte order marks dropped, and the signs for micro, degree and times as ASCII in
/// whichever encoding they come.
std::string to_ascii_signs(std::string_view bytes) {
  std::string text;
  const bool little = bytes.starts_with("\xff\xfe"), big = bytes.starts_with("\xfe\xff");
  if (little || big) {
    for (std::size_t i = 2; i + 1 < bytes.size(); i += 2) {
      const auto low = static_cast<unsigned char>(bytes[i + (big ? 1 : 0)]);
      const auto high = static_cast<unsigned char>(bytes[i + (big ? 0 : 1)]);
      const unsigned code = high * 256u + low;
      if (code < 0x80) {
        text += char(code);
      } else if (code < 0x800) {
        text += char(0xc0 | (code >> 6));
        text += char(0x80 | (code & 0x3f));
      } else {
        text += char(0xe0 | (code >> 12));
        text += char(0x80 | ((code >> 6) & 0x3f));
        text += char(0x80 | (code & 0x3f));
      }
    }
  } else {
    text = bytes.starts_with("\xef\xbb\xbf") ? bytes.substr(3) : bytes;
  }
  text = with_replaced(text, "\xc2\xb5", "u");
  text = with_replaced(text, "\xce\xbc", "u");
  text = with_replaced(text, "\xc2\xb0", "deg");
  text = with_replaced(text, "\xc3\x97", "x");
  std::string out;  // what is left of these signs is Latin-1, unless it belongs to a longer sequence
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    const bool alone = i == 0 || static_cast<unsigned char>(text[i - 1]) < 0x80;
    if (alone && byte == 0xb5)
      out += 'u';
    else if (alone && byte == 0xb0)
      out += "deg";
    else if (alone && byte == 0xd7)
      out += 'x';
    else
      out += text[i];
  }
  return out;
}

// ---- Numbers --------------------------------------------------------------------------------------------------------

struct Value {
  std::vector<double> numbers;
  std::string unit;  ///< Lower case, "" if none.
};
struct Reason {
  std::string why;
};

/// Whether `token` is 1 to 3 digits, not starting with 0, `mark`, and exactly 3 digits: it may part thousands.
bool may_part_thousands(std::string_view token, char mark) {
  if (!token.empty() && (token[0] == '-' || token[0] == '+')) token.remove_prefix(1);
  const auto at = token.find(mark);
  return at != std::string_view::npos && at >= 1 && at <= 3 && token[0] != '0' && token.size() == at + 4 &&
         std::all_of(token.begin() + std::ptrdiff_t(at) + 1, token.end(), is_digit);
}

/// Whether `token` is groups of 3 digits, the first of 1 to 3: 1,234,567.
bool in_thousands(std::string_view token) {
  if (!token.empty() && (token[0] == '-' || token[0] == '+')) token.remove_prefix(1);
  std::size_t group = 0;
  for (std::size_t from_end = 0; from_end < token.size(); ++from_end) {
    const bool digit = is_digit(token[token.size() - 1 - from_end]);
    if (digit == (group == 3)) return false;
    group = digit ? group + 1 : 0;
  }
  return group >= 1;
}

/// @param plain_commas  The text holds commas that can only be decimal marks.
std::variant<double, Reason> to_number(std::string token, bool plain_commas) {
  const auto commas = std::count(token.begin(), token.end(), ','), points = std::count(token.begin(), token.end(), '.');
  if (commas > 0 && points > 0) {  // the later one is the decimal mark
    const bool comma_is_decimal = token.rfind(',') > token.rfind('.');
    std::erase(token, comma_is_decimal ? '.' : ',');
  } else if (commas > 1 || points > 1) {
    if (!in_thousands(token)) return Reason{"'" + token + "' is no number"};
    std::erase(token, commas > 1 ? ',' : '.');
  } else if ((commas == 1 && !plain_commas && may_part_thousands(token, ',')) ||
             (points == 1 && plain_commas && may_part_thousands(token, '.'))) {
    return Reason{"'" + token + "' may be a fraction or thousands"};
  }
  std::replace(token.begin(), token.end(), ',', '.');
  const char* first = token.data() + (token.starts_with('+') ? 1 : 0);
  double value = 0;
  const auto [end, error] = std::from_chars(first, token.data() + token.size(), value);
  if (error != std::errc() || end != token.data() + token.size() || !std::isfinite(value))
    return Reason{"'" + token + "' is no number"};
  return value;
}

/// The number that starts at `text[at]`; moves `at` past it. A comma or point that no digit follows is left alone.
std::string number_token(std::string_view text, std::size_t& at) {
  const std::size_t start = at;
  if (at < text.size() && (text[at] == '-' || text[at] == '+')) ++at;
  const auto digit_at = [&](std::size_t i) { return i < text.size() && is_digit(text[i]); };
  while (at < text.size()) {
    const char c = text[at];
    const bool ends_number = c == '.' && at > start && is_digit(text[at - 1]);  // "200."
    if (is_digit(c) || ends_number || ((c == '.' || c == ',') && digit_at(at + 1)))
      ++at;
    else if ((c == 'e' || c == 'E') && at > start && is_digit(text[at - 1]) &&
             (digit_at(at + 1) ||
              (at + 1 < text.size() && (text[at + 1] == '-' || text[at + 1] == '+') && digit_at(at + 2))))
      at += 2;
    else
      break;
  }
  std::string token(text.substr(start, at - start));
  if (token.ends_with('.')) token.pop_back();
  return std::any_of(token.begin(), token.end(), is_digit) ? token : std::string();
}

/// "0,2", "200 um", "0.2 x 0.3 mm", "0.2 mm; 0.3 mm".
std::variant<Value, Reason> to_value(std::string_view text, bool plain_commas) {
  Value value;
  std::size_t at = 0;
  const auto skip_spaces = [&] {
    while (at < text.size() && (text[at] == ' ' || text[at] == '\t'))
      ++at;
  };
  while (true) {
    skip_spaces();
    const std::string token = number_token(text, at);
    if (token.empty()) return Reason{"no number"};
    const auto number = to_number(token, plain_commas);
    if (const auto* reason = std::get_if<Reason>(&number)) return *reason;
    value.numbers.push_back(std::get<double>(number));

    skip_spaces();
    std::size_t end = at;
    while (end < text.size() &&
           (is_letter(text[end]) || text[end] == '[' || text[end] == ']' || text[end] == '(' || text[end] == ')'))
      ++end;
    std::string unit = normalised(text.substr(at, end - at));
    if (unit != "x" && !unit.empty()) {
      if (!value.unit.empty() && unit != value.unit) return Reason{"units " + value.unit + " and " + unit};
      value.unit = unit;
      at = end;
      skip_spaces();
    }
    if (at == text.size()) return value;
    if (text[at] == 'x' || text[at] == 'X' || text[at] == '*' || text[at] == ';' || text[at] == ',') {
      ++at;
      skip_spaces();
      if (at == text.size()) return value;
    } else if (!is_digit(text[at])) {
      return Reason{"no number"};
    }
  }
}

// ---- Lines ----------------------------------------------------------------------------------------------------------

struct Line {
  int number;
  std::string section, key, value;
};

std::vector<Line> key_value_lines(const std::string& text) {
  std::vector<Line> lines;
  std::istringstream stream(text);
  std::string raw, section;
  for (int number = 1; std::getline(stream, raw); ++number) {
    std::string_view line = trimmed(raw);
    if (line.empty() || line[0] == '#' || line[0] == ';' || line.starts_with("//")) continue;
    if (line.front() == '[' && line.back() == ']') {
      section = trimmed(line.substr(1, line.size() - 2));
      continue;
    }
    auto at = line.find('=');
    if (at == std::string_view::npos) at = line.find(':');
    if (at == std::string_view::npos) at = line.find('\t');
    if (at == std::string_view::npos) continue;
    const std::string_view key = trimmed(line.substr(0, at));
    std::string_view value = trimmed(line.substr(at + 1));
    if (value.size() >= 2 && (value.front() == '"' || value.front() == '\'') && value.back() == value.front())
      value = trimmed(value.substr(1, value.size() - 2));
    for (const std::string_view comment : {" ;", "\t;", " #", "\t#", " //"})
      value = trimmed(value.substr(0, value.find(comment)));
    if (!std::any_of(key.begin(), key.end(), is_letter)) continue;  // a time of day, for one
    lines.push_back({number, section, std::string(key), std::string(value)});
  }
  return lines;
}

const Unit* unit_named(std::string_view name) {
  const auto* found = std::find_if(std::begin(units), std::end(units), [&](const Unit& u) { return u.name == name; });
  return found == std::end(units) ? nullptr : found;
}

struct Found {
  const Meaning* meaning;
  const Unit* key_unit;  ///< The unit that ends the key, if any.
};

std::optional<Found> find_meaning(std::string_view key) {
  const auto look_up = [](std::string_view plain) -> const Meaning* {
    for (const Meaning& meaning : meanings())
      if (std::find(meaning.keys.begin(), meaning.keys.end(), plain) != meaning.keys.end()) return &meaning;
    return nullptr;
  };
  const std::string plain = plain_key(key);
  if (const Meaning* meaning = look_up(plain)) return Found{meaning, nullptr};
  for (const Unit& unit : units) {
    if (!plain.ends_with(unit.name)) continue;
    std::string_view stem = std::string_view(plain).substr(0, plain.size() - unit.name.size());
    const Meaning* meaning = look_up(stem);
    if (!meaning && stem.ends_with("in")) meaning = look_up(stem.substr(0, stem.size() - 2));
    const Unit* own = meaning ? unit_named(meaning->unit) : nullptr;
    if (meaning && unit.dimension == (own ? own->dimension : Dimension::count)) return Found{meaning, &unit};
  }
  return {};
}

/// "0.5 mm Cu", "Cu 0,5 mm", several joined by '+' or ';'.
std::optional<std::vector<XraySource::Filter>> to_filters(std::string_view text, bool plain_commas) {
  static constexpr std::pair<std::string_view, std::string_view> metals[] = {
      {"copper", "Cu"}, {"aluminium", "Al"}, {"aluminum", "Al"}, {"tin", "Sn"},      {"silver", "Ag"},
      {"iron", "Fe"},   {"lead", "Pb"},      {"brass", "Brass"}, {"beryllium", "Be"}};
  std::vector<XraySource::Filter> filters;
  while (!text.empty()) {
    const auto end = text.find_first_of("+;");
    std::string_view piece = trimmed(text.substr(0, end));
    text = end == std::string_view::npos ? std::string_view{} : text.substr(end + 1);

    std::string material;
    double thickness = 0;
    const Unit* unit = nullptr;
    for (std::size_t at = 0; at < piece.size();) {
      if (is_digit(piece[at])) {
        const auto number = to_number(number_token(piece, at), plain_commas);
        if (!std::holds_alternative<double>(number) || thickness > 0) return {};
        thickness = std::get<double>(number);
      } else if (is_letter(piece[at])) {
        std::size_t stop = at;
        while (stop < piece.size() && is_letter(piece[stop]))
          ++stop;
        const std::string word(piece.substr(at, stop - at)), small = normalised(word);
        at = stop;
        if (const Unit* named = unit_named(small); named && named->dimension == Dimension::length && !unit) {
          unit = named;
          continue;
        }
        if (!material.empty()) return {};
        const auto* metal =
            std::find_if(std::begin(metals), std::end(metals), [&](const auto& m) { return m.first == small; });
        if (metal != std::end(metals))
          material = metal->second;
        else if (word.size() <= 2)
          material = word;
        else
          return {};
      } else {
        ++at;
      }
    }
    if (material.empty() || !unit || !(thickness > 0)) return {};
    filters.push_back({material, thickness * unit->factor});
  }
  return filters;
}

template <class List>
bool holds(const List& list, std::string_view key) {
  return std::find(std::begin(list), std::end(list), key) != std::end(list);
}

std::optional<Beam> to_beam(std::string_view word) {
  const std::string plain = normalised(word);
  if (plain.starts_with("cone")) return Beam::cone;
  if (plain.starts_with("fan")) return Beam::fan;
  if (plain.starts_with("parallel")) return Beam::parallel;
  return {};
}

std::optional<double> to_sense(std::string_view word) {
  const std::string plain = normalised(word);
  if (plain == "cw" || plain == "clockwise") return 1;
  if (plain == "ccw" || plain == "counterclockwise" || plain == "anticlockwise") return -1;
  return {};
}

/// Reads one line's numbers into `out`. Empty if they were understood, else why not.
std::string read_numbers(const Found& found, const Line& line, const std::string& where, bool plain_commas,
                         SettingsText& out) {
  const Meaning& meaning = *found.meaning;
  if (meaning.quantity == Quantity::turn_sense) {
    const auto sense = to_sense(line.value);
    if (!sense) return "must be clockwise or counter-clockwise";
    out.readings.push_back({meaning.quantity, *sense, where, "taken as the turntable's, seen from above"});
    return {};
  }
  const auto parsed = to_value(line.value, plain_commas);
  if (const auto* reason = std::get_if<Reason>(&parsed)) return reason->why;
  const Value& value = std::get<Value>(parsed);
  if (value.numbers.size() > (meaning.second ? 2u : 1u)) return "too many numbers";

  const Unit* own = unit_named(meaning.unit);
  const Unit* unit = found.key_unit;
  if (!value.unit.empty()) {
    const Unit* named = unit_named(value.unit);
    if (!named || named->dimension != (own ? own->dimension : Dimension::count))
      return "'" + value.unit + "' is no unit of it";
    if (unit && unit->factor != named->factor)
      return "the key says " + std::string(unit->name) + ", the value " + value.unit;
    unit = named;
  }
  for (std::size_t i = 0; i < value.numbers.size(); ++i) {
    std::string guess;
    const Unit* used = unit ? unit : own;
    if (!unit && meaning.small_from > 0 && value.numbers[i] >= meaning.small_from) {
      used = unit_named(meaning.small_unit);
      guess = "no unit: taken as " + std::string(meaning.small_unit);
    } else if (!unit && own && (own->dimension == Dimension::length || own->dimension == Dimension::current)) {
      guess = "no unit: taken as " + std::string(meaning.unit);
    }
    const Quantity quantity = i == 0 ? meaning.quantity : *meaning.second;
    out.readings.push_back({quantity, value.numbers[i] * (used ? used->factor : 1), where, guess});
  }
  return {};
}

void read_line(const Line& line, const std::string& name, bool plain_commas, SettingsText& out) {
  const std::string where = name + ", line " + std::to_string(line.number);
  const auto refuse = [&](const std::string& why) {
    out.not_understood.push_back(where + ": " + line.key + " = " + line.value + (why.empty() ? "" : "; " + why));
  };
  const std::string plain = plain_key(line.key);
  if (holds(note_keys, plain)) {
    if (!line.value.empty()) out.notes.emplace_back(line.key, line.value);
  } else if (holds(beam_keys, plain)) {
    const auto beam = to_beam(line.value);
    if (beam)
      out.beam = beam;
    else
      refuse("must be cone, fan or parallel");
  } else if (holds(filter_keys, plain)) {
    const auto filters = to_filters(line.value, plain_commas);
    if (filters)
      out.filters.insert(out.filters.end(), filters->begin(), filters->end());
    else
      out.notes.emplace_back(line.key, line.value);
  } else {
    auto found = find_meaning(line.key);
    if (!found && !line.section.empty()) found = find_meaning(line.section + line.key);
    if (!found) return refuse("");
    if (const std::string why = read_numbers(*found, line, where + " (" + line.key + ")", plain_commas, out);
        !why.empty())
      refuse(why);
  }
}

std::string whole_file(const std::filesystem::path& file) {
  std::error_code error;
  const auto size = std::filesystem::file_size(file, error);
  if (error) throw BadInput(file.string() + ": cannot be read; must be a text file");
  if (size > (4u << 20))
    throw BadInput(file.string() + ": " + std::to_string(size) + " bytes; a settings text must be below 4 MiB");
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream bytes;
  bytes << stream.rdbuf();
  if (!stream) throw BadInput(file.string() + ": cannot be read; must be a text file");
  return bytes.str();
}

}  // namespace

std::string to_string(Quantity quantity) {
  static constexpr std::array<const char*, 21> names = {"source_to_object_mm",
                                                        "source_to_detector_mm",
                                                        "object_to_detector_mm",
                                                        "magnification",
                                                        "column_pitch_mm",
                                                        "row_pitch_mm",
                                                        "voxel_mm",
                                                        "views.count",
                                                        "views.first_deg",
                                                        "views.step_deg",
                                                        "views.arc_deg",
                                                        "columns",
                                                        "rows",
                                                        "axis_column",
                                                        "axis offset in px",
                                                        "midplane_row",
                                                        "voltage_kv",
                                                        "current_ma",
                                                        "focal_spot_mm",
                                                        "saturation",
                                                        "sense of rotation"};
  return names[std::size_t(quantity)];
}

SettingsText read_settings(std::string_view bytes, const std::string& name) {
  const std::vector<Line> lines = key_value_lines(to_ascii_signs(bytes));
  // Does any number hold a comma that can only be a decimal mark?
  bool plain_commas = false;
  for (const Line& line : lines)
    for (std::size_t at = 0; at < line.value.size();) {
      const std::string token = number_token(line.value, at);
      if (token.empty()) {
        ++at;
        continue;
      }
      plain_commas |= std::count(token.begin(), token.end(), ',') == 1 && token.find('.') == std::string::npos &&
                      !may_part_thousands(token, ',');
    }
  SettingsText out;
  for (const Line& line : lines)
    read_line(line, name, plain_commas, out);
  return out;
}

SettingsText read_settings_file(const std::filesystem::path& file) {
  const std::string bytes = whole_file(file);
  const bool utf16 = bytes.starts_with("\xff\xfe") || bytes.starts_with("\xfe\xff");
  if (!utf16 && bytes.find('\0') != std::string::npos) throw BadInput(file.string() + ": is no text");
  return read_settings(bytes, file.filename().string());
}

std::optional<std::vector<double>> read_number_list(const std::filesystem::path& file) {
  std::istringstream stream(whole_file(file));
  std::vector<double> numbers;
  std::string raw;
  while (std::getline(stream, raw)) {
    const std::string_view line = trimmed(raw);
    if (line.empty() || line[0] == '#') continue;
    double value = 0;
    const auto [end, error] = std::from_chars(line.data(), line.data() + line.size(), value);
    if (error != std::errc() || end != line.data() + line.size() || !std::isfinite(value)) return {};
    numbers.push_back(value);
  }
  if (numbers.empty()) return {};
  return numbers;
}

}  // namespace rayloom
