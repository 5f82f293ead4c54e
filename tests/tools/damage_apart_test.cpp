// Damage costs what it hit and no more: whatever rows of one run are changed or gone, every command about the others
// does what it does in a store that is whole.
#include <catch2/catch.hpp>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "tests/run_sql.hpp"
#include "tests/tools/recorded_nights.hpp"

namespace nightwatt::test {

namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using Words = std::vector<std::string>;

/// Runs 1, 3 and 4 of one device and 5 of another, on one meter and beside it; run 2, between them, is the one that is
/// damaged. Its readings are a block of their own, as are those of each day.
void make_store(LiveStore& bench) {
  const auto record = [&](const std::string& meter, const std::string& device, int day, double idle_w) {
    RecordedNight night;
    night.meter = meter;
    night.device = device;
    night.begin = evening + day * Duration(86'400'000'000);
    night.includes = {"adapter"};
    night.conditions = {{"ambient_c", "21"}};
    record_night(bench, night, plain_night(idle_w, 3.0 * idle_w), static_cast<std::uint64_t>(day) + 1);
  };
  record("bench", "Skua lamp", 0, 1.6);
  record("bench", "Tern box", 2, 4.0);
  record("bench", "Skua lamp", 4, 1.6);
  record("bench", "Skua lamp", 6, 1.6);
  record("shelf", "Gannet board", 2, 8.0);
  bench.record("loft", evening, 5.0);
  bench.now = evening + 8 * Duration(86'400'000'000);
  for (const char* run : {"1", "2", "3"}) {
    const std::string at = std::to_string(evening.us / 1'000'000 + 2 * (run[0] - '1') * 86'400 + 600);
    REQUIRE(bench.ask({"mark", "lamp on", "--run", run, "--at", at}).status == 0);
  }
  {
    auto store = storage::StoreWriter::open(bench.path("store.db"), {});
    REQUIRE(store);
    REQUIRE(store->begin());
    REQUIRE(store->apply(storage::PutUtcOffset{3, evening, Duration(1'000'000)}));
    REQUIRE(store->commit());
  }
  run_sql(bench.path("store.db"), "PRAGMA wal_checkpoint(TRUNCATE)");
}

struct Victim {
  const char* table;
  const char* rows;                  ///< SQL: which of them
  std::vector<std::string> columns;  ///< to be changed, one at a time
  bool goes = true;                  ///< they are taken away as well
};
const Victim victims[] = {{"run", "id = 2", {"stream", "begin_us", "note"}, false},
                          {"run_word", "run = 2 AND place = 1", {"value"}},
                          {"run_state", "run = 2", {"totals"}, false},
                          {"stretch", "run = 2", {"count"}},
                          {"sketch", "run = 2", {}},
                          {"mark", "run = 2", {"run", "at_us"}},
                          {"block", "stream = 1 AND data = 2", {"stream", "first_us"}},
                          {"block_data", "id = 2", {"bytes"}, false},
                          {"sums", "stream = 1 AND block_us = (SELECT begin_us FROM run WHERE id = 2)", {"last_us"}},
                          {"tail", "stream = 3", {"bytes"}},
                          {"stream", "id = 3", {"meter", "published"}},
                          {"shift", "stream = 3", {"from_us"}, false}};

/// SQL that changes a column of the victim's rows, or takes the rows away.
std::vector<std::string> damages(const std::string& path) {
  std::vector<std::string> sql;
  for (const Victim& victim : victims) {
    const std::string table = victim.table, where = std::string(" WHERE ") + victim.rows;
    REQUIRE_FALSE(texts(path, "SELECT 1 FROM " + table + where).empty());
    for (const std::string& column : victim.columns)
      sql.push_back("UPDATE " + table + " SET " + column + " = CASE typeof(" + column + ") WHEN 'text' THEN " + column +
                    " || 'x' WHEN 'blob' THEN x'00' || substr(" + column + ", 2) ELSE coalesce(" + column +
                    ", 0) + 1000 END" + where);
    if (victim.goes) sql.push_back("DELETE FROM " + table + where);
  }
  return sql;
}

std::string without_triggers(const std::string& path) {
  std::string sql;
  for (const std::string& name : texts(path, "SELECT name FROM sqlite_schema WHERE type = 'trigger'"))
    sql += "DROP TRIGGER " + name + ";";
  return sql;
}

/// What is said of all runs together, without the damaged one.
std::string without_run_2(const std::string& json) {
  Json all = Json::parse(json, nullptr, false);
  if (all.is_discarded()) return json;
  for (const char* list : {"runs", "rows", "devices"}) {
    if (!all.contains(list) || !all[list].is_array()) continue;
    Json kept = Json::array();
    for (const Json& one : all[list])
      if (one.value("run", Json()) != 2 && one.value("runs", Json()) != Json({2}) &&
          one.value("device", Json()) != "Tern box")
        kept.push_back(one);
    // Among how many a device ranks, and what a run without a name is told from, the damaged one had a say in.
    for (Json& one : kept)
      for (const char* relative : {"idle_rank", "load_rank", "idle_tied_with", "load_tied_with", "proposal"})
        one.erase(relative);
    all[list] = kept;
  }
  for (const char* own : {"warnings", "file"}) all.erase(own);
  return all.dump();
}

/// Every command about the other runs: first those that ask, then those that change, then what came of it.
std::vector<std::string> all_done(const LiveStore& bench) {
  std::vector<std::string> said;
  const auto ask = [&](const Words& words) {
    const auto answer = bench.ask(words);
    std::string line;
    for (const std::string& word : words) line += word + " ";
    line += "-> " + std::to_string(answer.status) + " " + without_run_2(answer.out);
    said.push_back(answer.status == 0 ? line : line + answer.err);
  };
  const std::string cut = "1767648000";  // within run 1
  ask({"summary", "1", "--json"});
  ask({"segments", "4", "--json"});
  ask({"export", "1", "-o", "-"});
  ask({"compare", "1", "3", "5", "--json"});
  ask({"compare", "--json"});
  ask({"runs", "--json"});
  ask({"history", "Skua lamp", "--json"});
  ask({"summary", "Gannet board", "--json"});
  ask({"summary", "last", "--json"});
  ask({"name", "5", "Gannet boards"});
  ask({"split", "1", "--at", cut, "--json"});
  ask({"join", "3", "4", "--json"});
  ask({"drop", "5", "--json"});
  for (const char* run : {"1", "3"}) ask({"summary", run, "--json"});
  return said;
}

}  // namespace

TEST_CASE("damage of one run's rows keeps no command about another run from what it does") {
  LiveStore bench;
  make_store(bench);
  const std::string store = bench.path("store.db"), good = bench.path("good.db");
  fs::copy_file(store, good);
  const auto put_back = [&](const std::string& damage) {
    for (const char* suffix : {"", "-wal", "-shm", "-lock"}) fs::remove(store + suffix);
    fs::copy_file(good, store);
    run_sql(store, "PRAGMA synchronous = OFF;" + damage);
  };
  const std::string drop = without_triggers(good);
  const std::vector<std::string> triggers = texts(good, "SELECT sql FROM sqlite_schema WHERE type = 'trigger'");
  std::string make_again;
  for (const std::string& trigger : triggers) make_again += ";" + trigger;
  put_back("SELECT 1");
  const std::vector<std::string> whole = all_done(bench);
  for (const std::string& line : whole) CHECK(line.find("-> 0") != std::string::npos);
  for (const std::string& damage : damages(good)) {
    put_back(drop + damage + make_again);
    CAPTURE(damage);
    const std::vector<std::string> done = all_done(bench);
    for (std::size_t i = 0; i < whole.size(); ++i) CHECK(done[i] == whole[i]);
  }
}

}  // namespace nightwatt::test
