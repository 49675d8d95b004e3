/// @file
/// Views made small enough to be held together, and what lies between their pixels.
#pragma once
#include <optional>
#include <vector>

#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// Line integrals of a scan in memory, [view][row][column], and their geometry. Pixels are averages of the scan's.
struct ViewStack {
  Geometry geometry;
  std::vector<float> samples;

  const float* view(int i) const {
    return &samples[std::size_t(i) * std::size_t(geometry.detector.rows) * std::size_t(geometry.detector.columns)];
  }
  float* view(int i) {
    return &samples[std::size_t(i) * std::size_t(geometry.detector.rows) * std::size_t(geometry.detector.columns)];
  }
  int views() const { return int(geometry.angles_rad.size()); }
};

/// Rows [first, first + count), of which `together` at a time are averaged into one; those left over are dropped.
struct RowBand {
  int first = 0, count = 1, together = 1;
};

/// How many to take together so that at most `most` of them remain.
int together_for(int count, int most);

/// Reads these rows of every view, in parallel. @throws Cancelled, and what `source` throws.
ViewStack read_stack(const Geometry& geometry, const ProjectionSource& source, const RowBand& band, int threads,
                     const Hooks& hooks);

/// Half as many columns, and rows if there are at least 8.
ViewStack halved(const ViewStack& stack);

/// A cylinder's bounding box of such voxels, from the least to the greatest height that a ray through the detector's
/// rows reaches within it: rays through ends that are in no slice would miss them.
/// @param beyond_rows  So many above the outermost rows' middles and below them are held as well.
GridRequest grid_of_rays(const Geometry& geometry, double radius_mm, double voxel_mm, double beyond_rows);

/// Smooths columns (and rows, if there are at least 4) by [1 2 1]/4, `passes` times: a variance of passes/2 pixels^2.
void smooth(ViewStack& stack, int passes, int threads);

/// A value between pixels and its derivatives by column and row.
struct Sample {
  double value, by_column, by_row;
};

/// Cubic convolution (Keys 1981, a = -1/2) between columns and, if there are at least 4, between rows; fewer rows are
/// interpolated linearly. Nothing outside the outermost pixels' centres.
std::optional<Sample> sample_at(const float* view, int rows, int columns, DetectorPosition at);

}  // namespace rayloom
