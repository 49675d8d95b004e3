/// @file
/// What `reconstruct` is given and reads, for it and for --try.
#pragma once
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "command.h"
#include "corrections.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/reconstruct/metal.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/volume/volume.h"

namespace rayloom::tools {

struct ReconstructArguments {
  std::string scan, output, size, centre, coverage = "auto", method = "auto", truncated = "continue", surround,
                                          filter = "ramp", format = "slices", type = "float32", range, memory, part;
  std::optional<double> voxel, slice;
  double cutoff = 1;
  int bin = 1, every = 1;
  std::optional<int> threads;
  std::vector<std::string> settings, tries;
  CorrectionArguments corrections;
  bool overwrite = false, resume = false, dry_run = false, use_what_is_there = false;
};

/// @throws InvalidOption naming the option, its value and what must hold, as all of these.
/// --centre and --slice count in the part's frame.
GridRequest grid_request(const ReconstructArguments& given, const Vec3& part_moved_mm);
ReconstructOptions options_from(const ReconstructArguments& given);
/// Without --range, uint16 has none yet.
VolumeCoding coding_from(const ReconstructArguments& given);

/// What the command holds beside the reconstruction.
std::size_t held_bytes(const Scan& scan, const Corrections& corrections, int bin, int threads);
/// Checksums of the scan file and of every group of images that it names. Of quick looks (--slice, --bin, --every) and
/// of parts they are over excerpts, since reading all bytes once more would take longer than the rest.
nlohmann::ordered_json fingerprints(const std::filesystem::path& scan_file, const Scan& scan,
                                    const ReconstructArguments& given, const Corrections& corrections);

/// What a volume's record says of how views of `geometry` became slices.
nlohmann::ordered_json reconstruction_record(const ReconstructArguments& given, const Geometry& geometry,
                                             const Redundancy& redundancy, const FieldOfView& field_in_part,
                                             Method method);
void warn_of_missing_arc(const Redundancy& redundancy, const Hooks& hooks);
/// Of samples without signal and of saturated ones.
void warn_of_samples(const PrepareCounts& counts, const Corrections& corrections, const Hooks& hooks);

/// Line integrals of a scan, reduced as asked, as the reconstruction reads them.
struct Input {
  std::shared_ptr<LineIntegrals> integrals;
  Geometry geometry;
  ProjectionSource source;
};

/// What is done about metal that a first reconstruction showed.
struct MetalHandling {
  std::shared_ptr<const Metal> metal;       ///< None: nothing.
  std::shared_ptr<const TwoMaterials> map;  ///< None: its shadows are replaced.
  bool replaces() const { return metal && !map; }
};

Input open_input(const Scan& scan, const Corrections& corrections, const MetalHandling& metal, int bin, int every_nth,
                 std::size_t memory_bytes, const Hooks& hooks);

/// --hardening fit.
Linearisation fitted_hardening(const Context& context, const Scan& scan, const ReconstructArguments& given,
                               const Corrections& corrections, std::size_t memory_bytes, const Hooks& hooks);

/// --metal and --replace-metal.
MetalHandling metal_handling(const Scan& scan, const ReconstructArguments& given, const Corrections& corrections,
                             const ReconstructOptions& options, const Hooks& hooks, std::size_t least_afterwards = 0);

}  // namespace rayloom::tools
