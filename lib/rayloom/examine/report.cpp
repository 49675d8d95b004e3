#include "rayloom/examine/report.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <sstream>

#include "rayloom/errors.h"
#include "rayloom/json_fields.h"

namespace rayloom {

namespace {

using Json = nlohmann::ordered_json;

std::string escaped(const std::string& text) {
  std::string safe;
  for (const char c : text) {
    if (c == '&')
      safe += "&amp;";
    else if (c == '<')
      safe += "&lt;";
    else if (c == '>')
      safe += "&gt;";
    else if (c == '"')
      safe += "&quot;";
    else
      safe += c;
  }
  return safe;
}

/// Base 64 of RFC 4648, section 4.
std::string base64(const std::string& bytes) {
  constexpr char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    unsigned group = 0;
    for (std::size_t k = 0; k < 3; ++k)
      group = group << 8 | (i + k < bytes.size() ? static_cast<unsigned char>(bytes[i + k]) : 0U);
    for (std::size_t k = 0; k < 4; ++k)
      text += i + k <= bytes.size() ? digits[group >> (18 - 6 * k) & 63] : '=';
  }
  return text;
}

std::string shown(const Json& value) {
  if (value.is_string()) return value.get<std::string>();
  if (value.is_number_float()) return to_text(value.get<double>(), 7);
  if (value.is_boolean()) return value.get<bool>() ? "yes" : "no";
  if (value.is_array()) {
    std::string list;
    const std::size_t most = 12;
    for (std::size_t i = 0; i < std::min(value.size(), most); ++i)
      list += (i == 0 ? "" : ", ") + shown(value[i]);
    return value.size() > most ? list + ", ... (" + std::to_string(value.size()) + " in all)" : list;
  }
  return value.is_null() ? "" : value.dump();
}

/// A row for every value below `value`; names of nested fields are joined.
void add_rows(std::string& html, const std::string& name, const Json& value) {
  if (value.is_object()) {
    const std::string prefix = name.empty() ? "" : name + ", ";
    for (const auto& [key, entry] : value.items())
      add_rows(html, prefix + key, entry);
    return;
  }
  const std::string text = shown(value);
  if (text.empty()) return;
  std::string label = name;
  std::replace(label.begin(), label.end(), '_', ' ');
  html += "<tr><th>" + escaped(label) + "</th><td>" + escaped(text) + "</td></tr>\n";
}

void add_table(std::string& html, const std::string& heading, const Json& value) {
  html += "<h2>" + heading + "</h2>\n";
  if (value.is_null() || value.empty()) {
    html += "<p>not recorded</p>\n";
    return;
  }
  html += "<table>\n";
  add_rows(html, "", value);
  html += "</table>\n";
}

const Json& at(const Json& value, std::initializer_list<const char*> path) {
  static const Json nothing;
  const Json* here = &value;
  for (const char* key : path) {
    if (!here->is_object() || !here->contains(key)) return nothing;
    here = &(*here)[key];
  }
  return *here;
}

std::string read_png(const std::filesystem::path& file) {
  std::ostringstream bytes;
  std::ifstream stream(file, std::ios::binary);
  bytes << stream.rdbuf();
  std::string content = bytes.str();
  if (!stream || content.rfind("\x89PNG\r\n\x1a\n", 0) != 0) throw BadInput(file.string() + ": must be a PNG picture");
  return content;
}

constexpr const char* style =
    "body{font:15px/1.45 system-ui,sans-serif;max-width:60em;margin:2em auto;padding:0 1em;color:#222}"
    "h1{font-size:1.5em}h2{font-size:1.1em;margin-top:2em;border-bottom:1px solid #bbb}"
    "table{border-collapse:collapse}th{text-align:left;font-weight:normal;color:#555;padding:.1em 1.5em .1em "
    "0;vertical-align:top}"
    "td{padding:.1em 0}figure{margin:1.5em 0}img{max-width:100%}.care{border-left:4px solid #b60;padding:.2em "
    "1em;background:#fdf6ec}";

constexpr const char* cautions =
    "<div class=\"care\"><p>This page shows what was measured; it accepts or rejects nothing. Whether the part may be "
    "used is for the drawing, "
    "the standard that applies and qualified personnel to decide.</p>\n"
    "<p>Indications smaller than two to three voxels may be missed, and those below about five are sized poorly "
    "(common practice). Cone-beam "
    "reconstruction smears flat faces far from the plane of the source. Work with X-rays under your local radiation "
    "codes. Not for "
    "medical use.</p></div>\n";

}  // namespace

std::string report_html(const Json& record, const ReportOptions& options) {
  const Json& scan = at(record, {"scan", "description"});
  std::string title = options.title;
  if (title.empty() && at(scan, {"title"}).is_string()) title = at(scan, {"title"}).get<std::string>();
  if (title.empty()) title = "Computed tomography of a part";

  std::string html = "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>" + escaped(title) +
                     "</title><style>" + style + "</style></head><body>\n<h1>" + escaped(title) + "</h1>\n" + cautions;
  if (!options.pictures.empty()) html += "<h2>Pictures</h2>\n";
  for (const auto& file : options.pictures) {
    const std::string name = escaped(file.stem().string());
    html += "<figure><img alt=\"" + name + "\" src=\"data:image/png;base64,";
    html += base64(read_png(file));
    html += "\"><figcaption>" + name + "</figcaption></figure>\n";
  }

  Json volume;
  for (const char* key : {"size", "voxel_mm", "centre_mm", "unit", "orientation", "format", "sample_type",
                          "range_per_mm", "clipped_share", "program_version"})
    if (record.contains(key)) volume[key] = record[key];
  add_table(html, "Volume", volume);
  add_table(html, "Reconstruction", at(record, {"reconstruction"}));
  add_table(html, "Samples read and mended", at(record, {"samples"}));
  Json setup;
  for (const char* key : {"beam", "source_to_object_mm", "source_to_detector_mm", "detector", "views"})
    if (scan.contains(key)) setup[key] = scan[key];
  add_table(html, "Scan", setup);
  add_table(html, "Source", at(scan, {"source"}));
  add_table(html, "Notes", at(scan, {"notes"}));
  add_table(html, "Images", at(scan, {"images"}));
  Json traces = {{"scan file", at(record, {"scan", "file"})}, {"checksum", at(record, {"scan", "checksums"})}};
  add_table(html, "Where the data are", traces);
  return html + "</body></html>\n";
}

}  // namespace rayloom
