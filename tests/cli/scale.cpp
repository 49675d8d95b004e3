// Larger than memory, shared by several runs, broken off and gone on with: the bytes of the slices stay the same.
#include <doctest/doctest.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "cli/program.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

constexpr int columns = 150, rows = 40, views = 70;

/// Cone-beam views of uneven content, not a round number of batches.
void make_uneven_scan(const Folder& folder) {
  fs::create_directory(folder / "views");
  std::vector<float> view(std::size_t(columns) * rows);
  for (int i = 0; i < views; ++i) {
    for (int r = 0; r < rows; ++r)
      for (int c = 0; c < columns; ++c)
        view[std::size_t(r) * columns + std::size_t(c)] =
            float(1 + std::sin(0.13 * c + 0.4 * i) * std::cos(0.21 * r + 0.05 * i));
    write_tiff(view_file(folder, i), rows, columns, view, SampleType::float32);
  }
  auto scan = cone_scan(views);
  scan["detector"] = {{"columns", columns}, {"rows", rows}, {"column_pitch_mm", 0.5}, {"row_pitch_mm", 0.5}};
  write_json(folder / "scan.json", scan);
}

/// Every file of a volume's slices by name.
std::map<std::string, std::string> slices_of(const fs::path& volume) {
  std::map<std::string, std::string> bytes;
  if (fs::exists(volume / "slices"))
    for (const auto& entry : fs::directory_iterator(volume / "slices"))
      bytes[entry.path().filename().string()] = slurp(entry.path());
  return bytes;
}

/// Nothing of the work is left beside a finished volume.
void check_finished(const Folder& folder, const std::string& name) {
  CAPTURE(name);
  CHECK(!fs::exists(folder / (name + ".partial")));
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder / name))
    names.insert(entry.path().filename().string());
  CHECK(names == std::set<std::string>{"slices", "volume.json"});
}

Outcome reconstruct(const Folder& folder, const std::string& options, const std::string& before = {}) {
  return run(folder, "reconstruct scan.json --quiet " + options, before);
}

/// Kills the run, as by kill -9, as soon as slice `k` appears in NAME.partial.
void kill_when_slice_appears(const Folder& folder, const std::string& name, int k, const std::string& options) {
  char slice[32];
  std::snprintf(slice, sizeof slice, "slice_%04d.tif", k);
  const fs::path file = folder / (name + ".partial") / "slices" / slice;
  const std::string command = "cd " + folder.path.string() +
                              " && { " RAYLOOM_PROGRAM " reconstruct scan.json --quiet -o " + name + " " + options +
                              " & p=$!; while kill -0 $p 2>/dev/null && ! test -e " + file.string() +
                              "; do :; done; kill -9 $p 2>/dev/null; wait $p; } > killed.out 2>&1";
  (void)std::system(command.c_str());
}

/// Runs `rayloom ARGUMENTS`. @return its peak resident memory in MiB. 0: it failed.
double peak_mib(const Folder& folder, const std::string& arguments) {
  const std::string command =
      "cd " + folder.path.string() + " && exec " RAYLOOM_PROGRAM " " + arguments + " > peak.out 2>&1";
  const pid_t child = fork();
  if (child == 0) {
    execl("/bin/sh", "sh", "-c", command.c_str(), static_cast<char*>(nullptr));
    _exit(127);
  }
  int status = 1;
  rusage used{};
  if (wait4(child, &status, 0, &used) != child || status != 0) return 0;
  return double(used.ru_maxrss) / 1024;
}

/// Memory that makes `slabs` slabs or more of the volume, found by --dry-run.
std::string memory_for_slabs(const Folder& folder, int slabs) {
  for (int mib = 400; mib > 20; mib -= 1 + mib / 20) {
    const std::string option = " --memory " + std::to_string(mib) + "M";
    const Outcome outcome = reconstruct(folder, "-o none --threads 2 --dry-run --json" + option);
    if (outcome.status != 0) break;
    if (nlohmann::json::parse(outcome.out)["slabs"].get<int>() >= slabs) return option;
  }
  return {};
}

}  // namespace

