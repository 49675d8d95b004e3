#include "rayloom/phantom/phantom.h"

#include <xraylib.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"
#include "rayloom/phantom/solid_moments.h"

namespace rayloom {

namespace {

struct Interval {
  double from = -std::numeric_limits<double>::infinity(), to = std::numeric_limits<double>::infinity();
  bool empty() const { return !(from < to); }
  void cut(double a, double b) {
    from = std::max(from, a);
    to = std::min(to, b);
  }
};

Eigen::Matrix3d turn_of(const Solid& solid) {
  return (Eigen::AngleAxisd(solid.rotation_rad.x(), Vec3::UnitZ()) *
          Eigen::AngleAxisd(solid.rotation_rad.y(), Vec3::UnitY()) *
          Eigen::AngleAxisd(solid.rotation_rad.z(), Vec3::UnitX()))
      .toRotationMatrix();
}

/// Keeps n . (o + s d) <= limit.
void cut_half_space(Interval& span, double along, double at_origin, double limit) {
  if (along > 0)
    span.cut(-std::numeric_limits<double>::infinity(), (limit - at_origin) / along);
  else if (along < 0)
    span.cut((limit - at_origin) / along, std::numeric_limits<double>::infinity());
  else if (at_origin > limit)
    span.to = span.from;
}

/// Keeps a s^2 + 2 b s + c <= 0, a >= 0.
void cut_quadric(Interval& span, double a, double b, double c) {
  if (a <= 0) {
    if (c > 0) span.to = span.from;
    return;
  }
  const double root = b * b - a * c;
  if (root <= 0) {
    span.to = span.from;
    return;
  }
  span.cut((-b - std::sqrt(root)) / a, (-b + std::sqrt(root)) / a);
}

void cut_cylinder(Interval& span, const Vec3& o, const Vec3& d, double a, double b, double half_length) {
  cut_half_space(span, d.z(), o.z(), half_length);
  cut_half_space(span, -d.z(), -o.z(), half_length);
  const double ox = o.x() / a, oy = o.y() / b, dx = d.x() / a, dy = d.y() / b;
  cut_quadric(span, dx * dx + dy * dy, ox * dx + oy * dy, ox * ox + oy * oy - 1);
}

void cut_ball(Interval& span, const Vec3& o, const Vec3& d, double radius) {
  cut_quadric(span, d.squaredNorm(), o.dot(d), o.squaredNorm() - radius * radius);
}

/// Where the line o + s d, in the solid's frame, lies within the unclipped solid. All shapes are convex: one interval.
Interval own_interval(const Solid& solid, const Vec3& o, const Vec3& d) {
  Interval span;
  const double half = solid.length_mm / 2;
  switch (solid.shape) {
    case Solid::Shape::ellipsoid:
      cut_ball(span, o.cwiseQuotient(solid.semi_axes_mm), d.cwiseQuotient(solid.semi_axes_mm), 1);
      break;
    case Solid::Shape::box:
      for (int axis = 0; axis < 3; ++axis) {
        cut_half_space(span, d[axis], o[axis], solid.size_mm[axis] / 2);
        cut_half_space(span, -d[axis], -o[axis], solid.size_mm[axis] / 2);
      }
      break;
    case Solid::Shape::cylinder:
      cut_cylinder(span, o, d, solid.semi_axes_mm.x(), solid.semi_axes_mm.y(), half);
      break;
    case Solid::Shape::cone: {
      // x^2 + y^2 <= k^2 (half - z)^2 between the base and the apex; the second nappe is cut off by the slab.
      Interval slab;
      cut_half_space(slab, d.z(), o.z(), half);
      cut_half_space(slab, -d.z(), -o.z(), half);
      const double k = solid.radius_mm / solid.length_mm, w = half - o.z();
      const double a = d.x() * d.x() + d.y() * d.y() - k * k * d.z() * d.z();
      const double b = o.x() * d.x() + o.y() * d.y() + k * k * w * d.z();
      const double c = o.x() * o.x() + o.y() * o.y() - k * k * w * w;
      const double root = b * b - a * c;
      if (std::abs(a) < 1e-14) {  // parallel to the surface: 2 b s + c <= 0
        cut_half_space(slab, 2 * b, c, 0);
      } else if (root <= 0) {
        if (a > 0) slab.to = slab.from;
      } else if (a > 0) {
        slab.cut((-b - std::sqrt(root)) / a, (-b + std::sqrt(root)) / a);
      } else {
        // Inside before the first or after the second root; one of these lies in the nappe below the apex.
        const double s1 = (-b + std::sqrt(root)) / a, s2 = (-b - std::sqrt(root)) / a;
        if (d.z() > 0)
          slab.to = std::min(slab.to, s1);
        else
          slab.from = std::max(slab.from, s2);
      }
      span = slab;
      break;
    }
    case Solid::Shape::capsule: {
      // A union of two balls and a cylinder that is convex, so the hull of their intervals.
      Interval parts[3];
      cut_cylinder(parts[0], o, d, solid.radius_mm, solid.radius_mm, half);
      cut_ball(parts[1], o - Vec3(0, 0, half), d, solid.radius_mm);
      cut_ball(parts[2], o + Vec3(0, 0, half), d, solid.radius_mm);
      span = {1, 0};
      for (const Interval& part : parts)
        if (!part.empty())
          span = span.empty() ? part : Interval{std::min(span.from, part.from), std::max(span.to, part.to)};
      break;
    }
  }
  return span;
}

constexpr double square(double x) {
  return x * x;
}

/// Radius of a sphere about the solid's centre that holds it.
double bounding_radius(const Solid& solid) {
  switch (solid.shape) {
    case Solid::Shape::ellipsoid:
      return solid.semi_axes_mm.maxCoeff();
    case Solid::Shape::box:
      return solid.size_mm.norm() / 2;
    case Solid::Shape::capsule:
      return solid.length_mm / 2 + solid.radius_mm;
    case Solid::Shape::cylinder:
      return std::sqrt(square(solid.semi_axes_mm.maxCoeff()) + square(solid.length_mm / 2));
    case Solid::Shape::cone:
      break;
  }
  return std::sqrt(square(solid.radius_mm) + square(solid.length_mm / 2));
}

/// A solid made ready for many rays: its turn as a matrix, and a ball that holds it (widened against rounding).
struct Prepared {
  const Solid* solid;
  Eigen::Matrix3d back;  // from part to solid
  bool turned;
  double reach, reach2;

