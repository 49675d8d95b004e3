/// @file
/// The one interface to the FFT library: batches of real transforms, planned once, run from any thread.
#pragma once
#include <complex>
#include <cstddef>
#include <memory>

#include "rayloom/aligned.h"

namespace rayloom {

/// Forward and inverse transforms of `batch` real rows of `length` samples in float32, unnormalised:
/// inverse(forward(x)) = length x. The same plan serves every call, so results do not depend on threads. Const methods
/// may be called from several threads at once, each with its own buffers, which must be AlignedVector (64-byte aligned)
/// and of full size.
class RealFft {
 public:
  /// @param length  Samples a row, even.  @param batch  Rows a call.
  RealFft(int length, int batch);
  ~RealFft();
  RealFft(const RealFft&) = delete;
  RealFft& operator=(const RealFft&) = delete;

  int length() const { return length_; }
  int batch() const { return batch_; }
  int bins() const { return length_ / 2 + 1; }
  std::size_t samples() const { return std::size_t(batch_) * std::size_t(length_); }
  std::size_t spectrum() const { return std::size_t(batch_) * std::size_t(bins()); }

  /// @param rows  batch x length, kept.  @param spectrum  batch x bins, overwritten.
  void forward(AlignedVector<float>& rows, AlignedVector<std::complex<float>>& spectrum) const;
  /// @param spectrum  batch x bins, destroyed.  @param rows  batch x length, overwritten.
  void inverse(AlignedVector<std::complex<float>>& spectrum, AlignedVector<float>& rows) const;

 private:
  struct Plans;
  int length_, batch_;
  std::unique_ptr<Plans> plans_;
};

/// Unnormalised inverse transforms along columns of a row-major array of complex float32. Thread-safe to run.
class ColumnFft {
 public:
  /// @param length  Rows.  @param columns  Neighbouring columns a call.  @param stride  Values from row to row.
  ColumnFft(int length, int columns, std::size_t stride);
  ~ColumnFft();
  ColumnFft(const ColumnFft&) = delete;
  ColumnFft& operator=(const ColumnFft&) = delete;

  /// In place. @param first  The first column's first value, 64-byte aligned; all columns' values must exist.
  void inverse(std::complex<float>* first) const;

 private:
  struct Plan;
  std::unique_ptr<Plan> plan_;
};

/// The least length >= `minimum` of the form 2^a {1, 3, 5} that is a multiple of 16, which transforms quickly.
int quick_fft_length(int minimum);

}  // namespace rayloom