TEST_SUITE("same bytes") {
  TEST_CASE("threads and memory") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(reconstruct(folder, "-o whole --threads 2").status == 0);
    const auto whole = slices_of(folder / "whole");
    REQUIRE(whole.size() > 24);
    check_finished(folder, "whole");
    const std::string little = memory_for_slabs(folder, 2);
    REQUIRE(!little.empty());
    const std::pair<const char*, std::string> runs[] = {
        {"one", "--threads 1"}, {"three", "--threads 3"}, {"slabs", "--threads 2" + little}};
    for (const auto& [name, options] : runs) {
      CAPTURE(name);
      const Outcome outcome = reconstruct(folder, "--json " + options + " -o " + name);
      CAPTURE(outcome.err);
      REQUIRE(outcome.status == 0);
      CHECK((nlohmann::json::parse(outcome.out)["slabs"] > 1) == (name == std::string("slabs")));
      CHECK(slices_of(folder / name) == whole);
    }
  }

  TEST_CASE("parts in any order and in one folder") {
    const Folder folder;
    make_uneven_scan(folder);
    for (const std::string type : {" --type float32", " --type uint16"}) {
      CAPTURE(type);
      const std::string whole_name = type.substr(8), name = "parts_" + whole_name;
      REQUIRE(reconstruct(folder, "-o " + whole_name + type).status == 0);
      for (const char* part : {"3/3", "1/3", "2/3"}) {
        CHECK(!fs::exists(folder / name));
        const Outcome outcome = reconstruct(folder, "-o " + name + type + " --part " + part);
        CAPTURE(outcome.err);
        REQUIRE(outcome.status == 0);
      }
      check_finished(folder, name);
      CHECK(slices_of(folder / name) == slices_of(folder / whole_name));
      CHECK(nlohmann::json::parse(slurp(folder / name / "volume.json")).value("clipped_share", -1.0) ==
            nlohmann::json::parse(slurp(folder / whole_name / "volume.json")).value("clipped_share", -1.0));
    }
    // More parts than slices: some have nothing to do.
    for (int i = 1; i <= 3; ++i)
      CHECK(reconstruct(folder, "-o few --size 20,20,2 --part " + std::to_string(i) + "/3").status == 0);
    check_finished(folder, "few");
  }

  TEST_CASE("a run killed and gone on with") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(reconstruct(folder, "-o whole").status == 0);
    const auto whole = slices_of(folder / "whole");
    kill_when_slice_appears(folder, "broken", 5, "");
    REQUIRE(fs::exists(folder / "broken.partial"));
    CHECK(!fs::exists(folder / "broken"));
    const Outcome other = reconstruct(folder, "-o broken --resume --filter hann");
    CHECK(other.status == 2);
    CHECK(other.err.find("filter: \"ramp\" there, \"hann\" now") != std::string::npos);
    const Outcome outcome = reconstruct(folder, "-o broken --resume --json");
    CAPTURE(outcome.err);
    REQUIRE(outcome.status == 0);
    const int written = nlohmann::json::parse(outcome.out)["slices_written"].get<int>();
    CHECK(written < int(whole.size()) - 4);  // slices 0 to 4 at least were finished
    check_finished(folder, "broken");
    CHECK(slices_of(folder / "broken") == whole);
    // What the killed run found in the samples behind its slices is not forgotten.
    const auto samples_read = [&](const char* name) {
      return nlohmann::json::parse(slurp(folder / name / "volume.json"))["samples"]["read"].get<std::size_t>();
    };
    CHECK(samples_read("broken") > samples_read("whole"));
  }

  TEST_CASE("parts that lie above or below all that any view sees") {
    const Folder folder;
    make_uneven_scan(folder);
    const std::string tall = " --size 12,12,200";
    REQUIRE(reconstruct(folder, "-o whole" + tall).status == 0);
    for (const int part : {8, 1, 5, 3, 2, 7, 4, 6})
      REQUIRE(reconstruct(folder, "-o parts" + tall + " --part " + std::to_string(part) + "/8").status == 0);
    check_finished(folder, "parts");
    CHECK(slices_of(folder / "parts") == slices_of(folder / "whole"));
  }

  TEST_CASE("one part killed and run again") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(reconstruct(folder, "-o whole").status == 0);
    const auto whole = slices_of(folder / "whole");
    kill_when_slice_appears(folder, "parts", 2, "--part 1/2");
    REQUIRE(reconstruct(folder, "-o parts --part 2/2").status == 0);
    CHECK(!fs::exists(folder / "parts"));
    REQUIRE(reconstruct(folder, "-o parts --part 1/2").status == 0);
    check_finished(folder, "parts");
    CHECK(slices_of(folder / "parts") == whole);
  }

  TEST_CASE("parts of changed images are not joined; parts of several instruction sets are and say so") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(run(folder, "reconstruct scan.json --quiet -o parts --part 1/2", "RAYLOOM_KERNELS=portable").status == 0);
    const std::string view = slurp(view_file(folder, 3));
    std::vector<float> other(std::size_t(columns) * rows, 1.0F);
    write_tiff(view_file(folder, 3), rows, columns, other, SampleType::float32);
    const Outcome refused = reconstruct(folder, "-o parts --part 2/2");
    CHECK(refused.status == 2);
    CHECK(refused.err.find("images.projections.crc32_of_excerpts: ") != std::string::npos);
    std::ofstream(view_file(folder, 3), std::ios::binary) << view;
    const Outcome outcome = run(folder, "reconstruct scan.json --quiet -o parts --part 2/2");
    REQUIRE(outcome.status == 0);
    CHECK(outcome.err.find("images were written between its runs") != std::string::npos);
    REQUIRE(reconstruct(folder, "-o untouched --part 1/2").status == 0);
    CHECK(reconstruct(folder, "-o untouched --part 2/2").err.find("images were written") == std::string::npos);
    const auto made_with = nlohmann::json::parse(slurp(folder / "parts/volume.json"))["reconstruction"]["kernels"];
    const bool several = made_with != "portable";
    CHECK((outcome.err.find("different instruction sets (" + made_with.get<std::string>()) != std::string::npos) ==
          several);
    CHECK(made_with.get<std::string>().find("portable") != std::string::npos);
  }

  // A voxel sums 70 filtered samples in float32: each sum rounds by 6e-8 of what has come together, at random, and each
  // sample by as much again where its place between two columns is rounded. That is 3e-7 of the greatest value as one
  // deviation, and six of them hold for every voxel.
  TEST_CASE("instruction sets differ by rounding only") {
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(run(folder, "reconstruct scan.json --quiet -o portable", "RAYLOOM_KERNELS=portable").status == 0);
    REQUIRE(reconstruct(folder, "-o best").status == 0);
    const Volume portable = StoredVolume(folder / "portable").read(), best = StoredVolume(folder / "best").read();
    double greatest = 0, difference = 0;
    for (std::size_t i = 0; i < best.samples.size(); ++i) {
      greatest = std::max(greatest, std::abs(double(best.samples[i])));
      difference = std::max(difference, std::abs(double(best.samples[i]) - portable.samples[i]));
    }
    CAPTURE(greatest);
    CHECK(difference < 2e-6 * greatest);
  }

  TEST_CASE("ranks under mpirun") {
    if (std::system("command -v mpirun > /dev/null 2>&1") != 0) {
      MESSAGE("skipped: no mpirun here");
      return;
    }
    const Folder folder;
    make_uneven_scan(folder);
    REQUIRE(reconstruct(folder, "-o whole").status == 0);
    const auto whole = slices_of(folder / "whole");
    for (int ranks = 1; ranks <= 3; ++ranks) {
      CAPTURE(ranks);
      const std::string name = "ranks" + std::to_string(ranks);
      const Outcome outcome =
          run(folder, "reconstruct scan.json --quiet --threads 1 --part auto -o " + name,
              "export OMPI_ALLOW_RUN_AS_ROOT=1 OMPI_ALLOW_RUN_AS_ROOT_CONFIRM=1; mpirun --oversubscribe -n " +
                  std::to_string(ranks));
      CAPTURE(outcome.err);
      REQUIRE(outcome.status == 0);
      check_finished(folder, name);
      CHECK(slices_of(folder / name) == whole);
    }
  }
}

