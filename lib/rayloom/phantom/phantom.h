/// @file
/// Phantoms: lists of convex solids, later ones on top, with exact line integrals.
#pragma once
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rayloom/geometry/grid.h"

namespace rayloom {

/// One convex solid. In its own frame: an ellipsoid with `semi_axes_mm`; a box with full edge lengths `size_mm`; a
/// cylinder (radius, length), a cone (radius at -length/2, apex at +length/2) and a capsule (radius; length of the
/// straight part) about the own z axis, centred on `centre_mm`. Turned by Rz Ry Rx from solid to part.
struct Solid {
  enum class Shape { ellipsoid, cylinder, box, cone, capsule };
  enum class Mode {
    add,     ///< Adds to what is there (the published head phantoms).
    replace  ///< Takes its place (parts made of parts).
  };
  /// Keeps normal . x <= offset_mm, in the part frame.
  struct Clip {
    Vec3 normal;
    double offset_mm;
  };

  Shape shape = Shape::ellipsoid;
  Vec3 centre_mm = Vec3::Zero();
  Vec3 semi_axes_mm = Vec3::Zero();  ///< Ellipsoid.
  Vec3 size_mm = Vec3::Zero();       ///< Box.
  double radius_mm = 0, length_mm = 0;
  Vec3 rotation_rad = Vec3::Zero();  ///< rz, ry, rx.
  std::vector<Clip> clip;
  Mode mode = Mode::add;
  std::size_t substance = 0;  ///< Index into Phantom::substances.

  bool contains(const Vec3& point_mm) const;
  /// Volume and centroid of what the clipping planes leave. In closed form for every unclipped solid; for a box with
  /// any planes; for an ellipsoid with planes that are parallel once it is scaled to a ball (so with one plane); for a
  /// cylinder with planes that all hold one direction across its axis (so with one plane, or parallel ones). Otherwise
  /// sections of closed form are integrated along the own z axis, to about 1e-11 of the unclipped volume.
  /// @throws InvalidOption (centroid) if nothing is left.
  double volume_mm3() const;
  Vec3 centroid_mm() const;
};

/// What a solid is made of: a bare attenuation, or a material whose attenuation depends on the energy.
struct Substance {
  std::optional<double> value_per_mm;  ///< Given directly.
  std::string material;                ///< Otherwise a symbol or formula ("Al", "C5H8O2").
  double density_g_cm3 = 0;

  /// Linear attenuation in 1/mm; the energy is not used when the value is given directly.
  double attenuation_per_mm(double energy_kev) const;
};

class Phantom {
 public:
  std::string title, source;  ///< Where it comes from: a publication, or our own.
  double energy_kev = 0;      ///< Energy at which materials count unless another is asked for; 0 if none needed.
  std::vector<Substance> substances;
  std::vector<Solid> solids;  ///< In file order; later ones on top.

  /// Attenuation in 1/mm of every substance at `energy_kev` (default: the phantom's own).
  std::vector<double> attenuations(std::optional<double> energy_kev = {}) const;

  /// Attenuation at a point. @param attenuation_per_mm  One a substance.
  double value_at(const Vec3& point_mm, std::span<const double> attenuation_per_mm) const;

  /// Exact line integral along the whole line, without unit. Thread-safe.
  double line_integral(const Ray& ray, std::span<const double> attenuation_per_mm) const;

  /// Exact length in mm of every substance along the line. @param length_mm  One a substance, overwritten.
  void lengths(const Ray& ray, std::span<double> length_mm) const;

  /// Radius about the z axis, and lowest and highest z, that hold every solid (its bounding sphere or tighter).
  struct Extent {
    double radius_mm, z_low_mm, z_high_mm;
  };
  Extent extent() const;

  /// The same part, shifted.
  Phantom moved(const Vec3& by_mm) const;
};

/// Rays that at a distance s along `middle` stay within radius_mm + slope |s| of it.
struct Pencil {
  Ray middle;
  double radius_mm, slope;
};

/// A phantom made ready for many rays. Keeps a reference: the phantom must outlive it and stay as it is. Const methods
/// may be called from several threads at once, each with its own scratch.
class Tracer {
 public:
  /// Grows to what a ray needs and is used again, so that tracing does not allocate.
  struct Scratch {
    struct Hit {
      double from, to;
      std::size_t solid;
    };
    std::vector<std::size_t> solids;  ///< Those that are looked at, in file order.
    std::vector<Hit> hits;
    std::vector<double> cuts;
  };

  explicit Tracer(const Phantom& phantom);
  ~Tracer();
  Tracer(const Tracer&) = delete;
  Tracer& operator=(const Tracer&) = delete;

  /// For any rays.
  Scratch scratch() const;
  /// Until the next call only for rays of this pencil: solids that it misses are not looked at. Changes no result.
  void keep_to(const Pencil& pencil, Scratch& scratch) const;

  /// As the methods of Phantom with these names.
  double line_integral(const Ray& ray, std::span<const double> attenuation_per_mm, Scratch& scratch) const;
  void lengths(const Ray& ray, std::span<double> length_mm, Scratch& scratch) const;
  double value_at(const Vec3& point_mm, std::span<const double> attenuation_per_mm) const;

 private:
  template <class Piece>
  void sweep(const Ray& ray, Scratch& scratch, const Piece& piece) const;
  struct Solids;
  std::unique_ptr<Solids> solids_;
};

/// Reads a phantom file: { "rayloom_phantom": 1, "title", "source", "energy_kev", "solids": [ .. ] } with the solids as
/// documented in DEVELOPERS.md. @throws BadInput naming file, field, value and what must hold.
Phantom read_phantom(const std::filesystem::path& file);

/// Mean attenuation of each voxel of slice k over n x n x n midpoints, row-major nx x ny as Grid lays it out.
/// @param slice  nx ny values, overwritten. @throws InvalidOption if subsamples < 1.
void rasterise_slice(const Phantom& phantom, std::span<const double> attenuation_per_mm, const Grid& grid, int k,
                     int subsamples, std::span<float> slice);

/// Linear attenuation in 1/mm from xraylib's tables (total cross-section, with coherent scattering).
/// @param material  Element symbol, chemical formula, or a name from xraylib's compound list.
/// @throws InvalidOption for an unknown material or an energy outside 1 to 1000 keV.
double attenuation_per_mm(const std::string& material, double density_g_cm3, double energy_kev);

/// Density in g/cm3 that xraylib lists for an element symbol or a named compound.
/// @throws InvalidOption if it lists none, as for a chemical formula.
double listed_density_g_cm3(const std::string& material);

}  // namespace rayloom
