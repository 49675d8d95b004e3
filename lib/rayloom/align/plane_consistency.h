/// @file
/// The detector's roll from planes through two sources at a time, for cone beams.
#pragma once
#include <optional>
#include <vector>

#include "rayloom/align/opposite_rays.h"
#include "rayloom/align/view_stack.h"

namespace rayloom {

/// The roll at which views agree best on the planes they share.
struct PlaneFit {
  double roll_rad = 0, variance = 0;
  bool converged = false;  ///< False, too, if too few lines are complete, or the views' noise is all there is.
};

/// A plane through the sources of two views meets both detectors in a line. The derivative across that line of the line
/// integrals of the cosine-weighted projection is, rightly weighted, the derivative of the part's plane integrals
/// across the plane, and so the same in both views. With the line v = a + t u and D = SDD:
///
///     (1 + t^2 + a^2/D^2)  d/da  integral of  D / sqrt(D^2 + u^2 + v^2) p(u, a + t u)  du
///
/// which is Grangeat's (D^2 + s^2)/D^2 d/ds with s = a/sqrt(1 + t^2), dl = sqrt(1 + t^2) du. A view is compared with
/// those 120 to 180 degrees from it. The derivatives of every line of a view are tabulated once; the roll only moves
/// the places where the tables are read. Tilt and slant are taken to be 0. Only lines that leave the view where it
/// shows air are used: others lack what is outside.
/// @par Source  Grangeat 1991 (in Herman, Louis & Natterer, Mathematical Methods in Tomography, 66-97); as a measure of
///              geometry: Debbeler et al. 2013 (Fully3D), Aichert et al. 2015, IEEE TMI 34:2205-2219. (from memory)
class PlaneConsistency {
 public:
  /// @param stack  Cone beam, all rows, at least 4 of them. @param start  Where lines are taken to lie at first.
  PlaneConsistency(ViewStack stack, const DetectorPlace& start, int threads);

  std::size_t pairs() const { return pairs_.size(); }

  /// 0: views agree; 1: they have nothing in common.
  double measure(const DetectorPlace& place) const;

  /// Gauss-Newton over the roll with the axis as it is. What all views share counts by how far it exceeds the noise,
  /// and the variance is clustered, as in OppositeRays.
  PlaneFit fit() const;

 private:
  /// The line v = offset + slope u of one view, u and v on the unrolled detector.
  struct Line {
    int view;
    double offset_mm, slope;
  };
  struct Pair {
    Line first, second;
    int cell;  ///< The same for all views: which two lines, up to small differences between uneven views.
  };
  struct Value {
    double value, by_roll;
  };
  std::optional<Value> at(const Line& line, const DetectorPlace& place) const;
  /// The line in the pixels of the detector: row = offset + slope (column - reference), and a and t along its own axes.
  struct Seen {
    double row, rows_per_column, offset_mm, slope;
  };
  Seen seen(const Line& line, const DetectorPlace& place) const;

  /// Along the planes of each pair of views.
  void smooth_runs(std::vector<double>& values, int passes) const;

  Geometry geometry_;
  DetectorPlace start_;
  int threads_;
  int slopes_ = 0;  ///< Of the lines in the tables: (i - (slopes - 1)/2) slope_step rows a column.
  double slope_step_ = 0;
  std::vector<float> tables_;  ///< [view][slope][row at the start's axis].
  std::vector<Pair> pairs_;
  std::vector<int> cell_cluster_;                 ///< By cell.
  std::size_t cluster_count_ = 0, clusters_ = 0;  ///< In all; with pairs.
};

}  // namespace rayloom
