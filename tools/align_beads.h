/// @file
/// `rayloom align --beads`, and what it shares with the other ways to align.
#pragma once
#include <optional>
#include <string>
#include <vector>

#include "command.h"
#include "rayloom/align/align.h"

namespace rayloom::tools {

struct BeadArguments {
  std::string scan, output;
  std::vector<std::string> settings, distances;
  std::optional<int> threads;
  bool overwrite = false;
};

int align_beads(const Context& context, const BeadArguments& given);

/// One line and one entry of the result for a parameter. @param given  What the scan file said.
void say(const Context& context, nlohmann::ordered_json& result, const std::string& name, const std::string& unit,
         const Estimate& estimate, double given);

}  // namespace rayloom::tools
