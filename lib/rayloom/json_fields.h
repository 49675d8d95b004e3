/// @file
/// Reading JSON objects strictly: every field named, typed and ranged, and none left over.
#pragma once
#include <filesystem>
#include <initializer_list>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace rayloom {

/// One JSON object of a file, with the path to it, so that each complaint can say `scan.json: detector.rows: ...`.
/// All getters throw BadInput naming file, field, value and what must hold.
class JsonFields {
 public:
  /// @param file   Shown in messages.
  /// @param path   Field path of `object` within the file, "" at the top.
  /// @throws BadInput if `object` is not a JSON object.
  JsonFields(nlohmann::json object, std::string file, std::string path = {});

  /// @throws BadInput naming the first field that is not in `known`, with the nearest known name as a hint.
  void allow_only(std::initializer_list<std::string_view> known) const;

  bool has(std::string_view key) const { return object_.contains(key); }
  const nlohmann::json& raw(std::string_view key) const;  ///< @throws BadInput if absent.

  double number(std::string_view key) const;  ///< Finite.
  double positive(std::string_view key) const;
  long integer(std::string_view key) const;
  std::string text(std::string_view key) const;
  bool flag(std::string_view key) const;
  std::vector<double> numbers(std::string_view key) const;                     ///< A list of finite numbers.
  std::vector<double> numbers(std::string_view key, std::size_t count) const;  ///< Exactly `count` of them.

  double number_or(std::string_view key, double fallback) const { return has(key) ? number(key) : fallback; }
  long integer_or(std::string_view key, long fallback) const { return has(key) ? integer(key) : fallback; }
  std::string text_or(std::string_view key, std::string fallback) const {
    return has(key) ? text(key) : std::move(fallback);
  }
  bool flag_or(std::string_view key, bool fallback) const { return has(key) ? flag(key) : fallback; }

  JsonFields object(std::string_view key) const;                ///< A nested object.
  std::vector<JsonFields> objects(std::string_view key) const;  ///< A list of objects.

  /// Throws BadInput: "FILE: PATH.KEY: VALUE; MUST".
  [[noreturn]] void fail(std::string_view key, const std::string& must, const std::string& hint = {}) const;
  std::string name_of(std::string_view key) const;  ///< "PATH.KEY".
  const std::string& file() const { return file_; }

 private:
  nlohmann::json object_;
  std::string file_, path_;
};

/// Parses a whole JSON file. @throws BadInput if it cannot be read or is not JSON, with line and column.
nlohmann::json read_json_file(const std::filesystem::path& file);

/// Writes `text` under a temporary name that is renamed when whole. @throws CannotWrite.
void write_text_file(const std::filesystem::path& file, const std::string& text);

/// Likewise `value`, indented.
void write_json_file(const std::filesystem::path& file, const nlohmann::ordered_json& value);

/// The name in `known` that is closest to `word` in edit distance, if close enough to be a slip of the pen.
std::optional<std::string> nearest_name(std::string_view word, const std::vector<std::string>& known);

/// Shortest decimal text that reads back as the same number, independent of locale.
std::string to_text(double value);
/// The same rounded to `digits` significant digits, for people.
std::string to_text(double value, int digits);

}  // namespace rayloom
