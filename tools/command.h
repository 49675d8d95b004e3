/// @file
/// What every command shares: its entry in the program, the common options, progress, and how results leave.
#pragma once
#include <CLI/CLI.hpp>
#include <filesystem>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "rayloom/errors.h"
#include "rayloom/hooks.h"

namespace rayloom::tools {

/// Exit statuses of the program.
enum Exit : int { done = 0, not_acceptable = 1, bad_use = 2, could_not_finish = 3 };

/// What a command is given when it runs.
class Context {
 public:
  bool json = false;   ///< --json: results as one JSON object on stdout.
  bool quiet = false;  ///< --quiet: no progress and no notes on stderr; warnings and errors still.

  /// Progress bar with remaining time on a terminal, plain lines elsewhere; warnings on stderr; stops on Ctrl-C.
  Hooks hooks() const;
  /// A line on stderr unless quiet.
  void note(const std::string& message) const;
  /// A result line on stdout unless --json.
  void say(const std::string& line) const;
  /// The result object on stdout if --json.
  void result(const nlohmann::ordered_json& value) const;
};

/// Adds a command with the common options. `body` runs after parsing and returns the exit status.
/// @param about     One line: the question that the command answers.
/// @param examples  Whole command lines, one an entry, shown under "Examples:".
CLI::App* add_command(CLI::App& program, const std::string& name, const std::string& about,
                      const std::vector<std::string>& examples, std::function<int(const Context&)> body);

/// "1,2,3" to numbers. @throws InvalidOption naming the option unless exactly `count` finite numbers stand there.
std::vector<double> parse_numbers(const std::string& option, const std::string& text, std::size_t count,
                                  char separator = ',');

/// --threads, refused outside what the library takes.
CLI::Option* add_threads_option(CLI::App& command, std::optional<int>& threads);

/// "4G", "500M", "1.5GiB" to bytes (powers of 1024). @throws InvalidOption.
std::size_t parse_bytes(const std::string& option, const std::string& text);

/// Throws InvalidOption if `path` exists and `overwrite` is not set.
void refuse_existing(const std::string& path, bool overwrite);
/// The same for a scan file to write, and if what would be replaced is no scan file.
void refuse_other_than_scan(const std::string& path, bool overwrite);
/// Throws InvalidOption if `input`, which is still to be read, is the output folder or lies in it.
void refuse_to_replace(const std::string& output, const std::filesystem::path& input);

/// Each command's file defines one of these; main.cpp calls them in the order of the help.
void add_describe(CLI::App& program);
void add_simulate(CLI::App& program);
void add_check(CLI::App& program);
void add_stitch(CLI::App& program);
void add_align(CLI::App& program);
void add_reconstruct(CLI::App& program);
void add_section(CLI::App& program);
void add_report(CLI::App& program);

}  // namespace rayloom::tools
