/// @file
/// A ray and its opposite measure the same line: how well they agree in a scan, and which axis makes them agree best.
#pragma once
#include <Eigen/Core>
#include <vector>

#include "rayloom/align/view_stack.h"

namespace rayloom {

/// Slopes against the midplane up to which lines of a cone beam count. Opposite rays beside the midplane cross but do
/// not coincide: they differ to first order in the slope, which cancels between the lines above and below only for
/// structure larger than their distance, or is taken off (`level_rays.h`). Few lines are truer, many less noisy.
inline constexpr double few_lines = 0.0015, many_lines = 0.01;

/// The detector's place: what is adjusted.
struct DetectorPlace {
  double axis_column = 0;
  double roll_rad = 0;
};

/// Pairs of opposite rays over views and places, compared at one place of the detector.
struct OppositeMisfit {
  double squares = 0;  ///< Sum of squared differences.
  double spread = 0;   ///< Sum of squared deviations of the values from their means: what rays with nothing in common
                       ///< would give.
  std::size_t pairs = 0;
  double measure() const { return spread > 0 ? squares / spread : 1; }
};

/// The best place near the one where it began.
struct OppositeFit {
  DetectorPlace place;
  Eigen::Matrix2d covariance = Eigen::Matrix2d::Zero();  ///< axis_column (pixels), roll (rad).
  bool converged = false;
  bool roll_told = false;    ///< Whether the images change with it by more than noise does.
  double axis_per_roll = 0;  ///< Pixels by which the best axis moves when a roll is not undone, per rad.
  double axis_wanders = 0;  ///< Pixels (RMS) by which the axis goes back and forth from view to view, as of a part that
                            ///< moved; 0 if neighbouring views do not agree on it, as of noise they do not.
};

/// Which of the two are adjusted.
enum class Adjust { axis, axis_and_roll };

/// Opposite rays of parallel or fan beams, and of the midplane of a cone beam. The ray to the place u of view b at fan
/// angle g = atan(u/SDD) runs back along the ray to -u of view b + 180 deg + 2 g (g = 0 in a parallel beam); the latter
/// is interpolated linearly between the views beside it. A parallel scan over 180 degrees has no opposite views but
/// where its end meets its beginning: there each side is carried on linearly by one step, and what the curvature of the
/// sinogram adds cancels between the two sides.
/// @par Source  Kak & Slaney 1988, ch. 3 (opposite rays of a fan).
class OppositeRays {
 public:
  /// Keeps a reference. @param threads  For the methods below, which give the same for any number.
  OppositeRays(const ViewStack& stack, int threads);

  /// False if no ray has an opposite one.
  bool any() const { return !sides_.empty(); }
  /// True if only the ends of a half turn meet.
  bool seam_only() const { return seam_only_; }
  /// A flag a view: whether any of its rays is compared.
  std::vector<bool> views_compared() const;

  /// @param stride  Only every nth view.
  OppositeMisfit misfit(const DetectorPlace& place, int stride = 1) const;

  /// Gauss-Newton. Differences that all views share (rings, uneven gain) count by how far they exceed the noise, as in
  /// generalised least squares with a variance component for each pair of pixels. The covariance is clustered by views
  /// and, added, by places, so that it holds for differences that hang together along either; what many lines of a cone
  /// are astray is not in it.
  /// @param steepest  Slope of a cone's lines.
  /// @par Source  Liang & Zeger 1986, Biometrika 73:13-22 (clustered covariance).
  OppositeFit fit(const DetectorPlace& start, Adjust adjust, double steepest = few_lines) const;

 private:
  /// One view with the signs of u for which it is compared.
  struct Side {
    int view;
    int from, to;  ///< Places u = k pitch, from <= k <= to, without 0.
  };
  /// Views whose weighted sum is the opposite view.
  struct Opposite {
    int first = -1, second = -1;  ///< -1: none.
    double first_weight = 0, second_weight = 0;
  };
  struct Place {
    DetectorPosition at, by_axis, by_roll;  ///< Position and its derivatives.
  };
  Opposite opposite(double angle_rad) const;
  std::vector<double> lines_mm(double steepest) const;  ///< Heights v of the lines that are compared.
  std::vector<Place> places(const DetectorPlace& place,
                            const std::vector<double>& lines_mm) const;  ///< [line][k + reach].
  std::size_t index(int line, int k) const {
    return std::size_t(line) * std::size_t(2 * reach_ + 1) + std::size_t(k + reach_);
  }

  const ViewStack& stack_;
  int threads_;
  int reach_ = 0;               ///< Places from -reach to reach.
  std::vector<int> order_;      ///< Views by angle.
  std::vector<double> sorted_;  ///< Their angles in [0, 2 pi).
  double step_ = 0;             ///< Median gap.
  double longest_gap_ = 0;      ///< Over which to interpolate.
  bool seam_only_ = false;
  std::vector<Side> sides_;
  std::vector<Opposite> opposites_;  ///< [side][k + reach].
};

}  // namespace rayloom
