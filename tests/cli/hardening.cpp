// Beam hardening from the outside: an aluminium bar in a tube's beam, flat by each way of correcting, two steel pins in
// it, and what is refused.
#include <doctest/doctest.h>

#include <cmath>

#include "cli/program.h"
#include "rayloom/volume/volume.h"

using namespace rayloom;
using namespace rayloom::cli_test;

namespace {

/// scan/scan.json: 90 views of a bar 60 mm across, 120 kV behind 2.5 mm Al (check values 6.3 A).
void simulate_bar(const Folder& folder, const nlohmann::json& more_solids = nlohmann::json::array()) {
  nlohmann::json solids = {
      {{"shape", "cylinder"}, {"radius_mm", 30}, {"length_mm", 10}, {"material", "Al"}, {"density_g_cm3", 2.699}}};
  solids.insert(solids.end(), more_solids.begin(), more_solids.end());
  write_json(folder / "bar.json",
             {{"rayloom_phantom", 1}, {"title", "bar"}, {"source", "our own"}, {"solids", solids}});
  write_json(folder / "geometry.json",
             {{"rayloom_scan", 1},
              {"beam", "parallel"},
              {"source", {{"voltage_kv", 120}, {"filters", {{{"material", "Al"}, {"thickness_mm", 2.5}}}}}},
              {"detector", {{"columns", 80}, {"rows", 1}, {"column_pitch_mm", 1}}},
              {"views", {{"count", 90}, {"arc_deg", 180}}}});
  const Outcome made = run(folder, "simulate bar.json --geometry geometry.json --spectrum integrating --quiet -o scan");
  REQUIRE_MESSAGE(made.status == 0, made.err);
}

nlohmann::json pin(double x_mm) {
  return {{"shape", "cylinder"}, {"radius_mm", 3},        {"length_mm", 10},  {"centre_mm", {x_mm, 0, 0}},
          {"material", "Fe"},    {"density_g_cm3", 7.87}, {"mode", "replace"}};
}

struct Profile {
  double centre, edge;  ///< Means within 6 mm of the axis and from 25 to 27 mm, 1/mm.
};

Profile profile_of(const fs::path& folder) {
  const Volume volume = StoredVolume(folder).read();
  double sum[2] = {}, n[2] = {};
  for (int j = 0; j < volume.grid.ny; ++j)
    for (int i = 0; i < volume.grid.nx; ++i) {
      const double r = std::hypot(volume.grid.x_mm(i), volume.grid.y_mm(j));
      const int place = r < 6 ? 0 : r > 25 && r < 27 ? 1 : 2;
      if (place < 2) sum[place] += double(volume.at(i, j, 0)), ++n[place];
    }
  return {sum[0] / n[0], sum[1] / n[1]};
}

}  // namespace

