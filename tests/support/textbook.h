/// @file
/// Back-projection as the textbook writes it, one voxel at a time: the oracle of the kernels' tests and benches.
#pragma once
#include <algorithm>
#include <cmath>

#include "rayloom/reconstruct/backproject.h"

namespace rayloom {

/// The sum of a batch's views at voxel (i, j, k): Kak & Slaney 1988, ch. 3, with t = x cos b + y sin b and
/// depth = D + x sin b - y cos b, (x, y, z) where the view's pose puts the voxel.
template <class Real>
Real textbook_voxel(const Geometry& g, const ViewBatch& batch, const Grid& grid, int i, int j, int k) {
  const Detector& d = g.detector;
  Real sum = 0;
  for (int view = 0; view < batch.views; ++view) {
    const Pose& pose = batch.poses[std::size_t(view)];
    const double b = pose.angle_rad;
    const Real x = Real(grid.x_mm(i) + pose.moved_mm.x()), y = Real(grid.y_mm(j) + pose.moved_mm.y()),
               z = Real(grid.z_mm(k) + pose.moved_mm.z());
    const Real cos_b = Real(std::cos(b)), sin_b = Real(std::sin(b));
    const Real t = x * cos_b + y * sin_b, depth = Real(g.sod_mm) + x * sin_b - y * cos_b;
    Real u = t, weight = 1, line = Real(k - batch.first_line);
    if (d.shape == DetectorShape::arc) {
      u = Real(g.sdd_mm) * std::atan2(t, depth);
      weight = Real(g.sod_mm * g.sod_mm) / (t * t + depth * depth);
    } else if (g.beam != Beam::parallel) {
      u = t * Real(g.sdd_mm) / depth;
      weight = Real(g.sod_mm) / depth;
      weight *= weight;
    }
    if (g.beam == Beam::cone)
      line = Real(d.rows - 1 - d.midplane_row - batch.first_line) + z * Real(g.sdd_mm / d.row_pitch_mm) / depth;
    // At the very edge of the detector rounding must not reach for a column that is not there.
    const Real column =
        std::min(u / Real(d.column_pitch_mm) + Real(d.axis_column + 1), Real(batch.columns) - Real(1.001));
    const int c = int(std::floor(column)), l = int(std::floor(line));
    const Real fc = column - Real(c), fl = line - Real(l);
    const float *left = batch.column(view, c), *right = batch.column(view, c + 1);
    Real value = (1 - fc) * left[l] + fc * right[l];
    if (fl > 0) value = (1 - fl) * value + fl * ((1 - fc) * left[l + 1] + fc * right[l + 1]);
    sum += weight * value;
  }
  return sum;
}

}  // namespace rayloom
