/// @file
/// Volume and first moments of a solid with its clipping planes.
#pragma once
#include <Eigen/Core>

#include "rayloom/phantom/phantom.h"

namespace rayloom {

struct SolidMoments {
  double volume_mm3 = 0;
  Vec3 first_mm4 = Vec3::Zero();  ///< Integral of the position over the solid.
};

/// Moments in the solid's own frame (unturned, about its centre), as Solid::volume_mm3 says.
/// @param turn  From solid to part.
SolidMoments moments_of(const Solid& solid, const Eigen::Matrix3d& turn);

}  // namespace rayloom
