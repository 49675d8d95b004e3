// Folders made up by the tests, and the scan that each must be described as. The part is three cylinders about the axis
// with a cut at one height, so that every view differs from the others; its shadow leaves the outer columns free.
#include "rayloom/scan/describe.h"

#include <doctest/doctest.h>
#include <unistd.h>

#include <cmath>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>

#include "rayloom/errors.h"
#include "rayloom/scan/tiff_write.h"
#include "rayloom/scan/view_reader.h"

using namespace rayloom;
namespace fs = std::filesystem;

namespace {

constexpr int rows = 24, columns = 40;
constexpr double dark_level = 300, open_level = 20000;

/// A fresh folder that goes with the test.
struct Folder {
  fs::path path;
  Folder() {
    static int number = 0;
    std::string name = "rayloom-describe-";
    name += std::to_string(::getpid()) + "-" + std::to_string(number++);
    path = fs::temp_directory_path() / name;
    fs::create_directories(path);
  }
  ~Folder() { fs::remove_all(path); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  void text(const std::string& name, const std::string& content) const {
    std::ofstream(path / name, std::ios::binary) << content;
  }
};

/// Line integral of the part in column c, row r, at an angle.
double line_integral(double angle_deg, int r, int c) {
  struct Disc {
    double x, y, radius, value;
  };
  constexpr Disc discs[] = {{2, 1, 9, 0.05}, {5, -3, 2.5, 0.2}, {-4, 4, 1.5, 0.3}};
  const double b = radians(angle_deg), t = c - (columns - 1) / 2.0;
  double sum = 0;
  for (const Disc& d : discs) {
    if (d.radius < 3 && r < rows / 3) continue;  // the small ones do not reach the top
    const double off = t - (d.x * std::cos(b) + d.y * std::sin(b));
    sum += d.value * 2 * std::sqrt(std::max(0.0, d.radius * d.radius - off * off));
  }
  return sum;
}

Image view(double angle_deg, const std::function<double(double)>& stored) {
  Image image(rows, columns);
  for (int r = 0; r < rows; ++r)
    for (int c = 0; c < columns; ++c)
      image.at(r, c) = float(stored(line_integral(angle_deg, r, c)));
  return image;
}

/// Raw counts with noise of a few counts and of the photons'.
class Counts {
 public:
  double operator()(double line) {
    const double photons = (open_level - dark_level) * std::exp(-line);
    return dark_level + photons + std::normal_distribution(0.0, std::sqrt(36 + photons))(random_);
  }
  double dark() { return dark_level + std::normal_distribution(0.0, 6.0)(random_); }

