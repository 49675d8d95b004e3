#include "rayloom/scan/view_inventory.h"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <numeric>
#include <optional>

#include "rayloom/errors.h"

namespace rayloom {

namespace fs = std::filesystem;

namespace {

constexpr int trial_images = 8;  // as many or fewer may be any views of the scan

/// The number in the last run of digits, if there is one.
std::optional<long> number_in(const fs::path& file) {
  const std::string name = file.filename().string();
  std::size_t end = name.size();
  while (end > 0 && std::isdigit(static_cast<unsigned char>(name[end - 1])) == 0)
    --end;
  std::size_t begin = end;
  while (begin > 0 && std::isdigit(static_cast<unsigned char>(name[begin - 1])) != 0)
    --begin;
  long number = 0;
  const auto [next, error] = std::from_chars(name.data() + begin, name.data() + end, number);
  if (begin == end || error != std::errc()) return {};
  return number;
}

/// The view of each number, or nothing if the numbers do not rise or reach too far to be views.
std::vector<int> views_of(const std::vector<long>& numbers, int planned) {
  long stride = 0;
  for (std::size_t i = 1; i < numbers.size(); ++i) {
    if (numbers[i] <= numbers[i - 1]) return {};
    stride = std::gcd(stride, numbers[i] - numbers[i - 1]);
  }
  if (stride == 0 || (numbers.size() <= trial_images && numbers.back() <= planned)) stride = 1;
  const long first = numbers.front() / stride, last = numbers.back() / stride;
  const bool trial = numbers.size() <= trial_images && last < planned;
  const bool from_one = first == 1 || last == planned;
  long base = first;
  if (first == 0 || last == planned - 1 || (trial && first != 1) || (last < planned && !from_one))
    base = 0;  // also where views are lost at both ends: most count from 0
  else if (from_one)
    base = 1;
  // Numbers with far more holes than images count something else, such as time.
  if (last - base >= 2L * std::max(planned, int(numbers.size())) + trial_images) return {};
  std::vector<int> views;
  for (const long number : numbers)
    views.push_back(int(number / stride - base));
  return views;
}

}  // namespace

ViewInventory::ViewInventory(const Scan& scan)
    : planned_(int(scan.geometry.angles_rad.size())), sinograms_(scan.images.sinograms) {
  const std::string field = scan.file.string() + ": images.projections: ";
  const Detector& detector = scan.geometry.detector;
  const ImageNames& names = scan.images.projections;
  if (names.empty()) throw BadInput(field + "missing; must name the images of the views");
  const ImageStorage storage = projection_storage(scan);
  try {
    try {
      series_ = std::make_unique<ImageSeries>(scan.folder(), names, storage, Holes::allow);
    } catch (const BadInput& whole_series) {
      // One file may be the culprit.
      ImageNames readable;
      for (const auto& name : names)
        for (const auto& file : find_files(scan.folder(), name))
          try {
            const ImageSeries alone({}, {file.string()}, storage, Holes::allow);
            readable.push_back(file.string());
          } catch (const BadInput& problem) {
            unreadable_.push_back({file.string(), problem.what()});
          }
      if (unreadable_.empty() || readable.empty()) throw;
      series_ = std::make_unique<ImageSeries>(fs::path(), readable, storage, Holes::allow);
    }
  } catch (const BadInput& problem) {
    throw BadInput(field + problem.what(), problem.hint());
  }

  const bool fits = series_->columns() == detector.columns && (sinograms_ || series_->rows() == detector.rows);
  if (!fits)
    throw BadInput(field + std::to_string(series_->columns()) + " x " + std::to_string(series_->rows()) +
                   " pixels upright; must be detector.columns x detector.rows, " + std::to_string(detector.columns) +
                   " x " + std::to_string(detector.rows));
  if (sinograms_ && series_->count() != std::size_t(detector.rows))
    throw BadInput(field + std::to_string(series_->count()) + " sinograms; must be one a detector row, " +
                   std::to_string(detector.rows));

  views_.resize(sinograms_ ? std::size_t(series_->rows()) : series_->count());
  std::iota(views_.begin(), views_.end(), 0);
  const bool listed = !scan.views.angles_deg.empty() || !scan.views.angles_file.empty();
  if (sinograms_ || (listed && images() == planned_)) return;
  const std::vector<fs::path> files = series_->files();
  if (files.size() != series_->count()) return;
  std::vector<long> numbers;
  for (const auto& file : files)
    if (const auto number = number_in(file)) numbers.push_back(*number);
  if (numbers.size() != files.size()) return;
  if (auto views = views_of(numbers, planned_); !views.empty()) {
    views_ = std::move(views);
    numbered_ = true;
  }
}

void ViewInventory::read(int first, int count, std::span<float> samples) const {
  const std::size_t columns = std::size_t(series_->columns());
  if (!sinograms_) {
    const std::size_t pixels = columns * std::size_t(series_->rows());
    for (int i = 0; i < count; ++i)
      series_->read_rows(std::size_t(first + i), 0, series_->rows(), samples.subspan(std::size_t(i) * pixels, pixels));
    return;
  }
  const std::size_t rows = series_->count();
  std::vector<float> sinogram(std::size_t(count) * columns);
  for (std::size_t row = 0; row < rows; ++row) {
    series_->read_rows(row, first, count, sinogram);
    for (std::size_t i = 0; i < std::size_t(count); ++i)
      std::copy_n(&sinogram[i * columns], columns, &samples[(i * rows + row) * columns]);
  }
}

void ViewInventory::expect(int first, int count) const {
  if (sinograms_) return;  // all of them are being read
  for (int i = first; i < std::min(first + count, images()); ++i)
    series_->expect(std::size_t(i));
}

std::string ViewInventory::name_of(int image) const {
  return sinograms_ ? "view " + std::to_string(image) : series_->name_of(std::size_t(image));
}

}  // namespace rayloom
