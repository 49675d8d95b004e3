// rayloom report: one page for whoever must decide.
#include <algorithm>
#include <filesystem>
#include <memory>

#include "command.h"
#include "rayloom/examine/report.h"
#include "rayloom/json_fields.h"
#include "rayloom/volume/volume.h"

namespace rayloom::tools {

namespace {

namespace fs = std::filesystem;

struct ReportArguments {
  std::string volume, output, title;
  std::vector<std::string> pictures;
  bool overwrite = false;
};

/// PNG files named, and those in folders named, in order of name.
std::vector<fs::path> picture_files(const std::vector<std::string>& names) {
  std::vector<fs::path> files;
  for (const fs::path name : names) {
    std::error_code error;
    if (!fs::exists(name, error)) throw InvalidOption("--pictures: " + name.string() + ": no such file or folder");
    if (!fs::is_directory(name, error)) {
      files.push_back(name);
      continue;
    }
    std::vector<fs::path> found;
    for (const auto& entry : fs::directory_iterator(name))
      if (entry.path().extension() == ".png") found.push_back(entry.path());
    if (found.empty()) throw InvalidOption("--pictures: " + name.string() + ": holds no PNG pictures");
    std::sort(found.begin(), found.end());
    files.insert(files.end(), found.begin(), found.end());
  }
  return files;
}

int run_report(const Context& context, const ReportArguments& given) {
  refuse_existing(given.output, given.overwrite);
  if (const fs::path ending = fs::path(given.output).extension(); ending != ".html" && ending != ".htm")
    throw InvalidOption("-o: " + given.output + "; must end in .html");
  const StoredVolume volume(given.volume);
  write_text_file(given.output,
                  report_html(nlohmann::ordered_json(volume.record()), {given.title, picture_files(given.pictures)}));
  context.say(given.output + ": report of " + given.volume);
  context.result({{"report", given.output}, {"volume", given.volume}});
  return Exit::done;
}

}  // namespace

void add_report(CLI::App& program) {
  auto given = std::make_shared<ReportArguments>();
  CLI::App* command =
      add_command(program, "report", "One HTML file for whoever must decide: settings, pictures, cautions.",
                  {"rayloom report volume --pictures sections -o report.html"},
                  [given](const Context& context) { return run_report(context, *given); });
  command->add_option("VOLUME", given->volume, "volume folder")->required();
  command->add_option("--pictures", given->pictures, "PNG files, or folders of them, to show")->allow_extra_args(false);
  command->add_option("--title", given->title, "heading (the scan's title)");
  command->add_option("-o,--output", given->output, "HTML file to write")->required();
  command->add_flag("--overwrite", given->overwrite, "replace the file if it exists");
}

}  // namespace rayloom::tools
