/// @file
/// Exposures with faults: what the part, the beam and the detector do to them on the way.
///
///     source -> part -> spectrum -> scatter -> blur -> Poisson -> gain -> lag -> offset -> saturation -> whole counts
///       drift   moves                                            defects          spikes
#pragma once
#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "rayloom/simulate/faults.h"

namespace rayloom {

/// Scatter and blur: p becomes -ln(blur(exp(-p) + scatter)). Line integrals without these faults stay as they are.
/// @param view  rows x columns line integrals.
void blur_and_scatter(const Faults& faults, const Geometry& geometry, std::span<float> view);

/// A detector with faults. Exposures are numbered as for `expose`: view i has number i.
class FaultyDetector {
 public:
  FaultyDetector(const RawDetector& detector, const Faults& faults, const Geometry& geometry);
  const FaultTruth& truth() const { return truth_; }

  void dark(std::uint64_t exposure, std::span<float> counts) const;
  void open(std::uint64_t exposure, std::span<float> counts) const;        ///< Before the scan.
  void open_after(std::uint64_t exposure, std::span<float> counts) const;  ///< After it.

  /// Views are taken in order, as each leaves its lag to the next; before the first was the open beam.
  /// @param line_integrals  With scatter and blur.
  void view(int index, std::span<const float> line_integrals, std::span<float> counts);
  /// One more exposure of the part at time 1.
  void return_view(std::uint64_t exposure, std::span<const float> line_integrals, std::span<float> counts);

 private:
  void expose_at(double time, std::uint64_t exposure, std::span<const float> line_integrals, std::span<float> counts,
                 std::span<double> signal) const;
  void override_dead(std::span<float> counts) const;

  RawDetector detector_;
  Faults faults_;
  int rows_, columns_, views_;
  DetectorPattern pattern_;  // of the open beam before the scan
  Image gain_since_;         // factor on it from the first view on: non-uniform pixels
  bool gain_moves_ = false;  // whether that or the gain drift changes it
  FaultTruth truth_;
  std::vector<double> signal_;  // of the exposure before, with lag only
};

/// Images as a machine exports them that corrects dark level, gain and the bad pixels it knows: counts become
/// level (I - dark)/(open - dark), and dead, over- and under-responding pixels take the mean of the nearest good pixels
/// to their left and right (above and below if their row has none, else diagonally).
class CorrectedExport {
 public:
  CorrectedExport(Image dark, const Image& open, std::span<const DefectPixel> pixels, double level);
  void apply(std::span<float> counts) const;

 private:
  Image dark_, factor_;
  std::vector<std::array<std::size_t, 3>> mends_;  // a pixel and the two whose mean it takes
};

}  // namespace rayloom
