// Rows under seals: an older store gets them in place, and a changed bit is found by who asks.
#include <fstream>
#include <random>

#include "answers.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using figures::run_figures;

namespace {

namespace fs = std::filesystem;

void copy_fixture(const std::string& to, int version) {
  for (const char* suffix : {"", "-wal", "-shm"}) fs::remove(to + suffix);
  fs::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-" + std::to_string(version) + ".db", to);
}

std::int64_t number(const std::string& path, const char* sql) {
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  sqlite3_stmt* row = nullptr;
  REQUIRE(sqlite3_prepare_v2(database, sql, -1, &row, nullptr) == SQLITE_OK);
  REQUIRE(sqlite3_step(row) == SQLITE_ROW);
  const std::int64_t value = sqlite3_column_int64(row, 0);
  sqlite3_finalize(row);
  sqlite3_close(database);
  return value;
}

/// Of version 3, brought up to date, with figures as this program makes them: what has to be made anew is then the
/// same.
void make_good(const std::string& path) {
  copy_fixture(path, 3);
  StoreWriter writer = must(StoreWriter::open(path, {}));
  must(writer.begin());
  for (const RunId run : {1, 3}) must(resegment(writer, run));
  must(writer.commit());
}

}  // namespace

TEST_CASE("stores of every older version say the same before and after they are brought up to date, and carry seals") {
  Folder folder;
  const int version = GENERATE(1, 2, 3, 4, 5, 6, 7);
  CAPTURE(version);
  copy_fixture(folder.file(), version);
  const std::string before = answers(folder.file());
  { const StoreWriter writer = must(StoreWriter::open(folder.file(), {})); }
  CHECK(number(folder.file(), "PRAGMA user_version") == 8);
  for (const char* unsealed :
       {"SELECT count(*) FROM run WHERE seal IS NULL", "SELECT count(*) FROM block WHERE seal IS NULL",
        "SELECT count(*) FROM sums WHERE seal IS NULL", "SELECT count(*) FROM stretch WHERE seal IS NULL",
        "SELECT count(*) FROM run_state WHERE seal IS NULL"})
    CHECK(number(folder.file(), unsealed) == 0);
  CHECK(answers(folder.file()) == before);
  const StoreReader reader = must(StoreReader::open(folder.file()));
  const StoreCheck check = must(reader.check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  CHECK(check.ok);
}

TEST_CASE("a display that cuts off is told by a word from version 6 on, and its levels stay as they were") {
  Folder folder;
  copy_fixture(folder.file(), 5);
  REQUIRE(number(folder.file(), "SELECT count(*) FROM run WHERE resolution_w < 0") == 1);
  const std::string before = answers(folder.file());
  const MeterTraits read_only = must(must(StoreReader::open(folder.file())).run(1)).traits;
  const StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  CHECK(number(folder.file(), "SELECT count(*) FROM run WHERE resolution_w < 0") == 0);
  for (const MeterTraits& traits : {read_only, must(writer.reader().run(1)).traits}) {
    CHECK(traits.rounding == Rounding::truncates);
    CHECK(traits.resolution_w == 0.5);
  }
  const RunInfo other = must(writer.reader().run(2));
  CHECK(other.traits.rounding == Rounding::not_told);
  CHECK(other.traits.resolution_w == 1.0);
  CHECK(other.conditions.empty());
  CHECK(answers(folder.file()) == before);
}

TEST_CASE("a row that is changed in any column is found by check and by the query that needs it") {
  Folder folder;
  make_good(folder.file("good.db"));
  {
    StoreSettings settings;
    StoreWriter writer = must(StoreWriter::open(folder.file("good.db"), settings));
    must(writer.begin());
    NewRun run;
    run.stream = must(writer.stream_for_meter("bench"));
    must(writer.apply(AppendReadings{run.stream, quiet_night(18'000, 4, 1'796'000'000'000'000)}));
    must(writer.commit());
  }
  nightwatt::test::run_sql(folder.file("good.db"), "PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string good = answers(folder.file("good.db"));
  struct Change {
    const char* what;
    const char* sql;
  };
  // Triggers off: they would take the seal away, as from a program that is older.
  const Change changes[] = {
      {"an entered load", "UPDATE run SET entered_load_w = 12 WHERE id = 2"},
      {"a run's end", "UPDATE run SET end_us = end_us - 60000000 WHERE id = 1"},
      {"a run's count", "UPDATE run SET samples = 39999 WHERE id = 1"},
      {"a run's device", "UPDATE run SET device = 'Gannet boarc' WHERE id = 1"},
      {"the display's step", "UPDATE run SET resolution_w = 0.2 WHERE id = 1"},
      {"an accuracy", "UPDATE run SET accuracy_percent = 2 WHERE id = 1"},
      {"a condition", "UPDATE run_word SET value = '22' WHERE key = 'ambient_c'"},
      {"a block's first time", "UPDATE block SET first_us = first_us + 1 WHERE stream = 1 AND data = 2"},
      {"a block's last time", "UPDATE block SET last_us = last_us - 1000000 WHERE stream = 1 AND data = 2"},
      {"a block's count", "UPDATE block SET count = count - 1 WHERE stream = 1 AND data = 1"},
      {"whose a block is", "UPDATE block SET data = 3 WHERE stream = 1 AND data = 2"},
      {"that a block is there", "DELETE FROM block WHERE stream = 1 AND data = 2"},
      {"that the last block is there", "DELETE FROM block WHERE stream = 1 AND data = 3"},
      {"a mean", "UPDATE sums SET mean = mean + 0.125 WHERE stream = 1 AND quantity = 0"},
      {"an energy", "UPDATE sums SET energy_wh = energy_wh + 1 WHERE stream = 1 AND quantity = 0"},
      {"that sums are there",
       "DELETE FROM sums WHERE stream = 1 AND block_us = (SELECT max(block_us) FROM sums WHERE "
       "stream = 1)"},
      {"whose newest readings are", "UPDATE tail SET stream = 1"},
      {"a state's step", "UPDATE run_state SET step_w = 0.2 WHERE run = 1"},
      {"a batch of stretches", "UPDATE stretch SET place = place + 1 WHERE run = 1"},
      {"whose a mark is", "UPDATE mark SET run = 4 WHERE run IS NOT NULL"},
      {"when a mark is", "UPDATE mark SET at_us = at_us + 86400000000 WHERE run IS NULL"},
      {"the meter of a mark", "UPDATE mark SET meter = 'bencj' WHERE run IS NULL"},
      {"a mark's kind", "UPDATE mark SET kind = 2 WHERE kind IS NOT NULL"},
      {"that a mark is there", "DELETE FROM mark WHERE run IS NOT NULL"},
      {"that a mark of a meter is there", "DELETE FROM mark WHERE run IS NULL"},
      {"that a condition is there", "DELETE FROM run_word WHERE key = 'ambient_c'"},
      {"that a run is there", "DELETE FROM run WHERE id = 2"},
      {"that the first stretches are there", "DELETE FROM stretch WHERE run = 1 AND place = 0"},
      {"that a state is there", "DELETE FROM run_state WHERE run = 3"},
      {"a meter's name", "UPDATE stream SET meter = 'bencj' WHERE meter = 'bench'"},
  };
  for (const Change& change : changes) {
    CAPTURE(change.what);
    fs::copy_file(folder.file("good.db"), folder.file(), fs::copy_options::overwrite_existing);
    nightwatt::test::run_sql(
        folder.file(),
        "DROP TRIGGER run_altered; DROP TRIGGER block_altered; DROP TRIGGER stream_altered; DROP TRIGGER "
        "run_removed; DROP TRIGGER run_word_removed; DROP TRIGGER mark_removed; DROP TRIGGER "
        "stretch_removed; DROP TRIGGER run_state_removed");
    nightwatt::test::run_sql(folder.file(), change.sql);
    const StoreCheck check = must(must(StoreReader::open(folder.file())).check(figures::prove_run));
    CHECK_FALSE(check.ok);
    const auto said = all_answers(folder.file());
    if (said) CHECK(*said == good);  // made anew from what is sound, and the same
  }
}

namespace {

void require_no_silent_change(unsigned seed, int rounds) {
  Folder folder;
  make_good(folder.file("good.db"));
  nightwatt::test::run_sql(folder.file("good.db"), "PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string good = answers(folder.file("good.db"));
  std::ifstream file(folder.file("good.db"), std::ios::binary);
  const std::string bytes(std::istreambuf_iterator<char>(file), {});
  std::mt19937 random(seed);
  int noticed = 0;
  std::string other;
  for (int round = 0; round < rounds; ++round) {
    std::string bad = bytes;
    const std::size_t bit = random() % (bad.size() * 8);
    bad[bit / 8] = static_cast<char>(bad[bit / 8] ^ (1 << (bit % 8)));
    for (const char* suffix : {"-wal", "-shm"}) fs::remove(folder.file() + suffix);
    std::ofstream(folder.file(), std::ios::binary | std::ios::trunc) << bad;
    const auto said = all_answers(folder.file());
    if (!said) ++noticed;
    if (said && *said != good) other += " round " + std::to_string(round) + ", bit " + std::to_string(bit) + ";";
  }
  CHECK(noticed > rounds / 10);
  CHECK(other.empty());
}

}  // namespace

TEST_CASE("of flipped bits none gives another answer in silence") {
  require_no_silent_change(11, 50);
}

// Half a minute: by hand, as `test_storage "[by hand]"`.
TEST_CASE("of a thousand flipped bits none gives another answer in silence", "[.][by hand]") {
  require_no_silent_change(12, 1000);
}