TEST_SUITE("hardening by the program") {
  TEST_CASE("the bar comes out flat by coefficients and by material and by fit") {
    const Folder folder;
    simulate_bar(folder);
    const auto made = [&](const std::string& name, const std::string& options) {
      const Outcome outcome = run(folder, "reconstruct scan/scan.json --quiet -o " + name + " " + options);
      REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
      return nlohmann::json::parse(slurp(folder / name / "volume.json"))["corrections"];
    };
    CHECK(made("raw", "").empty());
    const Profile raw = profile_of(folder / "raw");
    CHECK(raw.centre / raw.edge < 0.9);

    // Thin-layer attenuation 0.133936/mm; voxels of 1/60 of the bar keep its edge from the ring by three voxels.
    const auto by_material = made("material", "--hardening-of Al:2.699")["hardening"];
    CHECK(by_material["material"] == "Al");
    CHECK(by_material["response"] == "integrating");
    const Profile material = profile_of(folder / "material");
    CHECK(std::abs(material.centre / 0.133936 - 1) < 0.01);
    CHECK(std::abs(material.edge / 0.133936 - 1) < 0.01);

    CHECK(made("given", "--hardening 1.15106,0.341626,-0.032120:4")["hardening"] ==
          nlohmann::json({{"coefficients", {1.15106, 0.341626, -0.032120}}, {"up_to", 4.0}}));
    const Profile given = profile_of(folder / "given");
    CHECK(std::abs(given.centre / given.edge - 1) < 0.015);

    const auto fitted = made("fit", "--hardening fit")["hardening"];
    CHECK(fitted["fitted"] == true);
    CHECK(fitted["coefficients"].size() == 3);
    const Profile fit = profile_of(folder / "fit");
    CHECK(std::abs(fit.centre / fit.edge - 1) < 0.015);

    // What a fit found, given again, makes the same volume.
    std::string again;
    for (const double a : fitted["coefficients"])
      again += nlohmann::json(a).dump() + ",";
    again.back() = ':';
    made("again", "--hardening " + again + fitted["up_to"].dump());
    CHECK(slurp(folder / "again" / "slices" / "slice_0000.tif") == slurp(folder / "fit" / "slices" / "slice_0000.tif"));
    made("one", "--hardening fit --threads 1");
    CHECK(slurp(folder / "one" / "slices" / "slice_0000.tif") == slurp(folder / "fit" / "slices" / "slice_0000.tif"));
  }

  TEST_CASE("two pins: hardening of both materials undone or their shadows replaced") {
    const Folder folder;
    simulate_bar(folder, {pin(-13), pin(13)});
    const auto made = [&](const std::string& name, const std::string& options) {
      const Outcome outcome = run(folder, "reconstruct scan/scan.json --quiet -o " + name + " " + options);
      REQUIRE_MESSAGE(outcome.status == 0, outcome.err);
      return outcome.out;
    };
    const auto record = [&](const std::string& name) {
      return nlohmann::json::parse(slurp(folder / name / "volume.json"));
    };
    // Value between the pins as a share of that at the same distance from the axis across.
    const auto streak = [&](const std::string& name) {
      const Volume volume = StoredVolume(folder / name).read();
      double between = 0, across = 0;
      for (int a = 36; a <= 43; ++a)
        for (int b = 39; b <= 40; ++b)
          between += double(volume.at(a, b, 0)), across += double(volume.at(b, a < 40 ? a - 15 : a + 15, 0));
      return between / across - 1;
    };
    CHECK(made("one", "--hardening-of Al:2.699").find("measuring") == std::string::npos);
    made("two", "--hardening-of Al:2.699 --metal Fe:7.87");
    CHECK(std::abs(streak("one")) > 0.1);
    CHECK(std::abs(streak("two")) < std::abs(streak("one")) / 3);
    CHECK(record("two")["corrections"]["hardening"]["material"] == "Al");
    CHECK(record("two")["corrections"]["metal"]["material"] == "Fe");
    CHECK(!record("two").contains("use"));

    CHECK(made("replaced", "--replace-metal 0.25").find("replaced: for looking, not measuring") != std::string::npos);
    CHECK(record("replaced")["use"] == "for looking, not measuring");
    CHECK(record("replaced")["corrections"]["metal_replaced"]["above_per_mm"] == 0.25);
    const float put_back = record("replaced")["corrections"]["metal_replaced"]["put_back_per_mm"].get<float>();
    CHECK(StoredVolume(folder / "replaced").read().at(53, 40, 0) == put_back);

    // Where there is no metal, nothing is labelled.
    const Outcome none = run(folder, "reconstruct scan/scan.json --quiet -o none --replace-metal 30");
    CHECK(none.status == 0);
    CHECK(none.err.find("--replace-metal: a first reconstruction shows nothing above 30/mm") != std::string::npos);
    CHECK(!record("none").contains("use"));

    // Metal is found alike whatever the memory and threads.
    made("again", "--hardening-of Al:2.699 --metal Fe:7.87 --threads 1 --memory 60M");
    CHECK(slurp(folder / "again" / "slices" / "slice_0000.tif") == slurp(folder / "two" / "slices" / "slice_0000.tif"));
  }

  TEST_CASE("what is refused names the option") {
    const Folder folder;
    make_scan(folder);
    const std::vector<std::pair<std::string, std::vector<std::string>>> cases = {
        {"--hardening 1,x", {"--hardening: '1,x'", "numbers separated by commas"}},
        {"--hardening 1,-0.2", {"--hardening: 1,-0.2: does not rise at a line integral of 2.5", "hint: ", ":2"}},
        {"--hardening 1:0", {"--hardening: made for line integrals up to 0; must be above 0"}},
        {"--hardening 1 --hardening-of Al", {"--hardening: given with --hardening-of; must be one of the two"}},
        {"--hardening-of Al", {"--hardening-of: ", "scan.json has no source.voltage_kv", "--set source.voltage_kv"}},
        {"--hardening-of Qq:1", {"--hardening-of: 'Qq:1'", "Qq"}},
        {"--hardening-of C5H8O2", {"--hardening-of: 'C5H8O2'", "C5H8O2:1.19"}},
        {"--hardening-of Al:0", {"--hardening-of: 'Al:0': density 0 g/cm3; must be above 0"}},
        {"--hardening-of Al --spectrum red --set source.voltage_kv=100", {"--spectrum: 'red'; must be integrating or"}},
        {"--hardening-of Al --set source.voltage_kv=5", {"source.voltage_kv: 5"}},
        {"--metal Fe", {"--metal: 'Fe'; goes with --hardening-of"}},
        {"--hardening-of Fe --metal Al --set source.voltage_kv=100", {"--metal: attenuation 0.", "at least twice"}},
        {"--replace-metal 0", {"--replace-metal: 0/mm; must be above 0"}},
        {"--replace-metal 1 --metal Fe", {"--metal: given with --replace-metal; must be one of the two"}},
        {"--hardening fit", {"hardening: only 0 voxels", "must be at least 500"}}};
    for (const auto& refused : cases) {
      const std::string& options = refused.first;
      CAPTURE(options);
      const auto before = folder.listing();
      const Outcome outcome = run(folder, "reconstruct scan.json --quiet -o volume " + options);
      CHECK(outcome.status == 2);
      CHECK(outcome.out.empty());
      for (const std::string& word : refused.second)
        CHECK_MESSAGE(outcome.err.find(word) != std::string::npos, outcome.err);
      CHECK(folder.listing() == before);
    }
  }
}
