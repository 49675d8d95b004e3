// A part without any symmetry comes out right-handed, however its images were stored and whichever way it turned.
#include <doctest/doctest.h>

#include <cmath>

#include "cli/program.h"
#include "rayloom/geometry/geometry.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// A letter F standing on a plate, thinner strokes in each direction: written as boxes [centre, size].
const std::vector<std::array<double, 6>> strokes = {
    {-4, 2, 0, 3, 3, 16}, {0, 2, 6.5, 8, 3, 3}, {-1, 2, 1, 5, 3, 3}, {-4, -3, -5, 3, 10, 3}, {4, -6, -5, 12, 3, 3}};

bool inside(double x, double y, double z) {
  for (const auto& [cx, cy, cz, sx, sy, sz] : strokes)
    if (std::abs(x - cx) < sx / 2 && std::abs(y - cy) < sy / 2 && std::abs(z - cz) < sz / 2) return true;
  return false;
}

/// Line integrals by sampling the ray from the written conventions alone, upright, [row][column].
Image view_of(const std::string& beam, double b, int rows, int columns) {
  Image view(rows, columns);
  const double SOD = 120, SDD = 240, M = beam == "parallel" ? 1 : 2, step = 0.25;
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c) {
      const double u = (c - (columns - 1) / 2.0) * 0.7 * M, v = ((rows - 1) / 2.0 - r) * 0.7 * (beam == "cone" ? M : 1);
      double sum = 0;
      for (double s = -16; s < 16; s += step) {  // distance past the axis along n = (sin b, -cos b, 0)
        const double scale = beam == "parallel" ? 1 : (SOD + s) / SDD;
        const double t = u * scale, z = beam == "cone" ? v * scale : v;
        const double slope = beam == "parallel" ? 1 : std::sqrt(SDD * SDD + u * u + (beam == "cone" ? v * v : 0)) / SDD;
        if (inside(t * std::cos(b) + s * std::sin(b), t * std::sin(b) - s * std::cos(b), z)) sum += step * slope;
      }
      view.at(r, c) = float(0.05 * sum);
    }
  return view;
}

/// The stored image that, turned clockwise by `turned` degrees and then mirrored, is `upright`.
Image stored_form(Image image, int turned, bool mirrored) {
  if (mirrored)
    for (int r = 0; r < image.rows; ++r)
      for (int c = 0; c < image.columns / 2; ++c)
        std::swap(image.at(r, c), image.at(r, image.columns - 1 - c));
  for (int quarter = 0; quarter < turned / 90; ++quarter) {  // undo one clockwise quarter: turn anticlockwise
    Image next(image.columns, image.rows);
    for (int r = 0; r < next.rows; ++r)
      for (int c = 0; c < next.columns; ++c)
        next.at(r, c) = image.at(c, image.columns - 1 - r);
    image = next;
  }
  return image;
}

double correlation(const Volume& volume, const std::function<bool(double, double, double)>& part) {
  double n = 0, a = 0, b = 0, aa = 0, bb = 0, ab = 0;
  const Grid& g = volume.grid;
  for (int k = 0; k < g.nz; ++k)
    for (int j = 0; j < g.ny; ++j)
      for (int i = 0; i < g.nx; ++i) {
        const double p = volume.at(i, j, k), q = part(g.x_mm(i), g.y_mm(j), g.z_mm(k)) ? 1 : 0;
        n += 1, a += p, b += q, aa += p * p, bb += q * q, ab += p * q;
      }
  return (n * ab - a * b) / std::sqrt((n * aa - a * a) * (n * bb - b * b));
}

void check_scan(const std::string& beam, double arc_deg, int turned, bool mirrored) {
  CAPTURE(beam);
  CAPTURE(arc_deg);
  CAPTURE(turned);
  CAPTURE(mirrored);
  const Folder folder;
  fs::create_directory(folder / "views");
  const int views = 60, rows = 30, columns = 40;
  for (int i = 0; i < views; ++i) {
    const Image image = stored_form(view_of(beam, radians(arc_deg * i / views), rows, columns), turned, mirrored);
    write_tiff(view_file(folder, i), image.rows, image.columns, image.samples, SampleType::float32);
  }
  auto scan = cone_scan(views);
  const double M = beam == "parallel" ? 1 : 2;
  scan["beam"] = beam;
  scan["detector"] = {
      {"columns", columns}, {"rows", rows}, {"column_pitch_mm", 0.7 * M}, {"row_pitch_mm", beam == "cone" ? 1.4 : 0.7}};
  scan["source_to_object_mm"] = 120;
  scan["source_to_detector_mm"] = 240;
  if (beam == "parallel") {
    scan.erase("source_to_object_mm");
    scan.erase("source_to_detector_mm");
  }
  scan["views"]["arc_deg"] = arc_deg;
  scan["images"]["turned_deg"] = turned;
  scan["images"]["mirrored"] = mirrored;
  write_json(folder / "scan.json", scan);
  const Outcome outcome = run(folder, "reconstruct scan.json -o volume --quiet --size 36,36,26 --voxel 0.7");
  CAPTURE(outcome.err);
  REQUIRE(outcome.status == 0);
  const Volume volume = StoredVolume(folder / "volume").read();

  const double right = correlation(volume, inside);
  CHECK(right >
        0.85);  // 60 views of voxels a quarter of a stroke wide blur the edges, where half of the part's voxels lie
  // Each mistake of orientation: flips of one axis, and quarter turns.
  using F = std::function<bool(double, double, double)>;
  for (const F& wrong : {F([](double x, double y, double z) { return inside(-x, y, z); }),
                         F([](double x, double y, double z) { return inside(x, -y, z); }),
                         F([](double x, double y, double z) { return inside(x, y, -z); }),
                         F([](double x, double y, double z) { return inside(-x, -y, z); }),
                         F([](double x, double y, double z) { return inside(y, -x, z); }),
                         F([](double x, double y, double z) { return inside(y, x, z); })})
    CHECK(correlation(volume, wrong) < 0.6);
}

}  // namespace

TEST_SUITE("orientation") {
  TEST_CASE("every stored orientation") {
    for (const int turned : {0, 90, 180, 270})
      for (const bool mirrored : {false, true})
        check_scan("cone", 360, turned, mirrored);
  }
  TEST_CASE("every beam and sense of rotation") {
    for (const std::string beam : {"parallel", "fan", "cone"})
      for (const double arc : {360.0, -360.0})
        check_scan(beam, arc, 0, false);
    check_scan("fan", -230, 90, true);
  }
}
