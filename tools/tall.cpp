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

/// Warnings say which turn they are about.
Hooks of_turn(const Hooks& hooks, std::size_t turn) {
  Hooks own = hooks;
  own.warning = [hooks, turn](const std::string& message) {
    hooks.warn("tiles[" + std::to_string(turn) + "]: " + message);
  };
  return own;
}

void say_mismatches(const TiledScan& tall, const std::vector<HeightMismatch>& mismatches, const Hooks& hooks) {
  for (const HeightMismatch& one : mismatches) {
    const double raised = tall.tiles[one.b].part_raised_mm.value_or(0);
    const std::string a = "tiles[" + std::to_string(one.a) + "]", b = "tiles[" + std::to_string(one.b) + "]";
    std::string words = b + ": part_raised_mm: " + to_text(raised) + "; what it shows of the part lies ";
    words += to_text(std::abs(one.off_mm), 3) + " mm " + (one.off_mm > 0 ? "higher" : "lower");
    words += " than " + a;
    words += " shows it, and comes out twice; must be " + to_text(raised + one.off_mm, 4) + " if that of ";
    words += a + " is right";
    hooks.warn(words);
  }
}

/// Most of what any turn lacks.
RowsBeyond of_all(const std::vector<RowsBeyond>& turns) {
  RowsBeyond all = turns.front();
  for (const RowsBeyond& one : turns) {
    all.truncation.left_share = std::max(all.truncation.left_share, one.truncation.left_share);
    all.truncation.right_share = std::max(all.truncation.right_share, one.truncation.right_share);
  }
  return all;
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
  for (std::size_t t = 0; t < tall.tiles.size(); ++t) {
    const Scan& scan = tall.tiles[t].scan;
    corrections = corrections_from(given.corrections, scan);
    inputs.push_back(open_input(scan, corrections, {}, given.bin, given.every, *options.memory_bytes, hooks));
    const Input& input = inputs.back();
    beyond.push_back(rows_beyond(context, given, scan, input, options, of_turn(hooks, t)));
    turns.push_back({input.geometry, input.source, options, scan.part_moved_mm.z()});
    turns.back().options.beyond = beyond.back().of(input.geometry, options);
  }
  for (Turn& turn : turns)
    turn.options.reserved_bytes += VolumeWriter::buffer_bytes(plan_turns(turns, request).grid, coding);
  const TurnsPlan plan = plan_turns(turns, request);
  std::vector<Redundancy> redundancies;
  for (std::size_t t = 0; t < turns.size(); ++t) {
    redundancies.push_back(redundancy(turns[t].geometry, options.coverage));
    warn_of_missing_arc(redundancies[t], of_turn(hooks, t));
  }

  Grid in_part = plan.grid;
  in_part.centre_mm -= aside;
  VolumeWriter writer(given.output, in_part, coding, given.overwrite ? Overwrite::yes : Overwrite::no);
  const auto [times, mismatches] = reconstruct_turns(
      turns, plan, [&](int k, std::span<const float> slice) { writer.write(k, slice); }, hooks);

  nlohmann::ordered_json record;
  record["scan"] = {{"file", std::filesystem::absolute(given.scan).lexically_normal().string()},
                    {"description", to_json(tall)}};
  record["reconstruction"] =
      reconstruction_record(given, turns.front().geometry, redundancies.front(), plan.field, Method::direct);
  std::size_t views = 0;
  for (std::size_t t = 0; t < turns.size(); ++t) {
    const PrepareCounts counts = inputs[t].integrals->counts();
    warn_of_samples(counts, corrections, of_turn(hooks, t));
    views += turns[t].geometry.angles_rad.size();
    record["turns"].push_back({{"part_raised_mm", turns[t].raised_mm},
                               {"counts", plan.turns[t].has_value()},
                               {"coverage", to_string(redundancies[t].coverage)},
                               {"view_weights", redundancies[t].name},
                               {"views", turns[t].geometry.angles_rad.size()},
                               {"truncated_rows", beyond[t].record(given, turns[t].geometry, turns[t].options.beyond)},
                               {"read", counts.samples},
                               {"non_positive_raised", counts.non_positive},
                               {"saturated", counts.saturated},
                               {"checksums", fingerprints(given.scan, tall.tiles[t].scan, given, corrections)}});
  }
  record["reconstruction"]["views"] = views;
  record["reconstruction"]["truncated_rows"] = of_all(beyond).record(given, turns.front().geometry, {});
  record["corrections"] = to_json(corrections);
  say_mismatches(tall, mismatches, hooks);
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
