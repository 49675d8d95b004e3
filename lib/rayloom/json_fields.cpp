#include "rayloom/json_fields.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>
#include <numeric>
#include <set>
#include <sstream>

#include "rayloom/errors.h"

namespace rayloom {

namespace {

std::string shown(const nlohmann::json& value) {
  std::string text = value.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
  return text.size() > 60 ? text.substr(0, 57) + "..." : text;
}

std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 0; i < a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i + 1;
    for (std::size_t j = 0; j < b.size(); ++j) {
      const std::size_t substituted = diagonal + (a[i] == b[j] ? 0 : 1);
      diagonal = row[j + 1];
      row[j + 1] = std::min({substituted, row[j] + 1, row[j + 1] + 1});
    }
  }
  return row.back();
}

}  // namespace

JsonFields::JsonFields(nlohmann::json object, std::string file, std::string path)
    : object_(std::move(object)), file_(std::move(file)), path_(std::move(path)) {
  if (!object_.is_object())
    throw BadInput(file_ + ": " + (path_.empty() ? "the file" : path_) + ": " + shown(object_) +
                   "; must be an object {...}");
}

void JsonFields::allow_only(std::initializer_list<std::string_view> known) const {
  for (const auto& item : object_.items()) {
    if (std::find(known.begin(), known.end(), item.key()) != known.end()) continue;
    const std::vector<std::string> names(known.begin(), known.end());
    const auto nearest = nearest_name(item.key(), names);
    std::string hint = nearest ? "did you mean '" + *nearest + "'?" : "known here:";
    if (!nearest)
      for (const auto& name : names)
        hint += " " + name;
    throw BadInput(file_ + ": " + name_of(item.key()) + ": unknown key", hint);
  }
}

const nlohmann::json& JsonFields::raw(std::string_view key) const {
  const auto found = object_.find(key);
  if (found == object_.end()) throw BadInput(file_ + ": " + name_of(key) + ": missing");
  return *found;
}

double JsonFields::number(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_number() || !std::isfinite(value.get<double>())) fail(key, "must be a number");
  return value.get<double>();
}

double JsonFields::positive(std::string_view key) const {
  const double value = number(key);
  if (!(value > 0)) fail(key, "must be above 0");
  return value;
}

long JsonFields::integer(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_number_integer()) fail(key, "must be a whole number");
  if (value.is_number_unsigned() && value.get<std::uint64_t>() > std::uint64_t(std::numeric_limits<long>::max()))
    fail(key, "is too large");
  return value.get<long>();
}

std::string JsonFields::text(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_string()) fail(key, "must be a text in quotes");
  return value.get<std::string>();
}

bool JsonFields::flag(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_boolean()) fail(key, "must be true or false");
  return value.get<bool>();
}

std::vector<double> JsonFields::numbers(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_array()) fail(key, "must be a list of numbers");
  std::vector<double> list;
  for (const auto& entry : value) {
    if (!entry.is_number() || !std::isfinite(entry.get<double>())) fail(key, "must be a list of numbers");
    list.push_back(entry.get<double>());
  }
  return list;
}

std::vector<double> JsonFields::numbers(std::string_view key, std::size_t count) const {
  auto list = numbers(key);
  if (list.size() != count) fail(key, "must be a list of " + std::to_string(count) + " numbers");
  return list;
}

JsonFields JsonFields::object(std::string_view key) const {
  return {raw(key), file_, name_of(key)};
}

std::vector<JsonFields> JsonFields::objects(std::string_view key) const {
  const auto& value = raw(key);
  if (!value.is_array()) fail(key, "must be a list of objects");
  std::vector<JsonFields> list;
  for (std::size_t i = 0; i < value.size(); ++i)
    list.emplace_back(value[i], file_, name_of(key) + "[" + std::to_string(i) + "]");
  return list;
}

void JsonFields::fail(std::string_view key, const std::string& must, const std::string& hint) const {
  const auto found = object_.find(key);
  throw BadInput(
      file_ + ": " + name_of(key) + ": " + (found == object_.end() ? "missing" : shown(*found)) + "; " + must, hint);
}

