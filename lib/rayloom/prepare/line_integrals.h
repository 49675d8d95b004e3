/// @file
/// From stored samples of any kind to line integrals.
#pragma once
#include <atomic>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/prepare/beam_levels.h"
#include "rayloom/prepare/corrections.h"
#include "rayloom/prepare/defect_mending.h"
#include "rayloom/prepare/spikes.h"
#include "rayloom/scan/view_reader.h"

namespace rayloom {

/// What had to be mended on the way. Samples count once, over the rows of views read so far, however often they are
/// read; those of bad pixels do not count.
struct PrepareCounts {
  std::size_t samples = 0;
  std::size_t non_positive =
      0;                      ///< Transmission at or below `least_transmission`, raised to it. Zero or below, mostly.
  std::size_t saturated = 0;  ///< At or above the scan's `saturation`; used as they are.
  std::size_t defects = 0;    ///< Pixels that the scan's defect map calls bad.
  std::size_t dead = 0;       ///< Other pixels whose open-beam image is not above the dark one.
  std::size_t spikes = 0;     ///< Samples of the whole scan that were replaced as spikes.
};

/// The least transmission that a sample can stand for: half a count of 50 000. A line integral is at most 11.51.
inline constexpr double least_transmission = 1e-5;

/// Line integrals of a scan by blocks of views and bands of rows. Const methods may be called from several threads at
/// once; blocks and bands do not change a value.
///
///     counts          -ln((I - dark) / (open - dark)), open going from `open` to `open_after` in proportion to time:
///                     (i + 1/2)/n of the way at view i of n
///     corrected       -ln(I / open_level of the view)
///     transmission    -ln(I)
///     line_integrals  I
///
/// Corrections, where asked for, which take up to one pass over all views beforehand: spikes are replaced (see
/// find_spikes); lag takes off what the view before left, (I - lag I_before) / (1 - lag) of dark-free counts, the open
/// beam standing before the first view; drift and open_shapes divide by the beam that the view's part-free border shows
/// (see beam_of); scatter is taken off the transmission; rings, once bad pixels are mended, are offsets of the line
/// integrals (see find_rings); hardening is a map of them.
///
/// Bad pixels take what their good neighbours tell (see DefectMending).
class LineIntegrals {
 public:
  /// Reads dark and open images and the defect map; for `corrected` images with "border", the air level of every view
  /// (one pass over all views, in parallel), and for rings their offsets (one more). Warns of an absent dark image, of
  /// bad exposures, of dead pixels and of groups of bad pixels that cannot be mended.
  /// @throws BadInput if open is not above dark at more than half the pixels, if a bad pixel has no good one in its
  /// row, column and diagonals, if a border is not above 0, or if an image cannot be read; InvalidOption for a
  /// correction that does not fit; Cancelled.
  /// @param pass_bytes  Most memory for a pass over the scan, but one thread's few images are held at least.
  explicit LineIntegrals(const Scan& scan, const Hooks& hooks = {}, const Corrections& corrections = {},
                         std::size_t pass_bytes = std::size_t{256} << 20);

  /// Line integrals (no unit) of views [first_view, +view_count), rows [first_row, +row_count), as [view][row][column].
  /// @throws BadInput for damaged files, NaN or infinite samples; InvalidOption if views, rows or size do not fit.
  void read(int first_view, int view_count, int first_row, int row_count, std::span<float> values) const;

  /// Pixels that neighbours stand in for, one a pixel: those of the defect map and dead ones.
  const std::vector<char>& bad_pixels() const { return bad_; }
  PrepareCounts counts() const;
  /// Forgets what was read so far, for a scan that was looked over before it is used. Not while it is being read.
  void count_anew();
  /// See MeanExposures::noise_variance_factor; 1 for other kinds than counts.
  double open_noise_factor() const { return open_noise_factor_; }
  /// Exposures that were not averaged since they are far from the others, counted from 0; kind counts.
  struct LeftOut {
    std::vector<int> dark, open, open_after;
    bool any() const { return !dark.empty() || !open.empty() || !open_after.empty(); }
  };
  const LeftOut& exposures_left_out() const { return left_out_; }
  /// Air level of each view (corrected images), empty otherwise.
  const std::vector<double>& air_levels() const { return air_levels_; }
  /// Shadows that scatter was measured in (scatter_from), 0 otherwise.
  int scatter_stops() const { return scatter_stops_; }
  /// Scatter that is taken off, as a share of the open beam.
  const SmoothImage& scatter() const { return scatter_; }
  /// The beam in each view where it is followed (drift, open_shapes), empty otherwise.
  const std::vector<ViewBeam>& beams() const { return beams_; }

 private:
  void read_gain(const Hooks& hooks);
  bool air_from_border() const {
    return scan_.images.kind == ImageKind::corrected && scan_.images.open_level_from_border;
  }
  void measure_scatter();
  NoiseByLevel learn_noise() const;
  void look_over_views(const Hooks& hooks, std::size_t pass_bytes);
  /// open - dark at this view's time.
  float gain_at(int view, std::size_t pixel) const;
  /// Stored samples of one row to transmission, as yet without beam level and scatter; of kind corrected with "border"
  /// as they are.
  void normalise(int view, int row, std::span<float> samples) const;
  /// Puts in what takes the place of spikes. @param view  Rows [first_row, +row_count) as stored.
  void replace_spikes(int view_number, int first_row, int row_count, std::span<float> view) const;
  void find_ring_offsets(const Hooks& hooks, std::size_t pass_bytes);
  /// As `read`, before hardening.
  void read_hardened(int first_view, int view_count, int first_row, int row_count, std::span<float> values) const;
  /// @param before  The same row as the exposure before stored it; only read where lag is corrected.
  void convert(int view, int row, std::span<const float> before, std::span<float> samples) const;

  Scan scan_;
  Corrections corrections_;
  ViewReader reader_;
  Image dark_, gain_, gain_after_;  ///< gain = open - dark, kind counts only; gain_after empty without open_after.
  std::vector<char> bad_;           ///< One a pixel.
  DefectMending mending_;
  std::vector<SpikeMend> spikes_;  ///< In the order of views and pixels; values as stored.
  std::vector<double> air_levels_;
  BeamShapes shapes_;
  std::vector<ViewBeam> beams_;
  SmoothImage scatter_;  ///< Relative to the open beam.
  RingOffsets rings_;
  double open_noise_factor_ = 1;
  LeftOut left_out_;
  int scatter_stops_ = 0;
  std::size_t defects_ = 0, dead_ = 0;
  std::unique_ptr<std::atomic<bool>[]> counted_;  ///< One a row of a view.
  mutable std::atomic<std::size_t> samples_{0}, non_positive_{0}, saturated_{0};
};

/// Air level of one view from its part-free border. Along each side lies a band, 1/50 of the width or height deep and
/// at least one pixel; bands whose median is within 2 % of the brightest band's are taken as part-free. The level is
/// the mean of their samples that lie within three standard deviations (from the median absolute deviation; at least
/// 1 %) of their median, so that a band may lie behind the part for less than half of its length.
double border_level(const Image& view);

}  // namespace rayloom
