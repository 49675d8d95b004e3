#include "command.h"

#include <unistd.h>

#include <charconv>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <memory>

#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"

namespace rayloom::tools {

namespace {

volatile std::sig_atomic_t interrupted = 0;

extern "C" void on_interrupt(int) {
  interrupted = 1;
}

std::string duration(double seconds) {
  const long whole = std::lround(seconds);
  char text[32];
  if (whole >= 3600)
    std::snprintf(text, sizeof text, "%ld h %02ld min", whole / 3600, whole / 60 % 60);
  else if (whole >= 60)
    std::snprintf(text, sizeof text, "%ld min %02ld s", whole / 60, whole % 60);
  else
    std::snprintf(text, sizeof text, "%ld s", whole);
  return text;
}

/// Progress on stderr: a bar redrawn in place on a terminal, a line every quarter elsewhere.
class Meter {
 public:
  void show(const std::string& step, double fraction) {
    using namespace std::chrono;
    const auto now = steady_clock::now();
    if (step != step_) {
      step_ = step;
      started_ = now;
      drawn_ = {};
      quarter_ = -1;
    }
    const bool last = fraction >= 1;
    const double elapsed = duration_cast<std::chrono::duration<double>>(now - started_).count();
    if (terminal_) {
      if (!last && now - drawn_ < milliseconds(100)) return;
      drawn_ = now;
      const int width = 30, filled = int(fraction * width);
      std::string bar(std::size_t(filled), '#');
      bar.resize(width, '.');
      std::fprintf(stderr, "\r%-28s [%s] %3.0f %%  %s\033[K%s", step.c_str(), bar.c_str(), 100 * fraction,
                   last              ? ("took " + tools::duration(elapsed)).c_str()
                   : fraction > 0.01 ? (tools::duration(elapsed * (1 - fraction) / fraction) + " left").c_str()
                                     : "",
                   last ? "\n" : "");
    } else if (const int quarter = int(4 * fraction); quarter > quarter_) {
      quarter_ = quarter;
      if (last)
        std::fprintf(stderr, "%s: done in %.1f s\n", step.c_str(), elapsed);
      else if (quarter > 0)
        std::fprintf(stderr, "%s: %3.0f %%, %s left\n", step.c_str(), 100 * fraction,
                     tools::duration(elapsed * (1 - fraction) / fraction).c_str());
    }
  }

 private:
  bool terminal_ = isatty(STDERR_FILENO) != 0;
  std::string step_;
  std::chrono::steady_clock::time_point started_{}, drawn_{};
  int quarter_ = -1;
};

}  // namespace

Hooks Context::hooks() const {
  std::signal(SIGINT, on_interrupt);
  std::signal(SIGTERM, on_interrupt);
  Hooks hooks;
  if (!quiet)
    hooks.progress = [meter = std::make_shared<Meter>()](const std::string& step, double fraction) {
      meter->show(step, fraction);
    };
  hooks.warning = [](const std::string& message) { std::cerr << "rayloom: warning: " << message << '\n'; };
  hooks.cancelled = [] { return interrupted != 0; };
  return hooks;
}

void Context::note(const std::string& message) const {
  if (!quiet) std::cerr << message << '\n';
}

void Context::say(const std::string& line) const {
  if (!json) std::cout << line << '\n';
}

void Context::result(const nlohmann::ordered_json& value) const {
  if (json) std::cout << value.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) << '\n';
}

CLI::App* add_command(CLI::App& program, const std::string& name, const std::string& about,
                      const std::vector<std::string>& examples, std::function<int(const Context&)> body) {
  CLI::App* command = program.add_subcommand(name, about);
  std::string footer = "Examples:";
  for (const auto& example : examples)
    footer += "\n  " + example;
  command->footer(footer);
  auto context = std::make_shared<Context>();
  command->add_flag("--json", context->json, "print the result as one JSON object on stdout");
  command->add_flag("--quiet", context->quiet, "no progress and notes on stderr; warnings and errors still");
  command->set_version_flag("--version", std::string("rayloom ") + RAYLOOM_VERSION);
  command->callback([command, context, body = std::move(body)] {
    for (const CLI::Option* option : command->get_options())
      for (const std::string& value : option->results())
        if (value.empty()) throw InvalidOption(option->get_name() + ": ''; must not be empty");
    throw CLI::RuntimeError(body(*context));
  });
  return command;
}

