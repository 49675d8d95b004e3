/// @file
/// Which share of a volume this run makes: --part, also as a scheduler says it.
#pragma once
#include <string>

#include "rayloom/reconstruct/reconstruct.h"

namespace rayloom::tools {

/// A part, and how many of them run on this machine at once.
struct PartHere {
  Part part{};
  int on_this_machine = 1;
};

/// "2/16", or "auto" for what the environment of the process says, the first that is set:
///
///     Open MPI      OMPI_COMM_WORLD_RANK + 1 of OMPI_COMM_WORLD_SIZE
///     Slurm array   tasks of the array, times the ranks of `srun` in each
///     Slurm         SLURM_PROCID + 1 of SLURM_STEP_NUM_TASKS, else of SLURM_NTASKS
///
/// @throws InvalidOption naming the option or variable, its value and what must hold.
PartHere part_from(const std::string& text);

}  // namespace rayloom::tools
