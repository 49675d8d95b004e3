/// @file
/// Views reconstructed and projected again: what of them no volume explains.
#pragma once
#include <Eigen/Core>
#include <vector>

#include "rayloom/align/view_stack.h"

namespace rayloom {

/// A scan made small, for trial geometries: a volume from all views, projected again along the same rays, leaves over
/// what views say against each other.
/// @par Source  Projection matching in electron microscopy and nanotomography: Dengler 1989, Ultramicroscopy 30:337;
///              Gursoy et al. 2017, Sci. Rep. 7:11818 (both from memory). There each view is moved as an image; here
///              few numbers change the geometry, which serves cone beams.
class MatchedViews {
 public:
  /// @param stack      Smooth enough for linear interpolation between voxels as large as a pixel.
  /// @param margin_mm  Where the part sticks out above or below, rays that come this near to heights that some view
  ///                   does not see are not compared.
  MatchedViews(ViewStack stack, double margin_mm, int threads);

  const Geometry& geometry() const { return stack_.geometry; }
  int views() const { return stack_.views(); }
  double voxel_mm() const { return voxel_mm_; }
  std::size_t compared() const { return std::size_t(end_row_ - first_row_) * columns(); }  ///< Samples of a view.

  /// The part sticks out at the sides in some view: its rays know of matter that is in no voxel.
  bool cut_off() const;

  enum class Compared {
    line_integrals,
    transmissions  ///< Which pixels average: the logarithm of an edge lies elsewhere in a pixel than the edge.
  };
  /// Views less the volume's projections (transmissions: the reverse), [view][row][column] of the rows compared.
  /// @param changed  `geometry()`, but for the detector's place and the part's movement.
  /// @param again    Reconstructs what is left over and takes it away, too, so many times: what interpolation and the
  ///                 discrete reconstruction leave shrinks each time, what views say against each other remains.
  Eigen::VectorXf left_over(const Geometry& changed, Compared compared = Compared::line_integrals, int again = 0) const;

 private:
  std::size_t columns() const { return std::size_t(stack_.geometry.detector.columns); }
  void choose_rows(const FieldOfView& field, double margin_mm);

  ViewStack stack_;
  ReconstructOptions options_;
  GridRequest grid_;
  double voxel_mm_ = 0;
  int first_row_ = 0, end_row_ = 0;  // that are compared
};

/// Of parameters fitted to what is left over, clustered by stretches of views, since what interpolation leaves hangs
/// together.
/// @param slopes  Derivatives of what is left over, a column a parameter. @param rest  What is left over in the end.
Eigen::MatrixXd clustered_covariance(const MatchedViews& views, const Eigen::MatrixXf& slopes,
                                     const Eigen::VectorXf& rest);

}  // namespace rayloom
