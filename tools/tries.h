/// @file
/// reconstruct --try: one slice with several values of a setting, to choose by eye.
#pragma once
#include "reconstruct.h"

namespace rayloom::tools {

/// Writes given.output: montage.png, try_0000.tif .. (float32, 1/mm) and tries.json, which says what each was made
/// with. The grid is that of the scan as it stands, for all.
/// @throws InvalidOption naming the option, its value and what must hold.
int run_tries(const Context& context, const ReconstructArguments& given);

}  // namespace rayloom::tools
