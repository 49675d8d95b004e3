/// @file
/// One pass over the images of a scan, whole or not, and what is remembered of each.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/prepare/defects.h"
#include "rayloom/scan/view_inventory.h"

namespace rayloom {

/// How stored samples become transmission: (sample - dark) factor, bad pixels taken from good neighbours.
struct Flattening {
  Image dark, factor;  ///< Empty unless the images are counts.
  DefectMap defects;
  std::optional<float> noise;  ///< Relative standard deviation of one open-beam sample, if exposures tell it.
};

/// One image, summed up. Transmissions are relative to the open beam, or for images without one to the level that the
/// scan file gives; in "border" scans to the border of each view.
struct ViewRecord {
  int view = 0;           ///< Of the scan.
  bool readable = false;  ///< Else nothing below holds.
  double air = 0;         ///< Transmission of the brightest tenth of the field: 1 if it is air and nothing drifts.
  double level = 0;       ///< The same in stored units ("border" scans), else `air`.
  /// Median transmission of the part-free rows of the left and right edge; nothing where the part or none is left.
  std::optional<double> left_air, right_air;
  int left_rows = 0, right_rows = 0;        ///< Rows in which the part reaches the left or right edge.
  int top_columns = 0, bottom_columns = 0;  ///< Columns in which it reaches the first or last row.
  double least = 0;                         ///< Least transmission, and where.
  int least_row = 0, least_column = 0;
  std::size_t below_10 = 0, below_3 = 0;  ///< Samples below 10 % and 3 % transmission.
  std::size_t saturated = 0;              ///< Samples at full scale.
};

struct Spike {
  int image, row, column;
  double height;  ///< Above its surroundings, in open beams.
};

/// What the pass leaves.
struct Survey {
  std::vector<ViewRecord> records;  ///< One an image.
  /// Line integrals of the images made small, [image][row][column]: means over blocks of transmission relative to the
  /// air of the view.
  int small_rows = 0, small_columns = 0;
  std::vector<float> small;
  double block_pixels = 0;  ///< Pixels in such a block.
  int edge_columns = 1;     ///< Columns at each edge that left_air and right_air are taken from.
  Image sinogram;           ///< Line integrals, [image][column], mean over `sinogram_rows` rows about `sinogram_row`.
  int sinogram_row = 0, sinogram_rows = 0;
  Image profiles;               ///< Mean line integral of every row, [image][row].
  Image mean, lowest, highest;  ///< Of the transmission of every pixel over `sampled` views (lowest, highest: over up
                                ///< to 16 of them) spread over the scan.
  int sampled = 0;
  std::vector<Spike> spikes;  ///< At most `most_spikes`.
  std::size_t spike_count = 0;
  std::size_t samples = 0;           ///< Of good pixels, in all readable images.
  std::vector<std::string> damaged;  ///< Why images could not be read.

  std::span<const float> small_of(int image) const {
    const std::size_t size = std::size_t(small_rows) * std::size_t(small_columns);
    return std::span(small).subspan(std::size_t(image) * size, size);
  }
};

inline constexpr float spike_height = 0.15F;  ///< Least height of a spike, in open beams (common practice).
inline constexpr std::size_t most_spikes = 1000;

/// Reads every image once, in order; reading overlaps with looking. Memory: some views, and 10 kB an image.
/// @throws Cancelled.
Survey survey_scan(const Scan& scan, const ViewInventory& inventory, const Flattening& flattening, const Hooks& hooks);

/// Says that the survey begins soon, so that a disk can fetch the first views meanwhile.
void expect_survey(const Scan& scan, const ViewInventory& inventory);

/// Line integrals of one upright image, relative to the open beam.
Image line_integrals_of(const Scan& scan, const Flattening& flattening, const Image& stored, int view);

}  // namespace rayloom
