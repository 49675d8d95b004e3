/// @file
/// How progress, warnings and a request to stop pass between the library, which prints nothing, and its caller.
#pragma once
#include <functional>
#include <string>

namespace rayloom {

/// Callbacks, each of which may be left empty. They are called from one thread at a time.
struct Hooks {
  std::function<void(const std::string& step, double fraction)> progress;  ///< What is being done; 0 to 1.
  std::function<void(const std::string& message)> warning;                 ///< Something the user should know.
  std::function<bool()> cancelled;                                         ///< True: stop and throw Cancelled.

  void report(const std::string& step, double fraction) const {
    if (progress) progress(step, fraction);
  }
  void warn(const std::string& message) const {
    if (warning) warning(message);
  }
  bool stop() const { return cancelled && cancelled(); }
};

}  // namespace rayloom
