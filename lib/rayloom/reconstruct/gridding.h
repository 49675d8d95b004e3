/// @file
/// Back-projection of parallel beams by way of Fourier space: the plane waves of all filtered rows are spread onto a
/// grid of frequencies, and one inverse transform a slice sums them.
///
/// It is the same sum as direct back-projection's, with what linear interpolation between columns does on average over
/// places between them: a factor sinc^2 on each frequency. So both ways show one part alike. What linear interpolation
/// adds above Nyquist's frequency is left out, and the last fifth below it fades, or edges would ring far into a part.
/// Source: O'Sullivan 1985, IEEE Trans. Med. Imaging 4(4):200-207; window and width after Beatty, Nishimura & Pauly
/// 2005, IEEE Trans. Med. Imaging 24(6):799-808.
#pragma once
#include <complex>
#include <span>
#include <vector>

#include "rayloom/aligned.h"
#include "rayloom/geometry/geometry.h"
#include "rayloom/geometry/grid.h"

namespace rayloom {

/// Spectra of filtered rows, their waves counted from the grid's middle voxel: samples[((line - first_line) capacity +
/// view) bins + m].
struct SpectrumBatch {
  static constexpr int capacity = 64;  ///< Views a batch.
  int views = 0;                       ///< In use.
  int bins = 0, first_line = 0, lines = 0;
  std::vector<Pose> poses;
  AlignedVector<std::complex<float>> samples;

  SpectrumBatch(int bins, int first_line, int lines);
  static std::size_t bytes(int bins, int lines);
  std::span<std::complex<float>> row(int view, int line);
  std::span<const std::complex<float>> row(int view, int line) const {
    return const_cast<SpectrumBatch*>(this)->row(view, line);
  }
};

/// What each frequency is multiplied by: sinc^2(f), f = m / length cycles a column for bin m, and from f = 0.4 on
/// (1 + cos(10 pi (f - 0.4))) / 2 besides, which ends at 0.
/// @param length  Of the transform. @return length / 2 + 1 factors.
std::vector<float> wave_response(int length);

/// Turns a spectrum, as RowFilter::spectrum_out gives it, into waves counted from where the grid's middle voxel lies in
/// the view, that run towards rising x. @param response  One factor a bin. @param length  Of the transform.
/// @param out  As many bins as `spectrum`.
void centre_wave(const Geometry& geometry, const Grid& grid, const Pose& pose, int length,
                 std::span<const float> response, std::span<const std::complex<float>> spectrum,
                 std::span<std::complex<float>> out);

/// Some slices while they are being summed in Fourier space, half a plane each.
class GriddedSlab {
 public:
  GriddedSlab(const Grid& grid, int first_slice, int slices, double radius_mm);
  static std::size_t bytes(const Grid& grid, int slices);

  /// Adds a batch whose lines are these slices. @param length  Of the transform. The order of sums is that of the
  /// views, whatever `threads`.
  void add(const Geometry& geometry, const SpectrumBatch& batch, int length, int threads);
  /// Slice k, ny x nx values; 0 farther from the axis than the radius. Destroys what it is made from: call once.
  void slice(int k, std::span<float> values, int threads);

 private:
  Grid grid_;
  int first_slice_;
  double radius_mm_;
  std::vector<float> weights_x_, weights_y_;  // of the window, see kernels::Plane
  AlignedVector<std::complex<float>> cells_;
};

/// Whether the waves of the filtered rows fit the grid of frequencies: parallel beam, voxels no larger than the pitch,
/// rows that are filtered.
bool can_grid(const Geometry& geometry, const Grid& grid);

/// Whether gridding takes clearly less time than direct back-projection, by rates measured on one machine; a rule on
/// numbers of views and voxels alone, so that the same scan is treated alike everywhere; and whether the grid holds the
/// field of view of this radius. What lies beyond the grid folds back into it, by 1e-3 of itself.
bool gridding_pays(const Geometry& geometry, const Grid& grid, double radius_mm);

}  // namespace rayloom
