// `status --stale`: what cron is told.
#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <nlohmann/json.hpp>

#include "live_store.hpp"

using namespace nightwatt;
using namespace nightwatt::test;
using namespace std::chrono_literals;

namespace {

long lines(const std::string& text) {
  return std::count(text.begin(), text.end(), '\n');
}

}  // namespace

TEST_CASE("a meter whose newest reading is as old as allowed is not stale, and one older is, with its name and age") {
  LiveStore store;
  store.configure({"bench", "shelf"});
  store.record("bench", evening, 25.0);
  store.record("shelf", evening + Duration(60s), 3.0);
  store.now = evening + Duration(300s);
  const auto fresh = store.ask({"status", "--stale", "300"});
  CHECK(fresh.status == 0);
  CHECK(fresh.out.empty());
  store.now = evening + Duration(301s);
  const auto late = store.ask({"status", "--stale", "300"});
  CHECK(late.status == 1);
  CHECK(lines(late.out) == 1);
  CHECK_THAT(late.out,
             Catch::StartsWith("meter bench: last reading 5 min 1 s ago") && Catch::Contains("the service is down"));
  CHECK(late.err.empty());
  store.now = evening + Duration(1000s);
  CHECK(lines(store.ask({"status", "--stale", "300"}).out) == 2);
}

TEST_CASE("a configured meter that never gave a reading is stale, one that left the configuration is not asked") {
  LiveStore store;
  store.configure({"bench"});
  store.record("bench", evening, 25.0);
  store.record("sold", evening - Duration(86'400s), 3.0);
  store.now = evening + Duration(10s);
  CHECK(store.ask({"status", "--stale", "60"}).status == 0);
  store.configure({"bench", "new"});
  const auto answer = store.ask({"status", "--stale", "60"});
  CHECK(answer.status == 1);
  CHECK(answer.out == "meter new: no reading yet, the service is down\n");
}

TEST_CASE("without any meter to ask about, --stale answers no instead of all is well") {
  const LiveStore store;
  const auto answer = store.ask({"status", "--stale", "60"});
  CHECK(answer.status == 1);
  CHECK(lines(answer.out) == 1);
}

TEST_CASE("with --json, --stale gives the whole status and the exit status alone tells") {
  LiveStore store;
  store.record("bench", evening, 25.0);
  store.now = evening + Duration(120s);
  const auto answer = store.ask({"--json", "status", "--stale", "60"});
  CHECK(answer.status == 1);
  CHECK(nlohmann::json::parse(answer.out)["meters"][0]["age_s"] == 120.0);
  CHECK(store.ask({"--json", "status", "--stale", "600"}).status == 0);
}

TEST_CASE("status --stale takes a number of seconds above nothing") {
  const LiveStore store;
  for (const char* word : {"0", "-5", "soon", "nan", ""}) {
    const auto answer = store.ask({"status", "--stale", word});
    CHECK(answer.status == 2);
    CHECK(lines(answer.err) == 1);
    CHECK(answer.out.empty());
  }
}
