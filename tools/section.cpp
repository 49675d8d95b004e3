// rayloom section VOLUME|SCAN: pictures. Sections of a volume; projections, sinograms and filtered sinograms of a scan.
#include "rayloom/volume/section.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <tuple>

#include "command.h"
#include "rayloom/json_fields.h"
#include "rayloom/prepare/line_integrals.h"
#include "rayloom/reconstruct/filter_stage.h"
#include "rayloom/volume/picture.h"

namespace rayloom::tools {

namespace fs = std::filesystem;

namespace {

struct SectionArguments {
  std::string input, output, at, window, filter = "ramp";
  std::vector<std::string> planes, settings;
  std::optional<int> view, row;
  std::optional<double> cutoff;
  bool filtered = false, tiff = false, overwrite = false;
};

/// One picture to be written: its name without extension, the samples, how they are shown, and the facts about it.
struct Product {
  std::string name;
  Image image;
  PictureOptions picture;
  nlohmann::ordered_json facts;
};

/// Whether a file can be one of ours, so that --overwrite removes nothing else.
bool belongs_to_section(const std::string& name) {
  const fs::path path(name);
  if (path.has_parent_path()) return false;
  const std::string stem = path.stem().string(), extension = path.extension().string();
  const auto begins = [&](const std::string& start) { return stem.rfind(start, 0) == 0; };
  return (extension == ".png" || extension == ".tif") &&
         (stem == "section_xy" || stem == "section_xz" || stem == "section_yz" || begins("projection_of_view_") ||
          begins("sinogram_of_row_") || begins("filtered_sinogram_of_row_"));
}

void check_cancelled(const Hooks& hooks) {
  if (hooks.stop()) throw Cancelled("stopped; nothing was written");
}

// ---- Volumes

std::vector<Product> sections_of(const StoredVolume& volume, const SectionArguments& given, const Hooks& hooks) {
  const Grid& grid = volume.grid();
  Vec3 at_mm = grid.centre_mm;
  if (!given.at.empty()) {
    const auto numbers = parse_numbers("--at", given.at, 3);
    at_mm = {numbers[0], numbers[1], numbers[2]};
  }
  std::vector<Plane> planes;
  for (const auto plane : {Plane::xy, Plane::xz, Plane::yz}) {
    const auto named = std::find(given.planes.begin(), given.planes.end(), to_string(plane));
    // A single slice has no other section worth looking at; asked for by name, it is drawn.
    if (given.planes.empty() ? plane == Plane::xy || grid.nz > 1 : named != given.planes.end()) planes.push_back(plane);
  }
  std::vector<Product> products;
  for (const auto plane : planes) {
    check_cancelled(hooks);
    hooks.report("sections", double(products.size()) / double(planes.size()));
    const std::string name = to_string(plane);
    const PlaneAxes axes = axes_of(plane);
    const double place_mm = at_mm[axes.across - 'x'];
    Product product;
    product.name = "section_" + name;
    product.image = section(volume, plane, place_mm);
    product.picture.title =
        "Section " + name + " at " + std::string(1, axes.across) + " = " + to_text(place_mm) + " mm";
    product.picture.unit = "1/mm";
    product.picture.pixel_mm = grid.voxel_mm;
    product.picture.right = std::string(1, axes.right);
    product.picture.up = std::string(1, axes.up);
    product.facts = {{"plane", name}, {std::string(1, axes.across) + "_mm", place_mm}};
    products.push_back(std::move(product));
  }
  hooks.report("sections", 1);
  return products;
}

// ---- Scans

void require_index(const std::string& option, int index, int count) {
  if (index < 0 || index >= count)
    throw InvalidOption(option + ": " + std::to_string(index) + "; must be from 0 to " + std::to_string(count - 1));
}

/// Where the rotation axis crosses a detector row; a turned detector shows it inclined.
double axis_column_at(const Geometry& geometry, double row) {
  const Detector& d = geometry.detector;
  const double height_mm = geometry.virtual_row_pitch_mm();  // any that is not 0
  const DetectorPosition a = project(geometry, 0, {0, 0, -height_mm}), b = project(geometry, 0, {0, 0, height_mm});
  if (!(std::abs(b.row - a.row) > 1e-9)) return d.axis_column;
  return a.column + (row - a.row) * (b.column - a.column) / (b.row - a.row);
}

Product projection_of(const Scan& scan, const LineIntegrals& lines, int view) {
  const Geometry& geometry = scan.geometry;
  const Detector& d = geometry.detector;
  const double angle_deg = std::round(degrees(geometry.angles_rad[std::size_t(view)]) * 1e6) / 1e6;
  Product product;
  product.name = "projection_of_view_" + std::to_string(view);
  product.image = Image(d.rows, d.columns);
  lines.read(view, 1, 0, d.rows, product.image.samples);
  product.picture.title = "View " + std::to_string(view) + " at " + to_text(angle_deg) + " degrees" +
                          (geometry.beam == Beam::cone ? ", scale on the axis" : "");
  product.picture.pixel_mm = geometry.virtual_column_pitch_mm();
  product.picture.right = "u";
  product.picture.up = "v";
  const double top = -0.5, bottom = d.rows - 0.5;
  product.picture.lines = {{top, axis_column_at(geometry, top), bottom, axis_column_at(geometry, bottom)}};
  product.facts = {{"view", view}, {"angle_deg", angle_deg}, {"axis_column", d.axis_column}};
  return product;
}

void describe_sinogram(Product& product, const std::string& title, int row, double axis_column) {
  product.picture.title = title;
  product.picture.right = "column";
  product.picture.down = "view";
  product.picture.vertical_line = axis_column;
  product.facts = {{"row", row}, {"axis_column", axis_column}};
}

Product sinogram_of(const Scan& scan, const LineIntegrals& lines, int row, const Hooks& hooks) {
  const int views = int(scan.geometry.angles_rad.size()), columns = scan.geometry.detector.columns;
  Product product;
  product.name = "sinogram_of_row_" + std::to_string(row);
  product.image = Image(views, columns);
  const int block = 32;
  for (int first = 0; first < views; first += block) {
    check_cancelled(hooks);
    const int count = std::min(block, views - first);
    const std::size_t width = std::size_t(columns);
    lines.read(first, count, row, 1,
               std::span(product.image.samples).subspan(std::size_t(first) * width, std::size_t(count) * width));
    hooks.report("sinogram", double(first + count) / views);
  }
  describe_sinogram(product, "Sinogram of row " + std::to_string(row), row, axis_column_at(scan.geometry, row));
  return product;
}

Product filtered_sinogram_of(const Scan& scan, const LineIntegrals& lines, int row, const FilterOptions& filter,
                             const Hooks& hooks) {
  const Geometry& geometry = scan.geometry;
  const int views = int(geometry.angles_rad.size()), columns = geometry.detector.columns;
  ProjectionSource source;
  source.read = [&lines](int first_view, int view_count, int first_row, int row_count, std::span<float> out) {
    lines.read(first_view, view_count, first_row, row_count, out);
  };
  const Redundancy counted = redundancy(geometry, {});
  const FilterStage stage(geometry, counted, filter);
  Product product;
  product.name = "filtered_sinogram_of_row_" + std::to_string(row);
  product.image = Image(views, columns);
  for (int view = 0; view < views; ++view) {
    check_cancelled(hooks);
    const std::vector<float> filtered = stage.filtered_rows(source, view, row, 1);  // begins with column -1
    std::copy_n(filtered.begin() + 1, columns, product.image.samples.begin() + std::ptrdiff_t(view) * columns);
    hooks.report("filtered sinogram", double(view + 1) / views);
  }
  describe_sinogram(product,
                    "Filtered sinogram of row " + std::to_string(row) + ", " + to_string(filter.window) +
                        (filter.cutoff_fraction < 1 ? " to " + to_text(filter.cutoff_fraction) + " Nyquist" : ""),
                    row, stage.ideal().detector.axis_column);
  product.picture.unit = filter.window == Window::none ? "" : "1/mm";
  product.facts["filter"] = to_string(filter.window);
  product.facts["cutoff"] = filter.cutoff_fraction;
  return product;
}

std::vector<Product> pictures_of(const Scan& scan, const SectionArguments& given, const Hooks& hooks) {
  const Detector& d = scan.geometry.detector;
  FilterOptions filter{.window = window_from(given.filter), .cutoff_fraction = given.cutoff.value_or(1)};
  filter.validate();
  if (given.view) require_index("--view", *given.view, int(scan.geometry.angles_rad.size()));
  if (given.row) require_index("--row", *given.row, d.rows);

  // Nothing asked for: the first view and the sinogram nearest the midplane.
  const bool nothing_asked = !given.view && !given.row && !given.filtered;
  const int middle = int(std::clamp(std::lround(d.midplane_row), 0L, long(d.rows - 1)));
  const LineIntegrals lines(scan, hooks);
  std::vector<Product> products;
  if (given.view || nothing_asked) products.push_back(projection_of(scan, lines, given.view.value_or(0)));
  if (given.filtered)
    products.push_back(filtered_sinogram_of(scan, lines, given.row.value_or(middle), filter, hooks));
  else if (given.row || nothing_asked)
    products.push_back(sinogram_of(scan, lines, given.row.value_or(middle), hooks));
  return products;
}

// ---- Both

enum class InputKind { volume, scan };

InputKind kind_of(const std::string& input) {
  std::error_code ignored;
  if (!fs::exists(input, ignored)) throw BadInput(input + ": no such file or folder");
  if (fs::is_directory(input, ignored)) return InputKind::volume;
  const auto json = read_json_file(input);
  if (json.is_object() && json.contains("rayloom_volume")) return InputKind::volume;
  if (json.is_object() && json.contains("rayloom_scan")) return InputKind::scan;
  throw BadInput(input + ": has neither rayloom_volume nor rayloom_scan; must be a volume folder or a scan file");
}

void refuse_options_of_the_other(const SectionArguments& given, InputKind kind) {
  const std::vector<std::pair<std::string, bool>> of_volumes = {{"--at", !given.at.empty()},
                                                                {"--plane", !given.planes.empty()}};
  const std::vector<std::pair<std::string, bool>> of_scans = {
      {"--view", given.view.has_value()}, {"--row", given.row.has_value()},       {"--filtered", given.filtered},
      {"--set", !given.settings.empty()}, {"--cutoff", given.cutoff.has_value()}, {"--filter", given.filter != "ramp"}};
  const bool volume = kind == InputKind::volume;
  for (const auto& [option, is_given] : volume ? of_scans : of_volumes)
    if (is_given)
      throw InvalidOption(option + ": " + given.input + " is a " + (volume ? "volume" : "scan") + "; goes with a " +
                          (volume ? "scan" : "volume") + " only");
  if (!volume && !given.filtered && (given.cutoff || given.filter != "ramp"))
    throw InvalidOption("--filter, --cutoff: go with --filtered only");
}

using GreyWindow = std::pair<double, double>;

std::optional<GreyWindow> given_window(const SectionArguments& given) {
  if (given.window.empty()) return {};
  const auto numbers = parse_numbers("--window", given.window, 2);
  if (!(numbers[0] < numbers[1]))
    throw InvalidOption("--window: " + given.window + "; the low value must be below the high one");
  return GreyWindow(numbers[0], numbers[1]);
}

/// One window for all sections, so that they compare; each picture of a scan has its own.
void choose_windows(std::vector<Product>& products, std::optional<GreyWindow> window, InputKind kind) {
  if (!window && kind == InputKind::volume) {
    Image all;
    for (const auto& product : products)
      all.samples.insert(all.samples.end(), product.image.samples.begin(), product.image.samples.end());
    window = grey_window(all, {});
  }
  for (auto& product : products)
    std::tie(product.picture.low, product.picture.high) = window ? *window : grey_window(product.image, {});
}

int run_section(const Context& context, const SectionArguments& given) {
  const Hooks hooks = context.hooks();
  const InputKind kind = kind_of(given.input);
  refuse_options_of_the_other(given, kind);
  const auto window = given_window(given);
  OutputFolder folder(given.output, given.overwrite ? Overwrite::yes : Overwrite::no, {belongs_to_section});

  std::vector<Product> products = kind == InputKind::volume
                                      ? sections_of(StoredVolume(given.input), given, hooks)
                                      : pictures_of(read_scan(given.input, given.settings), given, hooks);
  choose_windows(products, window, kind);

  nlohmann::ordered_json result = {{"input", given.input}, {"folder", folder.folder().string()}};
  std::vector<std::string> said;
  for (const auto& [name, image, picture, facts] : products) {
    check_cancelled(hooks);
    const auto path = [&, &name = name](const char* extension) {
      return (folder.folder() / (name + extension)).string();
    };
    write_picture(folder.partial() / (name + ".png"), image, picture);
    std::string files = path(".png");
    nlohmann::ordered_json entry = {{"picture", path(".png")}, {"title", picture.title}};
    entry.update(facts);
    entry.update({{"rows", image.rows}, {"columns", image.columns}, {"black", *picture.low}, {"white", *picture.high}});
    entry["unit"] = picture.unit;
    if (given.tiff) {
      write_tiff(folder.partial() / (name + ".tif"), image.rows, image.columns, image.samples, SampleType::float32,
                 {.pixel_mm = kind == InputKind::volume ? *picture.pixel_mm : 0, .description = picture.title});
      files += ", " + path(".tif");
      entry["tiff"] = path(".tif");
    }
    said.push_back(files + ": " + picture.title + "; black " + to_text(*picture.low, 4) + ", white " +
                   to_text(*picture.high, 4) + (picture.unit.empty() ? "" : " " + picture.unit));
    result["pictures"].push_back(entry);
  }
  folder.finish();
  for (const auto& line : said)
    context.say(line);
  context.result(result);
  return Exit::done;
}

}  // namespace

void add_section(CLI::App& program) {
  auto given = std::make_shared<SectionArguments>();
  CLI::App* command =
      add_command(program, "section",
                  "Shows a volume or a scan: sections; projections, sinograms and filtered sinograms, as pictures.",
                  {"rayloom section volume -o pictures",
                   "rayloom section volume --at 0,0,2.5 --plane xy --window 0,0.06 -o pictures",
                   "rayloom section scan.json --view 90 --row 200 -o pictures"},
                  [given](const Context& context) { return run_section(context, *given); });
  command->add_option("INPUT", given->input, "volume folder or scan file")->required();
  command->add_option("-o,--output", given->output, "folder for the pictures, must be new")->required();
  command->add_flag("--overwrite", given->overwrite, "replace that folder if it holds nothing but such pictures");
  command->add_option("--window", given->window,
                      "LO,HI: values shown black and white (percentiles 0.1 and 99.9; the same for all sections)");
  command->add_flag("--tiff", given->tiff, "write the samples as float32 TIFF beside each picture");

  const std::string volumes = "Volumes";
  command->add_option("--at", given->at, "X,Y,Z in mm: where the sections pass (the volume's centre)")->group(volumes);
  command->add_option("--plane", given->planes, "xy, xz or yz, or several separated by commas (all three)")
      ->delimiter(',')
      ->allow_extra_args(false)
      ->check(CLI::IsMember({"xy", "xz", "yz"}))
      ->group(volumes);

  const std::string scans = "Scans";
  command->add_option("--view", given->view, "projection N as line integrals, counted from 0 (0 and the middle row)")
      ->group(scans);
  command->add_option("--row", given->row, "sinogram of detector row N, counted from 0 at the top")->group(scans);
  command->add_flag("--filtered", given->filtered, "the sinogram weighted and filtered, as back-projection sees it")
      ->group(scans);
  command->add_option("--filter", given->filter, "none, ramp, shepp-logan, hann, hamming or cosine (ramp)")
      ->group(scans);
  command->add_option("--cutoff", given->cutoff, "end of the filter as a fraction of Nyquist, above 0 to 1 (1)")
      ->group(scans);
  command->add_option("--set", given->settings, "KEY=VALUE: another value for a key of the scan file; may be repeated")
      ->allow_extra_args(false)
      ->group(scans);
}

}  // namespace rayloom::tools
