// A row that is gone without a trace is missed: by check, by every query that needs it, and by salvage.
#include <algorithm>
#include <set>
#include <string>
#include <vector>

#include "answers.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "storage/salvage.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using nightwatt::test::texts;

namespace {

namespace fs = std::filesystem;

constexpr std::size_t readings_a_day = 4'320;
constexpr std::int64_t step_us = 20'000'000;

/// Ten watts with a little noise, twenty in the second half of each day; a voltage beside it.
std::vector<Reading> record(std::size_t count) {
  std::vector<Reading> readings;
  for (std::size_t i = 0; i < count; ++i) {
    const bool upper = i % readings_a_day > readings_a_day / 2;
    const std::int64_t noise = static_cast<std::int64_t>(i * 7919 % 5) - 2;
    Reading reading = power_reading(night_us + static_cast<std::int64_t>(i) * step_us, (upper ? 200 : 100) + noise, -1);
    if (i < readings_a_day) reading.values.set(Quantity::voltage, Decimal{2300 + noise, -1});
    readings.push_back(reading);
  }
  return readings;
}

void put_run(StoreWriter& writer, StreamId stream, UtcTime begin, std::optional<UtcTime> end,
             RunOrigin origin = RunOrigin::by_hand) {
  NewRun run;
  run.stream = stream;
  run.origin = origin;
  run.device = "Gannet board";
  run.begin = begin;
  run.includes = {"adapter", "display"};
  run.conditions = {{"ambient_c", "21"}};
  const RunId id = must(writer.open_run(run));
  if (end) must(writer.apply(SetRunSpan{id, begin, end}));
  must(resegment(writer, id));
  for (const char* text : {"lamp on", "lamp off", "door"})
    must(writer.apply(Mark{0, id, std::nullopt, begin, text, std::nullopt}));
}

void put_words_and_times(StoreWriter& writer, StreamId stream, const std::vector<Reading>& readings) {
  NewRun entered;
  entered.origin = RunOrigin::entered;
  entered.device = "Skua lamp";
  entered.begin = readings[0].time;
  entered.entered_idle_w = 4.0;
  must(writer.apply(PutEnteredStandby{must(writer.open_run(entered)), 1.5}));
  must(writer.apply(Mark{0, std::nullopt, "bench", readings[9'100].time, "rain", std::nullopt}));
  for (const std::size_t place : {std::size_t{0}, std::size_t{5'500}, std::size_t{9'100}}) {
    const UtcTime time = readings[place].time;
    must(writer.apply(PutUtcOffset{stream, time, Duration(static_cast<std::int64_t>(place) * 1'000'000)}));
    const auto kind = place == 5'500 ? EventKind::outage : EventKind::clock_step;
    must(writer.apply(Event{kind, time, std::nullopt, "", 60.0}));
  }
  for (const char* name : {"a", "b"}) must(writer.apply(PutValue{name, "kept"}));
}

/// A meter's two days and some hours, the first day given up, in each table some rows.
void make_store(const std::string& path) {
  StoreSettings settings;
  settings.keep_raw_days = 1.1;
  StoreWriter writer = must(StoreWriter::open(path, settings));
  const std::vector<Reading> readings = record(9'600);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  for (std::size_t i = 0; i < readings.size(); i += 480)
    must(writer.apply(AppendReadings{stream, std::span(readings).subspan(i, 480)}));
  put_run(writer, stream, readings[1'000].time, readings[2'000].time);
  put_run(writer, stream, readings[5'000].time, readings[6'000].time);
  put_run(writer, stream, readings[8'900].time, std::nullopt);
  put_words_and_times(writer, stream, readings);
  NewRun imported;
  imported.origin = RunOrigin::imported;
  imported.stream = must(writer.new_import_stream());
  must(writer.apply(AppendReadings{imported.stream, std::span(readings).first(400)}));
  must(writer.apply(PublishImport{imported.stream}));
  put_run(writer, imported.stream, readings[0].time, readings[399].time, RunOrigin::imported);
  must(writer.commit());
  for (bool more = true; more;) {
    must(writer.begin());
    more = must(writer.retain(readings.back().time));
    must(writer.commit());
  }
  REQUIRE(StoreWriter::leave(std::move(writer)));
  nightwatt::test::run_sql(path, "INSERT INTO set_aside (stream, bytes, acknowledged) VALUES (1, x'00', 1)");
}

/// SQL that takes away the first row of a table, or the last, or one of those between: as if it had never been there.
std::vector<std::string> vanishings(const std::string& path, const std::string& table) {
  std::string key;
  for (const std::string& column : texts(path, "SELECT name FROM pragma_table_info('" + table + "') WHERE pk > 0"))
    key += (key.empty() ? "" : ", ") + column;
  const std::size_t rows = texts(path, "SELECT 1 FROM " + table).size();
  REQUIRE(rows > 0);
  std::vector<std::string> sql;
  for (const std::size_t place : std::set{std::size_t{0}, rows / 2, rows - 1})
    sql.push_back("DELETE FROM " + table + " WHERE (" + key + ") = (SELECT " + key + " FROM " + table + " ORDER BY " +
                  key + " LIMIT 1 OFFSET " + std::to_string(place) + ")");
  return sql;
}

std::string without_triggers(const std::string& path) {
  std::string sql;
  for (const std::string& name : texts(path, "SELECT name FROM sqlite_schema WHERE type = 'trigger'"))
    sql += "DROP TRIGGER " + name + ";";
  return sql;
}

void remove_files(const std::string& path) {
  for (const char* suffix : {"", "-wal", "-shm", "-lock"}) fs::remove(path + suffix);
}

std::string what_is_told(const SalvageReport& report) {
  std::string text = std::to_string(report.losses.size());
  for (const std::string& remark : report.remarks) text += "; " + remark;
  return text;
}

}  // namespace

TEST_CASE("a row that vanishes from any table is missed by check, by the queries that need it, and by salvage") {
  Folder folder;
  make_store(folder.file("good.db"));
  const std::string good = answers(folder.file("good.db"));
  REQUIRE(must(must(StoreReader::open(folder.file("good.db"))).check(prove_run)).ok);
  const std::string usual =
      what_is_told(must(salvage(folder.file("good.db"), folder.file("new.db"), mend_runs, prove_run)));
  const std::string usual_answers = answers(folder.file("new.db"));
  const std::string drop = without_triggers(folder.file("good.db"));
  for (const std::string& table : texts(
           folder.file("good.db"), "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"))
    for (const std::string& vanishing : vanishings(folder.file("good.db"), table)) {
      CAPTURE(vanishing);
      for (const char* name : {"store.db", "new.db"}) remove_files(folder.file(name));
      fs::copy_file(folder.file("good.db"), folder.file());
      nightwatt::test::run_sql(folder.file(), "PRAGMA secure_delete = ON; " + drop);
      REQUIRE(nightwatt::test::run_sql(folder.file(), "PRAGMA secure_delete = ON; " + vanishing) == 1);
      CHECK_FALSE(must(must(StoreReader::open(folder.file())).check(prove_run)).ok);
      if (const auto said = all_answers(folder.file())) CHECK(*said == good);
      const SalvageReport report = must(salvage(folder.file(), folder.file("new.db"), mend_runs, prove_run));
      CHECK((what_is_told(report) != usual || answers(folder.file("new.db")) == usual_answers));
    }
}

TEST_CASE("where newest readings are gone the service can set the hole aside and record on") {
  Folder folder;
  const std::vector<Reading> readings = quiet_night(2'000, 1);
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    const StreamId stream = must(writer.stream_for_meter("bench"));
    must(writer.apply(AppendReadings{stream, std::span(readings).first(1'500)}));
    must(writer.commit());
  }
  // The triggers stay: only the count is as if they had not been there.
  nightwatt::test::run_sql(
      folder.file(), "DELETE FROM tail WHERE id IN (2, 3); UPDATE tally SET count = count + 2 WHERE what = 'tail'");
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  must(writer.begin());
  REQUIRE_FALSE(writer.apply(AppendReadings{1, std::span(readings).subspan(1'500)}).has_value());
  CHECK(must(writer.quarantine_damaged_write_buffer(1)) == 2);
  CHECK(must(writer.quarantine_damaged_write_buffer(1)) == 0);
  must(writer.apply(AppendReadings{1, std::span(readings).subspan(1'500)}));
  must(writer.commit());
  CHECK(must(writer.reader().last_reading(1))->time == readings.back().time);
  CHECK(must(writer.reader().check(prove_run)).known == 1);
}

TEST_CASE("a run whose state, stretches or sketches are gone can be made anew") {
  Folder folder;
  make_store(folder.file("good.db"));
  const std::string good = answers(folder.file("good.db"));
  for (const char* table : {"run_state", "stretch", "sketch"}) {
    CAPTURE(table);
    remove_files(folder.file());
    fs::copy_file(folder.file("good.db"), folder.file());
    nightwatt::test::run_sql(folder.file(), "DELETE FROM " + std::string(table) +
                                                " WHERE run = 2; INSERT INTO tally VALUES ('" + table + "', 2, 1)");
    REQUIRE_FALSE(must(must(StoreReader::open(folder.file())).check(prove_run)).ok);
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    must(resegment(writer, 2));
    must(writer.commit());
    CHECK(must(writer.reader().check(prove_run)).ok);
    CHECK(answers(folder.file()) == good);
  }
}