 private:
  std::mt19937 random_{7};
};

void write(const fs::path& file, const Image& image, SampleType type = SampleType::uint16) {
  fs::create_directories(file.parent_path());
  write_tiff(file, image.rows, image.columns, image.samples, type);
}

std::string numbered(const std::string& name, int number) {
  const std::string digits = std::to_string(number);
  return name + std::string(4 - digits.size(), '0') + digits + ".tif";
}

/// `count` views `step_deg` apart.
void write_views(const fs::path& base, const std::string& name, int count, double step_deg,
                 const std::function<double(double)>& stored, SampleType type = SampleType::uint16) {
  for (int i = 0; i < count; ++i)
    write(base / numbered(name, i), view(step_deg * i, stored), type);
}

void write_dark_and_open(const fs::path& base, const std::string& dark, const std::string& open, Counts& counts) {
  for (int i = 0; i < 3; ++i) {
    write(base / numbered(dark, i), view(0, [&](double) { return counts.dark(); }));
    write(base / numbered(open, i), view(0, [&](double) { return counts(0); }));
  }
}

DescribeOptions to(const Folder& folder) {
  DescribeOptions options;
  options.scan_file = folder.path / "scan.json";
  return options;
}

DescribeOptions whole(const Folder& folder) {
  auto options = to(folder);
  options.sod_mm = 200;
  options.sdd_mm = 800;
  options.column_pitch_mm = 0.2;
  options.arc_deg = 360;
  return options;
}

std::string joined(const std::vector<std::string>& lines) {
  std::string all;
  for (const auto& line : lines)
    all += line + "\n";
  return all;
}

bool says(const std::vector<std::string>& lines, const std::string& words) {
  return joined(lines).find(words) != std::string::npos;
}

ImageNames level(const std::optional<Level>& level) {
  return level ? std::get<ImageNames>(*level) : ImageNames{};
}

ImageRole role(const Description& found, const std::string& name) {
  for (const auto& group : found.groups)
    if (group.name() == name) return group.role;
  FAIL("no group " << name);
  return ImageRole::stray;
}

std::string message(const Folder& folder, const DescribeOptions& options) {
  try {
    describe_folder(folder.path, options);
  } catch (const Error& error) {
    return error.what();
  }
  return "nothing thrown";
}

}  // namespace

TEST_SUITE("describe: a raw scan") {
  TEST_CASE("views and dark and open beam and a settings text with decimal commas") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "projections/view_", 36, 10, std::ref(counts));
    write_dark_and_open(folder.path, "dark/d_", "open/o_", counts);
    folder.text("machine.ini",
                "[Geometrie]\r\n"
                "Fokus-Objekt-Abstand [mm] = 200,0\r\n"
                "Fokus-Detektor-Abstand [mm] = 800,0\r\n"
                "Pixel size [\xb5m] = 127,5\r\n"
                "Number of projections = 36\r\n"
                "Winkelschritt = 10\r\n"
                "Voltage [kV] = 120,5\r\n"
                "Current [\xb5"
                "A] = 150\r\n"
                "Filter = 0,5 mm Cu\r\n"
                "Exposure time [ms] = 500\r\n"
                "Operator = N. N.\r\n"
                "Door interlock = closed\r\n");
    const auto found = describe_folder(folder.path, to(folder));
    CHECK_MESSAGE(found.missing.empty(), joined(found.missing));
    CHECK_MESSAGE(found.contradictions.empty(), joined(found.contradictions));
    REQUIRE(found.scan);
    const auto expected = nlohmann::json::parse(R"({
      "rayloom_scan": 1,
      "notes": { "Exposure time [ms]": "500", "Operator": "N. N." },
      "beam": "cone", "source_to_object_mm": 200, "source_to_detector_mm": 800,
      "source": { "voltage_kv": 120.5, "current_ma": 0.15, "filters": [ { "material": "Cu", "thickness_mm": 0.5 } ] },
      "detector": { "columns": 40, "rows": 24, "column_pitch_mm": 0.1275, "row_pitch_mm": 0.1275,
                    "axis_column": 19.5, "midplane_row": 11.5 },
      "views": { "count": 36, "first_deg": 0, "step_deg": 10 },
      "images": { "projections": "projections/*.tif", "kind": "counts", "dark": "dark/*.tif", "open": "open/*.tif" }
    })");
    auto written = nlohmann::json(to_json(*found.scan));
    CHECK(written["title"] == folder.path.filename().string());
    written.erase("title");
    CHECK(written["detector"]["column_pitch_mm"].get<double>() == doctest::Approx(0.1275).epsilon(1e-12));
    CHECK(written["source"]["current_ma"].get<double>() == doctest::Approx(0.15).epsilon(1e-12));
    for (const char* key : {"column_pitch_mm", "row_pitch_mm"})
      written["detector"][key] = 0.1275;  // was just compared
    written["source"]["current_ma"] = 0.15;
    CHECK(written == expected);

    CHECK(says(found.not_understood, "machine.ini, line 12: Door interlock = closed"));
    CHECK(found.not_understood.size() == 1);
    CHECK(says(found.guesses, "sense of rotation: not told"));
    CHECK(says(found.guesses, "beam: cone"));
    CHECK(says(found.guesses, "kind: counts"));

    // What is written can be read, and the reader finds the images.
    write_scan(*found.scan, folder.path / "scan.json");
    const Scan read = read_scan(folder.path / "scan.json");
    const ViewReader reader(read);
    CHECK(reader.series().count() == 36);
    CHECK(mean_image(read, *read.images.dark, "images.dark").at(3, 3) == doctest::Approx(dark_level).epsilon(0.1));
  }

  TEST_CASE("dark and open beam by content only") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "b/", 36, 10, std::ref(counts));
    write_dark_and_open(folder.path, "a/", "c/", counts);
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->images.projections == ImageNames{"b/*.tif"});
    CHECK(level(found.scan->images.dark) == ImageNames{"a/*.tif"});
    CHECK(level(found.scan->images.open) == ImageNames{"c/*.tif"});
    CHECK(found.scan->images.kind == ImageKind::counts);
    for (const auto& group : found.groups)
      CHECK_MESSAGE(group.why.find("by content") != std::string::npos, group.why);
  }

  TEST_CASE("more dark images than views do not hide the views") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "q/", 12, 30, std::ref(counts));
    for (int i = 0; i < 20; ++i)
      write(folder.path / numbered("p/", i), view(0, [&](double) { return counts.dark(); }));
    const auto found = describe_folder(folder.path, whole(folder));
    CHECK(role(found, "q/#.tif") == ImageRole::projections);
    CHECK(role(found, "p/#.tif") == ImageRole::dark);
  }

  TEST_CASE("single averaged dark and open images in the views' own folder") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "part_", 36, 10, std::ref(counts));
    write(folder.path / "part_dark.tif", view(0, [&](double) { return counts.dark(); }));
    write(folder.path / "part_open.tif", view(0, [&](double) { return counts(0); }));
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->images.projections == ImageNames{"part_[0-9][0-9][0-9][0-9].tif"});
    CHECK(level(found.scan->images.dark) == ImageNames{"part_dark.tif"});
    CHECK(level(found.scan->images.open) == ImageNames{"part_open.tif"});
    CHECK(ViewReader(*found.scan).series().count() == 36);
  }

  TEST_CASE("names in several languages and open beam after the scan and defects") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "s/img", 18, 20, std::ref(counts));
    write_dark_and_open(folder.path, "s/Dunkelbild", "s/Hellbild_vor", counts);
    write(folder.path / "s/Hellbild_nach0.tif", view(0, [&](double) { return counts(0); }));
    write(folder.path / "s/BadPixels.tif", Image(rows, columns));
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->images.projections == ImageNames{"s/img*.tif"});
    CHECK(level(found.scan->images.dark) == ImageNames{"s/Dunkelbild*.tif"});
    CHECK(level(found.scan->images.open) == ImageNames{"s/Hellbild_vor*.tif"});
    CHECK(level(found.scan->images.open_after) == ImageNames{"s/Hellbild_nach0.tif"});
    CHECK(found.scan->images.defects == ImageNames{"s/BadPixels.tif"});

    const Folder other;
    write_views(other.path, "views/", 18, 20, std::ref(counts));
    write_dark_and_open(other.path, "dark/", "open-after/", counts);
    // Alone, the open-beam images after the scan are the open-beam images.
    CHECK(level(describe_folder(other.path, whole(other)).scan->images.open) == ImageNames{"open-after/*.tif"});
    write(other.path / "open/1.tif", view(0, [&](double) { return counts(0); }));
    CHECK(level(describe_folder(other.path, whole(other)).scan->images.open_after) == ImageNames{"open-after/*.tif"});
  }

  TEST_CASE("words that all names share say nothing and a short word beside 'view' neither") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "white_dark_cap_view_off_centre_", 18, 20, std::ref(counts));
    write_dark_and_open(folder.path, "white_dark_cap_offset_", "white_dark_cap_gain_", counts);
    const auto found = describe_folder(folder.path, whole(folder));
    CHECK(role(found, "white_dark_cap_view_off_centre_#.tif") == ImageRole::projections);
    CHECK(role(found, "white_dark_cap_offset_#.tif") == ImageRole::dark);
    CHECK(role(found, "white_dark_cap_gain_#.tif") == ImageRole::open);
  }

  TEST_CASE("dark and open beam the wrong way round are named") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/", 18, 20, std::ref(counts));
    write_dark_and_open(folder.path, "open/", "dark/", counts);
    const auto found = describe_folder(folder.path, whole(folder));
    CHECK(says(found.contradictions, "is not darker than the open beam"));
  }
}

