// The program: parses the command line, runs one command, and turns what went wrong into one message and an exit
// status.
#include <algorithm>
#include <csignal>
#include <iostream>

#include "command.h"

#if defined(__GLIBC__)
#include <malloc.h>
#endif

using namespace rayloom;
using namespace rayloom::tools;

namespace {

int complain(const Error& error, int status) {
  std::cerr << "rayloom: " << error.what() << '\n';
  if (!error.hint().empty()) std::cerr << "  hint: " << error.hint() << '\n';
  return status;
}

/// The library names what is wrong as its fields are named, "focal_spot_mm: -1"; the user knows it as an option of the
/// command, "--focal-spot: -1".
InvalidOption in_words_of(const CLI::App& command, const InvalidOption& error) {
  const std::string what = error.what();
  const std::string field = what.substr(0, what.find(':'));
  std::string option = "--" + field;
  std::replace(option.begin(), option.end(), '_', '-');
  const std::string without_unit = option.substr(0, option.rfind('-'));
  for (const std::string& name : {option, without_unit})
    if (name.size() > 3 && command.get_option_no_throw(name) != nullptr)
      return InvalidOption(name + what.substr(field.size()), error.hint());
  return error;
}

/// Memory that one step frees counts beside what the next one takes as long as the C library keeps it, which it does
/// with ever larger blocks unless told a size.
void give_freed_memory_back() {
#if defined(__GLIBC__)
  mallopt(M_MMAP_THRESHOLD, 1 << 20);
#endif
}

int run(int argc, char** argv) {
  give_freed_memory_back();
  CLI::App program("rayloom: X-ray projections in, a volume one can trust out.");
  program.require_subcommand(0, 1);
  program.set_version_flag("--version", std::string("rayloom ") + RAYLOOM_VERSION);
  program.footer(
      "Examples:\n"
      "  rayloom describe raw/ --sod 200 --sdd 800 --pitch 0.2 -o scan.json\n"
      "  rayloom reconstruct scan.json -o volume\n"
      "  rayloom section volume -o sections\n"
      "  rayloom report volume --pictures sections -o report.html\n"
      "\n'rayloom COMMAND --help' explains a command. Exit status: 0 done, 1 the answer is 'not acceptable', 2 bad use "
      "or\n"
      "input, 3 could not finish.");
  add_describe(program);
  add_simulate(program);
  add_check(program);
  add_stitch(program);
  add_align(program);
  add_reconstruct(program);
  add_section(program);
  add_report(program);
  try {
    program.parse(argc, argv);
  } catch (const InvalidOption& error) {
    for (const CLI::App* chosen : program.get_subcommands())
      throw in_words_of(*chosen, error);
    throw;
  } catch (const CLI::RuntimeError& finished) {
    return finished.get_exit_code();
  } catch (const CLI::Success& request) {  // --help, --version
    program.exit(request);
    return Exit::done;
  } catch (const CLI::ParseError& problem) {
    std::string command, what = problem.what();
    for (const CLI::App* chosen : program.get_subcommands())
      command = " " + chosen->get_name();
    if (const std::string start = "Could not convert: "; what.starts_with(start))  // "--voxel = abc"
      what = what.substr(start.size()) + "; must be a number";
    if (const auto at = what.find(": 1 required "); at != std::string::npos && what.ends_with(" missing"))
      what = what.substr(0, at) + ": no value given; must have one";
    if (const auto at = what.find(": At Most 1 required but received"); at != std::string::npos)
      what = what.substr(0, at) + ": given more than once; must be given once";
    std::cerr << "rayloom: " << what << '\n'
              << "  hint: 'rayloom" << command << " --help' lists "
              << (command.empty() ? "the commands and their options" : "its options") << '\n';
    return Exit::bad_use;
  }
  std::cout << program.help();
  return Exit::bad_use;
}

}  // namespace

int main(int argc, char** argv) {
  std::signal(SIGXFSZ, SIG_IGN);  // a file grown too large is a failed write, with a message of its own
  try {
    return run(argc, argv);
  } catch (const InvalidOption& error) {
    return complain(error, Exit::bad_use);
  } catch (const BadInput& error) {
    return complain(error, Exit::bad_use);
  } catch (const Error& error) {
    return complain(error, Exit::could_not_finish);
  } catch (const std::bad_alloc&) {
    std::cerr << "rayloom: out of memory\n";
    return Exit::could_not_finish;
  } catch (const std::exception& error) {
    std::cerr << "rayloom: " << error.what() << '\n';
    return Exit::could_not_finish;
  }
}
