// One answer: the same readings give the same segments and figures, whichever way they came into a run. Random nights
// of the grammar, through the tool's own commands.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "tests/nights/night.hpp"
#include "tests/tools/live_store.hpp"

namespace nightwatt::test {

namespace {

using Json = nlohmann::json;
using nights::Night;

/// As the meter would have shown it; times are seconds since the beginning of 1970.
std::string file_of(const Night& night) {
  const int digits = std::max(0, static_cast<int>(std::ceil(-std::log10(night.plan.meter.step_w) - 1e-9)));
  std::string text = "time,power_w\n";
  for (const auto& [us, power_w] : night.readings) {
    char line[64];
    const std::int64_t at = evening.us + us;
    std::snprintf(line, sizeof line, "%lld.%06lld,%.*f\n", static_cast<long long>(at / 1'000'000),
                  static_cast<long long>(at % 1'000'000), digits, power_w);
    text += line;
  }
  return text;
}

/// The begin of a night of the sort: what the truth is matters to none of these tests.
Night part_of_night(const std::string& sort, std::uint64_t seed) {
  constexpr std::size_t most_readings = 1'500;
  Night night = nights::make_night(sort, seed);
  if (night.readings.size() > most_readings) night.readings.resize(most_readings);
  return night;
}

/// Where they differ, as a JSON patch (RFC 6902); "[]" where they do not.
std::string differences(const Json& a, const Json& b) {
  return Json::diff(a, b).dump();
}

class Desk {
 public:
  std::string run_of(const std::string& text, const Night& night) {
    const std::string file = bench_.write("in.csv", text);
    std::vector<std::string> words = {"import", file, "--device", "Skua box " + std::to_string(++devices_)};
    if (night.plan.meter.declared) words.insert(words.end(), {"--resolution", std::to_string(night.plan.meter.step_w)});
    if (night.plan.meter.declared && night.plan.meter.truncates) words.emplace_back("--truncates");
    return std::to_string(json(std::move(words))["run"].get<int>());
  }
  Json json(std::vector<std::string> words) const {
    words.emplace_back("--json");
    const auto answer = bench_.ask(std::move(words));
    INFO(answer.err);
    REQUIRE(answer.status == 0);
    return Json::parse(answer.out);
  }
  std::string text(std::vector<std::string> words) const {
    const auto answer = bench_.ask(std::move(words));
    INFO(answer.err);
    REQUIRE(answer.status == 0);
    return answer.out;
  }
  /// Its segments and figures, without what names the run.
  Json figures(const std::string& run) const {
    Json found = {json({"segments", run}), json({"summary", run})};
    for (Json& part : found)
      for (const char* own : {"run", "device"}) part.erase(own);
    return found;
  }

 private:
  LiveStore bench_;
  int devices_ = 0;
};

}  // namespace

TEST_CASE("a run's export, imported again, has its segments and figures to the last digit") {
  std::uint64_t seed = 410'001;
  for (const std::string& sort : nights::sort_names()) {
    const Night night = part_of_night(sort, seed += 100);
    CAPTURE(sort, night.seed);
    Desk desk;
    const std::string run = desk.run_of(file_of(night), night);
    const std::string again = desk.run_of(desk.text({"export", run}), night);
    CHECK(differences(desk.figures(run), desk.figures(again)) == "[]");
  }
}

TEST_CASE("a run that is split anywhere and joined again has its segments and figures to the last digit") {
  std::uint64_t seed = 420'001;
  for (const std::string& sort : nights::sort_names()) {
    const Night night = part_of_night(sort, seed += 100);
    CAPTURE(sort, night.seed);
    Desk desk;
    const std::string run = desk.run_of(file_of(night), night);
    const Json whole = desk.figures(run);
    // In the middle of a level, of a way, of a gap: wherever the seed says.
    const std::size_t at = 1 + night.seed * 7919 % (night.readings.size() - 2);
    const std::int64_t us = evening.us + night.readings[at].first;
    char when[40];
    std::snprintf(when, sizeof when, "%lld.%06lld", static_cast<long long>(us / 1'000'000),
                  static_cast<long long>(us % 1'000'000));
    const Json parts = desk.json({"split", run, "--at", when});
    const std::string second = std::to_string(parts["new_run"].get<int>());
    // The first half lasts until the second begins, which no file of its readings says; the second is what they make.
    const std::string alone = desk.run_of(desk.text({"export", second}), night);
    CHECK(differences(desk.figures(second), desk.figures(alone)) == "[]");
    desk.json({"join", run, second});
    CHECK(differences(whole, desk.figures(run)) == "[]");
  }
}

}  // namespace nightwatt::test