CLI::Option* add_threads_option(CLI::App& command, std::optional<int>& threads) {
  const std::string range = "1 to " + std::to_string(most_threads());
  return command
      .add_option_function<int>(
          "--threads",
          [&threads, range](int n) {
            if (n < 1 || n > most_threads())
              throw InvalidOption("--threads: " + std::to_string(n) + "; must be from " + range);
            threads = n;
          },
          "threads to use, " + range + " (as many as there are processors)")
      ->check([](const std::string& text) { return std::string(text.empty() ? "''; must not be empty" : ""); });
}

std::vector<double> parse_numbers(const std::string& option, const std::string& text, std::size_t count,
                                  char separator) {
  std::vector<double> numbers;
  const char* at = text.data();
  const char* const end = at + text.size();
  while (true) {
    double value = 0;
    const auto [next, error] = std::from_chars(at, end, value);
    if (error != std::errc() || !std::isfinite(value)) break;
    numbers.push_back(value);
    at = next;
    if (at == end || *at != separator) break;
    ++at;
  }
  if (at != end || numbers.size() != count)
    throw InvalidOption(
        option + ": '" + text + "'; must be " +
        (count == 1 ? "a number"
                    : std::to_string(count) + " numbers separated by " + (separator == ',' ? "commas" : "colons")));
  return numbers;
}

std::size_t parse_bytes(const std::string& option, const std::string& text) {
  double value = 0;
  const auto [next, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  const std::string unit(next, text.data() + text.size());
  int power = -1;
  if (unit.empty() || unit == "B") power = 0;
  for (int i = 0; i < 4; ++i) {
    const std::string letter(1, "KMGT"[i]);
    if (unit == letter || unit == letter + "iB" || unit == letter + "B") power = i + 1;
  }
  if (error != std::errc() || power < 0 || !(value > 0) || !std::isfinite(value))
    throw InvalidOption(option + ": '" + text + "'; must be a size such as 500M or 4G");
  const double bytes = std::ldexp(value, 10 * power);
  if (bytes > 1e18) throw InvalidOption(option + ": '" + text + "'; is beyond any machine");
  return std::size_t(bytes);
}

void refuse_existing(const std::string& path, bool overwrite) {
  std::error_code ignored;
  if (!overwrite && std::filesystem::exists(path, ignored))
    throw InvalidOption("-o: " + path + " exists; must be a new name", "--overwrite replaces it");
}

void refuse_other_than_scan(const std::string& path, bool overwrite) {
  refuse_existing(path, overwrite);
  std::error_code ignored;
  if (!std::filesystem::exists(path, ignored)) return;
  std::ifstream stream(path, std::ios::binary);
  const auto value = nlohmann::json::parse(stream, nullptr, false);
  if (!value.is_object() || !value.contains("rayloom_scan"))
    throw InvalidOption("-o: " + path + " is no scan file; must be a scan file to be replaced, or a new name");
}

void refuse_to_replace(const std::string& output, const std::filesystem::path& input) {
  namespace fs = std::filesystem;
  std::error_code error;
  const fs::path folder = fs::weakly_canonical(fs::absolute(output) / "", error);
  const fs::path within = fs::weakly_canonical(fs::absolute(input) / "", error).lexically_relative(folder);
  if (error || within.empty() || *within.begin() == "..") return;
  throw InvalidOption("-o: " + output + " is or holds " + input.string() + ", which is read; must be another folder");
}

}  // namespace rayloom::tools
