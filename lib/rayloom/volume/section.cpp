#include "rayloom/volume/section.h"

#include <algorithm>
#include <cmath>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

/// The layers on either side of a place, and how far it lies from the first to the second.
struct Layers {
  int first, second;
  double fraction;

  /// @param index  Fractional layer, may lie up to half a layer outside.
  Layers(double index, int count) {
    const double inside = std::clamp(index, 0.0, double(count - 1));
    first = std::min(int(inside), std::max(count - 2, 0));
    second = std::min(first + 1, count - 1);
    fraction = inside - first;
  }
  float mix(float a, float b) const { return float(double(a) + fraction * (double(b) - double(a))); }
};

Image section_xy(const StoredVolume& volume, const Layers& layers) {
  const Grid& g = volume.grid();
  Image image(g.ny, g.nx), next(g.ny, g.nx);
  volume.read_slice(layers.first, image.samples);
  volume.read_slice(layers.second, next.samples);
  for (std::size_t i = 0; i < image.samples.size(); ++i)
    image.samples[i] = layers.mix(image.samples[i], next.samples[i]);
  return image;
}

Image section_xz(const StoredVolume& volume, const Layers& layers) {
  const Grid& g = volume.grid();
  Image image(g.nz, g.nx);
  const int rows = layers.second - layers.first + 1;
  Image band(rows, g.nx);
  for (int k = 0; k < g.nz; ++k) {
    volume.read_rows(k, layers.first, rows, band.samples);
    for (int i = 0; i < g.nx; ++i)
      image.at(g.nz - 1 - k, i) = layers.mix(band.at(0, i), band.at(rows - 1, i));
  }
  return image;
}

Image section_yz(const StoredVolume& volume, const Layers& layers) {
  const Grid& g = volume.grid();
  Image image(g.nz, g.ny), slice(g.ny, g.nx);
  for (int k = 0; k < g.nz; ++k) {
    volume.read_slice(k, slice.samples);
    for (int j = 0; j < g.ny; ++j)
      image.at(g.nz - 1 - k, g.ny - 1 - j) = layers.mix(slice.at(j, layers.first), slice.at(j, layers.second));
  }
  return image;
}

}  // namespace

std::string to_string(Plane plane) {
  return plane == Plane::xy ? "xy" : plane == Plane::xz ? "xz" : "yz";
}

PlaneAxes axes_of(Plane plane) {
  switch (plane) {
    case Plane::xy:
      return {'z', 'x', 'y'};
    case Plane::xz:
      return {'y', 'x', 'z'};
    case Plane::yz:
      break;
  }
  return {'x', 'y', 'z'};
}

Image section(const StoredVolume& volume, Plane plane, double at_mm) {
  const Grid& g = volume.grid();
  const char across = axes_of(plane).across;
  const int count = across == 'z' ? g.nz : across == 'y' ? g.ny : g.nx;
  const double centre = across == 'z' ? g.centre_mm.z() : across == 'y' ? g.centre_mm.y() : g.centre_mm.x();
  const double half = count * g.voxel_mm / 2;
  if (!(std::abs(at_mm - centre) <= half * (1 + 1e-9)))
    throw InvalidOption(std::string(1, across) + " = " + to_text(at_mm) + " mm: outside the volume; must be from " +
                        to_text(centre - half) + " to " + to_text(centre + half) + " mm");
  switch (plane) {
    case Plane::xy:
      return section_xy(volume, Layers(g.slice_of(at_mm), count));
    case Plane::xz:
      return section_xz(volume, Layers(g.row_of(at_mm), count));
    case Plane::yz:
      break;
  }
  return section_yz(volume, Layers(g.column_of(at_mm), count));
}

}  // namespace rayloom
