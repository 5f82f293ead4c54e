// `during`: a real command between two marks, its status passed on, its energy above idle from what the meter sent.
#include <catch2/catch.hpp>
#include <cmath>
#include <csignal>
#include <filesystem>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

constexpr const char* steady_script = "noise white 0.4\nenergy 12.5\nlevel 25 for 20h\n";

void record(Bench& bench) {
  bench.start_meter(steady_script, 30.0);
  bench.start_service();
  REQUIRE(eventually(15.0, [&bench] { return bench.readings() >= 30; }));
}

/// Texts of the marks, in the order in which they were set.
std::vector<std::string> marks(const Bench& bench) {
  const Answer answer = run(bench.dir(), "/usr/bin/sqlite3", {bench.store(), "SELECT text FROM mark ORDER BY id"});
  std::vector<std::string> texts;
  for (std::size_t at = 0; at < answer.out.size();) {
    const std::size_t end = answer.out.find('\n', at);
    texts.push_back(answer.out.substr(at, end - at));
    at = end + 1;
  }
  return texts;
}

TEST_CASE("a command that takes nothing costs nothing within its uncertainty, and its marks are set") {
  Bench bench(line_profile(), "shortest_segment_s = 1", 0.2);
  record(bench);
  const auto energy =
      bench.ask_json({"during", "render", "-n", "2", "--settle", "1", "--", "sh", "-c", "sleep 0.5; echo rendered"});
  CHECK(energy.at("label") == "render");
  CHECK(energy.at("meter") == "bench");
  REQUIRE(energy.at("repeats").size() == 2);
  CHECK(energy.at("repeats").at(0).at("status") == 0);
  CHECK(energy.at("time_s").get<double>() == Approx(0.5).margin(0.3));
  CHECK(energy.at("idle_w").get<double>() == Approx(25.0).margin(0.5));
  CHECK(energy.at("energy_above_idle_uncertainty_wh").get<double>() > 0.0);
  CHECK(std::abs(energy.at("mean_above_idle_w").get<double>()) < 2.0);
  CHECK(marks(bench) ==
        std::vector<std::string>{"render 1/2 begins", "render 1/2 ends", "render 2/2 begins", "render 2/2 ends"});
}

TEST_CASE("the status of a command that fails is passed on, and there is no figure") {
  Bench bench(line_profile(), "shortest_segment_s = 1", 0.2);
  record(bench);
  const Answer failed = bench.ask({"during", "render", "--settle", "0.5", "--", "sh", "-c", "exit 7"});
  CHECK(failed.status == 7);
  CHECK(failed.out.empty());
  CHECK(failed.err.find("status 7") != std::string::npos);
  CHECK(bench.ask({"during", "render", "--settle", "0.5", "--", "/no/such/program"}).status == 127);
  CHECK(bench.ask({"during", "render", "--settle", "0.5", "--shell", "sh -c", "--", "exit", "4"}).status == 4);
  CHECK(bench.ask({"during", "render", "-n", "0", "--", "true"}).status == 2);
  CHECK(bench.ask({"during", "render"}).status == 2);
  CHECK(marks(bench).back() == "render failed (status 4)");
}

TEST_CASE("the shell gets the command's words unharmed") {
  Bench bench(line_profile(), "shortest_segment_s = 1", 0.2);
  record(bench);
  const Answer answer = bench.ask({"during", "words", "--settle", "1", "--shell", "sh -c", "--", "printf", "[%s]",
                                   "it's two  spaces", "$HOME", "*"});
  CHECK(answer.status == 0);
  CHECK(answer.out.find("[it's two  spaces][$HOME][*]") != std::string::npos);
  CHECK(answer.out.find("above idle") != std::string::npos);
}

TEST_CASE("an interrupt ends the command and the waiting, and says so in the marks") {
  Bench bench(line_profile(), "shortest_segment_s = 1", 0.2);
  record(bench);
  Program during(bench.dir(), "nightwatt",
                 {"--config", bench.config(), "during", "render", "--settle", "0.3", "--", "sleep", "60"});
  REQUIRE(eventually(10.0, [&bench] { return !marks(bench).empty(); }));
  during.signal(SIGINT);
  CHECK(during.wait(5.0) == 130);
  CHECK(marks(bench) == std::vector<std::string>{"render begins", "render was interrupted"});
  Program waiting(bench.dir(), "nightwatt",
                  {"--config", bench.config(), "during", "render", "--settle", "600", "--", "true"});
  CHECK_FALSE(waiting.wait(0.5).has_value());
  waiting.signal(SIGTERM);
  CHECK(waiting.wait(5.0) == 143);
}

TEST_CASE("where nothing is recorded the command is not run") {
  Bench bench(line_profile());
  const std::string trace = bench.dir().path("ran");
  const Answer answer = bench.ask({"during", "render", "--", "touch", trace});
  CHECK(answer.status != 0);
  CHECK_FALSE(std::filesystem::exists(trace));
}

}  // namespace
}  // namespace nightwatt::process
