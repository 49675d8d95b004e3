/// @file
/// A beam whose shape changes from exposure to exposure: how it changes, from the open-beam images.
#pragma once
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "rayloom/prepare/exposures.h"

namespace rayloom {

/// A smooth image of the detector: means over up to 12 x 12 blocks, linear between their centres and beyond.
class SmoothImage {
 public:
  SmoothImage(int rows, int columns);
  int blocks() const { return down_ * across_; }
  /// Block that holds a pixel.
  int block_of(int row, int column) const;
  /// Centre of a block: row, column.
  std::pair<float, float> centre_of(int block) const;
  float& operator[](int block) { return values_[std::size_t(block)]; }
  float operator[](int block) const { return values_[std::size_t(block)]; }
  float at(int row, int column) const;
  /// Adds `factor` times this to one row. @param out  As many values as the detector has columns.
  void add_row(int row, float factor, std::span<float> out) const;

 private:
  /// Two block centres about a position, and the share of the second; below 0 or above 1 beyond the outer centres.
  struct Between {
    int first, second;
    float share;
  };
  static Between between(int position, int blocks, int size);

  int rows_, columns_, down_, across_;
  std::vector<float> values_;
};

/// Principal components of the open-beam images, relative to their mean: flat = level (1 + sum of weight times shape),
/// after Van Nieuwenhove et al. 2015, Opt. Express 23(21):27975-27989 (from memory). Two things differ: components are
/// those of block means, since beams of tubes change smoothly and their photon noise drops out; and a view's weights
/// are fitted where its border is part-free (beam_levels.h) instead of by least total variation of the corrected view.
struct BeamShapes {
  std::vector<SmoothImage> shapes;  ///< Orthogonal; unit length over the blocks.
  std::vector<double> spread;       ///< Standard deviation of each weight over the exposures.

  int count() const { return int(shapes.size()); }
};

/// The first components of all open-beam images before and after the scan but those left out, each set to one level.
/// Of `most`, only those count whose eigenvalue exceeds 3 times the greatest that noise alone would give, by the mean
/// of the eigenvalues after it and Marchenko & Pastur 1967; a warning says so.
/// @throws InvalidOption naming open_shapes if there are fewer than most + 3 images.
BeamShapes beam_shapes(const Scan& scan, const MeanExposures& exposures, const std::vector<char>& bad, int most,
                       const Hooks& hooks);

}  // namespace rayloom
