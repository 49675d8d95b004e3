/// @file
/// A region scanned at high magnification: what lies beyond its rows comes from an overview of the whole part.
#pragma once
#include <memory>
#include <optional>
#include <string>

#include "rayloom/reconstruct/beyond.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/volume/volume.h"

namespace rayloom {

/// A value of the scan file with which an overview would fit better.
struct BetterValue {
  std::string key;  ///< Of the scan file.
  double said = 0, better = 0;
  double error_after = 0;  ///< As SurroundFit, with the better value.
};

/// How an overview has to be moved and scaled to agree with a scan.
struct SurroundFit {
  Vec3 shift_mm = Vec3::Zero();              ///< Of the overview.
  double scale = 1;                          ///< Of its values.
  double error_before = 0, error_after = 0;  ///< RMS of measured less projected line integrals over the measured RMS.
  /// The one of source_to_object_mm, views.first_deg, detector.axis_column and detector.roll_deg that, changed alone,
  /// would make the overview fit clearly better, a doubtful one well; none if none would. One that is wrong in the
  /// overview's own scan shows alike, the other way round.
  std::optional<BetterValue> better{};
  bool turned_otherwise = false;  ///< It would fit clearly better if the part turned the other way.
  /// It agrees worse than an overview of the same part should.
  bool doubtful() const;
};

/// Compares measured rows with the overview's projections in up to 16 views, over blocks of pixels as large as the
/// overview's voxels, and finds shift and scale by Gauss-Newton (least squares). A shift that the rows do not show, as
/// along z of a single slice, stays 0; a scan of zeros shows none, and differs by 1 from an overview that is not air.
/// @param overview  In the scan's own frame, its origin on the scan's axis.
SurroundFit fit_surround(const Volume& overview, const Geometry& geometry, const ProjectionSource& source, int threads);

/// A stored volume, read slice by slice, its voxels averaged until there are at most 320 across and 2^25 in all.
/// @param part_moved_mm  Of the scan whose frame it is to stand in. @throws BadInput as StoredVolume.
Volume read_overview(const StoredVolume& stored, const Vec3& part_moved_mm);
/// Bytes that it takes.
std::size_t overview_bytes(const Grid& stored);

/// What an overview's projections are taken of.
struct Surroundings {
  Volume laid;          ///< x and z exchanged.
  double reach_mm;      ///< How far from the axis it is not 0.
  double outermost_mm;  ///< Of the overview as given: the farthest middle of a voxel that is not 0.
};

/// The overview moved and scaled as found, its voxels averaged as long as 32 or more lie across the view: rays that
/// miss the region need no more. (24 across the view: cupping of 0.6 %; 12: 1.6 %.)
Surroundings fitted(const Volume& overview, const SurroundFit& fit, const Geometry& geometry);

/// The overview's projections beyond both ends of the rows (of a displaced detector, its longer side), as far as it
/// reaches; none if that is in view. They are taken a 32nd of the view apart beside it and at wider steps farther out,
/// linear between, since the ramp filter smooths what lies beyond the columns that it is not centred on; at the seam
/// they are lifted to the measured level, which fades outwards.
Beyond surrounded(const std::shared_ptr<const Surroundings>& overview, const Geometry& geometry, Coverage coverage);

}  // namespace rayloom