  explicit Prepared(const Solid& s)
      : solid(&s),
        back(turn_of(s).transpose()),
        turned(!s.rotation_rad.isZero(0)),
        reach(bounding_radius(s) * (1 + 1e-9)),
        reach2(square(reach)) {}

  /// Where the ray lies inside, empty if nowhere.
  Interval interval(const Ray& ray) const {
    const Vec3 from_centre = ray.origin - solid->centre_mm;
    // Most solids are small and missed by most rays: their ball says so at once.
    if (from_centre.cross(ray.direction).squaredNorm() > reach2) return {1, 0};
    Interval span = turned ? own_interval(*solid, back * from_centre, back * ray.direction)
                           : own_interval(*solid, from_centre, ray.direction);
    for (const auto& clip : solid->clip)
      cut_half_space(span, clip.normal.dot(ray.direction), clip.normal.dot(ray.origin), clip.offset_mm);
    return span;
  }

  bool may_meet(const Pencil& pencil) const {
    const Vec3 to_centre = solid->centre_mm - pencil.middle.origin;
    const double along = std::abs(to_centre.dot(pencil.middle.direction)) + reach;
    return to_centre.cross(pencil.middle.direction).norm() <= reach + pencil.radius_mm + pencil.slope * along;
  }

  bool contains(const Vec3& point) const {
    if ((point - solid->centre_mm).squaredNorm() > reach2) return false;
    const Interval span = interval({point, Vec3::UnitZ()});
    return span.from <= 0 && 0 <= span.to && !span.empty();
  }
};

Vec3 vector_from(const std::vector<double>& v) {
  return {v[0], v[1], v[2]};
}

Solid read_solid(const JsonFields& entry, Phantom& phantom) {
  entry.allow_only({"shape", "centre_mm", "semi_axes_mm", "radius_mm", "length_mm", "size_mm", "rotation_deg", "clip",
                    "value_per_mm", "material", "density_g_cm3", "mode", "name"});
  Solid solid;
  const std::string shape = entry.text("shape");
  const auto positive_list = [&](const char* key, std::size_t n) {
    auto list = entry.numbers(key, n);
    for (const double value : list)
      if (!(value > 0)) entry.fail(key, "must be " + std::to_string(n) + " numbers above 0");
    return list;
  };
  if (shape == "ellipsoid") {
    solid.shape = Solid::Shape::ellipsoid;
    solid.semi_axes_mm = vector_from(positive_list("semi_axes_mm", 3));
  } else if (shape == "box") {
    solid.shape = Solid::Shape::box;
    solid.size_mm = vector_from(positive_list("size_mm", 3));
  } else if (shape == "cylinder") {
    solid.shape = Solid::Shape::cylinder;
    solid.length_mm = entry.positive("length_mm");
    if (entry.has("semi_axes_mm")) {  // an elliptical cylinder
      const auto axes = positive_list("semi_axes_mm", 2);
      solid.semi_axes_mm = {axes[0], axes[1], 0};
    } else {
      solid.radius_mm = entry.positive("radius_mm");
      solid.semi_axes_mm = {solid.radius_mm, solid.radius_mm, 0};
    }
  } else if (shape == "cone" || shape == "capsule") {
    solid.shape = shape == "cone" ? Solid::Shape::cone : Solid::Shape::capsule;
    solid.radius_mm = entry.positive("radius_mm");
    solid.length_mm = entry.positive("length_mm");
  } else {
    entry.fail("shape", "must be ellipsoid, cylinder, box, cone or capsule");
  }
  if (entry.has("centre_mm")) solid.centre_mm = vector_from(entry.numbers("centre_mm", 3));
  if (entry.has("rotation_deg")) solid.rotation_rad = vector_from(entry.numbers("rotation_deg", 3)) * (pi / 180);
  if (entry.has("clip"))
    for (const JsonFields& plane : entry.objects("clip")) {
      plane.allow_only({"normal", "offset_mm"});
      const Vec3 normal = vector_from(plane.numbers("normal", 3));
      if (!(normal.norm() > 0)) plane.fail("normal", "must not be zero");
      solid.clip.push_back({normal, plane.number("offset_mm")});
    }
  const std::string mode = entry.text_or("mode", "add");
  if (mode != "add" && mode != "replace") entry.fail("mode", "must be add or replace");
  solid.mode = mode == "add" ? Solid::Mode::add : Solid::Mode::replace;

  Substance substance;
  if (entry.has("value_per_mm") == entry.has("material"))
    entry.fail("material", "a solid must have either value_per_mm or material");
  if (entry.has("value_per_mm")) {
    substance.value_per_mm = entry.number("value_per_mm");
  } else {
    substance.material = entry.text("material");
    substance.density_g_cm3 = entry.positive("density_g_cm3");
    try {
      attenuation_per_mm(substance.material, substance.density_g_cm3, 100);
    } catch (const InvalidOption&) {
      entry.fail("material", "must be an element symbol, a chemical formula or a compound that xraylib knows");
    }
  }
  const auto same = std::find_if(phantom.substances.begin(), phantom.substances.end(), [&](const Substance& s) {
    return s.value_per_mm == substance.value_per_mm && s.material == substance.material &&
           s.density_g_cm3 == substance.density_g_cm3;
  });
  solid.substance = std::size_t(same - phantom.substances.begin());
  if (same == phantom.substances.end()) phantom.substances.push_back(substance);
  return solid;
}

}  // namespace

bool Solid::contains(const Vec3& point_mm) const {
  return Prepared(*this).contains(point_mm);
}

double Solid::volume_mm3() const {
  return moments_of(*this, turn_of(*this)).volume_mm3;
}

Vec3 Solid::centroid_mm() const {
  const Eigen::Matrix3d turn = turn_of(*this);
  const SolidMoments moments = moments_of(*this, turn);
  if (!(moments.volume_mm3 > 0)) throw InvalidOption("clip: nothing of the solid is left; a centroid needs a volume");
  return centre_mm + turn * (moments.first_mm4 / moments.volume_mm3);
}

double Substance::attenuation_per_mm(double energy_kev) const {
  return value_per_mm ? *value_per_mm : rayloom::attenuation_per_mm(material, density_g_cm3, energy_kev);
}

std::vector<double> Phantom::attenuations(std::optional<double> energy) const {
  std::vector<double> values;
  for (const Substance& substance : substances)
    values.push_back(substance.attenuation_per_mm(energy.value_or(energy_kev)));
  return values;
}

struct Tracer::Solids {
  std::vector<Prepared> list;
  bool only_add = true;
};

Tracer::Tracer(const Phantom& phantom) : solids_(std::make_unique<Solids>()) {
  for (const Solid& solid : phantom.solids) {
    solids_->list.emplace_back(solid);
    solids_->only_add = solids_->only_add && solid.mode == Solid::Mode::add;
  }
}

Tracer::~Tracer() = default;

Tracer::Scratch Tracer::scratch() const {
  Scratch all;
  all.solids.resize(solids_->list.size());
  std::iota(all.solids.begin(), all.solids.end(), std::size_t{0});
  return all;
}

void Tracer::keep_to(const Pencil& pencil, Scratch& scratch) const {
  scratch.solids.clear();
  for (std::size_t i = 0; i < solids_->list.size(); ++i)
    if (solids_->list[i].may_meet(pencil)) scratch.solids.push_back(i);
}

template <class Piece>
void Tracer::sweep(const Ray& ray, Scratch& scratch, const Piece& piece) const {
  auto& [solids, hits, cuts] = scratch;
  hits.clear();
  cuts.clear();
  for (const std::size_t i : solids)
    if (const Interval span = solids_->list[i].interval(ray); !span.empty()) {
      hits.push_back({span.from, span.to, i});
      cuts.push_back(span.from);
      cuts.push_back(span.to);
    }
  if (solids_->only_add) {  // every solid counts over its whole length
    for (const auto& hit : hits)
      piece(hit.to - hit.from, solids_->list[hit.solid].solid->substance);
    return;
  }
  std::sort(cuts.begin(), cuts.end());
  for (std::size_t c = 0; c + 1 < cuts.size(); ++c) {
    if (!(cuts[c] < cuts[c + 1])) continue;
    const double middle = (cuts[c] + cuts[c + 1]) / 2, length = cuts[c + 1] - cuts[c];
    // From the topmost solid downwards until one takes the place of what is below it.
    for (std::size_t i = hits.size(); i-- > 0;) {
      if (!(hits[i].from <= middle && middle < hits[i].to)) continue;
      const Solid& solid = *solids_->list[hits[i].solid].solid;
      piece(length, solid.substance);
      if (solid.mode == Solid::Mode::replace) break;
    }
  }
}

double Tracer::line_integral(const Ray& ray, std::span<const double> attenuation, Scratch& scratch) const {
  double sum = 0;
  sweep(ray, scratch, [&](double length, std::size_t substance) { sum += length * attenuation[substance]; });
  return sum;
}

void Tracer::lengths(const Ray& ray, std::span<double> length_mm, Scratch& scratch) const {
  std::fill(length_mm.begin(), length_mm.end(), 0.0);
  sweep(ray, scratch, [&](double length, std::size_t substance) { length_mm[substance] += length; });
}

double Tracer::value_at(const Vec3& point_mm, std::span<const double> attenuation) const {
  double value = 0;
  for (std::size_t i = solids_->list.size(); i-- > 0;) {
    const Prepared& prepared = solids_->list[i];
    if (!prepared.contains(point_mm)) continue;
    value += attenuation[prepared.solid->substance];
    if (prepared.solid->mode == Solid::Mode::replace) break;
  }
  return value;
}

double Phantom::value_at(const Vec3& point_mm, std::span<const double> attenuation) const {
  return Tracer(*this).value_at(point_mm, attenuation);
}

double Phantom::line_integral(const Ray& ray, std::span<const double> attenuation) const {
  const Tracer tracer(*this);
  Tracer::Scratch scratch = tracer.scratch();
  return tracer.line_integral(ray, attenuation, scratch);
}

void Phantom::lengths(const Ray& ray, std::span<double> length_mm) const {
  const Tracer tracer(*this);
  Tracer::Scratch scratch = tracer.scratch();
  tracer.lengths(ray, length_mm, scratch);
}

Phantom::Extent Phantom::extent() const {
  Extent extent{0, 0, 0};
  bool first = true;
  for (const Solid& solid : solids) {
    const double reach = bounding_radius(solid);
    const double low = solid.centre_mm.z() - reach, high = solid.centre_mm.z() + reach;
    extent.radius_mm = std::max(extent.radius_mm, solid.centre_mm.head<2>().norm() + reach);
    extent.z_low_mm = first ? low : std::min(extent.z_low_mm, low);
    extent.z_high_mm = first ? high : std::max(extent.z_high_mm, high);
    first = false;
  }
  return extent;
}

Phantom Phantom::moved(const Vec3& by_mm) const {
  Phantom there = *this;
  for (Solid& solid : there.solids) {
    solid.centre_mm += by_mm;
    for (Solid::Clip& clip : solid.clip)
      clip.offset_mm += clip.normal.dot(by_mm);
  }
  return there;
}

Phantom read_phantom(const std::filesystem::path& file) {
  const JsonFields top(read_json_file(file), file.string());
  top.allow_only({"rayloom_phantom", "title", "source", "energy_kev", "solids"});
  if (top.integer("rayloom_phantom") != 1) top.fail("rayloom_phantom", "must be 1");
  Phantom phantom;
  phantom.title = top.text_or("title", "");
  phantom.source = top.text_or("source", "");
  if (top.has("energy_kev")) phantom.energy_kev = top.positive("energy_kev");
  for (const JsonFields& entry : top.objects("solids"))
    phantom.solids.push_back(read_solid(entry, phantom));
  if (phantom.solids.empty()) top.fail("solids", "must hold at least one solid");
  return phantom;
}

void rasterise_slice(const Phantom& phantom, std::span<const double> attenuation, const Grid& grid, int k,
                     int subsamples, std::span<float> slice) {
  if (subsamples < 1) throw InvalidOption("subsamples: " + std::to_string(subsamples) + "; must be at least 1");
  const auto part = [subsamples](int i) { return (i + 0.5) / subsamples - 0.5; };
  const Tracer tracer(phantom);
#pragma omp parallel for schedule(dynamic, 4)
  for (int j = 0; j < grid.ny; ++j)
    for (int i = 0; i < grid.nx; ++i) {
      double sum = 0;
      for (int a = 0; a < subsamples; ++a)
        for (int b = 0; b < subsamples; ++b)
          for (int c = 0; c < subsamples; ++c)
            sum += tracer.value_at(grid.centre_of(i + part(a), j + part(b), k + part(c)), attenuation);
      slice[std::size_t(j) * std::size_t(grid.nx) + std::size_t(i)] =
          float(sum / (subsamples * subsamples * subsamples));
    }
}

double attenuation_per_mm(const std::string& material, double density_g_cm3, double energy_kev) {
  if (!(energy_kev >= 1 && energy_kev <= 1000))
    throw InvalidOption("energy: " + to_text(energy_kev) + " keV; must be from 1 to 1000 keV");
  xrl_error* error = nullptr;
  const double cm2_g = CS_Total_CP(material.c_str(), energy_kev, &error);
  if (error != nullptr) {
    xrl_error_free(error);
    throw InvalidOption("material: '" + material +
                        "'; must be an element symbol, a chemical formula or a known compound");
  }
  return cm2_g * density_g_cm3 / 10;
}

double listed_density_g_cm3(const std::string& material) {
  if (const int element = SymbolToAtomicNumber(material.c_str(), nullptr); element > 0)
    return ElementDensity(element, nullptr);
  if (compoundDataNIST* compound = GetCompoundDataNISTByName(material.c_str(), nullptr)) {
    const double density = compound->density;
    FreeCompoundDataNIST(compound);
    return density;
  }
  throw InvalidOption("material: '" + material + "'; must be an element symbol or a compound whose density is listed");
}

}  // namespace rayloom