TEST_SUITE("describe: images that do not belong") {
  TEST_CASE("previews of another size and a lone image are strays") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "views/v_", 36, 10, std::ref(counts));
    for (int i = 0; i < 36; ++i)
      write(folder.path / ("views/v_" + std::to_string(i) + "_small.tif"), Image(6, 10, 9), SampleType::uint8);
    write(folder.path / "views/focus.tif", view(123, std::ref(counts)));
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(role(found, "views/v_#_small.tif") == ImageRole::stray);
    CHECK(role(found, "views/focus.tif") == ImageRole::stray);
    CHECK(found.scan->views.count == 36);
    CHECK(found.scan->images.projections == ImageNames{"views/v_[0-9][0-9][0-9][0-9].tif"});
    CHECK(ViewReader(*found.scan).series().count() == 36);
    CHECK(found.scan->images.return_view.empty());
  }

  TEST_CASE("a lone image that shows nothing new is neither open beam nor dark") {
    const Folder folder;  // the turntable stood still, no noise
    const auto stored = [](double p) { return 20000 * std::exp(-p); };
    for (int i = 0; i < 12; ++i)
      write(folder.path / numbered("v/v_", i), view(0, stored));
    write(folder.path / "x.tif", view(0, stored));
    CHECK(level(describe_folder(folder.path, whole(folder)).scan->images.open).empty());
  }

  TEST_CASE("several images named as return view are none") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/", 36, 10, std::ref(counts));
    write_views(folder.path, "return/", 3, 90, std::ref(counts));
    const auto found = describe_folder(folder.path, whole(folder));
    CHECK(role(found, "return/#.tif") == ImageRole::stray);
    CHECK(found.scan->images.return_view.empty());
  }

  TEST_CASE("one preview named like the views is left out and named") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 36, 10, std::ref(counts));
    write(folder.path / "v_0036.tif", Image(6, 10, 9));
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->views.count == 36);
    CHECK(says(found.contradictions, "v_0036.tif: 6 x 10 uint16 among views of 24 x 40 uint16: 1 image(s) left out"));
    CHECK(ViewReader(*found.scan).series().count() == 36);
  }

  TEST_CASE("a volume's own slices are not looked at") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/", 8, 45, std::ref(counts));
    write_views(folder.path, "volume/slices/s_", 30, 10, std::ref(counts));
    folder.text("volume/volume.json", "{}");
    CHECK(describe_folder(folder.path, whole(folder)).groups.size() == 1);
  }

  TEST_CASE("a file that is no image is left out and among the views refused") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/v_", 18, 20, std::ref(counts));
    folder.text("note.tif", "not a picture");
    CHECK(says(describe_folder(folder.path, whole(folder)).contradictions, "note.tif: left out"));
    folder.text("v/v_0018.tif", "not a picture");
    CHECK(message(folder, whole(folder)).find("v/v_0018.tif: cannot be read as TIFF") != std::string::npos);
  }

  TEST_CASE("a hole in the numbering is refused unless the angles are listed") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/v_", 18, 20, std::ref(counts));
    fs::remove(folder.path / "v/v_0007.tif");
    CHECK(message(folder, whole(folder)).find("v_0007.tif: missing: a hole") != std::string::npos);
    auto options = whole(folder);
    options.arc_deg = {};
    std::string angles;
    for (int i = 0; i < 18; ++i)
      if (i != 7) angles += std::to_string(20 * i) + "\n";
    folder.text("positions.txt", angles);
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK(found.scan->views.angles_file == "positions.txt");
    CHECK(found.scan->geometry.angles_rad.size() == 17);
    CHECK(found.scan->geometry.angles_rad[7] == doctest::Approx(radians(160)));
  }
}

