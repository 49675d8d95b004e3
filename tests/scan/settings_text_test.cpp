// Settings texts: every expected value below was worked out by hand from the line that holds it.
#include "rayloom/scan/settings_text.h"

#include <doctest/doctest.h>

#include <unistd.h>
#include <fstream>
#include <map>

#include "rayloom/errors.h"

using namespace rayloom;

namespace {

/// The readings of `text` by quantity; fails if a quantity comes twice.
std::map<Quantity, double> values(const std::string& text) {
  std::map<Quantity, double> out;
  for (const auto& reading : read_settings(text, "s.txt").readings) {
    CHECK_MESSAGE(out.count(reading.quantity) == 0, to_string(reading.quantity));
    out[reading.quantity] = reading.value;
  }
  return out;
}

double only(const std::string& text) {
  const auto readings = read_settings(text, "s.txt").readings;
  REQUIRE_MESSAGE(readings.size() == 1, text);
  return readings[0].value;
}

bool refused(const std::string& line, const std::string& why) {
  const auto text = read_settings(line, "s.txt");
  return text.readings.empty() && text.not_understood.size() == 1 &&
         text.not_understood[0].find(why) != std::string::npos;
}

}  // namespace

TEST_SUITE("settings text: keys") {
  TEST_CASE("a key is its letters and digits in lower case and synonyms are one word") {
    for (const char* key : {"SOD", "FOD", "source-object distance", "Source Object Distance", "SourceToObjectDistance",
                            "focus_object_distance", "distance source to axis", "sourceToRotationAxis",
                            "source_sample_distance", "X-ray source to specimen distance", "Fokus-Objekt-Abstand"}) {
      const auto readings = read_settings(std::string(key) + " = 187.5", "s.txt").readings;
      REQUIRE_MESSAGE(readings.size() == 1, std::string(key));
      CHECK_MESSAGE(readings[0].quantity == Quantity::source_to_object_mm, std::string(key));
      CHECK(readings[0].value == 187.5);
    }
    for (const char* key : {"SDD", "FDD", "SID", "source detector distance", "FocusDetectorDistance"})
      CHECK_MESSAGE(values(std::string(key) + ": 900").at(Quantity::source_to_detector_mm) == 900, std::string(key));
    CHECK(values("ODD = 12").at(Quantity::object_to_detector_mm) == 12);
    for (const char* key : {"number of projections", "Projections", "NumberOfViews"})
      CHECK_MESSAGE(values(std::string(key) + "\t721").at(Quantity::view_count) == 721, std::string(key));
  }

  TEST_CASE("all quantities of one file") {
    const auto v = values(
        "[Geometry]\n"
        "Source object distance [mm] = 200\n"
        "Source detector distance [cm] = 80\n"
        "Magnification = 4\n"
        "Voxel size [um] = 50\n"
        "[Detector]\n"
        "Pixel size = 0.2 x 0.21 mm\n"
        "Detector size = 512 x 400 px\n"
        "Axis offset [px] = -1.5\n"
        "Saturation level = 65535\n"
        "[Scan]\n"
        "Projections = 720\n"
        "Angle step = 0.5 deg\n"
        "Start angle = 90\n"
        "Total angle = 360\n"
        "Rotation direction = counter-clockwise\n"
        "[Tube]\n"
        "Voltage = 120 kV\n"
        "Current = 150 uA\n"
        "Focal spot [um] = 5\n");
    using Q = Quantity;
    const std::map<Q, double> expected = {{Q::source_to_object_mm, 200},
                                          {Q::source_to_detector_mm, 800},
                                          {Q::magnification, 4},
                                          {Q::voxel_mm, 0.05},
                                          {Q::column_pitch_mm, 0.2},
                                          {Q::row_pitch_mm, 0.21},
                                          {Q::columns, 512},
                                          {Q::rows, 400},
                                          {Q::axis_offset_px, -1.5},
                                          {Q::saturation, 65535},
                                          {Q::view_count, 720},
                                          {Q::step_deg, 0.5},
                                          {Q::first_deg, 90},
                                          {Q::arc_deg, 360},
                                          {Q::turn_sense, -1},
                                          {Q::voltage_kv, 120},
                                          {Q::current_ma, 0.15},
                                          {Q::focal_spot_mm, 0.005}};
    CHECK(v.size() == expected.size());
    for (const auto& [quantity, value] : expected) {
      REQUIRE_MESSAGE(v.count(quantity) == 1, to_string(quantity));
      CHECK_MESSAGE(v.at(quantity) == doctest::Approx(value).epsilon(1e-12), to_string(quantity));
    }
  }

  TEST_CASE("a section completes a short key") {
    CHECK(values("[Pixel size]\nx = 0.1\ny = 0.3").at(Quantity::row_pitch_mm) == 0.3);
    CHECK(values("[Source object]\ndistance = 150").at(Quantity::source_to_object_mm) == 150);
  }

  TEST_CASE("beam and filters and notes and lines that mean nothing") {
    const auto text = read_settings(
        "Scan report of Monday\n# Voltage = 80\n; Voltage = 81\n12:30 started\nBeam = cone beam\n"
        "Filter = 0,5 mm Cu + Al 1 mm\nExposure time [ms] = 500\nBinning = 2\nFrobnication = high\n",
        "scan.ini");
    CHECK(text.beam == Beam::cone);
    REQUIRE(text.filters.size() == 2);
    CHECK(text.filters[0].material == "Cu");
    CHECK(text.filters[0].thickness_mm == 0.5);
    CHECK(text.filters[1].material == "Al");
    CHECK(text.filters[1].thickness_mm == 1);
    REQUIRE(text.notes.size() == 2);
    CHECK(text.notes[0].first == "Exposure time [ms]");
    CHECK(text.notes[1].second == "2");
    CHECK(text.not_understood == std::vector<std::string>{"scan.ini, line 9: Frobnication = high"});
    CHECK(text.readings.empty());
    // A filter that is no material and thickness is kept as it stands.
    CHECK(read_settings("filter = none", "s").notes.at(0).second == "none");
    CHECK(read_settings("filter = 0.5 mm copper", "s").filters.at(0).material == "Cu");
  }
}

