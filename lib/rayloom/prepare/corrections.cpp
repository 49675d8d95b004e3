#include "rayloom/prepare/corrections.h"

#include <nlohmann/json.hpp>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

void require_share(const char* name, double value) {
  if (!(value >= 0 && value <= 0.9))
    throw InvalidOption(std::string(name) + ": " + to_text(value) + "; must be a share from 0 to 0.9");
}

}  // namespace

void Corrections::validate(const Scan& scan) const {
  const ImageKind kind = scan.images.kind;
  const auto refuse_kind = [&](const char* name, const std::string& kinds) {
    throw InvalidOption(std::string(name) + ": the images are " + to_string(kind) + "; must be " + kinds +
                        " for this correction");
  };
  require_share("lag", lag);
  require_share("scatter", scatter);
  if (lag > 0 && kind != ImageKind::counts) refuse_kind("lag", "counts");
  if (open_shapes < 0 || open_shapes > 5)
    throw InvalidOption("open_shapes: " + std::to_string(open_shapes) + "; must be from 0 to 5");
  if (open_shapes > 0 && kind != ImageKind::counts) refuse_kind("open_shapes", "counts");
  const std::string intensities = "counts, corrected or transmission";
  if (kind == ImageKind::line_integrals) {
    if (spikes) refuse_kind("spikes", intensities);
    if (drift) refuse_kind("drift", intensities);
    if (scatter > 0) refuse_kind("scatter", intensities);
    if (!scatter_from.empty()) refuse_kind("scatter_from", intensities);
  }
  if (scatter > 0 && !scatter_from.empty())
    throw InvalidOption("scatter_from: " + scatter_from + ", and scatter: " + to_text(scatter) +
                        "; must be one of them");
  if (drift && kind == ImageKind::corrected && scan.images.open_level_from_border)
    throw InvalidOption("drift: images.open_level is \"border\", which corrects it already; leave one of them out");
  if (const auto views = scan.geometry.angles_rad.size(); rings && views < least_ring_views)
    throw InvalidOption("rings: the scan has " + std::to_string(views) + " views; must have at least " +
                        std::to_string(least_ring_views) + " for this correction");
}

nlohmann::ordered_json to_json(const Corrections& corrections) {
  nlohmann::ordered_json record = nlohmann::ordered_json::object();
  if (corrections.spikes) record["spikes"] = true;
  if (corrections.lag > 0) record["lag"] = corrections.lag;
  if (corrections.drift) record["drift"] = "from the part-free border";
  if (corrections.open_shapes > 0) record["open_shapes"] = corrections.open_shapes;
  if (!corrections.scatter_from.empty()) record["scatter_from"] = corrections.scatter_from;
  if (corrections.scatter > 0) record["scatter"] = corrections.scatter;
  if (corrections.rings) record["rings"] = to_json(*corrections.rings);
  if (corrections.hardening) record["hardening"] = corrections.hardening->record();
  return record;
}

}  // namespace rayloom