TEST_SUITE("describe: the turn") {
  TEST_CASE("one view more over a whole turn that looks like the first closes it") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v/v_", 37, 10, std::ref(counts));
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->views.count == 37);
    CHECK(found.scan->views.step_deg == 10);
    CHECK(degrees(found.scan->geometry.angles_rad.back()) == doctest::Approx(360));
    CHECK(found.scan->images.return_view == ImageNames{"v/v_0036.tif"});
    CHECK(found.contradictions.empty());
  }

  TEST_CASE("by number alone: the last view lies at the end if only so the step is round or a text says so") {
    const Folder folder;  // a part whose views say nothing
    Counts counts;
    auto options = whole(folder);
    struct Case {
      int images;
      double arc_deg;
      std::optional<double> step_deg;
    };
    for (const auto& [images, arc_deg, step_deg] : {Case{12, 360, {}}, Case{13, 360, 30}, Case{17, -360, -22.5},
                                                    Case{21, 200, 10}, Case{21, 210, {}}, Case{22, 360, {}}}) {
      for (int i = 0; i < images; ++i)
        write(folder.path / numbered("v_", i), view(0, std::ref(counts)));
      options.arc_deg = arc_deg;
      const auto found = describe_folder(folder.path, options);
      REQUIRE(found.scan);
      CHECK(found.scan->views.count == images);
      CHECK(found.scan->views.step_deg == step_deg);
      CHECK(found.scan->views.arc_deg.has_value() == !step_deg);
    }
    folder.text("s.txt", "projections: 21\n");
    CHECK(describe_folder(folder.path, options).scan->views.step_deg == doctest::Approx(360.0 / 21));
  }

  TEST_CASE("views that stop one step before the first do not close it") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 36, 10, std::ref(counts));
    const auto found = describe_folder(folder.path, whole(folder));
    CHECK(found.scan->views.arc_deg == 360);
    CHECK(found.scan->images.return_view.empty());
  }

  // The number that counts need not be the last: constants after it, decimal angles, a time of day beside it.
  TEST_CASE("views are counted by whichever number of their names does") {
    const auto two_digits = [](int i) { return std::string(i < 10 ? "0" : "") + std::to_string(i); };
    struct Naming {
      std::function<std::string(int)> name;
      std::string group;
      ImageNames names;
    };
    const Naming namings[] = {
        {[&](int i) { return "v_" + two_digits(i) + "_bin2.tif"; }, "v_#_bin2.tif", {"*.tif"}},
        {[&](int i) { return "v_" + two_digits(i) + "_of_36.tif"; }, "v_#_of_36.tif", {"*.tif"}},
        {[&](int i) { return "120kV_" + std::to_string(i + 7) + "_2x2.tif"; }, "120kV_#_2x2.tif", {"*.tif"}},
        {[&](int i) { return "proj_" + std::to_string(i) + (i % 2 ? ".5" : ".0") + "deg.tif"; },
         "proj_#deg.tif",
         {"*.tif"}},
        {[&](int i) { return "s_1024" + two_digits(i) + "_" + two_digits(3 * i) + "_0001.tif"; },
         "s_#_#_0001.tif",
         {"*.tif"}}};
    for (const Naming& naming : namings) {
      const Folder folder;
      Counts counts;
      for (int i = 0; i < 36; ++i)
        write(folder.path / "views" / naming.name(i), view(10 * i, std::ref(counts)));
      write_dark_and_open(folder.path, "dark/d_", "open/o_", counts);
      const auto found = describe_folder(folder.path, whole(folder));
      CAPTURE(naming.group);
      REQUIRE(found.scan);
      CHECK(found.scan->views.count == 36);
      CHECK(role(found, "views/" + naming.group) == ImageRole::projections);
      const ImageNames& names = found.scan->images.projections;
      REQUIRE(names.size() == 1);
      CHECK(names[0] == "views/" + naming.names[0]);
    }
    // Beside dark and open-beam images counted alike, a pattern must tell them apart and keep the order.
    const Folder folder;
    Counts counts;
    for (int i = 0; i < 36; ++i)
      write(folder.path / ("part_" + std::to_string(i) + "_bin2.tif"), view(10 * i, std::ref(counts)));
    write_dark_and_open(folder.path, "dark_", "open_", counts);
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->images.projections == ImageNames{"part_*_bin2.tif"});
    CHECK(level(found.scan->images.dark) == ImageNames{"dark_*.tif"});
  }

  TEST_CASE("a repeated first view under its own name or by content") {
    for (const std::string name : {"return.tif", "other.tif"}) {
      const Folder folder;
      Counts counts;
      write_views(folder.path, "views/v_", 36, 10, std::ref(counts));
      write(folder.path / name, view(360, std::ref(counts)));
      const auto found = describe_folder(folder.path, whole(folder));
      REQUIRE(found.scan);
      CHECK(found.scan->images.return_view == ImageNames{name});
      CHECK(found.scan->views.count == 36);
    }
  }

  TEST_CASE("a first view stored twice is left out") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "views/v_", 37, 10, std::ref(counts));
    fs::copy_file(folder.path / "views/v_0001.tif", folder.path / "views/v_0000.tif",
                  fs::copy_options::overwrite_existing);
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->views.count == 36);
    CHECK(found.scan->images.projections.front() == "views/v_0001.tif");
    CHECK(role(found, "views/v_0000.tif") == ImageRole::stray);
    CHECK(says(found.guesses, "views/v_0000.tif: left out, as it is the same image as views/v_0001.tif"));
  }

  TEST_CASE("a last view like the first at an angle far from it is named") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 37, 10, std::ref(counts));
    auto options = whole(folder);
    options.arc_deg = 200;
    const auto found = describe_folder(folder.path, options);
    CHECK(found.scan->views.arc_deg == 200);
    CHECK(says(found.contradictions, "the last looks like the first again"));
  }

  TEST_CASE("sense of rotation") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 36, 10, std::ref(counts));
    auto options = whole(folder);
    options.arc_deg = {};
    folder.text("s.txt", "total angle: 360\nrotation direction: ccw\nstart angle: 15\n");
    const auto found = describe_folder(folder.path, options);
    CHECK(found.scan->views.arc_deg == -360);
    CHECK(found.scan->views.first_deg == 15);
    options.arc_deg = 360;
    CHECK(describe_folder(folder.path, options).scan->views.arc_deg == 360);
  }

  TEST_CASE("angles in radians are not taken for degrees") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 36, 10, std::ref(counts));
    std::string angles;
    for (int i = 0; i < 36; ++i)
      angles += std::to_string(radians(10 * i)) + "\n";
    folder.text("angles.txt", angles);
    auto options = whole(folder);
    options.arc_deg = {};
    const auto found = describe_folder(folder.path, options);
    CHECK_FALSE(found.scan);
    CHECK(says(found.not_understood, "angles in radians?"));
  }
}