std::string JsonFields::name_of(std::string_view key) const {
  return path_.empty() ? std::string(key) : path_ + "." + std::string(key);
}

nlohmann::json read_json_file(const std::filesystem::path& file) {
  std::error_code error;
  if (!std::filesystem::exists(file, error)) throw BadInput(file.string() + ": no such file");
  if (std::filesystem::is_directory(file, error)) {
    const auto inside = file / "scan.json";
    throw BadInput(file.string() + ": is a folder; must be a JSON file",
                   std::filesystem::exists(inside, error) ? "perhaps " + inside.string() : "");
  }
  std::ifstream stream(file, std::ios::binary);
  std::ostringstream text;
  text << stream.rdbuf();
  if (!stream) throw BadInput(file.string() + ": cannot be read");
  // Of a key given twice one would count without a word.
  std::vector<std::set<std::string>> keys;
  const auto look = [&](int, nlohmann::json::parse_event_t event, nlohmann::json& parsed) {
    using Event = nlohmann::json::parse_event_t;
    if (event == Event::object_start) keys.emplace_back();
    if (event == Event::object_end) keys.pop_back();
    if (event == Event::key && !keys.back().insert(parsed.get<std::string>()).second)
      throw BadInput(file.string() + ": '" + parsed.get<std::string>() + "' is given twice in one place; must be once");
    return true;
  };
  try {
    return nlohmann::json::parse(text.str(), look);
  } catch (const nlohmann::json::out_of_range& problem) {  // "[..] number overflow parsing '1e999'"
    const std::string said = problem.what();
    const auto quote = said.find('\'');
    throw BadInput(file.string() + ": " + (quote == std::string::npos ? said : said.substr(quote)) +
                   ": is too large a number; must be below 1.8e308");
  } catch (const nlohmann::json::parse_error& problem) {
    const std::string all = text.str();
    const std::size_t at = std::min(problem.byte == 0 ? 0 : problem.byte - 1, all.size());
    const auto line = 1 + std::count(all.begin(), all.begin() + std::ptrdiff_t(at), '\n');
    const auto start = all.rfind('\n', at == 0 ? 0 : at - 1);
    const std::size_t column = at - (start == std::string::npos || at == 0 ? 0 : start + 1) + 1;
    throw BadInput(file.string() + ": line " + std::to_string(line) + ", column " + std::to_string(column) +
                   ": not valid JSON there");
  }
}

void write_text_file(const std::filesystem::path& file, const std::string& text) {
  auto temporary = file;
  temporary += ".partial";
  {
    std::ofstream stream(temporary, std::ios::binary);
    stream << text;
    stream.close();
    if (!stream) {
      std::error_code ignored;
      std::filesystem::remove(temporary, ignored);
      throw CannotWrite(file.string() + ": cannot be written", "is the disk full, or the folder missing or read-only?");
    }
  }
  std::error_code error;
  std::filesystem::rename(temporary, file, error);
  if (error) {
    std::error_code ignored;
    std::filesystem::remove(temporary, ignored);
    throw CannotWrite(file.string() + ": cannot be written: " + error.message());
  }
}

void write_json_file(const std::filesystem::path& file, const nlohmann::ordered_json& value) {
  write_text_file(file, value.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + '\n');
}

std::optional<std::string> nearest_name(std::string_view word, const std::vector<std::string>& known) {
  std::optional<std::string> best;
  std::size_t least = word.size() / 3 + 1;
  for (const auto& name : known)
    if (const std::size_t distance = edit_distance(word, name); distance <= least && (!best || distance < least)) {
      least = distance;
      best = name;
    }
  return best;
}

std::string to_text(double value) {
  char buffer[32];
  const auto result = std::to_chars(buffer, buffer + sizeof buffer, value);
  return {buffer, result.ptr};
}

std::string to_text(double value, int digits) {
  char buffer[64];
  const auto result = std::to_chars(buffer, buffer + sizeof buffer, value, std::chars_format::general, digits);
  return {buffer, result.ptr};
}

}  // namespace rayloom
