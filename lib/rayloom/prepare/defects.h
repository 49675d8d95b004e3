/// @file
/// Bad pixels by the classes of ASTM E2597, and what they form together.
#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "rayloom/scan/image.h"

namespace rayloom {

/// What a pixel is. A pixel that fits several classes has the first.
enum class PixelState : std::uint8_t {
  good,
  listed,             ///< Bad by the scan's own defect map.
  dead,               ///< No response, or a constant one.
  over_responding,    ///< Response above 1.3 times the median of the 21 x 21 pixels around it.
  under_responding,   ///< Response below 0.6 times that median.
  noisy,              ///< Deviation over the dark images above 6 times the median deviation of all pixels.
  non_uniform,        ///< Corrected open beam more than 1 % off the median of the 9 x 9 pixels around it.
  bad_neighbourhood,  ///< All its neighbours (8 inside the detector) are bad.
};
inline constexpr int pixel_states = 8;
std::string to_string(PixelState state);

/// The limits of ASTM E2597/E2597M-22, but for `dead`: the standard asks for 'no response or a constant one', and a
/// hundredth of the surrounding response is taken as none (common practice).
struct DefectLimits {
  static constexpr float dead = 0.01F, over = 1.3F, under = 0.6F, noisy = 6, non_uniform = 0.01F;
  static constexpr int response_window = 21, uniformity_window = 9;
  static constexpr int dark_images = 30;       ///< Fewest that the standard judges noise from.
  static constexpr int least_dark_images = 3;  ///< Fewest from which good pixels cannot seem noisy: of normal noise,
                                               ///< one in exp(25) deviates by 6 medians in 3 images.
};

/// Mean and standard deviation of each pixel over `count` exposures. The deviation is empty for one exposure.
struct ExposureStatistics {
  Image mean, deviation;
  int count = 0;
};

/// Adds up exposures one by one (Welford 1962).
class ExposureAccumulator {
 public:
  void add(const Image& exposure);
  int count() const { return count_; }
  ExposureStatistics statistics() const;

 private:
  int rows_ = 0, columns_ = 0, count_ = 0;
  std::vector<double> mean_, squares_;
};

/// What the classes are judged by. All images have the same size; an absent one leaves its class out.
struct DefectEvidence {
  std::optional<Image> response;        ///< Mean open beam less mean dark image: dead, over- and under-responding.
  std::optional<Image> dark_deviation;  ///< Standard deviation over the dark images: noisy.
  std::optional<Image> flattened;       ///< An open-beam image, corrected by other exposures; any scale: non-uniform.
  std::optional<Image> listed;          ///< Not 0 where the scan's own map says bad.
};

struct DefectMap {
  int rows = 0, columns = 0;
  std::vector<PixelState> states;  ///< One a pixel.
  /// Limit used for non-uniform pixels: that of the standard, or 5.5 robust deviations of the corrected open beam where
  /// its noise is larger than the standard can tell from a fault.
  double non_uniform_limit = DefectLimits::non_uniform;

  PixelState at(int row, int column) const {
    return states[std::size_t(row) * std::size_t(columns) + std::size_t(column)];
  }
  bool bad(int row, int column) const { return at(row, column) != PixelState::good; }
  std::size_t count(PixelState state) const;
  std::size_t bad_count() const { return states.size() - count(PixelState::good); }
};

/// Judges every pixel. Windows at the detector's edge are moved inwards, and are as large as the detector at most.
/// Costs a few operations a pixel: the medians of windows are found from bounds, and exactly where these leave a doubt.
/// @throws InvalidOption if the sizes differ or there is no image.
DefectMap classify_pixels(const DefectEvidence& evidence);

/// Connected bad pixels (8 neighbours), two or more, or a line of them.
struct DefectGroup {
  enum class Kind {
    cluster,           ///< Every pixel has at least 5 good neighbours: interpolation mends it.
    relevant_cluster,  ///< Some pixel (a cluster kernel pixel) has fewer than 5: interpolation cannot mend it.
    line               ///< A run of at least `line_length` pixels along a row or column.
  } kind;
  int row, column, rows, columns;  ///< The box around it.
  std::size_t pixels;              ///< Bad ones.
  std::size_t kernel_pixels;       ///< Of these, with fewer than 5 good neighbours.
};
inline constexpr int line_length = 10;  ///< Pixels (common practice; the standard says 'long').

/// The groups in the order of their first pixel. A group one pixel wide and long enough is a line; a run inside a wider
/// group is told as a line beside it. A neighbour beyond the detector's edge counts as its mirror image about the pixel
/// does, so that the edge alone makes no kernel pixel; with one row, fewer than 5/8 of the 2 neighbours.
std::vector<DefectGroup> defect_groups(const DefectMap& map);
std::string to_string(DefectGroup::Kind kind);

/// Median of the window x window pixels about each pixel, moved inwards at the edge: exact, slow; for single pixels.
float window_median(const Image& image, int row, int column, int window);

}  // namespace rayloom
