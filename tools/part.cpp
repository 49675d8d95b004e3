#include "part.h"

#include <algorithm>
#include <charconv>
#include <cstdlib>
#include <optional>
#include <string_view>

#include "rayloom/errors.h"

namespace rayloom::tools {

namespace {

std::optional<int> whole_number(std::string_view text) {
  int value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size()) return {};
  return value;
}

std::optional<int> variable(const char* name) {
  const char* text = std::getenv(name);
  if (text == nullptr) return {};
  if (const auto value = whole_number(text)) return value;
  throw InvalidOption(std::string(name) + ": '" + text + "'; must be a whole number for --part auto");
}

/// Variables that must stand together.
int required(const char* name, const char* beside) {
  if (const auto value = variable(name)) return *value;
  throw InvalidOption(std::string(name) + ": not set; must be beside " + beside + " for --part auto");
}

Part checked(Part part, const std::string& from) {
  if (part.count >= 1 && part.count <= 1'000'000 && part.index >= 1 && part.index <= part.count) return part;
  throw InvalidOption(from + ": " + std::to_string(part.index) + "/" + std::to_string(part.count) +
                      "; must be I/N with I from 1 to N");
}

Part slurm_rank() {
  const auto rank = variable("SLURM_PROCID");
  if (!rank) return {};
  const auto ranks = variable("SLURM_STEP_NUM_TASKS");
  return checked({*rank + 1, ranks ? *ranks : required("SLURM_NTASKS", "SLURM_PROCID")}, "SLURM_PROCID, SLURM_NTASKS");
}

Part slurm_array() {
  const int id = required("SLURM_ARRAY_TASK_ID", "the other variables of the array");
  const int count = required("SLURM_ARRAY_TASK_COUNT", "SLURM_ARRAY_TASK_ID");
  const int least = required("SLURM_ARRAY_TASK_MIN", "SLURM_ARRAY_TASK_ID");
  const int step = variable("SLURM_ARRAY_TASK_STEP").value_or(1);
  const int most = variable("SLURM_ARRAY_TASK_MAX").value_or(least + step * (count - 1));
  if (count == 1)
    throw InvalidOption("SLURM_ARRAY_TASK_COUNT: 1; must be at least 2 for --part auto",
                        "a part that is sent again alone cannot know how many there are: give --part I/N");
  if (step < 1 || most != least + step * (count - 1) || (id - least) % step != 0)
    throw InvalidOption("SLURM_ARRAY_TASK_COUNT: " + std::to_string(count) + "; must fill " + std::to_string(least) +
                            " to " + std::to_string(most) + " for --part auto",
                        "submit the whole array, as in --array=1-16; to run one part again, give --part I/N");
  return checked({(id - least) / step + 1, count}, "SLURM_ARRAY_TASK_ID, SLURM_ARRAY_TASK_COUNT");
}

}  // namespace

PartHere part_from(const std::string& text) {
  if (text != "auto") {
    const auto slash = text.find('/');
    const auto index = whole_number(std::string_view(text).substr(0, slash));
    const auto count =
        slash == std::string::npos ? std::nullopt : whole_number(std::string_view(text).substr(slash + 1));
    if (!index || !count) throw InvalidOption("--part: '" + text + "'; must be I/N, such as 2/16, or auto");
    return {checked({*index, *count}, "--part")};
  }
  if (const auto ranks = variable("OMPI_COMM_WORLD_SIZE")) {
    const Part part{required("OMPI_COMM_WORLD_RANK", "OMPI_COMM_WORLD_SIZE") + 1, *ranks};
    return {checked(part, "OMPI_COMM_WORLD_RANK, OMPI_COMM_WORLD_SIZE"),
            std::max(1, variable("OMPI_COMM_WORLD_LOCAL_SIZE").value_or(1))};
  }
  const int on_this_machine = std::max(1, variable("SLURM_NTASKS_PER_NODE").value_or(1));
  if (std::getenv("SLURM_ARRAY_TASK_ID") != nullptr) {
    const Part task = slurm_array();
    // Ranks of an srun in the task; a batch script itself is rank 0 and no step.
    const Part rank = std::getenv("SLURM_STEP_NUM_TASKS") != nullptr ? slurm_rank() : Part{};
    return {
        checked({(task.index - 1) * rank.count + rank.index, task.count * rank.count}, "the array's tasks and ranks"),
        on_this_machine};
  }
  if (std::getenv("SLURM_PROCID") != nullptr) return {slurm_rank(), on_this_machine};
  throw InvalidOption(
      "--part: 'auto'; must run under mpirun or srun or in a Slurm array, but neither OMPI_COMM_WORLD_SIZE nor "
      "SLURM_PROCID nor SLURM_ARRAY_TASK_ID is set",
      "elsewhere, give --part I/N");
}

}  // namespace rayloom::tools
