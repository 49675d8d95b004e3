/// @file
/// ASCII characters as file names and settings hold them, whatever the locale.
#pragma once

namespace rayloom {

inline bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
inline bool is_lower(char c) {
  return c >= 'a' && c <= 'z';
}
inline bool is_upper(char c) {
  return c >= 'A' && c <= 'Z';
}
inline char lower(char c) {
  return is_upper(c) ? char(c - 'A' + 'a') : c;
}

}  // namespace rayloom
