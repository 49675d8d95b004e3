/// @file
/// Which faults of a raw scan are corrected on the way to line integrals. Each is switched on by itself.
#pragma once
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>

#include "rayloom/prepare/hardening.h"
#include "rayloom/prepare/rings.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom {

/// Each field's default corrects nothing. LineIntegrals applies them in this order.
struct Corrections {
  bool spikes = false;  ///< Replace single samples that are far too bright. All kinds but line_integrals.
  double lag = 0;       ///< Share of an exposure's signal that the next one reads, 0 to 0.9. kind counts.
  bool drift = false;   ///< Set each view's level by its part-free border. All kinds but line_integrals, and corrected
                        ///< only if images.open_level is not "border", which does the same.
  int open_shapes = 0;  ///< Fit up to so many shapes of the open beam to each view's border, and its level, 0 to 5.
                        ///< kind counts.
  double scatter = 0;   ///< Share of the open beam that falls evenly on all pixels behind the part, 0 to 0.9. All kinds
                        ///< but line_integrals.
  std::string scatter_from{};  ///< Image with stops before the part at the first view's angle, to measure scatter from
                               ///< instead (see scatter_from_stops); relative to the scan file. Same kinds.
  std::optional<RingMethod> rings{};         ///< Offsets of line integrals, after bad pixels. All kinds.
  std::optional<Linearisation> hardening{};  ///< Beam hardening of one material, after rings. All kinds.

  bool follows_beam() const { return drift || open_shapes > 0; }

  /// @throws InvalidOption naming the correction, its value and what must hold, also if the scan's kind has no such.
  void validate(const Scan& scan) const;
};

/// What is corrected, with its parameters; what is not is left out. For volume.json.
nlohmann::ordered_json to_json(const Corrections& corrections);

}  // namespace rayloom
