// The example of the README: a disk, seen by parallel rays from 360 sides, comes back with its attenuation.
#include <rayloom/reconstruct/reconstruct.h>
#include <cmath>
#include <cstdio>

int main() {
  rayloom::Geometry scan;
  scan.detector = {.columns = 128, .rows = 1, .column_pitch_mm = 1, .row_pitch_mm = 1, .axis_column = 63.5};
  std::vector<float> lines;  // [view][row][column]
  for (int view = 0; view < 360; ++view) {
    scan.angles_rad.push_back(rayloom::radians(view / 2.0));
    for (int c = 0; c < 128; ++c)
      lines.push_back(float(0.05 * 2 * std::sqrt(std::fmax(0, 40 * 40 - std::pow(c - 63.5, 2)))));
  }
  const auto plan = rayloom::plan_reconstruction(scan, {}, {});
  rayloom::reconstruct(scan, rayloom::from_memory(scan, lines), plan, {}, [&](int, std::span<const float> slice) {
    std::printf("%d x %d voxels, in the disk %.3f /mm\n", plan.grid.nx, plan.grid.ny, slice[64 * 128 + 70]);
  });
}
