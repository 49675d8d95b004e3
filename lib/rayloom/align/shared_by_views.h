/// @file
/// What the pairs of rays or lines of all views differ by in common.
#pragma once
#include <Eigen/Core>
#include <cmath>
#include <cstddef>
#include <vector>

namespace rayloom {

/// Pairs of the same two pixels or lines, one of each view, make a cell. Rings and uneven gain repeat in it from view
/// to view; noise does not.
template <int N>
struct SharedByViews {
  std::vector<Eigen::Vector<double, N>> mean;  ///< By cell.
  std::size_t pairs = 0;
  double freedom = 0;  ///< Pairs that are left once each cell's mean is known.
  double kept = 1;     ///< Of the means' differences, what noise explains: the share that counts in least squares.
};

/// @param values_of  Of pair i: its difference, NaN if it is not compared, and what else is to be averaged.
template <int N, class CellOf, class ValuesOf>
SharedByViews<N> shared_by_views(std::size_t pairs, std::size_t cells, const CellOf& cell_of,
                                 const ValuesOf& values_of) {
  SharedByViews<N> shared;
  shared.mean.assign(cells, Eigen::Vector<double, N>::Zero());
  std::vector<int> count(cells, 0);
  for (std::size_t i = 0; i < pairs; ++i)
    if (const Eigen::Vector<double, N> values = values_of(i); !std::isnan(values[0])) {
      shared.mean[cell_of(i)] += values;
      ++count[cell_of(i)];
      ++shared.pairs;
    }
  for (std::size_t cell = 0; cell < cells; ++cell)
    if (count[cell] > 0) {
      shared.mean[cell] /= count[cell];
      shared.freedom += count[cell] - 1;
    }
  double about = 0, of_means = 0, expected = 0;
  for (std::size_t i = 0; i < pairs; ++i)
    if (const double difference = values_of(i)[0]; !std::isnan(difference))
      about += std::pow(difference - shared.mean[cell_of(i)][0], 2);
  const double noise = shared.freedom > 0 ? about / shared.freedom : 0;  // variance of one difference
  for (std::size_t cell = 0; cell < cells; ++cell)
    if (count[cell] > 1) {
      of_means += std::pow(shared.mean[cell][0], 2);
      expected += noise / count[cell];
    }
  if (of_means > expected) shared.kept = expected / of_means;
  return shared;
}

}  // namespace rayloom