TEST_SUITE("sharing a volume") {
  TEST_CASE("part auto from the variables of a scheduler") {
    const Folder folder;
    make_scan(folder);
    const auto part_under = [&](const std::string& variables) {
      const Outcome outcome =
          run(folder, "reconstruct scan.json -o v --quiet --part auto --dry-run --json",
              "unset OMPI_COMM_WORLD_SIZE SLURM_PROCID SLURM_ARRAY_TASK_ID SLURM_STEP_NUM_TASKS; env " + variables);
      if (outcome.status == 0) return nlohmann::json::parse(outcome.out)["part"].dump();
      CHECK(outcome.status == 2);
      return outcome.err;
    };
    CHECK(part_under("OMPI_COMM_WORLD_RANK=2 OMPI_COMM_WORLD_SIZE=4 SLURM_PROCID=0 SLURM_NTASKS=9") == "[3,4]");
    CHECK(part_under("SLURM_PROCID=1 SLURM_NTASKS=2") == "[2,2]");
    CHECK(part_under("SLURM_PROCID=1 SLURM_NTASKS=9 SLURM_STEP_NUM_TASKS=2") == "[2,2]");
    const std::string array = "SLURM_ARRAY_TASK_ID=5 SLURM_ARRAY_TASK_MIN=3 SLURM_ARRAY_TASK_MAX=6 ";
    CHECK(part_under(array + "SLURM_ARRAY_TASK_COUNT=4 SLURM_PROCID=0 SLURM_NTASKS=1") == "[3,4]");
    CHECK(part_under(array + "SLURM_ARRAY_TASK_COUNT=4 SLURM_PROCID=1 SLURM_STEP_NUM_TASKS=2") == "[6,8]");
    CHECK(part_under(array + "SLURM_ARRAY_TASK_COUNT=2").find("SLURM_ARRAY_TASK_COUNT: 2") != std::string::npos);
    CHECK(part_under(array + "SLURM_ARRAY_TASK_COUNT=1").find("SLURM_ARRAY_TASK_COUNT: 1; must be at least 2") !=
          std::string::npos);
    CHECK(part_under("OMPI_COMM_WORLD_SIZE=4").find("OMPI_COMM_WORLD_RANK: not set") != std::string::npos);
    CHECK(part_under("SLURM_PROCID=x SLURM_NTASKS=2").find("SLURM_PROCID: 'x'") != std::string::npos);
    CHECK(part_under("SLURM_PROCID=2 SLURM_NTASKS=2").find("3/2") != std::string::npos);
    CHECK(part_under("A=1").find("neither OMPI_COMM_WORLD_SIZE") != std::string::npos);
    CHECK(!fs::exists(folder / "v.partial"));
  }

  TEST_CASE("refusals") {
    const Folder folder;
    make_scan(folder);
    const auto refused = [&](const std::string& options, const std::string& part_of_message, int status = 2) {
      CAPTURE(options);
      const auto before = folder.listing();
      const Outcome outcome = reconstruct(folder, "-o v " + options);
      CAPTURE(outcome.err);
      CHECK(outcome.status == status);
      CHECK(outcome.err.find(part_of_message) != std::string::npos);
      CHECK(folder.listing() == before);
    };
    for (const char* part : {"0/3", "4/3", "1", "1/0", "a/b", "1/2/3", "-1/2"})
      refused("--part " + std::string(part), "must be I/N");
    refused("--part 1/2 --format bigtiff", "--format: bigtiff");
    refused("--resume --format raw", "--format: raw");
    // 8000 x 8000 x 100000 float32 are 23.3 TiB.
    for (const char* shared : {"", "--part 1/2", "--resume"})
      refused("--size 8000,8000,100000 --voxel 0.01 --memory 64G " + std::string(shared), "GiB needed, but ", 3);
    REQUIRE(reconstruct(folder, "-o v --part 1/2").status == 0);
    refused("--part 2/2 --cutoff 0.5", "v.partial: cutoff: 1.0 there, 0.5 now");
    refused("--part 2/2 --set detector.axis_column=11.6", "scan.detector.axis_column");
    REQUIRE(reconstruct(folder, "-o v --part 2/2").status == 0);
    refused("--part 2/2", "v exists");
  }

  TEST_CASE("a disk too small is refused before corrections read the views") {
    const Folder folder;
    make_uneven_scan(folder);
    std::ofstream(view_file(folder, 3), std::ios::trunc).close();
    const auto before = folder.listing();
    const auto tried = [&](const std::string& options) {
      return reconstruct(folder, "-o v --rings sorting " + options);
    };
    CHECK(tried("").status == 2);  // an empty file is no TIFF
    const Outcome outcome = tried("--size 8000,8000,100000 --voxel 0.01 --memory 64G");
    CHECK(outcome.status == 3);
    CHECK(outcome.err.find("GiB needed, but ") != std::string::npos);
    CHECK(folder.listing() == before);
  }

  TEST_CASE("a stopped run removes its folder unless it can be gone on with") {
    const Folder folder;
    make_uneven_scan(folder);
    const auto stopped = [&](const std::string& options) {
      return run(folder, "",
                 RAYLOOM_PROGRAM " reconstruct scan.json --quiet -o v --voxel 0.1 --threads 1 " + options +
                     " & p=$!; while kill -0 $p 2>/dev/null && ! test -e v.partial; do :; done; kill -TERM $p; wait "
                     "$p; exit $?; true ");
    };
    CHECK(stopped("").status == 3);
    CHECK(!fs::exists(folder / "v.partial"));
    CHECK(stopped("--resume").status == 3);
    CHECK(fs::exists(folder / "v.partial" / "run.json"));
    CHECK(!fs::exists(folder / "v"));
  }

#ifndef __SANITIZE_ADDRESS__  // which keeps memory of its own
  // Also of corrections that look over the images before anything is reconstructed. Metal's need is known once it is
  // found: the second least suffices.
  TEST_CASE("peak memory stays within the budget and a tenth") {
    const Folder folder;
    const std::string source = RAYLOOM_SOURCE_DIR "/phantoms/";
    REQUIRE(run(folder, "simulate " + source + "pump_end_plate.json --geometry " + source +
                            "pump_end_plate_scan.json --set detector.columns=900 --set detector.rows=700 --set "
                            "detector.column_pitch_mm=0.15 --set detector.row_pitch_mm=0.15 --set views.count=32 "
                            "--counts 20000 --spikes 50 --subsamples 1 --open-after --quiet -o raw")
                .status == 0);
    for (const std::string corrections :
         {"", "--spikes --drift", "--spikes --rings differences --lag 0.5", "--replace-metal 0.15 --every 4"}) {
      CAPTURE(corrections);
      const std::string command =
          "reconstruct raw/scan.json --quiet --overwrite --threads 2 -o volume --size 300,300,20 " + corrections +
          " --memory ";
      int least = 0;
      for (int tries = 0; tries < 2; ++tries) {
        const Outcome outcome = run(folder, command + std::to_string(std::max(least, 1)) + "M");
        if (outcome.status == 0) break;
        INFO(outcome.err);
        const std::string words = "must be at least ";
        const auto at = outcome.err.find(words);
        REQUIRE(at != std::string::npos);
        least = std::stoi(outcome.err.substr(at + words.size()));
      }
      const double peak = peak_mib(folder, command + std::to_string(least) + "M");
      INFO(slurp(folder / "peak.out"));
      MESSAGE(corrections << " with " << least << " MiB: peak " << peak << " MiB");
      CHECK(peak > 0);
      CHECK(peak <= 1.1 * least);
    }
  }
#endif

  TEST_CASE("dry run writes nothing and its counts are right") {
    const Folder folder;
    make_uneven_scan(folder);
    const auto before = folder.listing();
    const Outcome outcome = reconstruct(folder, "-o v --size 100,100,20 --voxel 0.2 --dry-run --json");
    REQUIRE(outcome.status == 0);
    CHECK(folder.listing() == before);
    const auto answer = nlohmann::json::parse(outcome.out);
    CHECK(answer["slabs"] == 1);
    CHECK(answer["slices"] == 20);
    CHECK(answer["disk_bytes"] == (100 * 100 * 4 + 1024) * 20 + 4096);
    CHECK(answer["disk_free_bytes"].get<double>() > 0);
    CHECK(answer["updates"] ==
          double(100 * 100) * 20 * views);  // corners 14 mm from the axis, all in the field of view
    CHECK(answer["seconds"].get<double>() > 0);
    const Outcome words = reconstruct(folder, "-o v --dry-run");
    CHECK(words.out.find("slabs    1 of at most") != std::string::npos);
    CHECK(words.out.find("memory") != std::string::npos);
  }
}