TEST_SUITE("settings text: numbers and units") {
  TEST_CASE("units in the key or after the value and in any encoding of the micro sign") {
    for (const char* line :
         {"Pixel size [mm] = 0.2", "pixel_size_um = 200", "Pixel size (um): 200", "PixelSizeUm=200",
          "pixel size = 200 um", "pixel size in mm = 0.2", "pixel size = 200 \xc2\xb5m", "pixel size = 200 \xce\xbcm",
          "pixel size = 200 \xb5m", "pixel size [\xb5m] = 200", "pixel size [\xc2\xb5m] = 200,0",
          "pixel size = 0.02 cm", "pixel size = 200 microns", "pixel size = 2e2 um", "pixel size = \"0.2 mm\"",
          "pixel size = 0.2 [mm]", "pixel size = 0.2 mm ; of the panel"})
      CHECK_MESSAGE(only(line) == doctest::Approx(0.2).epsilon(1e-12), std::string(line));
    CHECK(only("Angle step = 0.5\xc2\xb0") == 0.5);
    CHECK(only("Angle step [\xb0] = 0,5") == 0.5);
    CHECK(only("Winkelschritt [Grad] = 0,5") == 0.5);
    CHECK(only("angle step (rad) = 0.5") == doctest::Approx(28.64788975654116).epsilon(1e-12));  // 90/pi
    CHECK(only("voltage = 90000 V") == 90);
    CHECK(only("tube current (\xc2\xb5"
               "A) = 80") == doctest::Approx(0.08));
    CHECK(only("kV = 90") == 90);
    CHECK(only("uA = 80") == doctest::Approx(0.08));
    CHECK(only("mA: 0.3") == 0.3);
  }

  TEST_CASE("a text in UTF-16 says the same") {
    std::string bytes = "\xff\xfe";
    for (const char c : std::string("pixel size ["))
      bytes += c, bytes += '\0';
    bytes += "\xb5", bytes += '\0';
    for (const char c : std::string("m] = 127\r\nSOD = 90\r\n"))
      bytes += c, bytes += '\0';
    const auto v = values(bytes);
    CHECK(v.at(Quantity::column_pitch_mm) == doctest::Approx(0.127));
    CHECK(v.at(Quantity::source_to_object_mm) == 90);
  }

  TEST_CASE("a number without unit that no detector could have is in the smaller unit and that is said") {
    const auto pixel = read_settings("pixel size = 127", "s").readings.at(0);
    CHECK(pixel.value == doctest::Approx(0.127));
    CHECK(pixel.guess == "no unit: taken as um");
    CHECK(read_settings("pixel size = 0.127", "s").readings.at(0).guess == "no unit: taken as mm");
    CHECK(read_settings("pixel size [mm] = 0.127", "s").readings.at(0).guess.empty());
    CHECK(only("current = 150") == doctest::Approx(0.15));
    CHECK(only("current = 1.5") == 1.5);
  }

  TEST_CASE("decimal commas") {
    CHECK(only("SOD = 187,25") == 187.25);
    CHECK(only("SOD = 0,125") == 0.125);
    CHECK(only("SOD = 1.187,25") == 1187.25);
    CHECK(only("SOD = 1,187.25") == 1187.25);
    CHECK(only("views = 1,234,567") == 1234567);
    // 1,187 alone may be either; beside a plain decimal comma it is a fraction.
    CHECK(refused("SOD = 1,187", "may be a fraction or thousands"));
    CHECK(values("SOD = 1,187\npitch = 0,2").at(Quantity::source_to_object_mm) == 1.187);
    CHECK(values("SOD = 1.187\npitch = 0.2").at(Quantity::source_to_object_mm) == 1.187);
    // and a point beside decimal commas may part thousands.
    CHECK(values("SOD = 1.187\npitch = 0,2").count(Quantity::source_to_object_mm) == 0);
  }

  TEST_CASE("pairs") {
    for (const char* line : {"pixel size = 0,2 x 0,3 mm", "pixel size = 0.2 mm; 0.3 mm", "pixel size [mm] = 0.2, 0.3",
                             "pixel size = 200 x 300", "pixel size = 0.2 \xc3\x97 0.3", "pixel size = 0.2 0.3"}) {
      const auto v = values(line);
      REQUIRE_MESSAGE(v.size() == 2, std::string(line));
      CHECK(v.at(Quantity::column_pitch_mm) == doctest::Approx(0.2).epsilon(1e-12));
      CHECK(v.at(Quantity::row_pitch_mm) == doctest::Approx(0.3).epsilon(1e-12));
    }
  }

  TEST_CASE("what is no number or has a wrong unit is listed and not fatal") {
    CHECK(refused("SOD = far", "no number"));
    CHECK(refused("SOD =", "no number"));
    CHECK(refused("SOD = 0,2,0,2", "no number"));
    CHECK(refused("SOD = 1e999", "no number"));
    CHECK(refused("SOD = 200 kV", "'kv' is no unit of it"));
    CHECK(refused("SOD [mm] = 20 cm", "the key says mm, the value cm"));
    CHECK(refused("SOD = 20 30", "too many numbers"));
    CHECK(refused("SOD = 20 mm 30", "too many numbers"));
    CHECK(refused("SOD = 20 mm x 30 cm", "units mm and cm"));
    CHECK(refused("detector width = 410 mm", "'mm' is no unit of it"));
    CHECK(refused("rotation direction = leftish", "must be clockwise"));
    CHECK(refused("beam = bent", "must be cone, fan or parallel"));
    CHECK(refused("views = 12:30", "no number"));
    CHECK(read_settings("", "s").readings.empty());
    CHECK(read_settings("= = =\n[\n]\n:\n\t\n", "s").readings.empty());
  }
}

