// `calibrate`: two meters on one load, known loads, the correction in a profile, and figures made with it.
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "recorded_nights.hpp"

using namespace nightwatt;
using namespace nightwatt::test;
using Json = nlohmann::json;

namespace {

constexpr Duration one_day{86'400'000'000};
constexpr double offset_w = 0.3, gain = 1.02;  // the bench meter shows this much too much

std::string number(storage::RunId run) {
  return std::to_string(run);
}

/// The bench meter behind the lab's, a night each with other loads; the bench's runs.
std::vector<std::string> record_pairs(const LiveStore& bench, int nights) {
  std::vector<std::string> runs;
  for (int i = 0; i < nights; ++i) {
    const auto acts = plain_night(15.0 * (i + 1), 50.0 * (i + 1));
    const auto seed = 500 + static_cast<std::uint64_t>(i);
    RecordedNight shown;
    shown.begin = evening + i * one_day;
    shown.step_w = 0.1;
    shown.accuracy = "1% + 0.1W";
    RecordedNight reference = shown;
    reference.meter = "lab";
    reference.step_w = 0.001;
    reference.accuracy = "0.05% + 0.005W";
    runs.push_back(number(record_beside(bench, shown, acts, seed, offset_w, gain)));
    record_beside(bench, reference, acts, seed, 0.0, 1.0);
  }
  return runs;
}

std::vector<std::string> asked(const std::vector<std::string>& runs, std::vector<std::string> more = {}) {
  std::vector<std::string> words = {"calibrate", "bench", "--against", "lab"};
  for (const std::string& run : runs) words.insert(words.end(), {"--run", run});
  words.insert(words.end(), more.begin(), more.end());
  return words;
}

Json json_of(const LiveStore& bench, std::vector<std::string> words) {
  words.emplace_back("--json");
  const auto answer = bench.ask(std::move(words));
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  return Json::parse(answer.out);
}

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  std::ostringstream bytes;
  bytes << file.rdbuf();
  return bytes.str();
}

}  // namespace

TEST_CASE("a meter that shows 2 % and 0.3 W too much is put right by one behind which it stood") {
  const LiveStore bench;
  const Json made = json_of(bench, asked(record_pairs(bench, 3)));
  CHECK(made["levels"].size() >= 5);
  for (const Json& level : made["levels"]) {
    INFO(level.dump());
    const double truth = (level["shown_w"].get<double>() - offset_w) / gain;
    CHECK(std::abs(level["corrected_w"].get<double>() - truth) <= level["corrected_uncertainty_w"].get<double>());
    CHECK(level["corrected_uncertainty_w"].get<double>() < 0.2);
  }
  CHECK(made["coefficients"][1].get<double>() == Approx(1.0 / gain).margin(0.002));
  CHECK(made["promise"] == "not kept");
  CHECK(made["written"].is_null());
}

TEST_CASE("known loads one after the other do as well") {
  const LiveStore bench;
  const auto runs = record_pairs(bench, 3);
  const Json made = json_of(bench, {"calibrate", "bench", "--known", "15.0 ± 0.05 W", "--run", runs[0], "--known",
                                    "45.0 +- 0.15", "--run", runs[2]});
  CHECK(made["levels"].size() == 2);
  CHECK(made["coefficients"][1].get<double>() == Approx(1.0 / gain).margin(0.01));
}

