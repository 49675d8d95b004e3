/// @file
/// The exceptions that the library throws, told apart by what the caller can do about them.
#pragma once
#include <stdexcept>
#include <string>
#include <utility>

namespace rayloom {

/// Base of all. `what()` names the file, field or option, its value, and what must hold; `hint()` may say what to try.
class Error : public std::runtime_error {
 public:
  explicit Error(const std::string& message, std::string hint = {})
      : std::runtime_error(message), hint_(std::move(hint)) {}
  const std::string& hint() const noexcept { return hint_; }

 private:
  std::string hint_;
};

/// An option or argument is outside what it allows, or asks for what cannot be: change the call.
class InvalidOption : public Error {
  using Error::Error;
};

/// A file or a field in it is missing, damaged or contradictory: mend the file.
class BadInput : public Error {
  using Error::Error;
};

/// A result could not be written whole (disk full, no permission). Nothing half written is left.
class CannotWrite : public Error {
  using Error::Error;
};

/// `Hooks::cancelled` said stop.
class Cancelled : public Error {
  using Error::Error;
};

}  // namespace rayloom
