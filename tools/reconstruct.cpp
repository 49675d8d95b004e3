// rayloom reconstruct: a scan in, a volume folder out.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <limits>
#include <memory>
#include <set>

#include "command.h"
#include "corrections.h"
#include "part.h"
#include "rayloom/json_fields.h"
#include "rayloom/parallel.h"
#include "rayloom/reconstruct/backproject.h"
#include "rayloom/reconstruct/hardening_fit.h"
#include "rayloom/reconstruct/reduce.h"
#include "rayloom/scan/checksum.h"
#include "rayloom/scan/present_views.h"
#include "rayloom/volume/volume.h"
#include "reconstruct.h"
#include "rows_beyond.h"
#include "tall.h"
#include "tries.h"

namespace rayloom::tools {

namespace {

std::optional<Coverage> coverage_from(const std::string& name) {
  if (name == "auto") return {};
  if (name == "symmetric") return Coverage::symmetric;
  if (name == "displaced") return Coverage::displaced;
  throw InvalidOption("--coverage: '" + name + "'; must be auto, symmetric or displaced");
}

std::optional<Method> method_from(const std::string& name) {
  if (name == "auto") return {};
  for (const Method method : {Method::direct, Method::gridding})
    if (name == to_string(method)) return method;
  throw InvalidOption("--method: '" + name + "'; must be auto, direct or gridding");
}

}  // namespace

GridRequest grid_request(const ReconstructArguments& given, const Vec3& part_moved_mm) {
  GridRequest request{.voxel_mm = given.voxel, .slice_mm = given.slice};
  if (!given.size.empty()) {
    const auto n = parse_numbers("--size", given.size, 3);
    for (const double value : n)
      if (value < 1 || value > 1e5 || value != std::floor(value))
        throw InvalidOption("--size: '" + given.size + "'; must be three whole numbers from 1 to 100000");
    request.size = {int(n[0]), int(n[1]), int(n[2])};
  }
  if (!given.centre.empty()) {
    const auto c = parse_numbers("--centre", given.centre, 3);
    request.centre_mm = Vec3(c[0], c[1], c[2]) + part_moved_mm;
  }
  if (request.slice_mm) *request.slice_mm += part_moved_mm.z();
  return request;
}

namespace {

/// What a volume is labelled with when its line integrals were partly guessed.
constexpr const char* looking_only = "for looking, not measuring";

nlohmann::ordered_json as_json(const FilesChecksum& sum, BytesRead which) {
  char hex[16];
  std::snprintf(hex, sizeof hex, "%08x", unsigned(sum.crc32));
  return {{"files", sum.files}, {"bytes", sum.bytes}, {which == BytesRead::all ? "crc32" : "crc32_of_excerpts", hex}};
}

}  // namespace

Input open_input(const Scan& scan, const Corrections& corrections, const MetalHandling& metal, int bin, int every_nth,
                 std::size_t memory_bytes, const Hooks& hooks) {
  Input input;
  Corrections before_metal = corrections;
  if (metal.map) before_metal.hardening.reset();  // part of what it does
  input.integrals = std::make_shared<LineIntegrals>(scan, hooks, before_metal, memory_bytes / 2);
  ProjectionSource full{[integrals = input.integrals](int view, int views, int row, int rows, std::span<float> out) {
                          integrals->read(view, views, row, rows, out);
                        },
                        scan.images.sinograms ? ProjectionSource::Stored::by_row : ProjectionSource::Stored::by_view};
  if (metal.map)
    full = without_hardening(scan.geometry, full, metal.metal, metal.map);
  else if (metal.metal)
    full = without_metal(scan.geometry, full, metal.metal);
  ReducedScan small = reduced(scan.geometry, full, every_nth, bin);
  input.geometry = std::move(small.geometry);
  input.source = std::move(small.source);
  return input;
}

/// What the command holds beside the reconstruction: the program itself, images of dark and open with their map of bad
/// pixels, ring offsets, one block of a view a thread (a file may be a single block), binning's full-size views.
std::size_t held_bytes(const Scan& scan, const Corrections& corrections, int bin, int threads) {
  const std::size_t program = std::size_t{24} << 20;
  const Detector& d = scan.geometry.detector;
  const std::size_t pixels = std::size_t(d.columns) * std::size_t(d.rows);
  const std::size_t levels = std::size_t(scan.images.dark.has_value()) + std::size_t(scan.images.open.has_value()) +
                             std::size_t(scan.images.open_after.has_value());
  const std::size_t per_thread = pixels * (sizeof(float) + (bin > 1 ? sizeof(float) : 0));
  const std::size_t rings = corrections.rings ? RingOffsets::bytes(d) : 0;
  return program + pixels * (levels * sizeof(float) + 1) + rings +
         scan.geometry.angles_rad.size() * std::size_t(d.rows) + per_thread * std::size_t(threads);
}

/// --hardening fit.
Linearisation fitted_hardening(const Context& context, const Scan& scan, const ReconstructArguments& given,
                               const Corrections& corrections, std::size_t memory_bytes, const Hooks& hooks) {
  Hooks once = hooks;
  once.warning = nullptr;  // they come again when the scan is reconstructed
  const Input input = open_input(scan, corrections, {}, 1, 1, memory_bytes, once);
  const HardeningFit fit =
      fit_hardening(input.geometry, input.source, coverage_from(given.coverage), thread_count(given.threads), hooks);
  const std::string found = "inside the part, values spread by " + to_text(100 * fit.unevenness_before, 3) +
                            " % of their mean before and " + to_text(100 * fit.unevenness_after, 3) + " % after";
  context.note("hardening fitted: " + found);
  if (fit.unevenness_after > 0.02 && fit.unevenness_after > fit.unevenness_before / 2)
    hooks.warn("--hardening fit: " + found + "; it is not hardening of one material that makes the part uneven");
  return fit.map;
}

/// --metal and --replace-metal.
MetalHandling metal_handling(const Scan& scan, const ReconstructArguments& given, const Corrections& corrections,
                             const ReconstructOptions& options, const Hooks& hooks, std::size_t least_afterwards) {
  if (!given.corrections.finds_metal()) return {};
  const auto both = two_materials_from(given.corrections, scan);
  Hooks once = hooks;
  once.warning = nullptr;
  const Input input = open_input(scan, corrections, {}, given.bin, given.every, *options.memory_bytes, once);
  const MetalThreshold threshold =
      both ? MetalThreshold{both->least_metal_per_mm, corrections.hardening->thin_layer_per_mm()}
           : MetalThreshold{*given.corrections.replace_metal};
  ReconstructOptions first = options;
  first.reserved_bytes = held_bytes(scan, corrections, given.bin, thread_count(given.threads));
  auto found = find_metal(input.geometry, input.source, threshold, first, hooks, least_afterwards);
  if (!found) {
    hooks.warn((both ? "--metal " + given.corrections.metal : "--replace-metal") +
               ": a first reconstruction shows nothing above " + to_text(threshold.above_per_mm, 4) +
               "/mm, so nothing is done about metal");
    return {};
  }
  MetalHandling handling{std::make_shared<Metal>(std::move(*found)), nullptr};
  if (both)
    handling.map = std::make_shared<TwoMaterials>(both->spectrum, both->lighter, both->metal, handling.metal->most_mm);
  return handling;
}

void warn_of_missing_arc(const Redundancy& redundancy, const Hooks& hooks) {
  if (redundancy.missing_arc_rad > 0)
    hooks.warn("the views cover " + to_text(degrees(redundancy.views.arc_rad), 5) + " degrees, " +
               to_text(degrees(redundancy.missing_arc_rad), 4) +
               " fewer than this field of view needs; expect streaks and blurred edges across the missing directions");
}

void warn_of_samples(const PrepareCounts& counts, const Corrections& corrections, const Hooks& hooks) {
  if (counts.non_positive > 0)
    hooks.warn(
        std::to_string(counts.non_positive) + " of " + std::to_string(counts.samples) +
        " samples had no signal above dark" +
        (corrections.scatter > 0 || !corrections.scatter_from.empty() ? " and the scatter taken off" : "") +
        " and were raised to the least transmission; the part is too thick or too dense there, so values along those "
        "rays are too low");
  if (counts.saturated > 0)
    hooks.warn(std::to_string(counts.saturated) + " of " + std::to_string(counts.samples) +
               " samples are saturated; thin places there are measured too thick");
}

nlohmann::ordered_json reconstruction_record(const ReconstructArguments& given, const Geometry& geometry,
                                             const Redundancy& redundancy, const FieldOfView& field_in_part,
                                             Method method) {
  return {{"beam", to_string(geometry.beam)},
          {"filter", given.filter},
          {"cutoff_fraction", given.cutoff},
          {"coverage", to_string(redundancy.coverage)},
          {"view_weights", redundancy.name},
          {"views", geometry.angles_rad.size()},
          {"arc_deg", degrees(redundancy.views.arc_rad)},
          {"missing_arc_deg", degrees(redundancy.missing_arc_rad)},
          {"bin", given.bin},
          {"every", given.every},
          {"field_of_view_radius_mm", field_in_part.radius_mm},
          {"z_seen_by_every_view_mm", {field_in_part.z_low_mm, field_in_part.z_high_mm}},
          {"settings", given.settings},
          {"method", to_string(method)},
          {"kernels", kernel_name()}};
}

namespace {

using Files = std::vector<std::filesystem::path>;

/// Every group of images that the scan names.
std::vector<std::pair<std::string, Files>> image_groups(const Scan& scan, const Corrections& corrections) {
  std::vector<std::pair<std::string, Files>> groups;
  groups.emplace_back("projections", image_files(scan, scan.images.projections));
  const auto add_level = [&](const std::string& name, const std::optional<Level>& level) {
    if (level && std::holds_alternative<ImageNames>(*level))
      groups.emplace_back(name, image_files(scan, std::get<ImageNames>(*level)));
  };
  add_level("dark", scan.images.dark);
  add_level("open", scan.images.open);
  add_level("open_after", scan.images.open_after);
  if (!scan.images.defects.empty()) groups.emplace_back("defects", image_files(scan, scan.images.defects));
  if (!corrections.scatter_from.empty()) groups.emplace_back("scatter_from", Files{corrections.scatter_from});
  return groups;
}

nlohmann::ordered_json image_checksums(const Scan& scan, const Corrections& corrections, BytesRead which) {
  nlohmann::ordered_json sums;
  for (const auto& [name, files] : image_groups(scan, corrections))
    sums[name] = as_json(checksum(files, which), which);
  return sums;
}

/// When the youngest image was written, as the file system counts: what excerpts do not show.
std::string last_written(const Scan& scan, const Corrections& corrections) {
  auto last = std::filesystem::file_time_type::min();
  for (const auto& [name, files] : image_groups(scan, corrections))
    for (const auto& file : files)
      last = std::max(last, std::filesystem::last_write_time(file));
  return std::to_string(last.time_since_epoch().count());
}

}  // namespace

nlohmann::ordered_json fingerprints(const std::filesystem::path& scan_file, const Scan& scan,
                                    const ReconstructArguments& given, const Corrections& corrections) {
  nlohmann::ordered_json sums;
  sums["scan_file"] = as_json(checksum(std::vector{scan_file}), BytesRead::all);
  const bool all = !given.slice && given.bin == 1 && given.every == 1 && given.part.empty();
  sums.update(image_checksums(scan, corrections, all ? BytesRead::all : BytesRead::excerpts));
  return sums;
}

namespace {

/// All that is corrected, for volume.json.
nlohmann::ordered_json record_of(const Corrections& corrections, const MetalHandling& metal,
                                 const ReconstructArguments& given) {
  nlohmann::ordered_json record = to_json(corrections);
  if (metal.map) record["metal"] = metal.map->record();
  if (metal.replaces())
    record["metal_replaced"] = {{"above_per_mm", *given.corrections.replace_metal},
                                {"put_back_per_mm", metal.metal->value_per_mm}};
  return record;
}

/// Least and greatest value of a coarse reconstruction (at most 128 voxels each way, quick views), for 16-bit output.
std::pair<double, double> coarse_range(const Scan& scan, const ReconstructArguments& given,
                                       const Corrections& corrections, const MetalHandling& metal,
                                       const RowsBeyond& beyond, const ReconstructOptions& options,
                                       const Hooks& hooks) {
  const Detector& d = scan.geometry.detector;
  const int bin = std::max({1, (d.columns + 127) / 128, d.rows == 1 ? 1 : (d.rows + 127) / 128});
  const int nth = std::max(1, int(scan.geometry.angles_rad.size()) / 200);
  const Input input = open_input(scan, corrections, metal, std::min(bin, d.columns), nth, *options.memory_bytes, hooks);
  ReconstructOptions coarse = options;
  coarse.part = {};  // all parts must find the same
  coarse.coverage = coverage_from(given.coverage);
  coarse.method = Method::direct;
  RowsBeyond as_coarse = beyond;
  if (beyond.continues) as_coarse.truncation = look_for_truncation(input.geometry, input.source, coarse);
  coarse.beyond = as_coarse.of(input.geometry, coarse);
  const auto plan = plan_reconstruction(input.geometry, {}, coarse);
  float low = 0, high = 0;
  reconstruct(input.geometry, input.source, plan, coarse, [&](int, std::span<const float> slice) {
    const auto [least, most] = std::minmax_element(slice.begin(), slice.end());
    low = std::min(low, *least);
    high = std::max(high, *most);
  });
  const double margin = 0.1 * std::max(double(high) - double(low), 1e-6);
  return {low - margin, high + margin};
}

/// What runs that share a volume must agree on.
nlohmann::json settings_of(const Scan& scan, const ReconstructArguments& given, const nlohmann::json& corrections,
                           const nlohmann::json& images, const ReconstructPlan& plan) {
  const Grid& grid = plan.grid;
  return {{"program_version", RAYLOOM_VERSION},
          {"size", {grid.nx, grid.ny, grid.nz}},
          {"voxel_mm", grid.voxel_mm},
          {"centre_mm", {grid.centre_mm.x(), grid.centre_mm.y(), grid.centre_mm.z()}},
          {"filter", given.filter},
          {"cutoff", given.cutoff},
          {"method", to_string(plan.method)},
          {"coverage", to_string(plan.redundancy.coverage)},
          {"truncated", given.truncated},
          {"surround", given.surround},
          {"bin", given.bin},
          {"every", given.every},
          {"format", given.format},
          {"type", given.type},
          {"range", given.range.empty() ? "from a coarse reconstruction" : given.range},
          {"corrections", corrections},
          {"scan", nlohmann::json(to_json(scan))},
          {"images", images}};
}

/// --dry-run: what would happen.
int say_plan(const Context& context, const ReconstructArguments& given, const Input& input, const ReconstructPlan& plan,
             const ReconstructOptions& options, const VolumeCoding& coding) {
  const Grid& grid = plan.grid;
  int slices = 0;
  for (const SliceRange& slab : plan.slabs)
    slices += slab.count;
  const DiskNeed disk = disk_need(given.output, grid, coding, slices);
  const ReconstructEstimate time = estimate(input.geometry, input.source, plan, options);
  const auto mib = [](auto bytes) { return to_text(std::ldexp(double(bytes), -20), 5) + " MiB"; };
  const int largest =
      plan.slabs.empty() ? 0 : std::max_element(plan.slabs.begin(), plan.slabs.end(), [](const auto& a, const auto& b) {
                                 return a.count < b.count;
                               })->count;
  context.say("size     " + std::to_string(grid.nx) + " x " + std::to_string(grid.ny) + " x " +
              std::to_string(grid.nz) + " voxels of " + to_text(grid.voxel_mm, 6) + " mm");
  context.say("part     " + std::to_string(options.part.index) + "/" + std::to_string(options.part.count) + ", " +
              std::to_string(slices) + " slices");
  context.say("slabs    " + std::to_string(plan.slabs.size()) + " of at most " + std::to_string(largest) + " slices");
  context.say("memory   " + mib(plan.memory_bytes) +
              (given.corrections.finds_metal()
                   ? ", and what metal takes: 8 bytes for each of its voxels, 4 for each of a box about them"
                   : ""));
  context.say("disk     " + mib(disk.needed) + " needed" + (disk.free ? ", " + mib(*disk.free) + " free" : ""));
  context.say("reading  " + to_text(time.rows, 4) + " detector rows at " + to_text(time.rows_per_s, 3) +
              " a second, as measured on one batch of views");
  context.say("updates  " + to_text(time.updates, 4) + " at " + to_text(time.updates_per_s, 3) +
              " a second, as measured on one batch of views");
  context.say("time     about " + to_text(time.seconds, 2) + " s, without writing and checksums");
  nlohmann::ordered_json answer = {{"size", {grid.nx, grid.ny, grid.nz}},
                                   {"voxel_mm", grid.voxel_mm},
                                   {"part", {options.part.index, options.part.count}},
                                   {"slices", slices},
                                   {"slabs", plan.slabs.size()},
                                   {"slab_slices", largest},
                                   {"memory_bytes", plan.memory_bytes},
                                   {"disk_bytes", disk.needed},
                                   {"detector_rows", time.rows},
                                   {"detector_rows_per_s", time.rows_per_s},
                                   {"updates", time.updates},
                                   {"updates_per_s", time.updates_per_s},
                                   {"seconds", time.seconds}};
  if (disk.free) answer["disk_free_bytes"] = *disk.free;
  context.result(answer);
  return Exit::done;
}

}  // namespace

ReconstructOptions options_from(const ReconstructArguments& given) {
  ReconstructOptions options;
  options.filter = {window_from(given.filter), given.cutoff};
  options.coverage = coverage_from(given.coverage);
  options.method = method_from(given.method);
  options.threads = given.threads;
  if (!continues_rows(given) && !given.surround.empty())  // and refuses an unknown one before any work
    throw InvalidOption("--truncated: as-is; must be left out with --surround, which completes the rows");
  if (!given.surround.empty() && options.filter.window == Window::none)
    throw InvalidOption(
        "--filter: none; must be a filter with --surround, since plain rows have no use for what lies beyond");
  const PartHere here = given.part.empty() ? PartHere{} : part_from(given.part);
  options.part = here.part;
  options.memory_bytes = given.memory.empty() ? default_memory() / std::size_t(here.on_this_machine)
                                              : parse_bytes("--memory", given.memory);
  options.validate();
  return options;
}

VolumeCoding coding_from(const ReconstructArguments& given) {
  VolumeCoding coding;
  coding.format = volume_format_from(given.format);
  if (given.type == "uint16")
    coding.type = SampleType::uint16;
  else if (given.type != "float32")
    throw InvalidOption("--type: '" + given.type + "'; must be float32 or uint16");
  if (given.range.empty()) return coding;
  if (coding.type != SampleType::uint16)
    throw InvalidOption("--range: '" + given.range + "'; goes with --type uint16 only");
  const auto limits = parse_numbers("--range", given.range, 2);
  coding.low_per_mm = limits[0];
  coding.high_per_mm = limits[1];
  return coding;
}

namespace {

int run_reconstruct(const Context& context, const ReconstructArguments& given) {
  if (!given.surround.empty()) refuse_to_replace(given.output, given.surround);
  if (!given.tries.empty()) return run_tries(context, given);
  if (const auto value = read_scan_json(given.scan, given.settings); has_heights(value))
    return run_turns(context, given, parse_tiled_scan(value, given.scan));
  const Hooks hooks = context.hooks();
  refuse_existing(given.output, given.overwrite);
  Scan scan = read_scan(given.scan, given.settings);
  if (scan.images.projections.empty())
    throw BadInput(given.scan + ": images.projections: missing; must name the projections to reconstruct");
  std::optional<PresentViews> present;
  if (given.use_what_is_there) {
    present = present_views(scan, hooks);
    scan = present->scan;
  }

  ReconstructOptions options = options_from(given);
  const std::string kernels = kernel_name();  // refuses an unknown one before any work

  VolumeCoding coding = coding_from(given);
  const bool shared = !given.part.empty() || given.resume;
  if (shared && coding.format != VolumeFormat::slices)
    throw InvalidOption("--format: " + given.format + "; must be slices with --part and --resume",
                        "other formats are written from the first slice to the last by one run");

  Corrections corrections = corrections_from(given.corrections, scan);
  // What cannot be is refused before corrections read the scan.
  const GridRequest request = grid_request(given, scan.part_moved_mm);
  const Geometry seen = binned(every(scan.geometry, given.every), given.bin);
  ReconstructOptions unlimited = options;  // to know the grid, and what is held beside it
  unlimited.memory_bytes = std::numeric_limits<std::size_t>::max();
  const ReconstructPlan unbounded = plan_reconstruction(seen, request, unlimited);
  const Grid& whole = unbounded.grid;
  options.reserved_bytes =
      held_bytes(scan, corrections, given.bin, thread_count(given.threads)) + VolumeWriter::buffer_bytes(whole, coding);
  if (!given.surround.empty()) options.reserved_bytes += overview_bytes(StoredVolume(given.surround).grid());
  if (given.corrections.finds_metal() && plan_metal_search(seen, unlimited).plan.least_bytes > unbounded.least_bytes)
    (void)plan_metal_search(seen, options);  // refuses, if either does, with what suffices for both
  const std::size_t least_bytes = unbounded.least_bytes + options.reserved_bytes;
  (void)plan_reconstruction(seen, request, options);
  if (!given.dry_run && !shared) require_space(given.output, whole, coding, whole.nz);

  if (given.corrections.fits_hardening() && !given.dry_run)
    corrections.hardening = fitted_hardening(context, scan, given, corrections, *options.memory_bytes, hooks);
  const MetalHandling metal = given.dry_run
                                  ? MetalHandling{}
                                  : metal_handling(scan, given, corrections, options, hooks,
                                                   least_bytes + least_bytes / 32);  // rows continued need more
  const nlohmann::ordered_json corrected = record_of(corrections, metal, given);
  const Input input = open_input(scan, corrections, metal, given.bin, given.every, *options.memory_bytes, hooks);
  options.reserved_bytes += metal.metal ? metal.metal->bytes() : 0;
  const RowsBeyond beyond = rows_beyond(context, given, scan, input, options, hooks);
  options.beyond = beyond.of(input.geometry, options);
  auto plan = plan_reconstruction(input.geometry, request, options);
  if (given.dry_run) return say_plan(context, given, input, plan, options, coding);
  if (plan.slabs.empty()) {
    context.say("part " + given.part + ": nothing to do, since the volume has " + std::to_string(plan.grid.nz) +
                " slices and " + std::to_string(options.part.count) + " parts");
    context.result({{"volume", given.output}, {"complete", false}, {"slices_written", 0}});
    return Exit::done;
  }
  warn_of_missing_arc(plan.redundancy, hooks);
  if (coding.type == SampleType::uint16) {
    if (given.range.empty()) {
      std::tie(coding.low_per_mm, coding.high_per_mm) =
          coarse_range(scan, given, corrections, metal, beyond, options, hooks);
    }
  }

  Grid in_part = plan.grid;  // the same voxels in the part's frame
  in_part.centre_mm -= scan.part_moved_mm;
  VolumeWriter writer(given.output, in_part, coding, given.overwrite ? Overwrite::yes : Overwrite::no,
                      settings_of(scan, given, nlohmann::json(corrected),
                                  nlohmann::json(image_checksums(scan, corrections, BytesRead::excerpts)), plan),
                      shared ? Partial::shared : Partial::own);
  const std::string written_at = last_written(scan, corrections);
  writer.note({{"kernels", kernels}, {"images_written", written_at}});
  if (std::ranges::any_of(writer.notes(), [&](const nlohmann::json& words) {
        return words.value("images_written", written_at) != written_at;
      }))
    hooks.warn(given.output +
               ": images were written between its runs; what is compared of them, the first, middle and last 4 KiB, is "
               "as before; if others changed, begin anew with --overwrite");
  const auto there = writer.finished();
  plan.leave_out(there);
  int written = 0;
  PrepareCounts noted;
  const auto note_counts = [&] {  // with every slab, so that what a killed run finished is counted
    const PrepareCounts now = input.integrals->counts();
    if (now.samples == noted.samples) return;
    writer.note({{"read", now.samples - noted.samples},
                 {"non_positive_raised", now.non_positive - noted.non_positive},
                 {"saturated", now.saturated - noted.saturated}});
    noted = now;
  };
  const auto times = reconstruct(
      input.geometry, input.source, plan, options,
      [&](int k, std::span<const float> slice) {
        if (there[std::size_t(k)]) return;
        if (metal.replaces()) {
          std::vector<float> with_metal(slice.begin(), slice.end());
          put_metal_back(*metal.metal, plan.grid, k, with_metal);
          writer.write(k, with_metal);
        } else {
          writer.write(k, slice);
        }
        ++written;
        note_counts();
      },
      hooks);

  const Grid& grid = in_part;
  PrepareCounts counts = input.integrals->counts();
  if (shared) {
    note_counts();
    const auto all = writer.finished();
    if (const auto done = std::count(all.begin(), all.end(), char(true)); done != grid.nz) {
      context.say("part " + given.part + ": done; " + std::to_string(done) + " of " + std::to_string(grid.nz) +
                  " slices of " + given.output + " are there, other parts are to write the rest");
      warn_of_samples(counts, corrections, hooks);
      context.result({{"volume", given.output}, {"complete", false}, {"slices_written", written}});
      return Exit::done;
    }
  }
  std::string all_kernels = kernels;
  if (shared) {
    counts.samples = counts.non_positive = counts.saturated = 0;
    std::set<std::string> used{kernels};
    for (const auto& words : writer.notes()) {
      used.insert(words.value("kernels", kernels));
      counts.samples += words.value("read", std::size_t{0});
      counts.non_positive += words.value("non_positive_raised", std::size_t{0});
      counts.saturated += words.value("saturated", std::size_t{0});
    }
    if (used.size() > 1) {
      all_kernels.clear();
      for (const std::string& name : used)
        all_kernels += (all_kernels.empty() ? "" : ", ") + name;
      hooks.warn(given.output + ": its slices were made with different instruction sets (" + all_kernels +
                 "), whose values differ by some 1e-6 of the greatest");
    }
  }
  warn_of_samples(counts, corrections, hooks);
  nlohmann::ordered_json record;
  record["scan"] = {{"file", std::filesystem::absolute(scan.file).lexically_normal().string()},
                    {"description", to_json(scan)},
                    {"checksums", fingerprints(scan.file, scan, given, corrections)}};
  FieldOfView field_in_part = plan.field;
  field_in_part.z_low_mm -= scan.part_moved_mm.z();
  field_in_part.z_high_mm -= scan.part_moved_mm.z();
  record["reconstruction"] = reconstruction_record(given, input.geometry, plan.redundancy, field_in_part, plan.method);
  record["reconstruction"]["kernels"] = all_kernels;
  if (present) {
    record["reconstruction"]["views_planned"] = present->planned;
    nlohmann::ordered_json missing = nlohmann::ordered_json::array();
    for (int view = 0; view < present->planned; ++view)
      if (!std::binary_search(present->views.begin(), present->views.end(), view)) missing.push_back(view);
    record["reconstruction"]["views_missing"] = std::move(missing);
  }
  record["reconstruction"]["truncated_rows"] = beyond.record(given, input.geometry, options.beyond);
  record["corrections"] = corrected;
  const bool only_to_look_at = metal.replaces() || beyond.fit.doubtful();
  if (only_to_look_at) record["use"] = looking_only;
  record["samples"] = {{"read", counts.samples},
                       {"non_positive_raised", counts.non_positive},
                       {"saturated", counts.saturated},
                       {"defect_pixels", counts.defects},
                       {"dead_pixels", counts.dead}};
  const double noise_factor = input.integrals->open_noise_factor();
  if (scan.images.kind == ImageKind::counts) record["open_beam_noise_variance_factor"] = noise_factor;
  if (corrections.spikes) record["samples"]["spikes_replaced"] = counts.spikes;
  if (const auto& left_out = input.integrals->exposures_left_out(); left_out.any())
    record["exposures_left_out"] = {
        {"dark", left_out.dark}, {"open", left_out.open}, {"open_after", left_out.open_after}};
  if (const int stops = input.integrals->scatter_stops(); stops > 0) {
    const SmoothImage& scatter = input.integrals->scatter();
    float least = scatter[0], most = scatter[0];
    for (int i = 0; i < scatter.blocks(); ++i) {
      least = std::min(least, scatter[i]);
      most = std::max(most, scatter[i]);
    }
    record["scatter"] = {{"stops", stops}, {"least_share", least}, {"greatest_share", most}};
  }
  if (const auto& beams = input.integrals->beams(); !beams.empty()) {
    const auto [least, most] = std::ranges::minmax(beams, {}, &ViewBeam::level);
    record["beam"] = {
        {"least_level", least.level}, {"greatest_level", most.level}, {"shapes_found", beams.front().weights.size()}};
  }
  const std::size_t clipped = writer.clipped();
  writer.finish(record);

  context.say(given.output + ": " + std::to_string(grid.nx) + " x " + std::to_string(grid.ny) + " x " +
              std::to_string(grid.nz) + " voxels of " + to_text(grid.voxel_mm, 6) + " mm, " +
              to_string(input.geometry.beam) + " beam, " + plan.redundancy.name + " of " +
              std::to_string(input.geometry.angles_rad.size()) + " views");
  if (metal.replaces()) context.say(given.output + ": " + looking_only + ", since the shadows of metal were replaced");
  if (beyond.fit.doubtful())
    context.say(given.output + ": " + looking_only + ", since the overview does not fit the scan");
  if (noise_factor > 1)
    context.say("thin places are at most " + to_text(std::sqrt(noise_factor), 3) +
                " times as noisy as their own photons make them: the open-beam images add their noise");
  nlohmann::ordered_json answer = {{"volume", given.output},
                                   {"size", {grid.nx, grid.ny, grid.nz}},
                                   {"voxel_mm", grid.voxel_mm},
                                   {"centre_mm", {grid.centre_mm.x(), grid.centre_mm.y(), grid.centre_mm.z()}},
                                   {"clipped", clipped},
                                   {"complete", true},
                                   {"slices_written", written},
                                   {"slabs", plan.slabs.size()},
                                   {"memory_bytes", plan.memory_bytes},
                                   {"seconds",
                                    {{"prepare", times.prepare_s},
                                     {"backproject", times.backproject_s},
                                     {"write", times.write_s},
                                     {"total", times.total_s}}}};
  if (only_to_look_at) answer["use"] = looking_only;
  if (record.contains("open_beam_noise_variance_factor")) answer["open_beam_noise_variance_factor"] = noise_factor;
  answer.update(record["reconstruction"]);
  context.result(answer);
  return Exit::done;
}

}  // namespace

void add_reconstruct(CLI::App& program) {
  auto given = std::make_shared<ReconstructArguments>();
  CLI::App* command = add_command(
      program, "reconstruct", "The volume: filtered back-projection of a scan (parallel, fan, cone beam).",
      {"rayloom reconstruct scan.json -o volume", "rayloom reconstruct scan.json -o quick --bin 4 --every 2",
       "rayloom reconstruct scan.json -o slice --slice 0 --set detector.axis_column=254.2",
       "rayloom reconstruct scan.json -o tries --slice 0 --try detector.axis_column=250:260:1",
       "rayloom reconstruct region/scan.json -o region --surround overview"},
      [given](const Context& context) { return run_reconstruct(context, *given); });
  command
      ->add_option("SCAN", given->scan,
                   "scan file; a movement in it (views.part_moved_mm, see align --movement) is undone")
      ->required();
  command->add_option("-o,--output", given->output, "volume folder to write (with --try: folder of slices)")
      ->required();
  command->add_flag("--overwrite", given->overwrite, "replace the volume if it exists");
  command
      ->add_option("--set", given->settings,
                   "KEY=VALUE of the scan file to use instead, e.g. detector.axis_column=254.2")
      ->allow_extra_args(false);

  command->add_flag("--use-what-is-there", given->use_what_is_there,
                    "reconstruct a scan that broke off or lacks views from those present");

  const std::string grid = "Grid";
  command->add_option("--voxel", given->voxel, "voxel edge, mm (pixel pitch / magnification)")->group(grid);
  command->add_option("--size", given->size, "NX,NY,NZ voxels (the field of view)")->group(grid);
  command
      ->add_option("--centre", given->centre,
                   "X,Y,Z of the grid's centre, mm (the origin; without --size the middle of the field of view)")
      ->group(grid);
  command->add_option("--slice", given->slice, "one slice at this height Z, mm")->group(grid);
  command
      ->add_option(
          "--try", given->tries,
          "KEY=FIRST:LAST:STEP, once or twice, with --slice: the slice with each of these values (with two keys, "
          "with each pair) side by side in -o FOLDER, to choose by eye; KEY is a key of the scan file or one of "
          "lag, scatter, open-shapes, hardening (A2, with A1 = 1), replace-metal")
      ->allow_extra_args(false)
      ->group(grid);

  const std::string method = "Method";
  command
      ->add_option("--filter", given->filter,
                   "none, ramp, shepp-logan, hann, hamming or cosine (ramp; hann for noisy scans; none: plain "
                   "back-projection, for learning)")
      ->group(method);
  command->add_option("--cutoff", given->cutoff, "fraction of Nyquist at which the filter ends, 0 to 1 (1)")
      ->group(method);
  command
      ->add_option("--method", given->method,
                   "direct, or gridding: through Fourier space, parallel beam only, as accurate (auto: gridding "
                   "where it is quicker)")
      ->group(method);
  command->add_option("--coverage", given->coverage, "auto, symmetric or displaced detector (auto)")->group(method);
  command
      ->add_option("--truncated", given->truncated,
                   "rows that the part sticks out of: continue them smoothly, or take them as-is (continue)")
      ->group(method);
  command
      ->add_option(
          "--surround", given->surround,
          "VOLUME: an overview of the whole part, which gives a magnified region the rays that miss it; placed by "
          "part_moved_mm of both scan files and fitted to the measured rows")
      ->group(method);
  command->add_option("--bin", given->bin, "average N x N pixels, for quick looks (1)")->group(method);
  command->add_option("--every", given->every, "use every Nth view, for quick looks (1)")->group(method);

  add_correction_options(*command, given->corrections);

  const std::string files = "Output and resources";
  command->add_option("--format", given->format, "slices (a TIFF each), bigtiff or raw with NRRD header (slices)")
      ->group(files);
  command->add_option("--type", given->type, "float32, or uint16 over --range (float32)")->group(files);
  command->add_option("--range", given->range, "LO,HI in 1/mm that uint16 spans (from a coarse reconstruction)")
      ->group(files);
  command->add_option("--memory", given->memory, "most memory to use, e.g. 500M or 4G (half of what is free)")
      ->group(files);
  command
      ->add_flag("--dry-run", given->dry_run,
                 "say sizes, slabs, memory, disk and about how long it takes; write nothing (not with --try)")
      ->group(files);
  add_threads_option(*command, given->threads)->group(files);

  const std::string sharing = "Long runs and several machines";
  command
      ->add_option(
          "--part", given->part,
          "I/N: make the Ith of N shares of the slices, in any order and on any machines with the same -o; "
          "whoever finds all done finishes the volume. auto: I and N from mpirun, srun or a Slurm array. Not for "
          "turns at several heights")
      ->group(sharing);
  command
      ->add_flag("--resume", given->resume,
                 "go on with what a broken run left in VOLUME.partial, if it is there, and keep it there if stopped. "
                 "Without --resume and --part a stopped or failed run removes it, and a new run begins anew")
      ->group(sharing);
}

}  // namespace rayloom::tools
