/// @file
/// What goes wrong in real scans, put into simulated ones on purpose, with the truth told.
#pragma once
#include <cstdint>
#include <filesystem>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

#include "rayloom/geometry/geometry.h"
#include "rayloom/simulate/raw_scan.h"

namespace rayloom {

/// Classes of bad pixels as ASTM E2597 tells them apart.
enum class DefectClass { dead, over_responding, under_responding, noisy, non_uniform };
std::string to_string(DefectClass kind);

struct DefectPixel {
  DefectClass kind = DefectClass::dead;
  int row = 0, column = 0;
  /// dead: the count that it always reads. over_ and under_responding: factor on its gain. noisy: factor on its
  /// electronic noise. non_uniform: relative change of its gain since the open-beam images before the scan.
  double value = 0;
};

/// The part moves rigidly against the turntable: a shift in the part's frame, which turns with the table.
struct Movement {
  enum class Course {
    ramp,  ///< Evenly from 0 at the first view to the whole way at the end of the scan.
    step   ///< All at once before view `from_view`.
  } course = Course::ramp;
  Vec3 by_mm = Vec3::Zero();
  int from_view = 0;

  /// Shift in view `view` of `views`; view `views` is the return view.
  Vec3 at(int view, int views) const;
};

/// Each field's default changes nothing.
struct Faults {
  // Of beam and part. These need no counts.
  double focal_spot_mm = 0;  ///< Side of a square focal spot: a box of focal_spot (M - 1) on the detector, as for what
                             ///< lies on the axis; fan beam blurs along its rows only. Parallel beam has none.
  double blur_px = 0;        ///< Standard deviation of the detector's own, Gaussian blur, 0 to 20.
  double scatter = 0;        ///< Share of the open beam that falls evenly on all pixels behind the part, 0 to 1.
  std::optional<Movement> movement;

  // Of the exposures. Time goes from 0 before the first view to 1 at the end; view i of n lies at (i + 1/2)/n.
  double drift = 0;       ///< The beam's level is 1 + drift time, -0.9 to 9.
  double flicker = 0;     ///< Relative standard deviation of the level from exposure to exposure, 0 to 0.2.
  double shape = 0;       ///< Standard deviation, 0 to 0.2, of the beam's slopes across columns and rows from exposure
                          ///< to exposure; a slope s runs from 1 - s at the first pixel to 1 + s at the last.
  double gain_drift = 0;  ///< Standard deviation over the pixels of the gain's relative change by time 1, 0 to 0.2.
  int spikes = 0;         ///< Single samples of views that are 0.3 to 1 open beams too bright.
  std::vector<int> missing, repeated, black;  ///< Views that are lost, that show the view before, or had no beam.

  // Of the pixels. Seeded single pixels, clusters and lines do not touch each other.
  int dead = 0;              ///< Half read the dark level, half any constant.
  int over_responding = 0;   ///< Gain times 1.4 to 2.
  int under_responding = 0;  ///< Gain times 0.1 to 0.5.
  int noisy = 0;             ///< Electronic noise times 8 to 20.
  int non_uniform = 0;       ///< Gain changed by 2 to 5 %, up or down.
  int clusters = 0;          ///< Rectangles of 2 to 4 by 2 to 4 dead pixels (2 to 4 columns if there is one row).
  int lines = 0;             ///< Dead lines through the whole detector: a column, a row, a column and so on.
  std::vector<DefectPixel> pixels;  ///< Further ones, as listed.

  /// @throws InvalidOption naming the field, its value and what must hold.
  void validate(const Geometry& geometry) const;
};

/// The beam in one exposure: its level, and its slopes across columns and rows (see Faults::shape).
struct BeamState {
  double level, slope_across, slope_down;
};

/// What was put in.
struct FaultTruth {
  struct Block {
    int row, column, rows, columns;
  };
  struct Spike {
    int view, row, column;
    double counts;
  };
  std::vector<DefectPixel> pixels;  ///< All, those of clusters and lines too, in the order of rows and columns.
  std::vector<Block> clusters, lines;
  std::vector<Spike> spikes;           ///< In the order of views.
  std::vector<BeamState> beams;        ///< One a view.
  std::vector<Vec3> displacements_mm;  ///< Of the part, one a view.
  Image gain_drift;                    ///< Relative change of each pixel's gain by time 1.
};

/// Draws what the faults leave to chance, repeatably from `detector.seed`.
/// @throws InvalidOption if a fault is not valid or the detector has no room for so many.
FaultTruth draw_faults(const RawDetector& detector, const Faults& faults, const Geometry& geometry);

/// The beam of any exposure, dark and open-beam ones included. @param time  See Faults.
BeamState beam_of(const RawDetector& detector, const Faults& faults, double time, std::uint64_t exposure);

/// What was put in, as JSON. Faults that are absent are left out.
nlohmann::ordered_json to_json(const RawDetector& detector, const Faults& faults, const FaultTruth& truth);

/// The list "pixels" of a JSON file, such as `to_json` makes: objects with class, row, column and the class's value.
/// @throws BadInput naming file, field, value and what must hold.
std::vector<DefectPixel> read_defect_pixels(const std::filesystem::path& file);

}  // namespace rayloom
