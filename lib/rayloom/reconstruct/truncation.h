/// @file
/// Rows that the part sticks out of, continued smoothly to where the part may end.
#pragma once
#include <vector>

#include "rayloom/reconstruct/beyond.h"
#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// Which ends of one side stand in the part.
class EndsInPart {
 public:
  EndsInPart() = default;  ///< None does.
  /// @param views, rows  That were looked at. @param in  By these.
  EndsInPart(const Geometry& geometry, std::vector<int> views, std::vector<int> rows, const std::vector<char>& in);
  /// 0 in air, 1 in the part, linear between those looked at.
  double share(int view, double row) const;

 private:
  std::vector<int> views_, rows_;
  std::vector<char> in_;
};

/// What the ends of a scan's rows show.
struct Truncation {
  double left_share = 0, right_share = 0;  ///< Of the rows looked at: those whose end lies in the part.
  EndsInPart left{}, right{};
  double greatest = 0;       ///< The greatest line integral.
  double least = 0;          ///< Line integral from which a single row's own end counts as wholly in the part.
  double pixel_noise = 0;    ///< In air.
  double usual_level = 0;    ///< Line integral at ends in the part, on average.
  double usual_slope = 0;    ///< Change from column to column at such ends, over their level.
  double columns_to_go = 0;  ///< How far the part goes on, as the slopes of such ends suggest, in the median.
  double view_columns = 0;   ///< Width of the field of view; of a displaced detector, twice its longer side.
  bool any() const { return left_share > 0 || right_share > 0; }
  /// Air that reads wrong would do.
  bool faint() const { return any() && usual_level < 0.12 * greatest; }
  /// Of random parts 3 times as wide as the view most go on so far, of those 1.3 times as wide none, of those twice as
  /// wide half: their rows' ends do not tell them apart.
  bool much_wider() const { return columns_to_go > 0.5 * view_columns; }
};

/// Looks at all rows of up to 36 views (or, where single rows are cheap to read, at up to 36 rows of them). An end lies
/// in the part where the mean of its outermost columns, or a median of that and its neighbours', stands above 3 % of
/// the greatest line integral and so far above the noise of all ends in air that one scan in 1000 without truncation
/// has such an end. The end of a displaced detector that lies next to the axis is not looked at.
Truncation look_for_truncation(const Geometry& geometry, const ProjectionSource& source,
                               const ReconstructOptions& options);

/// Continues rows beyond their ends: from the end's value and slope, as a line through the outermost columns gives
/// them, down to 0 within 1.2 times the columns to go or about half the view's width, whichever is less, like the cube
/// root of what is left of it. An end at 0 stays at 0. Beyond the view nothing is known: of parts little wider than the
/// view the rows' slopes tell where they end, else the length is a guess at parts twice as wide as the view.
/// @par Source  Zellerhoff, Scholz, Ruehrnschopf & Brunner 2005, Proc. SPIE 5745:646-655 (continuation by a root that
/// falls to 0, value and slope matched; from memory). Root, length and the share of the slope: least error on 80 random
/// parts, see DEVELOPERS.md.
class RowContinuation {
 public:
  explicit RowContinuation(const Truncation& scan);
  int columns() const { return int(fall_.size()); }  ///< As many are continued.
  /// @param measured  Running outwards. @param beyond  The next columns, overwritten; `columns()` of them or fewer.
  /// @param in_part_share  How surely its neighbours say that it stands in the part; its own level may say more.
  void run(std::span<const float> measured, std::span<float> beyond, double in_part_share = 0) const;

 private:
  double least_, pixel_noise_, usual_slope_, start_slope_ = 0;
  std::vector<float> fall_, bend_, step_;  // by column beyond the end
};

/// Continuation of all rows; nothing if no row is truncated.
Beyond continued(const Geometry& geometry, const Truncation& truncation);

}  // namespace rayloom
