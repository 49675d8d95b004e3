#include "rayloom/simulate/faulty_detector.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/simulate/blur.h"

namespace rayloom {

void blur_and_scatter(const Faults& faults, const Geometry& geometry, std::span<float> view) {
  if (faults.focal_spot_mm == 0 && faults.blur_px == 0 && faults.scatter == 0) return;
  const Detector& size = geometry.detector;
  Image transmission(size.rows, size.columns);
  if (view.size() != transmission.samples.size())
    throw InvalidOption("view: " + std::to_string(view.size()) + " samples; must be one a pixel, " +
                        std::to_string(transmission.samples.size()));
  for (std::size_t i = 0; i < view.size(); ++i)
    transmission.samples[i] = float(std::exp(-double(view[i])) + faults.scatter);

  const double spot_mm = faults.focal_spot_mm * (geometry.magnification() - 1);
  const BlurKernel none = {1}, gaussian = gaussian_kernel(faults.blur_px);
  blur(transmission, box_kernel(spot_mm / size.column_pitch_mm),
       geometry.beam == Beam::cone ? box_kernel(spot_mm / size.row_pitch_mm) : none);
  blur(transmission, gaussian, gaussian);
  for (std::size_t i = 0; i < view.size(); ++i)
    view[i] = float(-std::log(double(transmission.samples[i])));
}

FaultyDetector::FaultyDetector(const RawDetector& detector, const Faults& faults, const Geometry& geometry)
    : detector_(detector),
      faults_(faults),
      rows_(geometry.detector.rows),
      columns_(geometry.detector.columns),
      views_(int(geometry.angles_rad.size())),
      pattern_(detector_pattern(detector, rows_, columns_)),
      truth_(draw_faults(detector, faults, geometry)) {
  gain_since_ = Image(rows_, columns_, 1);
  gain_moves_ = faults.gain_drift > 0;
  for (const DefectPixel& pixel : truth_.pixels) {
    const float value = float(pixel.value);
    if (pixel.kind == DefectClass::over_responding || pixel.kind == DefectClass::under_responding)
      pattern_.gain.at(pixel.row, pixel.column) *= value;
    else if (pixel.kind == DefectClass::noisy)
      pattern_.noise.at(pixel.row, pixel.column) = value;
    else if (pixel.kind == DefectClass::non_uniform) {
      gain_since_.at(pixel.row, pixel.column) = 1 + value;
      gain_moves_ = true;
    }
  }
  if (detector.lag == 0) return;
  for (const float gain : pattern_.gain.samples)
    signal_.push_back(gain * detector.open_counts);
}

void FaultyDetector::expose_at(double time, std::uint64_t exposure, std::span<const float> line_integrals,
                               std::span<float> counts, std::span<double> signal) const {
  const BeamState beam = beam_of(detector_, faults_, time, exposure);
  std::vector<float> through;  // line integrals with what the beam does
  if (beam.level != 1 || beam.slope_across != 0 || beam.slope_down != 0) {
    through.assign(line_integrals.begin(), line_integrals.end());
    through.resize(counts.size());
    const auto place = [](int i, int count) { return count > 1 ? 2.0 * i / (count - 1) - 1 : 0.0; };
    for (int r = 0; r < rows_; ++r)
      for (int c = 0; c < columns_; ++c) {
        const double shape = (1 + beam.slope_across * place(c, columns_)) * (1 + beam.slope_down * place(r, rows_));
        float& p = through[std::size_t(r) * std::size_t(columns_) + std::size_t(c)];
        p = float(double(p) - std::log(beam.level * std::max(shape, 0.01)));
      }
    line_integrals = through;
  }
  if (time > 0 && gain_moves_) {
    DetectorPattern now = pattern_;
    for (std::size_t i = 0; i < now.gain.samples.size(); ++i)
      now.gain.samples[i] *= gain_since_.samples[i] * std::max(1 + float(time) * truth_.gain_drift.samples[i], 0.01F);
    expose(detector_, now, line_integrals, exposure, counts, signal);
  } else {
    expose(detector_, pattern_, line_integrals, exposure, counts, signal);
  }
  override_dead(counts);
}

void FaultyDetector::override_dead(std::span<float> counts) const {
  for (const DefectPixel& pixel : truth_.pixels)
    if (pixel.kind == DefectClass::dead)
      counts[std::size_t(pixel.row) * std::size_t(columns_) + std::size_t(pixel.column)] =
          float(std::min(std::round(pixel.value), detector_.full_scale));
}

void FaultyDetector::dark(std::uint64_t exposure, std::span<float> counts) const {
  expose_dark(detector_, pattern_, exposure, counts);
  override_dead(counts);
}

void FaultyDetector::open(std::uint64_t exposure, std::span<float> counts) const {
  expose_at(0, exposure, {}, counts, {});
}

void FaultyDetector::open_after(std::uint64_t exposure, std::span<float> counts) const {
  expose_at(1, exposure, {}, counts, {});
}

void FaultyDetector::view(int index, std::span<const float> line_integrals, std::span<float> counts) {
  if (std::find(faults_.black.begin(), faults_.black.end(), index) != faults_.black.end()) {
    expose_dark(detector_, pattern_, std::uint64_t(index), counts, signal_);
    override_dead(counts);
    return;
  }
  expose_at((index + 0.5) / views_, std::uint64_t(index), line_integrals, counts, signal_);
  for (auto spike = std::lower_bound(truth_.spikes.begin(), truth_.spikes.end(), index,
                                     [](const FaultTruth::Spike&one, int view) { return one.view < view; });
       spike != truth_.spikes.end() && spike->view == index; ++spike) {
    float& count = counts[std::size_t(spike->row) * std::size_t(columns_) + std::size_t(spike->column)];
    count = float(std::min(count + spike->counts, detector_.full_scale));
  }
}

void FaultyDetector::return_view(std::uint64_t exposure, std::span<const float> line_integrals,
                                 std::span<float> counts) {
  expose_at(1, exposure, line_integrals, counts, signal_);
}

CorrectedExport::CorrectedExport(Image dark, const Image& open, std::span<const DefectPixel> pixels, double level)
    : dark_(std::move(dark)), factor_(dark_.rows, dark_.columns) {
  const int rows = dark_.rows, columns = dark_.columns;
  Image bad(rows, columns);
  for (const DefectPixel& pixel : pixels)
    if (pixel.kind != DefectClass::noisy && pixel.kind != DefectClass::non_uniform) bad.at(pixel.row, pixel.column) = 1;
  for (std::size_t i = 0; i < bad.samples.size(); ++i) {
    const float range = open.samples[i] - dark_.samples[i];
    if (range <= 0) bad.samples[i] = 1;
    factor_.samples[i] = range > 0 ? float(level) / range : 0;
  }
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c) {
      if (bad.at(r, c) == 0) continue;
      std::vector<std::size_t> good;
      const auto look = [&](int down, int across) {
        for (int y = r, x = c; y >= 0 && y < rows && x >= 0 && x < columns; y += down, x += across)
          if (bad.at(y, x) == 0) return good.push_back(std::size_t(y) * std::size_t(columns) + std::size_t(x));
      };
      // In its row; if that is dead, in its column; where dead lines cross, diagonally.
      for (const auto& [down, across] : {std::pair(0, 1), std::pair(1, 0), std::pair(1, 1)}) {
        if (!good.empty()) break;
        look(-down, -across);
        look(down, across);
      }
      if (!good.empty())
        mends_.push_back({std::size_t(r) * std::size_t(columns) + std::size_t(c), good.front(), good.back()});
    }
}

void CorrectedExport::apply(std::span<float> counts) const {
  for (std::size_t i = 0; i < counts.size(); ++i)
    counts[i] = (counts[i] - dark_.samples[i]) * factor_.samples[i];
  for (const auto& [pixel, first, second] : mends_)
    counts[pixel] = (counts[first] + counts[second]) / 2;
}

}  // namespace rayloom
