#include "rayloom/align/matched_views.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>

#include "rayloom/geometry/views.h"
#include "rayloom/simulate/project_volume.h"

namespace rayloom {

namespace {

constexpr int least_cut_rows = 8;  // of which some may be left out
constexpr double in_part = 0.02;   // of the highest row's mean: an outermost row above it says that the part sticks out
constexpr double in_part_sideways = 0.1;  // of the highest column's mean, likewise for a view's outermost columns
constexpr int clusters = 24;              // of views, for the covariance

Geometry unturned(Geometry geometry) {
  geometry.detector.roll_rad = geometry.detector.tilt_rad = geometry.detector.slant_rad = 0;
  return geometry;
}

}  // namespace

MatchedViews::MatchedViews(ViewStack stack, double margin_mm, int threads) : stack_(std::move(stack)) {
  options_.method = Method::direct;
  options_.threads = threads;
  const Geometry& geometry = stack_.geometry;
  const FieldOfView field = field_of_view(unturned(geometry), automatic_coverage(geometry));
  voxel_mm_ = geometry.virtual_column_pitch_mm();
  choose_rows(field, margin_mm);
  grid_ = grid_of_rays(geometry, field.radius_mm, voxel_mm_, 0.5);
}

bool MatchedViews::cut_off() const {
  const int rows = stack_.geometry.detector.rows, last = stack_.geometry.detector.columns - 1;
  double at_edges = 0, highest = 0;
  for (int i = 0; i < views(); ++i)
    for (int c = 0; c <= last; ++c) {
      double sum = 0;
      for (int r = 0; r < rows; ++r)
        sum += double(stack_.view(i)[std::size_t(r) * columns() + std::size_t(c)]);
      highest = std::max(highest, sum);
      if (c == 0 || c == last) at_edges = std::max(at_edges, sum);
    }
  return at_edges > in_part_sideways * highest;
}

Eigen::VectorXf MatchedViews::left_over(const Geometry& changed, Compared as, int again) const {
  const ReconstructPlan plan = plan_reconstruction(changed, grid_, options_);
  Volume volume(plan.grid);
  Geometry cut = changed;  // to the rows compared
  cut.detector.rows = end_row_ - first_row_;
  cut.detector.midplane_row -= first_row_;
  const std::size_t view_size = std::size_t(changed.detector.rows) * columns();
  std::vector<float> rest = stack_.samples;
  Eigen::VectorXf result(Eigen::Index(std::size_t(views()) * compared()));
  for (int pass = 0;; ++pass) {
    reconstruct(changed, from_memory(changed, rest), plan, options_, [&](int k, std::span<const float> slice) {
      std::ranges::transform(slice, volume.slice(k), volume.slice(k).begin(), std::plus<float>());
    });
    const bool last = pass == again;
    const Geometry& seen = last ? cut : changed;
    const std::size_t first = last ? std::size_t(first_row_) * columns() : 0;
    std::vector<float> projected(last ? compared() : view_size);
    for (std::size_t i = 0; i < std::size_t(views()); ++i) {
      project_volume(volume, seen, seen.pose(i), projected);
      const float* measured = stack_.view(int(i)) + first;
      float* out = last ? &result[Eigen::Index(i * compared())] : &rest[i * view_size];
      const bool transmissions = last && as == Compared::transmissions;
      for (std::size_t p = 0; p < projected.size(); ++p)
        out[p] = transmissions ? std::exp(-projected[p]) - std::exp(-measured[p]) : measured[p] - projected[p];
    }
    if (last) return result;
  }
}

void MatchedViews::choose_rows(const FieldOfView& field, double margin_mm) {
  const Geometry& geometry = stack_.geometry;
  const int rows = geometry.detector.rows;
  first_row_ = 0;
  end_row_ = rows;
  if (rows < least_cut_rows) return;
  std::vector<double> mean(std::size_t(rows), 0.0);
  for (int i = 0; i < views(); ++i)
    for (std::size_t p = 0; p < std::size_t(rows) * columns(); ++p)
      mean[p / columns()] += double(stack_.view(i)[p]);
  const double part = in_part * *std::ranges::max_element(mean);
  const double middle = geometry.detector.midplane_row;
  // A row's rays stay below z at its height over the far end of the cylinder.
  const double reach = geometry.beam == Beam::cone ? (geometry.sod_mm + field.radius_mm) / geometry.sdd_mm : 1;
  const auto rows_to = [&](double z_mm) { return z_mm / (reach * geometry.detector.row_pitch_mm); };
  if (mean.front() > part) first_row_ = int(std::ceil(middle - rows_to(field.z_high_mm - margin_mm)));
  if (mean.back() > part) end_row_ = int(std::floor(middle - rows_to(field.z_low_mm + margin_mm))) + 1;
  first_row_ = std::clamp(first_row_, 0, rows / 2 - 1);
  end_row_ = std::clamp(end_row_, rows / 2 + 1, rows);
}

Eigen::MatrixXd clustered_covariance(const MatchedViews& views, const Eigen::MatrixXf& slopes,
                                     const Eigen::VectorXf& rest) {
  const Eigen::MatrixXd inverse = (slopes.transpose() * slopes).cast<double>().inverse();
  Eigen::MatrixXd scatter = Eigen::MatrixXd::Zero(slopes.cols(), slopes.cols());
  const auto size = Eigen::Index(views.compared());
  for (int cluster = 0; cluster < clusters; ++cluster) {
    const Eigen::Index first = cluster * views.views() / clusters, end = (cluster + 1) * views.views() / clusters;
    const Eigen::VectorXd score = (slopes.middleRows(first * size, (end - first) * size).transpose() *
                                   rest.segment(first * size, (end - first) * size))
                                      .cast<double>();
    scatter += score * score.transpose();
  }
  return inverse * scatter * inverse;
}

}  // namespace rayloom
