/// @file
/// The ramp filter: band-limited spatial kernels, apodisation windows, and filtering of detector rows.
#pragma once
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rayloom/fft.h"

namespace rayloom {

/// Apodisation of the ramp |f|, f_c the cut-off (cutoff_fraction x Nyquist). All vanish beyond f_c.
enum class Window {
  none,         ///< No filter at all: plain back-projection, for learning.
  ramp,         ///< 1
  shepp_logan,  ///< sinc(f / 2 f_c), Shepp & Logan 1974
  hann,         ///< 0.5 + 0.5 cos(pi f / f_c)
  hamming,      ///< 0.54 + 0.46 cos(pi f / f_c)
  cosine        ///< cos(pi f / 2 f_c)
};

struct FilterOptions {
  Window window = Window::ramp;
  double cutoff_fraction = 1;  ///< Of Nyquist, in (0, 1].

  /// @throws InvalidOption naming the option, its value and what must hold.
  void validate() const;
};

std::string to_string(Window window);
/// @throws InvalidOption listing the names.
Window window_from(const std::string& name);

/// Samples h(n pitch), |n| <= half_width, of the apodised ramp, so that pitch (h conv p) is the filtered projection:
/// the inverse Fourier transform of |f| window(f) on [-f_c, f_c], in closed form. For the plain ramp (t = pitch):
///
///     h(0) = 1/(4 t^2);  h(n t) = 0, n even;  h(n t) = -1/(n pi t)^2, n odd
///
/// Sampling |f| directly instead would zero the DC bin and dish the image.
/// @param half_width  Samples on each side of zero.
/// @param pitch       Sample spacing in mm (or rad), > 0.
/// @return 2 half_width + 1 values in 1/pitch^2, even; index half_width is n = 0.
/// @throws InvalidOption for Window::none, half_width < 0, pitch <= 0 or a cut-off outside (0, 1].
/// @par Source  Kak & Slaney 1988, ch. 3; Ramachandran & Lakshminarayanan 1971; Shepp & Logan 1974.
std::vector<double> ramp_kernel(const FilterOptions& options, int half_width, double pitch);

/// Turns a kernel in angle into that for equally spaced angles about the source: h(n a) (n a / sin(n a))^2.
/// @par Source  Kak & Slaney 1988, ch. 3, equiangular rays (their factor 1/2 is left to the view weights).
void make_equiangular(std::span<double> kernel, double pitch_rad);

/// Convolves detector rows with a kernel by FFT: exact linear convolution, padded to at least twice the width.
/// Values one column before and after the row come out too: the row's own tail, for the half pixel between the
/// outermost centres and the detector's edges.
class RowFilter {
 public:
  /// @param columns  Width of the rows.
  /// @param step     Sample spacing; @param kernel as `ramp_kernel` gives it with half_width = columns + beyond; empty:
  ///                 rows pass unfiltered, the outermost columns repeated.
  /// @param beyond   Further columns on each side that go in but do not come out.
  RowFilter(int columns, double step, std::span<const double> kernel, int beyond = 0);

  static constexpr int batch = 16;  ///< Rows a transform; fixed, so that results do not depend on how rows are grouped.
  int columns_in() const { return columns_ + 2 * beyond_; }
  int columns_out() const { return columns_ + 2; }

  /// Buffers of one thread.
  struct Workspace {
    AlignedVector<float> rows;
    AlignedVector<std::complex<float>> spectrum;
  };
  Workspace workspace() const;
  static std::size_t workspace_bytes(int columns, int beyond = 0);

  /// Filters up to `batch` rows: the caller fills row r with `row_in(work, r)` (its index 0 is column -beyond), then
  /// reads `row_out(work, r)`.
  std::span<float> row_in(Workspace& work, int r) const;
  /// columns_out() values; index 0 is column -1.
  std::span<const float> row_out(const Workspace& work, int r) const;
  void run(Workspace& work, int rows) const;
  /// Stops before the way back from frequencies: then the filtered row is Re sum_m c_m S_m exp(2 pi i m (c + 1 +
  /// beyond)/ length) at column c, c_m = 1 for the first and the last bin and 2 between. Not for unfiltered rows.
  void run_to_spectrum(Workspace& work, int rows) const;
  std::span<const std::complex<float>> spectrum_out(const Workspace& work, int r) const;
  int length() const { return length_; }
  int bins() const { return length_ / 2 + 1; }

 private:
  void pad(Workspace& work, int rows) const;

  int columns_, beyond_, length_;
  std::optional<RealFft> fft_;
  std::vector<float> response_;  // step / length times the transform of the kernel, real because it is even
};

}  // namespace rayloom
