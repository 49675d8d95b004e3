#include "align_run.h"

#include <algorithm>
#include <cmath>

#include "rayloom/json_fields.h"

namespace rayloom::tools {

namespace {

constexpr std::size_t pass_bytes = std::size_t{256} << 20;  // not needed: no correction looks over the views

bool names_file(const std::string& output) {
  return std::filesystem::path(output).extension() == ".json";
}

}  // namespace

AlignRun::AlignRun(const AlignArguments& given, bool (*belongs)(const std::string& name), const Hooks& hooks)
    : output_(given.output) {
  if (names_file(output_)) {
    namespace fs = std::filesystem;
    refuse_other_than_scan(output_, given.overwrite);
    std::error_code ignored;
    if (fs::equivalent(output_, given.scan, ignored))
      throw InvalidOption("-o: " + output_ + " is the scan file that is read; must be another file");
    if (const fs::path folder = fs::absolute(output_).parent_path(); !fs::is_directory(folder, ignored))
      throw InvalidOption("-o: " + output_ + ": there is no folder " + folder.string() +
                          "; must be in a folder that is there");
  }
  scan_ = read_scan(given.scan, given.settings);
  if (scan_.images.projections.empty())
    throw BadInput(given.scan + ": images.projections: missing; must name the projections to align");
  if (!given.beads && !scan_.geometry.part_moved_mm.empty())
    throw BadInput(
        given.scan + ": views.part_moved_mm: given; must be absent, since the scan is compared with itself as taken",
        "align the scan file that it was found from");
  if (!output_.empty() && !names_file(output_))
    folder_.emplace(output_, given.overwrite ? Overwrite::yes : Overwrite::no,
                    OutputFolder::Kind{belongs, "scan.json"});
  input_ = open_input(scan_, {}, {}, 1, 1, pass_bytes, hooks);
}

void AlignRun::write(const Scan& aligned, const std::function<void(const std::filesystem::path& folder)>& pictures) {
  if (output_.empty()) return;
  if (!folder_) {
    write_scan(described_at(aligned, output_), output_);
    return;
  }
  const auto file = std::filesystem::path(output_) / "scan.json";  // where it will be
  write_scan(described_at(aligned, file), folder_->partial() / "scan.json");
  pictures(folder_->partial());
  folder_->finish();
}

std::string rounded(double value, double uncertainty) {
  const double place = std::pow(10, std::floor(std::log10(std::max(uncertainty, 1e-6))) - 1);
  const double whole = std::round(value / place) * place;
  return to_text(whole == 0 ? 0 : whole, 9) + " +- " + to_text(uncertainty, 2);  // never "-0"
}

void say(const Context& context, nlohmann::ordered_json& result, const std::string& name, const std::string& unit,
         const Estimate& estimate, double given) {
  nlohmann::ordered_json entry = {{"determined", estimate.determined}, {"given", given}};
  if (estimate.determined) {
    context.say(name + "  " + rounded(estimate.value, estimate.uncertainty) + " " + unit + " (was " +
                to_text(given, 6) + ")");
    entry["value"] = estimate.value;
    entry["uncertainty"] = estimate.uncertainty;
  } else {
    context.say(name + "  not determined, left at " + to_text(given, 6) + ": " + estimate.reason);
    entry["reason"] = estimate.reason;
  }
  result[name] = entry;
}

}  // namespace rayloom::tools
