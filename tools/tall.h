/// @file
/// reconstruct, for a scan of turns with the part at several heights.
#pragma once
#include "rayloom/scan/tiled_scan.h"
#include "reconstruct.h"

namespace rayloom::tools {

/// One volume from all turns. @throws InvalidOption for options that such a scan cannot have.
int run_turns(const Context& context, const ReconstructArguments& given, const TiledScan& tall);

}  // namespace rayloom::tools
