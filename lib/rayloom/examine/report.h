/// @file
/// One page for whoever must decide: what was scanned, how it was reconstructed, what it looks like, and what to be
/// careful about.
#pragma once
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace rayloom {

struct ReportOptions {
  std::string title;                            ///< Empty: the scan's title.
  std::vector<std::filesystem::path> pictures;  ///< PNG files, shown in this order under their names.
};

/// A self-contained HTML page (pictures embedded) of all that a volume's record says. The items follow the list of what
/// a CT examination's report holds (ISO 15708-3 and ASTM E1570 at heading level, from memory); what the record lacks is
/// said to be not recorded.
/// @param record  All of volume.json. @throws BadInput for a picture that cannot be read or is no PNG.
std::string report_html(const nlohmann::ordered_json& record, const ReportOptions& options);

}  // namespace rayloom
