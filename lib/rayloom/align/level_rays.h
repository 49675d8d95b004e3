/// @file
/// A cone's rays beside the midplane, made comparable with their opposite ones.
#pragma once
#include "rayloom/align/opposite_rays.h"
#include "rayloom/align/view_stack.h"

namespace rayloom {

/// A cone's ray and its opposite one coincide in the midplane alone; beside it they cross where they pass the axis. A
/// volume of the stack's own rows, as its geometry says, tells what each ray meets more than a level one through the
/// crossing, and this is taken off. What is reconstructed amiss counts only by how it differs between the two; the part
/// beyond the field of view stays as it is.
/// @param stack  Cone beam, line integrals, changed in place where lines up to `many_lines` pass. @param views  Which
/// views to change, a flag each.
void make_rays_level(ViewStack& stack, const std::vector<bool>& views, int threads, const Hooks& hooks);

}  // namespace rayloom
