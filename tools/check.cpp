// rayloom check SCAN: is this raw scan fit to reconstruct?
#include "rayloom/prepare/check.h"

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/scan/scan_file.h"

namespace rayloom::tools {

namespace {

struct Arguments {
  std::string input, region;
  std::vector<std::string> settings;
};

/// "row 3, column 7" of a finding.
std::string place_of(const Finding& finding) {
  std::string place;
  if (finding.row) place += "row " + std::to_string(*finding.row);
  if (finding.column) place += (place.empty() ? "column " : ", column ") + std::to_string(*finding.column);
  return place;
}

/// One line: severity, what, what was found, where, value and limit, what to do.
std::string line_of(const Finding& finding) {
  std::string line = to_string(finding.severity);
  line.resize(std::max<std::size_t>(line.size(), 11), ' ');
  line += "  " + finding.what + ": " + finding.text;
  if (const std::string place = place_of(finding); !place.empty()) line += "; at " + place;
  if (finding.value && finding.limit) {
    const std::string unit = finding.unit.empty() ? "" : " " + finding.unit;
    line += " [" + to_text(*finding.value, 4) + unit + ", limit " + to_text(*finding.limit, 4) + unit + "]";
  }
  if (!finding.advice.empty()) line += ". " + finding.advice;
  return line;
}

nlohmann::ordered_json json_of(const Finding& finding) {
  nlohmann::ordered_json json = {
      {"severity", to_string(finding.severity)}, {"what", finding.what}, {"text", finding.text}};
  if (!finding.views.empty()) json["views"] = finding.views;
  if (finding.row) json["row"] = *finding.row;
  if (finding.column) json["column"] = *finding.column;
  if (finding.value) json["value"] = *finding.value;
  if (finding.limit) json["limit"] = *finding.limit;
  if (!finding.unit.empty()) json["unit"] = finding.unit;
  if (!finding.advice.empty()) json["advice"] = finding.advice;
  return json;
}

int run(const Context& context, const Arguments& given) {
  CheckOptions options;
  if (!given.region.empty()) {
    const auto numbers = parse_numbers("--region", given.region, 4);
    options.region = Region{{numbers[0], numbers[1], numbers[2]}, numbers[3]};
    if (!(options.region->radius_mm > 0))
      throw InvalidOption("--region: '" + given.region + "'; the radius, last of X,Y,Z,R, must be above 0");
  }
  const Scan scan = read_scan(given.input, given.settings);
  const CheckResult checked = check_scan(scan, options, context.hooks());

  nlohmann::ordered_json result = {{"scan", given.input}, {"verdict", to_string(checked.verdict)}};
  result["findings"] = nlohmann::ordered_json::array();
  for (const Finding& finding : checked.findings) {
    context.say(line_of(finding));
    result["findings"].push_back(json_of(finding));
  }
  result["images"] = checked.survey.records.size();
  result["bad_pixels"] = checked.defects.bad_count();
  context.say("verdict: " + to_string(checked.verdict));
  context.result(result);
  return checked.verdict == Verdict::not_fit ? Exit::not_acceptable : Exit::done;
}

}  // namespace

void add_check(CLI::App& program) {
  auto given = std::make_shared<Arguments>();
  CLI::App* command = add_command(
      program, "check",
      "Is this raw scan fit to reconstruct? Whole scans, scans that broke off, and 1 to 8 trial views before the scan.",
      {"rayloom check scan.json", "rayloom check scan.json --region 12,-3,5,4", "rayloom check scan.json --json"},
      [given](const Context& context) { return run(context, *given); });
  command->add_option("SCAN", given->input, "scan file")->required();
  command->add_option("--region", given->region,
                      "X,Y,Z,R in mm: a ball of the part that must stay in view over the whole scan");
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false);
}

}  // namespace rayloom::tools
