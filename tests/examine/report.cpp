#include "rayloom/examine/report.h"

#include <doctest/doctest.h>

#include <fstream>

#include "rayloom/errors.h"

using namespace rayloom;

TEST_SUITE("report") {
  const nlohmann::ordered_json record = {
      {"size", {3, 4, 5}},
      {"voxel_mm", 0.25},
      {"reconstruction", {{"filter", "hann"}, {"missing_arc_deg", 12.5}}},
      {"scan", {{"description", {{"title", "plate <7> & pin"}, {"beam", "cone"}, {"detector", {{"columns", 320}}}}}}}};

  TEST_CASE("shows what the record says and says what it does not") {
    const std::string html = report_html(record, {});
    CHECK(html.find("<h1>plate &lt;7&gt; &amp; pin</h1>") != std::string::npos);
    CHECK(html.find("<th>detector, columns</th><td>320</td>") != std::string::npos);
    CHECK(html.find("<th>missing arc deg</th><td>12.5</td>") != std::string::npos);
    CHECK(html.find("<h2>Source</h2>\n<p>not recorded</p>") != std::string::npos);
    CHECK(html.find("qualified personnel") != std::string::npos);
  }

  // RFC 4648, section 10: "fo" gives "Zm8=", "foobar" gives "Zm9vYmFy"; here behind the eight bytes that start a PNG,
  // "iVBORw0KGgo=".
  TEST_CASE("pictures are embedded byte for byte") {
    const std::filesystem::path file = std::filesystem::temp_directory_path() / "rayloom_report_test.png";
    std::ofstream(file, std::ios::binary) << "\x89PNG\r\n\x1a\n"
                                          << "f";
    CHECK(report_html(record, {"", {file}}).find("base64,iVBORw0KGgpm\"") != std::string::npos);
    std::ofstream(file, std::ios::binary) << "\x89PNG\r\n\x1a\n";
    CHECK(report_html(record, {"", {file}}).find("base64,iVBORw0KGgo=\"") != std::string::npos);
    std::ofstream(file, std::ios::binary) << "not a picture";
    CHECK_THROWS_WITH_AS(report_html(record, {"", {file}}), doctest::Contains("must be a PNG"), BadInput);
    std::filesystem::remove(file);
  }
}
