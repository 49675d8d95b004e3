/// @file
/// A small bitmap font, drawn by hand for this project. Used inside the volume room.
#pragma once

namespace rayloom::bitmap_font {

inline constexpr int width = 5;    ///< Pixels of a character, without the gap to the next.
inline constexpr int height = 9;   ///< Rows, the last two for tails as in 'g'.
inline constexpr int capital = 7;  ///< Height of capitals and digits.
inline constexpr int advance = 6;  ///< From one character to the next.

/// Whether the pixel is inked. Characters other than printable ASCII show as '?'.
bool pixel(char character, int row, int column);

}  // namespace rayloom::bitmap_font