TEST_SUITE("describe: lengths") {
  TEST_CASE("each missing length follows from the others") {
    // SOD 150, SDD 600, ODD 450, M 4, pitch 0.2, voxel 0.05.
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    const std::string arc = "total angle: 360\n";
    for (const std::string text :
         {"SOD: 150\nSDD: 600\npixel size: 0.2 mm", "SOD: 150\nODD: 450\npixel size: 0.2 mm",
          "SDD: 600\nODD: 450\nvoxel size: 50 um", "SOD: 150\nmagnification: 4\nvoxel: 0.05",
          "SDD: 600\nmagnification: 4,0\npixel size: 200 um", "ODD: 450\nmagnification: 4\npixel size: 0.2",
          "SDD: 600\npixel size: 0.2\nvoxel size: 0.05", "SOD: 15 cm\nSDD: 0.6 m\npitch: 200"}) {
      folder.text("s.txt", arc + text + "\n");
      const auto found = describe_folder(folder.path, to(folder));
      REQUIRE_MESSAGE(found.scan, text << "\n" << joined(found.missing));
      CHECK(found.scan->geometry.sod_mm == doctest::Approx(150).epsilon(1e-12));
      CHECK(found.scan->geometry.sdd_mm == doctest::Approx(600).epsilon(1e-12));
      CHECK(found.scan->geometry.detector.column_pitch_mm == doctest::Approx(0.2).epsilon(1e-12));
      CHECK_MESSAGE(found.contradictions.empty(), joined(found.contradictions));
    }
  }

  TEST_CASE("contradictions are named and options win") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    auto options = whole(folder);
    folder.text("s.txt", "SOD: 210\nmagnification: 5\ncolumns: 80\nangle step: 1\nprojections: 10\n");
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK(found.scan->geometry.sod_mm == 200);
    CHECK(found.scan->views.arc_deg == 360);
    CHECK(says(found.contradictions,
               "source_to_object_mm: 210 in s.txt, line 1 (SOD), but --sod says 200; the option "
               "counts"));
    CHECK(
        says(found.contradictions,
             "magnification: 5 from s.txt, line 2 (magnification), but source to detector / source to object gives 4"));
    CHECK(says(found.contradictions, "columns: 80 in s.txt, line 3 (columns), but the images have 40"));
    CHECK(says(found.contradictions, "views.step_deg: 1 in s.txt, line 4 (angle step) does not fit --arc"));
    CHECK(says(found.contradictions, "10 views in s.txt, line 5 (projections), but 12 images are there"));
    CHECK(found.contradictions.size() == 5);

    // A magnification rounded as people write it is no contradiction.
    folder.text("s.txt", "magnification: 4.02\n");
    CHECK(describe_folder(folder.path, options).contradictions.empty());
    folder.text("s.txt", "magnification: 4.05\n");
    CHECK(describe_folder(folder.path, options).contradictions.size() == 1);
  }

  TEST_CASE("two texts that disagree settle nothing") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    folder.text("a.txt", "SOD: 200\nSDD: 800\n");
    folder.text("b.txt", "SOD: 201\nSDD: 800\n");
    auto options = whole(folder);
    options.sod_mm = options.sdd_mm = {};
    const auto found = describe_folder(folder.path, options);
    CHECK_FALSE(found.scan);
    CHECK(found.missing == std::vector<std::string>{"source_to_object_mm: give --sod MM"});
    CHECK(says(found.contradictions, "200 in a.txt, line 1 (SOD), but 201 in b.txt, line 1 (SOD); neither counts"));
    options.settings_file = folder.path / "b.txt";
    CHECK(describe_folder(folder.path, options).scan->geometry.sod_mm == 201);
  }

  TEST_CASE("a text with another number of views leaves the arc open") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 20, std::ref(counts));
    folder.text("s.txt", "SOD: 200\nSDD: 800\npixel size: 0.2\ntotal angle: 360\nprojections: 18\n");
    auto options = to(folder);
    const auto found = describe_folder(folder.path, options);
    CHECK_FALSE(found.scan);
    CHECK(found.missing.size() == 1);
    CHECK(says(found.missing, "views: give --arc DEG"));
    CHECK(says(found.contradictions, "18 views in s.txt, line 5 (projections), but 12 images are there"));
    options.step_deg = 20;
    CHECK(describe_folder(folder.path, options).scan->views.step_deg == 20);
  }

  TEST_CASE("what is missing is listed whole with the options that give it") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    const auto found = describe_folder(folder.path, to(folder));
    CHECK_FALSE(found.scan);
    REQUIRE(found.missing.size() == 4);
    CHECK(found.missing[0] == "source_to_object_mm: give --sod MM (or --beam parallel)");
    CHECK(found.missing[1] == "source_to_detector_mm: give --sdd MM (or --beam parallel)");
    CHECK(found.missing[2] == "detector.column_pitch_mm: give --pitch MM");
    CHECK(found.missing[3].starts_with("views: give --arc DEG"));
    CHECK(found.groups.size() == 1);
    CHECK(fs::exists(folder.path / "scan.json") == false);

    const Folder empty;
    const auto nothing = describe_folder(empty.path, whole(empty));
    CHECK(nothing.missing.size() == 1);
    CHECK(says(nothing.missing, "images.projections: no views found"));
  }

  TEST_CASE("axis column from an offset or a column") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    auto options = whole(folder);
    folder.text("s.txt", "axis offset [px]: -2.25\n");
    CHECK(describe_folder(folder.path, options).scan->geometry.detector.axis_column == 17.25);
    folder.text("s.txt", "centre of rotation: 21.5\n");
    CHECK(describe_folder(folder.path, options).scan->geometry.detector.axis_column == 21.5);
    options.axis_column = 20;
    options.midplane_row = 3;
    const auto found = describe_folder(folder.path, options);
    CHECK(found.scan->geometry.detector.axis_column == 20);
    CHECK(found.scan->geometry.detector.midplane_row == 3);
    CHECK(says(found.contradictions, "axis_column: 21.5"));
  }
}

