/// @file
/// The instruction set whose kernels run.
#pragma once
#include "rayloom/reconstruct/kernels/kernels.h"

namespace rayloom {

/// @throws InvalidOption as kernel_name.
const kernels::Set& chosen_kernels();

}  // namespace rayloom