TEST_CASE("what cannot be a calibration is refused with the reason") {
  const LiveStore bench;
  const auto runs = record_pairs(bench, 1);
  RecordedNight alone;
  alone.begin = evening + 40 * one_day;
  const std::string never = number(record_night(bench, alone, plain_night(20.0, 60.0), 600));
  struct Case {
    std::vector<std::string> words;
    int status;
    const char* says;
  };
  const std::vector<Case> cases = {
      {asked({never}), 1, "never on at the same time"},
      {{"calibrate", "bench", "--known", "15 ± 0.1 W", "--run", runs[0]}, 2, "one level only"},
      {{"calibrate", "bench", "--run", runs[0]}, 2, "--against METER or --known"},
      {{"calibrate", "bench", "--against", "lab"}, 2, "needs --run"},
      {{"calibrate", "bench", "--against", "bench", "--run", runs[0]}, 2, "against itself"},
      {{"calibrate", "nobody", "--against", "lab", "--run", runs[0]}, 1, "no meter"},
      {{"calibrate", "bench", "--known", "15", "--run", runs[0]}, 2, "60.0 ± 0.3 W"},
      {{"calibrate", "bench", "--known", "15 ± 1 W", "--known", "50 ± 1 W", "--run", runs[0]}, 2, "one run for each"},
      {asked(runs, {"--write"}), 2, "no meter"},
  };
  for (const Case& one : cases) {
    const auto answer = bench.ask(one.words);
    INFO(answer.err);
    CHECK(answer.status == one.status);
    CHECK(answer.out.empty());
    CHECK(answer.err.find(one.says) != std::string::npos);
    CHECK(std::count(answer.err.begin(), answer.err.end(), '\n') == 1);
  }
}

TEST_CASE("calibrate --write puts the correction into the profile, the rest left as it was, and again in its place") {
  const LiveStore bench;
  bench.configure({"bench"});
  const auto runs = record_pairs(bench, 2);
  const std::string before = text_of(bench.path("lines.toml"));
  CHECK(bench.ask(asked(runs, {"--write"})).status == 0);
  const std::string after = text_of(bench.path("lines.toml"));
  CHECK(after.find("correction = { coefficients = [") != std::string::npos);
  const std::size_t at = after.find("correction"), end = after.find('\n', at);
  CHECK(after.substr(0, at) + after.substr(end + 1) == before);
  CHECK(bench.ask(asked(runs, {"--write"})).status == 0);
  CHECK(text_of(bench.path("lines.toml")) == after);
  // The profile can still be read.
  CHECK(bench.ask({"status"}).err.find("lines.toml") == std::string::npos);
}

TEST_CASE("figures of a corrected meter are corrected, say so, and have the correction in place of the promise") {
  const LiveStore bench;
  RecordedNight night;
  night.device = "Gannet board";
  night.step_w = 0.1;
  Correction correction;
  correction.coefficients = {-offset_w / gain, 1.0 / gain};
  correction.covariance = {1e-4, 0.0, 1e-8};
  correction.from_w = 5.0;
  correction.to_w = 50.0;
  correction.made = evening - one_day;
  correction.until = evening + one_day;
  night.correction = correction;
  const std::string run = number(record_beside(bench, night, plain_night(20.0, 80.0), 700, offset_w, gain));
  const Json summary = json_of(bench, {"summary", run, "--budget"});
  CHECK(summary["idle_w"].get<double>() == Approx(20.0).margin(0.03));
  CHECK(summary["load_w"].get<double>() == Approx(80.0).margin(0.05));
  // 2 times root of 1e-4 + (20 W)^2 1e-8, with the display's part; the promise of 1 % would be 0.23.
  CHECK(summary["idle_uncertainty_w"].get<double>() < 0.08);
  CHECK(summary["budgets"]["idle"]["level_w"].get<double>() == Approx(summary["idle_w"].get<double>()));
  CHECK(summary["budgets"]["idle"]["uncertainty_w"].get<double>() ==
        Approx(summary["idle_uncertainty_w"].get<double>()).epsilon(0.02));
  const std::string warnings = summary["warnings"].dump();
  CHECK(warnings.find("calibrated 2026-01-04") != std::string::npos);
  CHECK(warnings.find("outside what the meter was calibrated for") != std::string::npos);
  CHECK(warnings.find("was good until") == std::string::npos);
  // The readings stay as the meter said them.
  const auto exported = bench.ask({"export", run, "--format", "csv"});
  CHECK(exported.out.find(",20.7") != std::string::npos);
  night.begin = evening + 10 * one_day;
  const std::string late = number(record_beside(bench, night, plain_night(20.0, 40.0), 701, offset_w, gain));
  CHECK(json_of(bench, {"summary", late})["warnings"].dump().find("was good until 2026-01-06") != std::string::npos);
}