TEST_SUITE("describe: what the samples mean") {
  TEST_CASE("kind by content") {
    struct Case {
      std::function<double(double)> stored;
      SampleType type;
      ImageKind kind;
    };
    Counts counts;
    const Case cases[] = {
        {[](double p) { return p; }, SampleType::float32, ImageKind::line_integrals},
        {[](double p) { return 0.2 * p + 0.01; }, SampleType::float32, ImageKind::line_integrals},
        {[](double p) { return std::exp(-p); }, SampleType::float32, ImageKind::transmission},
        {[](double p) { return 60000 * std::exp(-p); }, SampleType::uint16, ImageKind::corrected},
        {[](double p) { return 60000 * std::exp(-p); }, SampleType::float32, ImageKind::corrected},
    };
    for (const auto& example : cases) {
      const Folder folder;
      write_views(folder.path, "v_", 36, 10, example.stored, example.type);
      const auto found = describe_folder(folder.path, whole(folder));
      REQUIRE(found.scan);
      CHECK(to_string(found.scan->images.kind) == to_string(example.kind));
      CHECK(found.scan->images.open_level_from_border == (example.kind == ImageKind::corrected));
      CHECK_MESSAGE(found.contradictions.empty(), joined(found.contradictions));
    }
  }

  TEST_CASE("the option settles it and what it then lacks is missing") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 36, 10, std::ref(counts));
    auto options = whole(folder);
    options.kind = ImageKind::counts;
    CHECK(says(describe_folder(folder.path, options).missing, "images.open: kind counts needs open-beam images"));
    write_dark_and_open(folder.path, "dark/", "open/", counts);
    options.kind = ImageKind::corrected;
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK_FALSE(found.scan->images.dark);
    CHECK(says(found.guesses, "dark and open-beam images are not used"));
  }

  TEST_CASE("a full scale that many pixels have is the saturation") {
    const Folder folder;
    write_views(folder.path, "v_", 12, 30, [](double p) { return std::min(4095.0, 6000 * std::exp(-p)); });
    CHECK(describe_folder(folder.path, whole(folder)).scan->images.saturation == 4095);
    auto options = whole(folder);
    options.saturation = 4000;
    CHECK(describe_folder(folder.path, options).scan->images.saturation == 4000);
    const Folder clean;
    write_views(clean.path, "v_", 12, 30, [](double p) { return 6000 * std::exp(-p); });
    CHECK_FALSE(describe_folder(clean.path, whole(clean)).scan->images.saturation);
    write_views(clean.path, "v_", 12, 30, [](double p) { return 4000 * std::exp(-p); });
    Image chance = view(0, [](double p) { return 4000 * std::exp(-p); });
    chance.at(2, 2) = 4095;
    write(clean.path / "v_0000.tif", chance);
    CHECK_FALSE(describe_folder(clean.path, whole(clean)).scan->images.saturation);
  }
}

