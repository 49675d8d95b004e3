/// @file
/// A scan that broke off or lacks views, as the scan of those that are there.
#pragma once
#include <string>
#include <vector>

#include "rayloom/hooks.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// The scan of the views that are there.
struct PresentViews {
  Scan scan;               ///< With these views alone, their angles listed.
  int planned = 0;         ///< Views of the whole scan.
  std::vector<int> views;  ///< Those of it that are there, rising.
};

/// Finds them as ViewInventory does, leaves out files that cannot be read and images beyond the last view (with a
/// warning each), and warns of how many views there are, which, by how much that raises the noise,
/// sqrt(planned/present), and of the largest gap between them. What an arc with views missing costs beyond it, the
/// reconstruction says.
/// @throws BadInput as ViewInventory does; if image i cannot be told to be a view by its file's name and there are more
/// images than views.
PresentViews present_views(const Scan& scan, const Hooks& hooks);

}  // namespace rayloom
