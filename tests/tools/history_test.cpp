// `history`, and `runs` and `name` where they know a device again.
#include <catch2/catch.hpp>
#include <cmath>
#include <nlohmann/json.hpp>

#include "recorded_nights.hpp"

using namespace nightwatt;
using namespace nightwatt::test;
using Json = nlohmann::json;

namespace {

constexpr Duration one_day{86'400'000'000};

Json json_of(const LiveStore& bench, std::vector<std::string> words) {
  words.emplace_back("--json");
  const auto answer = bench.ask(std::move(words));
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  return Json::parse(answer.out);
}

/// `nights` of one device, its idle as `idle_of(night)` says.
template <class IdleOf>
void record_nights(const LiveStore& bench, const std::string& device, int nights, double load_w, IdleOf&& idle_of) {
  for (int i = 0; i < nights; ++i) {
    RecordedNight night;
    night.device = device;
    night.begin = evening + i * one_day;
    record_night(bench, night, plain_night(idle_of(i), load_w), 100 + static_cast<std::uint64_t>(i));
  }
}

Json figure(const Json& history, const std::string& name) {
  for (const Json& one : history["figures"])
    if (one["figure"] == name) return one;
  FAIL("no history of " << name);
  return {};
}

}  // namespace

TEST_CASE("a step of the idle is seen on a meter of 1 %, and dated, the load did not move") {
  const LiveStore bench;
  record_nights(bench, "Gannet board", 10, 60.0, [](int i) { return i < 6 ? 38.2 : 38.3; });
  const Json history = json_of(bench, {"history", "Gannet board"});
  CHECK(history["runs"].size() == 10);
  const Json idle = figure(history, "idle"), load = figure(history, "load");
  REQUIRE(idle["changes"].size() == 1);
  const Json& change = idle["changes"][0];
  CHECK(change["shape"] == "step");
  CHECK(change["change_w"].get<double>() == Approx(0.1).margin(0.02));
  CHECK(change["change_uncertainty_w"].get<double>() < 0.05);
  // The figure itself is known to 1 % only.
  CHECK(history["runs"][0]["idle_uncertainty_w"].get<double>() > 0.4);
  CHECK(change["from"] == history["runs"][5]["begin"]);
  CHECK(change["to"] == history["runs"][6]["begin"]);
  CHECK(load["changes"].empty());
  const auto text = bench.ask({"history", "Gannet board"});
  CHECK(text.status == 0);
  CHECK(text.out.find("step") != std::string::npos);
  CHECK(text.out.find("no change in 10 nights") != std::string::npos);
  CHECK(text.out.find("●") != std::string::npos);
}

TEST_CASE("nights under other conditions are not compared, and it says so") {
  const LiveStore bench;
  for (int i = 0; i < 8; ++i) {
    RecordedNight night;
    night.device = "Puffin mini";
    night.begin = evening + i * one_day;
    if (i >= 4) night.includes = {"display"};
    record_night(bench, night, plain_night(i < 4 ? 10.0 : 22.0, 40.0), 200 + static_cast<std::uint64_t>(i));
  }
  const Json history = json_of(bench, {"history", "Puffin mini"});
  for (const Json& one : history["figures"]) CHECK(one["changes"].empty());
  REQUIRE(history["warnings"].size() == 1);
  CHECK(history["warnings"][0].get<std::string>().find("display") != std::string::npos);
}

TEST_CASE("what a load comes down to has a history of its own, where it is not the load") {
  const LiveStore bench;
  for (int i = 0; i < 8; ++i) {
    auto acts = plain_night(10.0, 45.0);
    acts.insert(acts.begin() + 3, acts[2]);  // the load again, throttled
    acts[3].level_w = i < 4 ? 38.0 : 39.0;
    acts[3].noise_w = 0.04;
    RecordedNight night;
    night.device = "Gannet board";
    night.begin = evening + i * one_day;
    record_night(bench, night, acts, 400 + static_cast<std::uint64_t>(i));
  }
  const Json history = json_of(bench, {"history", "Gannet board"});
  const Json sustained = figure(history, "sustained");
  REQUIRE(sustained["changes"].size() == 1);
  CHECK(sustained["changes"][0]["change_w"].get<double>() == Approx(1.0).margin(0.05));
  CHECK(figure(history, "load")["changes"].empty());
  CHECK(history["runs"][0]["sustained_w"].get<double>() == Approx(38.0).margin(0.5));
  // These nights' baseline is their idle, which has its own history.
  for (const Json& one : history["figures"]) CHECK(one["figure"] != "baseline");
  const auto text = bench.ask({"history", "Gannet board"}).out;
  CHECK(text.find("sustained") != std::string::npos);
  CHECK(text.find("baseline") == std::string::npos);
}

TEST_CASE("nights of one meter with other settings are not compared, and it says which settings") {
  const LiveStore bench;
  for (int i = 0; i < 4; ++i) {
    RecordedNight night;
    night.device = "Puffin mini";
    night.begin = evening + i * one_day;
    night.step_w = i < 2 ? 0.01 : 0.1;
    record_night(bench, night, plain_night(10.0, 40.0), 500 + static_cast<std::uint64_t>(i));
  }
  const Json history = json_of(bench, {"history", "Puffin mini"});
  REQUIRE(history["warnings"].size() == 1);
  CHECK(history["warnings"][0] ==
        "not all runs can be compared, each group is judged by itself: runs 1, 2 on bench, display step 0.01 W; "
        "runs 3, 4 on bench, display step 0.1 W");
}

TEST_CASE("two nights are compared and not judged") {
  const LiveStore bench;
  record_nights(bench, "Skua tower", 2, 90.0, [](int i) { return 40.0 + 0.05 * i; });
  const Json idle = figure(json_of(bench, {"history", "Skua tower"}), "idle");
  CHECK_FALSE(idle["judged"].get<bool>());
  CHECK(idle["last_less_before_w"].get<double>() == Approx(0.05).margin(0.02));
  CHECK(idle["last_less_before_uncertainty_w"].get<double>() < 0.05);
}

TEST_CASE("history as a table for a spreadsheet has a line a run") {
  const LiveStore bench;
  record_nights(bench, "Skua tower", 3, 90.0, [](int) { return 40.0; });
  const auto answer = bench.ask({"history", "Skua tower", "--format", "csv"});
  CHECK(answer.status == 0);
  CHECK(std::count(answer.out.begin(), answer.out.end(), '\n') == 4);
  CHECK(answer.out.rfind("run,begin,idle_w,idle_uncertainty_w,idle_chance_w", 0) == 0);
}

TEST_CASE("a device with one run, one that is unknown, and a wrong format are refused in a line") {
  const LiveStore bench;
  record_nights(bench, "Skua tower", 1, 90.0, [](int) { return 40.0; });
  const auto one = bench.ask({"history", "Skua tower"});
  CHECK(one.status == 1);
  CHECK(one.err.find("needs two") != std::string::npos);
  CHECK(bench.ask({"history", "Tern laptop"}).status == 1);
  CHECK(bench.ask({"history", "Skua tower", "--format", "xml"}).status == 2);
}

TEST_CASE("a run without a name is proposed the device it looks like, and takes it") {
  const LiveStore bench;
  int day = 0;
  const auto record = [&](const std::optional<std::string>& device, double idle_w, double load_w) {
    const RecordedNight night{"bench", device, evening + day * one_day, {}, {}, 0.01, "1%", {}};
    return record_night(bench, night, plain_night(idle_w, load_w), 300 + static_cast<std::uint64_t>(day++));
  };
  const auto nobody = std::to_string(record(std::nullopt, 38.0, 60.0));
  CHECK(bench.ask({"name", nobody}).status == 1);
  CHECK(bench.ask({"name", nobody, "--accept"}).err.find("no run has a device's name yet") != std::string::npos);
  for (int i = 0; i < 4; ++i) {
    record("Gannet board", 38.0 + 0.3 * i, 60.0 - 0.4 * i);
    record("Puffin mini", 3.0 + 0.02 * i, 9.0 + 0.05 * i);
  }
  const auto again = std::to_string(record(std::nullopt, 38.4, 59.3));
  const auto stranger = std::to_string(record(std::nullopt, 14.0, 47.0));
  const Json runs = json_of(bench, {"runs"});
  for (const Json& run : runs["runs"]) {
    INFO(run.dump());
    if (run["run"] == std::stoi(again)) {
      CHECK(run["proposal"]["device"] == "Gannet board");
      CHECK(run["proposal"]["odds"].get<double>() > 0.9);
    }
    if (run["run"] == std::stoi(stranger) || !run["device"].is_null()) CHECK(run["proposal"].is_null());
  }
  CHECK(bench.ask({"runs"}).out.find("Gannet board? 9") != std::string::npos);
  CHECK(bench.ask({"name", again}).out.find("--accept") != std::string::npos);
  const auto none = bench.ask({"name", stranger, "--accept"});
  CHECK(none.status == 1);
  CHECK(none.err.find("no proposal") != std::string::npos);
  CHECK(json_of(bench, {"name", again, "--accept"})["device"] == "Gannet board");
  const auto named = bench.ask({"name", again, "--accept"});
  CHECK(named.status == 1);
  CHECK(named.err.find("has its name already") != std::string::npos);
  CHECK(bench.ask({"name", again, "Skua tower", "--accept"}).status == 2);

  // A season of automatic runs that nobody named: the oldest is proposed a name as the newest is.
  constexpr int unnamed = 25;
  for (int i = 0; i < unnamed; ++i) record(std::nullopt, 38.4, 59.3);
  int proposed = 0;
  const Json season = json_of(bench, {"runs"});
  for (const Json& run : season["runs"])
    if (run["run"] > std::stoi(stranger) && run["proposal"].is_object()) ++proposed;
  CHECK(proposed == unnamed);
}