TEST_SUITE("describe: storage") {
  TEST_CASE("files without a header") {
    const Folder folder;
    Counts counts;
    fs::create_directories(folder.path / "dark");
    const auto write_raw = [&](const std::string& name, const Image& image) {
      std::string bytes(5, '!');
      for (const float sample : image.samples) {
        const auto value = unsigned(std::lround(sample));
        bytes += char(value >> 8);
        bytes += char(value & 0xff);
      }
      folder.text(name, bytes);
    };
    for (int i = 0; i < 12; ++i)
      write_raw(std::string("v").append(std::to_string(i)) + ".raw", view(30 * i, std::ref(counts)));
    write_raw("dark/d.raw", view(0, [&](double) { return counts.dark(); }));
    write_raw("o.raw", view(0, [&](double) { return counts(0); }));
    folder.text("short.raw", "too short");
    auto options = whole(folder);
    CHECK(says(describe_folder(folder.path, options).missing, "no views found"));
    options.storage.headerless = Headerless{Headerless::Sample::uint16, true, 5};
    options.storage.headerless_rows = rows;
    options.storage.headerless_columns = columns;
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK(found.scan->views.count == 12);
    CHECK(found.scan->geometry.detector.columns == columns);
    CHECK(found.scan->geometry.detector.rows == rows);
    CHECK(found.scan->images.projections == ImageNames{"v*.raw"});
    CHECK(level(found.scan->images.dark) == ImageNames{"dark/d.raw"});
    CHECK(level(found.scan->images.open) == ImageNames{"o.raw"});
    CHECK(found.scan->images.headerless->big_endian);
    CHECK(found.scan->images.headerless->skip_bytes == 5);
    CHECK(says(found.contradictions, "short.raw: left out: 9 bytes, but one image as --headerless says takes 1925"));
    const ViewReader reader(*found.scan);
    std::vector<float> samples(rows * columns);
    reader.read(3, 1, 0, rows, samples);
    CHECK(samples[0] == doctest::Approx(open_level).epsilon(0.05));
  }

  TEST_CASE("images on their side") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    auto options = whole(folder);
    options.storage.turned_deg = 90;
    options.storage.mirrored = true;
    const auto found = describe_folder(folder.path, options);
    CHECK(found.scan->geometry.detector.columns == rows);
    CHECK(found.scan->geometry.detector.rows == columns);
    CHECK(found.scan->geometry.detector.axis_column == (rows - 1) / 2.0);
    CHECK(found.scan->images.turned_deg == 90);
    CHECK(found.scan->images.mirrored);
  }

  TEST_CASE("one multi-page file") {
    const Folder folder;
    Counts counts;
    TiffStack stack(folder.path / "scan.tif", rows, columns, SampleType::uint16);
    for (int i = 0; i < 20; ++i)
      stack.append(view(18 * i, std::ref(counts)).samples);
    stack.finish();
    const auto found = describe_folder(folder.path, whole(folder));
    REQUIRE(found.scan);
    CHECK(found.scan->images.projections == ImageNames{"scan.tif"});
    CHECK(found.scan->views.count == 20);
  }

  TEST_CASE("sinograms: one a detector row and the last view repeats the first") {
    const Folder folder;
    for (int r = 0; r < rows; ++r) {
      Image sinogram(37, columns);
      for (int v = 0; v < 37; ++v)
        for (int c = 0; c < columns; ++c)
          sinogram.at(v, c) = float(line_integral(10 * v, r, c));
      write(folder.path / numbered("s/", r), sinogram, SampleType::float32);
    }
    auto options = whole(folder);
    options.layout = Layout::sinograms;
    options.beam = Beam::fan;
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK(found.scan->geometry.beam == Beam::fan);
    CHECK(found.scan->geometry.detector.rows == rows);
    CHECK(found.scan->views.count == 37);
    CHECK(found.scan->views.step_deg == 10);
    CHECK(found.scan->images.kind == ImageKind::line_integrals);
    CHECK(found.scan->images.sinograms);
    CHECK(ViewReader(*found.scan).series().count() == rows);
  }

  TEST_CASE("parallel beam needs no distances and one row makes a fan") {
    const Folder folder;
    for (int i = 0; i < 18; ++i) {
      const Image image = view(10 * i, [](double p) { return p; });
      Image row(1, columns);
      std::copy_n(image.samples.end() - columns, columns, row.samples.begin());
      write(folder.path / numbered("v_", i), row, SampleType::float32);
    }
    auto options = to(folder);
    options.column_pitch_mm = 0.5;
    options.arc_deg = 180;
    options.beam = Beam::parallel;
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    CHECK(found.scan->geometry.beam == Beam::parallel);
    CHECK(found.scan->images.kind == ImageKind::line_integrals);
    options.beam = {};
    options.sod_mm = 100;
    options.sdd_mm = 200;
    CHECK(describe_folder(folder.path, options).scan->geometry.beam == Beam::fan);
  }

  TEST_CASE("a scan file elsewhere and names with wildcards in them") {
    const Folder folder, other;
    Counts counts;
    write_views(folder.path, "run [1]*/v_", 12, 30, std::ref(counts));
    write(folder.path / "run [1]*/w_1.tif", Image(6, 10, 9));
    auto options = whole(folder);
    options.scan_file = other.path / "deep.json";
    const auto found = describe_folder(folder.path, options);
    REQUIRE(found.scan);
    const fs::path expected = fs::path("..") / folder.path.filename() / "run [[]1][*]/v_*.tif";
    CHECK(found.scan->images.projections == ImageNames{expected.string()});
    CHECK(ViewReader(*found.scan).series().count() == 12);
  }
}

