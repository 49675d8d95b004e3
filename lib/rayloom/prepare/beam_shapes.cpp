#include "rayloom/prepare/beam_shapes.h"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/scan/view_reader.h"

namespace rayloom {

namespace {

constexpr int most_blocks = 12;
constexpr double noise_limit = 3;

int block_start(int block, int blocks, int size) {
  return int(std::int64_t(size) * block / blocks);
}

/// Centre of a block in pixels.
float centre(int block, int blocks, int size) {
  return float(block_start(block, blocks, size) + block_start(block + 1, blocks, size) - 1) / 2;
}

/// Block means of (exposure - dark)/(open - dark), over their own mean.
SmoothImage relative(const Image& exposure, const MeanExposures& exposures, const std::vector<char>& bad) {
  SmoothImage result(exposure.rows, exposure.columns);
  std::vector<double> sum(std::size_t(result.blocks())), count(sum.size());
  double all = 0, pixels = 0;
  for (int r = 0; r < exposure.rows; ++r)
    for (int c = 0; c < exposure.columns; ++c) {
      const std::size_t p = std::size_t(r) * std::size_t(exposure.columns) + std::size_t(c);
      const float gain = exposures.open.mean.samples[p] - exposures.dark.mean.samples[p];
      if (bad[p] || !(gain > 0)) continue;
      const double value = (exposure.samples[p] - exposures.dark.mean.samples[p]) / gain;
      const auto block = std::size_t(result.block_of(r, c));
      sum[block] += value;
      count[block] += 1;
      all += value;
      pixels += 1;
    }
  const double level = pixels > 0 && all > 0 ? all / pixels : 1;
  for (std::size_t i = 0; i < sum.size(); ++i)
    result[int(i)] = float(count[i] > 0 ? sum[i] / count[i] / level : 1);
  return result;
}

}  // namespace

SmoothImage::SmoothImage(int rows, int columns)
    : rows_(rows),
      columns_(columns),
      down_(std::min(rows, most_blocks)),
      across_(std::min(columns, most_blocks)),
      values_(std::size_t(down_) * std::size_t(across_)) {}

int SmoothImage::block_of(int row, int column) const {
  // The block whose start is the last not after the pixel.
  const auto find = [](int position, int blocks, int size) {
    return int((std::int64_t(position + 1) * blocks - 1) / size);
  };
  return find(row, down_, rows_) * across_ + find(column, across_, columns_);
}

std::pair<float, float> SmoothImage::centre_of(int block) const {
  return {centre(block / across_, down_, rows_), centre(block % across_, across_, columns_)};
}

SmoothImage::Between SmoothImage::between(int position, int blocks, int size) {
  if (blocks == 1) return {0, 0, 0};
  int first = 0;
  while (first + 2 < blocks && centre(first + 1, blocks, size) <= float(position))
    ++first;
  const float a = centre(first, blocks, size), b = centre(first + 1, blocks, size);
  return {first, first + 1, (float(position) - a) / (b - a)};
}

float SmoothImage::at(int row, int column) const {
  const Between down = between(row, down_, rows_), across = between(column, across_, columns_);
  const auto line = [&](int block) {
    const float a = values_[std::size_t(block * across_ + across.first)],
                b = values_[std::size_t(block * across_ + across.second)];
    return a + across.share * (b - a);
  };
  const float a = line(down.first), b = line(down.second);
  return a + down.share * (b - a);
}

void SmoothImage::add_row(int row, float factor, std::span<float> out) const {
  const Between down = between(row, down_, rows_);
  std::vector<float> line(static_cast<std::size_t>(across_));
  for (int i = 0; i < across_; ++i) {
    const float a = values_[std::size_t(down.first * across_ + i)], b = values_[std::size_t(down.second * across_ + i)];
    line[std::size_t(i)] = factor * (a + down.share * (b - a));
  }
  if (across_ == 1) {
    for (float& value : out)
      value += line[0];
    return;
  }
  for (int i = 0; i + 1 < across_; ++i) {  // the columns that `between` gives to centres i and i + 1
    const float a = centre(i, across_, columns_), b = centre(i + 1, across_, columns_);
    const int begin = i == 0 ? 0 : int(std::ceil(a)), end = i + 2 == across_ ? columns_ : int(std::ceil(b));
    const float step = (line[std::size_t(i + 1)] - line[std::size_t(i)]) / (b - a);
    for (int c = begin; c < end; ++c)
      out[std::size_t(c)] += line[std::size_t(i)] + (float(c) - a) * step;
  }
}

BeamShapes beam_shapes(const Scan& scan, const MeanExposures& exposures, const std::vector<char>& bad, int most,
                       const Hooks& hooks) {
  std::vector<SmoothImage> images;
  const auto read = [&](const std::optional<Level>& level, const std::string& field, const MeanExposure& mean) {
    const auto* names = level ? std::get_if<ImageNames>(&*level) : nullptr;
    if (!names) return;
    int number = 0;
    for_each_exposure(scan, *names, field, [&](const Image& exposure) {
      if (!std::ranges::binary_search(mean.left_out, number++)) images.push_back(relative(exposure, exposures, bad));
    });
  };
  read(scan.images.open, "images.open", exposures.open);
  if (exposures.open_after) read(scan.images.open_after, "images.open_after", *exposures.open_after);
  const int n = int(images.size());
  if (n < most + 3)
    throw InvalidOption("open_shapes: " + std::to_string(most) + ", but there are " + std::to_string(n) +
                        " good open-beam images; must be 3 or more beyond the shapes");

  const int blocks = images.front().blocks();
  Eigen::MatrixXd flats(blocks, n);
  for (int k = 0; k < n; ++k)
    for (int i = 0; i < blocks; ++i)
      flats(i, k) = images[std::size_t(k)][i];
  flats.colwise() -= flats.rowwise().mean().eval();
  // The blocks' principal components are flats v/sqrt(l), with the eigenvectors v of the smaller matrix.
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(flats.transpose() * flats);
  const auto value = [&](int k) { return std::max(eigen.eigenvalues()[n - 1 - k], 0.0); };  // falling; the last is 0
  const double edge = std::pow(1 + std::sqrt(double(n - 1) / blocks), 2);
  BeamShapes result;
  for (int k = 0; k < most; ++k) {
    double rest = 0;
    for (int i = k + 1; i < n - 1; ++i)
      rest += value(i) / (n - 2 - k);
    if (!(value(k) > noise_limit * edge * rest) || value(k) < 1e-12) break;
    const Eigen::VectorXd shape = flats * eigen.eigenvectors().col(n - 1 - k) / std::sqrt(value(k));
    SmoothImage& image = result.shapes.emplace_back(images.front());
    for (int i = 0; i < blocks; ++i)
      image[i] = float(shape[i]);
    result.spread.push_back(std::sqrt(value(k) / (n - 1)));
  }
  if (result.count() < most)
    hooks.warn(scan.file.string() + ": images.open: " +
               (result.count() == 0 ? "no change of the beam's shape"
                                    : "only " + std::to_string(result.count()) + " changes of the beam's shape") +
               " can be told from noise; " + std::to_string(most) + " were asked for");
  return result;
}

}  // namespace rayloom
