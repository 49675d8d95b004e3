/// @file
/// Beam hardening of one material, fitted from the scan itself.
#pragma once
#include <optional>

#include "rayloom/hooks.h"
#include "rayloom/prepare/hardening.h"
#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom {

/// A map that makes the part's inside flat, and what it does.
struct HardeningFit {
  Linearisation map;
  double unevenness_before = 0;  ///< Standard deviation inside the material, share of its mean, without noise.
  double unevenness_after = 0;
};

/// Finds q = a1 p + a2 p^2 + a3 p^3 for a part of one material in air. Reconstruction is linear: the volume of q is
/// sum a_k f_k, f_k being that of p^k. From one pass over at most some 360 views, binned to 128 columns and rows
/// (256 columns if the detector has one row), each f_k is made once from every other view and once from the rest, so
/// that noise drops out of their products. Material is what Otsu's threshold of f_1 says, two voxels away from its
/// surface; the a_k minimise
///
///     var_material(sum a_k f_k)   with   mean_material(sum a_k f_k) = mean_material(f_1)
///
/// so that the material's mean value stays as it is. Cone beams are read near the midplane, up to 3 degrees from it,
/// where their own errors are below 0.3 %. If the cubic does not rise over the line integrals met, the quadratic is
/// taken. Holds up to 130 MiB, and two views of full size a thread. Does not depend on threads.
/// @param source  Line integrals without correction of hardening.
/// @throws BadInput if too little of the material is seen or no rising map is found; Cancelled; what `source` throws.
/// @par Source  Kachelriess, Sourbelle & Kalender 2006, Med. Phys. 33(5):1269-1274; Otsu 1979, IEEE Trans. Syst. Man
/// Cybern. 9(1):62-66 (from memory).
HardeningFit fit_hardening(const Geometry& geometry, const ProjectionSource& source, std::optional<Coverage> coverage,
                           int threads, const Hooks& hooks = {});

}  // namespace rayloom
