#include "rayloom/reconstruct/turns.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/reconstruct/resample.h"

namespace rayloom {

namespace {

/// Of the part, heights that every view of some turn sees, and the least radius.
FieldOfView joined(std::span<const FieldOfView> fields, std::span<const Turn> turns) {
  std::vector<std::pair<double, double>> heights;
  FieldOfView all = fields.front();
  for (std::size_t t = 0; t < turns.size(); ++t) {
    all.radius_mm = std::min(all.radius_mm, fields[t].radius_mm);
    heights.emplace_back(fields[t].z_low_mm - turns[t].raised_mm, fields[t].z_high_mm - turns[t].raised_mm);
  }
  std::sort(heights.begin(), heights.end());
  all.z_low_mm = heights.front().first;
  all.z_high_mm = heights.front().second;
  for (const auto& [low, high] : heights) {
    if (low > all.z_high_mm)
      throw InvalidOption("part_raised_mm: no turn sees the part from z = " + to_text(all.z_high_mm, 5) + " to " +
                              to_text(low, 5) + " mm from all sides; turns must meet or overlap",
                          "raise the part by less from turn to turn");
    all.z_high_mm = std::max(all.z_high_mm, high);
  }
  return all;
}

Grid grid_for(const Turn& first, const FieldOfView& field, const GridRequest& request) {
  const Geometry ideal = ideal_geometry(first.geometry);
  if (ideal.detector.rows == 1)
    throw InvalidOption("part_raised_mm: the detector has one row; must have several for turns at several heights");
  if (request.slice_mm && !(*request.slice_mm >= field.z_low_mm && *request.slice_mm <= field.z_high_mm))
    throw InvalidOption("slice: " + to_text(*request.slice_mm) + " mm; must lie in the field of view, z from " +
                        to_text(field.z_low_mm, 5) + " to " + to_text(field.z_high_mm, 5) + " mm");
  GridRequest here = request;
  if (!here.centre_mm && !here.size) here.centre_mm = Vec3(0, 0, (field.z_low_mm + field.z_high_mm) / 2);
  // As one turn of a detector that is tall enough would choose it.
  Geometry tall = ideal;
  tall.detector.midplane_row = 0.5e6;
  tall.detector.rows = int(1e6);
  return choose_grid(tall, field, here);
}

}  // namespace

TurnsPlan plan_turns(std::span<const Turn> turns, const GridRequest& request) {
  if (turns.empty()) throw InvalidOption("turns: none; must be at least one");
  TurnsPlan plan;
  for (const Turn& turn : turns)
    plan.fields.push_back(
        field_of_view(ideal_geometry(turn.geometry), redundancy(turn.geometry, turn.options.coverage).coverage));
  plan.field = joined(plan.fields, turns);
  plan.grid = grid_for(turns.front(), plan.field, request);

  std::vector<char> counts(turns.size(), 0);
  for (int k = 0; k < plan.grid.nz; ++k) {
    const auto weights = turn_weights(plan.fields, turns, plan.grid.z_mm(k));
    for (std::size_t t = 0; t < turns.size(); ++t)
      counts[t] = counts[t] || weights[t] > 0;
  }
  std::vector<ReconstructOptions> options;
  std::vector<GridRequest> grids;
  const std::size_t budget = turns.front().options.memory_bytes.value_or(default_memory());
  std::size_t least = 0;
  for (const Turn& turn : turns) {
    Grid grid = plan.grid;
    grid.centre_mm.z() += turn.raised_mm;
    grids.push_back({grid.voxel_mm, std::array{grid.nx, grid.ny, grid.nz}, grid.centre_mm, {}});
    options.push_back(turn.options);
    options.back().reserved_bytes = turns.front().options.reserved_bytes;
    options.back().reserved_bytes_a_slice =
        std::size_t(plan.grid.nx) * std::size_t(plan.grid.ny) * sizeof(float);  // the blended one
    options.back().memory_bytes = std::numeric_limits<std::size_t>::max();
  }
  // What suffices must do so for all turns.
  for (std::size_t t = 0; t < turns.size(); ++t) {
    if (counts[t]) least = std::max(least, plan_reconstruction(turns[t].geometry, grids[t], options[t]).least_bytes);
    options[t].memory_bytes = budget;
  }
  require_memory(budget, least);
  for (std::size_t t = 0; t < turns.size(); ++t) {
    plan.turns.emplace_back();
    if (!counts[t]) continue;
    plan.turns.back() = plan_reconstruction(turns[t].geometry, grids[t], options[t]);
    const auto& slabs = plan.turns.back()->slabs;
    if (slabs.size() > plan.slabs.size()) plan.slabs = slabs;
    plan.memory_bytes = std::max(plan.memory_bytes, plan.turns.back()->memory_bytes);
  }
  return plan;
}

std::vector<double> turn_weights(std::span<const FieldOfView> fields, std::span<const Turn> turns, double z_mm) {
  std::vector<double> weights;
  double sum = 0, nearest = INFINITY;
  std::size_t alone = 0;
  for (std::size_t t = 0; t < turns.size(); ++t) {
    const double h = z_mm + turns[t].raised_mm, reach = h >= 0 ? fields[t].z_high_mm : -fields[t].z_low_mm;
    const double flat = reach > 0 ? std::max(1 - std::abs(h) / reach, 0.0) : 0;
    weights.push_back(std::pow(flat, 4));
    sum += weights.back();
    if (const double beyond = std::abs(h) - reach; beyond < nearest) {
      nearest = beyond;
      alone = t;
    }
  }
  if (sum > 0)
    for (double& weight : weights)
      weight /= sum;
  else
    weights[alone] = 1;
  return weights;
}

ReconstructedTurns reconstruct_turns(std::span<const Turn> turns, const TurnsPlan& plan, const SliceSink& sink,
                                     const Hooks& hooks) {
  const std::size_t pixels = std::size_t(plan.grid.nx) * std::size_t(plan.grid.ny);
  const double steps = double(plan.slabs.size() * turns.size());
  double step = 0;
  Hooks each = hooks;
  if (hooks.progress)
    each.progress = [&](const std::string& what, double fraction) { hooks.progress(what, (step + fraction) / steps); };
  ReconstructedTurns result;
  std::vector<float> blended;
  TurnHeights heights(plan.grid, turns.size());
  for (const SliceRange& slab : plan.slabs) {
    blended.assign(std::size_t(slab.count) * pixels, 0.0F);
    for (std::size_t t = 0; t < turns.size(); ++t, ++step) {
      if (!plan.turns[t]) continue;
      std::vector<float> weight(std::size_t(plan.grid.nz), 0.0F);
      std::vector<char> without(weight.size(), 1);
      for (int k = slab.first; k < slab.first + slab.count; ++k) {
        weight[std::size_t(k)] = float(turn_weights(plan.fields, turns, plan.grid.z_mm(k))[t]);
        without[std::size_t(k)] = weight[std::size_t(k)] == 0;
      }
      ReconstructPlan part = *plan.turns[t];
      part.slabs = {slab};
      part.leave_out(without);
      if (part.slabs.empty()) continue;
      const ReconstructTimes spent = reconstruct(
          turns[t].geometry, turns[t].source, part, turns[t].options,
          [&](int k, std::span<const float> slice) {
            if (weight[std::size_t(k)] < 1) heights.add(t, k, slice);  // another turn counts, too
            float* sum = &blended[std::size_t(k - slab.first) * pixels];
            const float w = weight[std::size_t(k)];
            for (std::size_t i = 0; i < pixels; ++i)
              sum[i] += w * slice[i];
          },
          each);
      result.times.prepare_s += spent.prepare_s;
      result.times.backproject_s += spent.backproject_s;
      result.times.write_s += spent.write_s;
      result.times.total_s += spent.total_s;
    }
    for (int k = 0; k < slab.count; ++k)
      sink(slab.first + k, std::span(blended).subspan(std::size_t(k) * pixels, pixels));
  }
  result.mismatches = heights.mismatches();
  return result;
}

}  // namespace rayloom