TEST_SUITE("settings text: files") {
  TEST_CASE("number lists and files that are no text") {
    const auto folder = std::filesystem::temp_directory_path() / ("rayloom-settings-" + std::to_string(::getpid()));
    std::filesystem::create_directories(folder);
    std::ofstream(folder / "angles.txt") << "# deg\n0\r\n 0.5 \n\n1e0\n";
    std::ofstream(folder / "words.txt") << "0\n0.5\nx\n";
    std::ofstream(folder / "empty.txt") << "";
    std::ofstream(folder / "binary.txt", std::ios::binary) << std::string("SOD = 1\0", 8);
    CHECK(read_number_list(folder / "angles.txt") == std::vector<double>{0, 0.5, 1});
    CHECK_FALSE(read_number_list(folder / "words.txt"));
    CHECK_FALSE(read_number_list(folder / "empty.txt"));
    CHECK_THROWS_AS(read_settings_file(folder / "binary.txt"), BadInput);
    CHECK_THROWS_AS(read_settings_file(folder / "absent.txt"), BadInput);
    CHECK_THROWS_AS(read_settings_file(folder), BadInput);
    std::ofstream(folder / "large.txt") << std::string((4u << 20) + 1, ' ');
    CHECK_THROWS_AS(read_settings_file(folder / "large.txt"), BadInput);
    std::filesystem::remove_all(folder);
  }
}