TEST_SUITE("describe: refusals") {
  TEST_CASE("each names the option or file and what must hold") {
    const Folder folder;
    Counts counts;
    write_views(folder.path, "v_", 12, 30, std::ref(counts));
    auto options = whole(folder);
    options.sdd_mm = 150;
    CHECK(message(folder, options).find("source_to_detector_mm: 150; must be above source_to_object_mm (200)") !=
          std::string::npos);
    options = whole(folder);
    options.step_deg = 30;
    CHECK(message(folder, options) == "--arc and --step: both given; must be at most one of them");
    options = whole(folder);
    options.angles_file = folder.path / "angles.txt";
    CHECK(message(folder, options).find("--angles-file: given with --arc") == 0);
    options.arc_deg = {};
    CHECK(message(folder, options).find("angles.txt: cannot be read") != std::string::npos);
    folder.text("angles.txt", "0\n30\n");
    CHECK(message(folder, options).find("views.count: 12; must be the number of angles") != std::string::npos);
    options = whole(folder);
    options.axis_column = 99;
    CHECK(message(folder, options).find("axis_column: 99") != std::string::npos);
    options = whole(folder);
    options.settings_file = folder.path / "absent.ini";
    CHECK(message(folder, options).find("absent.ini: cannot be read") != std::string::npos);
    CHECK_THROWS_AS(describe_folder(folder.path / "nowhere", whole(folder)), BadInput);
    Hooks hooks;
    hooks.cancelled = [] { return true; };
    CHECK_THROWS_AS(describe_folder(folder.path, whole(folder), hooks), Cancelled);
  }
}
