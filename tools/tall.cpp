#include "tall.h"

#include <filesystem>

#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/backproject.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/reconstruct/turns.h"
#include "rows_beyond.h"

namespace rayloom::tools {

namespace {

void require_simple(const ReconstructArguments& given, const TiledScan& tall) {
  const auto refuse = [&](bool is_given, const std::string& option) {
    if (is_given)
      throw InvalidOption(option + ": " + given.scan +
                          " holds turns at several heights (part_raised_mm); must be without, as yet");
  };
  refuse(!given.part.empty(), "--part");
  refuse(given.resume, "--resume");
  refuse(given.dry_run, "--dry-run");
  refuse(given.use_what_is_there, "--use-what-is-there");
  refuse(given.corrections.fits_hardening(), "--hardening fit");
  refuse(!given.corrections.metal.empty(), "--metal");
  refuse(given.corrections.replace_metal.has_value(), "--replace-metal");
  refuse(!given.surround.empty(), "--surround");
  if (given.type == "uint16" && given.range.empty())
    throw InvalidOption("--range: absent; must be given with --type uint16 for turns at several heights");
  for (const ScanTile& tile : tall.tiles) {
    if (tile.column_shift_px != 0 || tile.row_shift_px != 0)
      throw BadInput(tile.scan.file.string() + ": column_shift_px, row_shift_px: " + to_text(tile.column_shift_px) +
                         ", " + to_text(tile.row_shift_px) + "; must be 0 in turns at several heights",
                     "stitch the tiles of each height first");
    if (tile.scan.images.projections.empty())
      throw BadInput(tile.scan.file.string() + ": images.projections: missing; must name the projections");
  }
}

}  // namespace

int run_turns(const Context& context, const ReconstructArguments& given, const TiledScan& tall) {
  const Hooks hooks = context.hooks();
  require_simple(given, tall);
  const VolumeCoding coding = coding_from(given);
  ReconstructOptions options = options_from(given);
  const int threads = thread_count(given.threads);

  // One frame for all: that of the part, but moved across the axis as it stood in all turns.
  const Vec3 aside(tall.common.part_moved_mm.x(), tall.common.part_moved_mm.y(), 0);
  const GridRequest request = grid_request(given, aside);
  std::vector<Input> inputs;
  std::vector<RowsBeyond> beyond;
  std::vector<Turn> turns;
  Corrections corrections;
  for (const ScanTile& tile : tall.tiles) {
    corrections = corrections_from(given.corrections, tile.scan);
    options.reserved_bytes += held_bytes(tile.scan, corrections, given.bin, threads);
  }
  for (const ScanTile& tile : tall.tiles) {
    corrections = corrections_from(given.corrections, tile.scan);
    inputs.push_back(open_input(tile.scan, corrections, {}, given.bin, given.every, *options.memory_bytes, hooks));
    const Input& input = inputs.back();
    beyond.push_back(rows_beyond(context, given, tile.scan, input, options, hooks));
    turns.push_back({input.geometry, input.source, options, tile.scan.part_moved_mm.z()});
    turns.back().options.beyond = beyond.back().of(input.geometry, options);
  }
  for (Turn& turn : turns)
    turn.options.reserved_bytes += VolumeWriter::buffer_bytes(plan_turns(turns, request).grid, coding);
  const TurnsPlan plan = plan_turns(turns, request);

  Grid in_part = plan.grid;
  in_part.centre_mm -= aside;
  VolumeWriter writer(given.output, in_part, coding, given.overwrite ? Overwrite::yes : Overwrite::no);
  const auto times = reconstruct_turns(
      turns, plan, [&](int k, std::span<const float> slice) { writer.write(k, slice); }, hooks);

  nlohmann::ordered_json record;
  record["scan"] = {{"file", std::filesystem::absolute(given.scan).lexically_normal().string()},
                    {"description", to_json(tall)}};
  record["reconstruction"] = {{"beam", to_string(tall.common.geometry.beam)},
                              {"filter", given.filter},
                              {"cutoff_fraction", given.cutoff},
                              {"bin", given.bin},
                              {"every", given.every},
                              {"field_of_view_radius_mm", plan.field.radius_mm},
                              {"z_seen_by_every_view_mm", {plan.field.z_low_mm, plan.field.z_high_mm}},
                              {"settings", given.settings},
                              {"kernels", kernel_name()}};
  std::size_t non_positive = 0, saturated = 0;
  for (std::size_t t = 0; t < turns.size(); ++t) {
    const PrepareCounts counts = inputs[t].integrals->counts();
    non_positive += counts.non_positive;
    saturated += counts.saturated;
    nlohmann::ordered_json turn = {
        {"part_raised_mm", turns[t].raised_mm},
        {"views", turns[t].geometry.angles_rad.size()},
        {"counts", plan.turns[t].has_value()},
        {"truncated_rows", beyond[t].record(given, turns[t].geometry, turns[t].options.beyond)},
        {"read", counts.samples},
        {"non_positive_raised", counts.non_positive},
        {"saturated", counts.saturated},
        {"checksums", fingerprints(tall.tiles[t].scan, given, corrections)}};
    record["turns"].push_back(turn);
  }
  record["corrections"] = to_json(corrections);
  if (non_positive + saturated > 0)
    hooks.warn(std::to_string(non_positive) + " samples had no signal above dark and " + std::to_string(saturated) +
               " are saturated; values along those rays are too low");
  writer.finish(record);

  context.say(given.output + ": " + std::to_string(in_part.nx) + " x " + std::to_string(in_part.ny) + " x " +
              std::to_string(in_part.nz) + " voxels of " + to_text(in_part.voxel_mm, 6) + " mm from " +
              std::to_string(turns.size()) + " turns at several heights");
  context.result({{"volume", given.output},
                  {"size", {in_part.nx, in_part.ny, in_part.nz}},
                  {"voxel_mm", in_part.voxel_mm},
                  {"centre_mm", {in_part.centre_mm.x(), in_part.centre_mm.y(), in_part.centre_mm.z()}},
                  {"turns", turns.size()},
                  {"complete", true},
                  {"slabs", plan.slabs.size()},
                  {"memory_bytes", plan.memory_bytes},
                  {"seconds",
                   {{"prepare", times.prepare_s},
                    {"backproject", times.backproject_s},
                    {"write", times.write_s},
                    {"total", times.total_s}}}});
  return Exit::done;
}

}  // namespace rayloom::tools
