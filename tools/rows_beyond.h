/// @file
/// What `reconstruct` does about rows that the part sticks out of.
#pragma once
#include "rayloom/reconstruct/surround.h"
#include "rayloom/reconstruct/truncation.h"
#include "reconstruct.h"

namespace rayloom::tools {

/// --truncated. @throws InvalidOption for an unknown treatment.
bool continues_rows(const ReconstructArguments& given);

/// What lies beyond the ends of rows: guessed, from an overview, or nothing.
struct RowsBeyond {
  bool continues = false;
  Truncation truncation{};
  std::shared_ptr<const Surroundings> overview{};  ///< Fitted to the scan.
  SurroundFit fit{};
  double shifted_voxels = 0;  ///< Of the overview.

  Beyond of(const Geometry& geometry, const ReconstructOptions& options) const;
  /// For volume.json.
  nlohmann::ordered_json record(const ReconstructArguments& given, const Geometry& geometry,
                                const Beyond& beyond) const;
};

/// Looks at the scan, and fits the overview to it if there is one. What is read for that does not count as read.
RowsBeyond rows_beyond(const Context& context, const ReconstructArguments& given, const Scan& scan, const Input& input,
                       const ReconstructOptions& options, const Hooks& hooks);

}  // namespace rayloom::tools
