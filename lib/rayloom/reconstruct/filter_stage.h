/// @file
/// From line integrals to a batch of filtered views: resampling, weights, ramp filter, and the layout that the kernels
/// read.
#pragma once
#include <vector>

#include "rayloom/reconstruct/backproject.h"
#include "rayloom/reconstruct/gridding.h"
#include "rayloom/reconstruct/reconstruct.h"
#include "rayloom/reconstruct/resample.h"

namespace rayloom {

class FilterStage {
 public:
  FilterStage(const Geometry& geometry, const Redundancy& redundancy, const FilterOptions& filter,
              const Beyond& beyond = {});

  /// The ideal detector: unturned, and for a displaced detector widened with empty columns to equal reach on both
  /// sides, so that the filtered rows' tails are there for every voxel.
  const Geometry& ideal() const { return ideal_; }

  /// Rows [first, last] of the stored views that lines [first_line, last_line] of a batch draw on.
  std::pair<int, int> stored_rows(const Grid& grid, int first_line, int last_line) const;

  /// Buffers that `fill` keeps from batch to batch.
  struct Scratch {
    struct Thread {
      RowFilter::Workspace work;
      std::vector<float> resampled, blended, weight, whole;
    };
    std::vector<float> cosine;  ///< Of a cone's rows with what lies beyond, rows x columns.
    AlignedVector<float> raw;   ///< capacity x (stored rows) x columns
    std::vector<Thread> threads;
  };

  /// Fills `batch` with views [first_view, +count).
  void fill(const ProjectionSource& source, const Grid& grid, int first_view, int count, ViewBatch& batch,
            Scratch& scratch, int threads) const;
  void fill(const ProjectionSource& source, const Grid& grid, int first_view, int count, SpectrumBatch& batch,
            Scratch& scratch, int threads) const;

  /// Of the transform of a row: samples, and bins of its spectrum.
  int length() const { return filter_->length(); }
  int bins() const { return filter_->bins(); }

  /// Rows [first_row, +row_count) of `view`, with cosine weights but without redundancy and angle step.
  std::vector<float> filtered_rows(const ProjectionSource& source, int view, int first_row, int row_count) const;

  /// Bytes that `fill` needs beside the batch.
  std::size_t scratch_bytes(int stored_rows, int threads) const;

 private:
  struct Block {
    int first_line, last_line, first_view, count, capacity;
  };
  /// Reads and weighs the lines of each view, up to RowFilter::batch at a time. @param run (workspace, lines) filters
  /// them, @param take (view of the block, first line, lines, workspace) puts them where they belong.
  template <class Run, class Take>
  void each_view(const ProjectionSource& source, const Grid& grid, const Block& block, Scratch& scratch, int threads,
                 const Run& run, const Take& take) const;
  /// Cosine weights of a cone's row and of what lies beyond.
  void row_cosine(int row, std::span<float> cosine) const;
  /// Places a weighted row, with what lies beyond, in the filter.
  void weigh(const float* row, const float* cosine, const std::vector<float>& column_weight,
             std::span<float> out) const;
  void read_ideal_rows(const float* stored, int stored_first, int stored_count, int first_row, int row_count,
                       std::vector<float>& scratch, const float*& rows) const;
  std::pair<int, int> ideal_rows(const Grid& grid, int first_line, int last_line) const;
  /// Of the slice in a part that moved up by `moved_mm`, counted from the lowest row.
  double up_of_slice(const Grid& grid, int k, double moved_mm) const;

  Geometry measured_, ideal_;
  const Redundancy& redundancy_;
  Beyond beyond_;
  int pad_left_ = 0;
  std::optional<Resampler> resampler_;
  std::optional<RowFilter> filter_;
  std::vector<float> column_cosine_;  // of fan and parallel beams, as `row_cosine`
  std::vector<float> wave_response_;  // of filtered parallel beams
};

}  // namespace rayloom
