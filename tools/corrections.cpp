#include "corrections.h"

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom::tools {

namespace {

double share_from(const char* option, double percent) {
  if (!(percent >= 0 && percent <= 90))
    throw InvalidOption(std::string(option) + ": " + to_text(percent) + " percent; must be from 0 to 90");
  return percent / 100;
}

}  // namespace

void add_correction_options(CLI::App& command, CorrectionArguments& given) {
  const std::string group = "Corrections (off unless asked for)";
  command
      .add_option("--lag", given.lag_percent,
                  "percent of an exposure's signal that the next one still reads, to take off (0)")
      ->group(group);
  command
      .add_option("--scatter", given.scatter_percent,
                  "percent of the open beam that reaches every pixel as scattered rays, to take off (0)")
      ->group(group);
}

Corrections corrections_from(const CorrectionArguments& given, const Scan& scan) {
  Corrections corrections{.lag = share_from("--lag", given.lag_percent),
                          .scatter = share_from("--scatter", given.scatter_percent)};
  corrections.validate(scan);
  return corrections;
}

}  // namespace rayloom::tools
