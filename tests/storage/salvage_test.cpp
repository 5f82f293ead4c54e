// What comes back out of hundreds of damaged copies of a store, and copies made while it is written.
#include <sqlite3.h>

#include <fstream>
#include <map>
#include <random>
#include <set>

#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "helpers.hpp"
#include "storage/backup.hpp"
#include "storage/salvage.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using figures::run_figures;
using figures::RunFigures;

namespace {

namespace fs = std::filesystem;

Result<SalvageReport> salvaged(const std::string& damaged, const std::string& fresh) {
  return salvage(damaged, fresh, mend_runs, prove_run);
}

constexpr UtcTime always_end{4'000'000'000'000'000'000};
constexpr std::size_t page_bytes = 512;
constexpr std::size_t readings_put = 150'000;
constexpr std::uint32_t readings_seed = 31;

/// A meter with a closed, a given-up and an open run, an import, an entered row, marks and events.
void make_store(const std::string& path) {
  StoreSettings settings;
  settings.keep_raw_days = 1.2;
  StoreWriter writer = must(StoreWriter::open(path, settings));
  const std::vector<Reading> readings = quiet_night(readings_put, readings_seed);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{stream, readings}));
  NewRun run;
  run.stream = stream;
  run.device = "Gannet board";
  run.begin = readings[60'000].time;
  run.includes = {"adapter"};
  const RunId first = must(writer.open_run(run));
  must(writer.apply(SetRunSpan{first, run.begin, readings[110'000].time}));
  must(resegment(writer, first));
  run.begin = readings[120'000].time;
  run.device = "Puffin mini";
  const RunId open = must(writer.open_run(run));
  must(resegment(writer, open));
  NewRun entered;
  entered.origin = RunOrigin::entered;
  entered.device = "Skua lamp";
  entered.begin = readings[0].time;
  entered.entered_idle_w = 4.0;
  (void)must(writer.open_run(entered));
  NewRun imported;
  imported.origin = RunOrigin::imported;
  imported.stream = must(writer.new_import_stream());
  imported.begin = readings[0].time;
  imported.pinned = true;
  must(writer.apply(AppendReadings{imported.stream, std::span(readings).first(20'000)}));
  const RunId import = must(writer.open_run(imported));
  must(writer.apply(PublishImport{imported.stream}));
  must(writer.apply(SetRunSpan{import, readings[0].time, readings[19'999].time}));
  must(resegment(writer, import));
  must(writer.apply(Mark{0, first, std::nullopt, readings[70'000].time, "lamp on", std::nullopt}));
  must(writer.apply(Event{EventKind::service_started, readings[0].time, std::nullopt, "", 0.0}));
  must(writer.apply(PutUtcOffset{stream, readings[0].time, Duration(3'600'000'000)}));
  must(writer.commit());
  for (bool more = true; more;) {
    must(writer.begin());
    more = must(writer.retain(readings.back().time));
    must(writer.commit());
  }
}

std::string bytes_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

std::vector<Reading> readings_of(const StoreReader& store, StreamId stream) {
  std::vector<Reading> found;
  must(store.readings(stream, UtcTime{0}, always_end, [&](const Reading& reading) {
    found.push_back(reading);
    return true;
  }));
  return found;
}

/// What each page is for, by SQLite's own account (dbstat): the table, and for blocks of readings which of them.
struct PageUse {
  std::string table, cell;
  std::int64_t cells = 0;
};
std::map<std::size_t, PageUse> uses_of(const std::string& path) {
  std::map<std::size_t, PageUse> uses;
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  sqlite3_stmt* row = nullptr;
  REQUIRE(sqlite3_prepare_v2(database, "SELECT pageno, name, path, ncell FROM dbstat", -1, &row, nullptr) == SQLITE_OK);
  while (sqlite3_step(row) == SQLITE_ROW) {
    const std::string way = reinterpret_cast<const char*>(sqlite3_column_text(row, 2));
    uses[static_cast<std::size_t>(sqlite3_column_int64(row, 0))] = {
        reinterpret_cast<const char*>(sqlite3_column_text(row, 1)), way.substr(0, way.find('+')),
        sqlite3_column_int64(row, 3)};
  }
  sqlite3_finalize(row);
  sqlite3_close(database);
  return uses;
}

bool earlier(const Reading& a, const Reading& b) {
  return a.time < b.time;
}

bool within(const SalvageReport& report, UtcTime time) {
  return std::any_of(report.losses.begin(), report.losses.end(), [&](const SalvageLoss& loss) {
    return loss.from.value_or(time) <= time && time <= loss.to.value_or(time);
  });
}

/// Every reading that is there is one that was put in, in order, and was not given up; every one that is not there is
/// in the list of losses. `ever`: also those that were given up, which may be back where the free pages are not known.
void require_true(const SalvageReport& report, const std::vector<Reading>& found, const std::vector<Reading>& put_in,
                  const std::vector<Reading>& ever) {
  std::size_t next = 0;
  std::size_t untold = 0, wrong = 0;
  const bool may_be_back = std::any_of(report.remarks.begin(), report.remarks.end(), [](const std::string& remark) {
    return remark.find("may be back") != std::string::npos;
  });
  for (const Reading& reading : found) {
    if (may_be_back && reading.time < put_in.front().time) {
      wrong += same_digits(*std::lower_bound(ever.begin(), ever.end(), reading, earlier), reading) ? 0U : 1U;
      continue;
    }
    while (next < put_in.size() && put_in[next].time < reading.time)
      untold += within(report, put_in[next++].time) ? 0U : 1U;
    if (next == put_in.size()) FAIL("a reading that nobody put in");
    wrong += same_digits(put_in[next++], reading) ? 0U : 1U;
  }
  CHECK(wrong == 0);
  while (next < put_in.size()) untold += within(report, put_in[next++].time) ? 0U : 1U;
  CHECK(untold == 0);
}

/// Holds a salvage of each of `rounds` copies, of which one, two or three sectors are torn, against what was put in.
void require_salvaged(unsigned seed, int rounds) {
  Folder folder;
  make_store(folder.file());
  nightwatt::test::run_sql(folder.file(), "PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string good = bytes_of(folder.file());
  const auto uses = uses_of(folder.file());
  const std::vector<Reading> ever = quiet_night(readings_put, readings_seed);
  std::vector<Reading> put_in;
  StreamId stream = 0;
  {
    const StoreReader reader = must(StoreReader::open(folder.file()));
    stream = *must(reader.stream_of_meter("bench"));
    put_in = readings_of(reader, stream);
  }
  std::mt19937 random(seed);
  int with_loss = 0;
  for (int round = 0; round < rounds; ++round) {
    CAPTURE(seed, round);
    std::string bad = good;
    std::set<std::string> cells;
    bool rows_hit = false;
    for (int i = 0; i < 1 + round % 3; ++i) {
      const std::size_t page = random() % (bad.size() / page_bytes);
      for (std::size_t byte = 0; byte < page_bytes; ++byte) bad[page * page_bytes + byte] = static_cast<char>(random());
      const auto use = uses.find(page + 1);
      if (use == uses.end()) continue;
      if (use->second.table != "block_data")
        rows_hit = true;
      else if (use->second.cells == 0)
        cells.insert(use->second.cell);
      else
        for (std::int64_t cell = 0; cell < use->second.cells; ++cell)
          cells.insert(use->second.cell + std::to_string(cell));
    }
    const std::string damaged = folder.file("damaged.db"), fresh = folder.file("new.db");
    for (const std::string& path : {damaged, fresh})
      for (const char* suffix : {"", "-wal", "-shm", "-lock"}) fs::remove(path + suffix);
    std::ofstream(damaged, std::ios::binary) << bad;
    const SalvageReport report = must(salvaged(damaged, fresh));
    CHECK(bytes_of(damaged) == bad);
    const StoreReader reader = must(StoreReader::open(fresh));
    const StoreCheck check = must(reader.check(figures::prove_run));
    for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
    REQUIRE(check.ok);
    const std::vector<Reading> found = readings_of(reader, stream);
    require_true(report, found, put_in, ever);
    std::size_t lost_blocks = 0;
    for (const SalvageLoss& loss : report.losses) lost_blocks += loss.meter ? 1U : 0U;
    if (!rows_hit) CHECK(lost_blocks <= cells.size());
    if (cells.empty() && !rows_hit) CHECK(found == put_in);
    with_loss += report.losses.empty() ? 0 : 1;
  }
  CHECK(with_loss > rounds / 10);
}

}  // namespace

TEST_CASE("a sound store is salvaged whole, its figures as they were") {
  Folder folder;
  make_store(folder.file());
  const SalvageReport report = must(salvaged(folder.file(), folder.file("new.db")));
  CHECK(report.losses.empty());
  for (const std::string& remark : report.remarks)
    CHECK(remark.find("made anew") != std::string::npos);  // of the open run
  const StoreReader before = must(StoreReader::open(folder.file())),
                    after = must(StoreReader::open(folder.file("new.db")));
  REQUIRE(must(after.check(figures::prove_run)).ok);
  const auto runs = must(before.runs());
  const auto again = must(after.runs());
  REQUIRE(again.size() == runs.size());
  for (std::size_t i = 0; i < runs.size(); ++i) {
    CHECK(again[i].id == runs[i].id);
    CHECK(again[i].device == runs[i].device);
    CHECK(again[i].includes == runs[i].includes);
    CHECK(again[i].samples == runs[i].samples);
    CHECK(again[i].entered_idle_w == runs[i].entered_idle_w);
    if (runs[i].stream == 0) continue;
    const RunFigures a = must(run_figures(before, runs[i].id)), b = must(run_figures(after, runs[i].id));
    REQUIRE(a.segments.size() == b.segments.size());
    for (std::size_t s = 0; s < a.segments.size(); ++s) CHECK(a.segments[s].level_w == b.segments[s].level_w);
    CHECK(a.totals.energy_wh() == b.totals.energy_wh());
  }
  const StreamId stream = *must(before.stream_of_meter("bench"));
  CHECK(readings_of(after, stream) == readings_of(before, stream));
  CHECK(must(after.aggregates(stream, Quantity::power, UtcTime{0}, always_end)).energy_wh ==
        must(before.aggregates(stream, Quantity::power, UtcTime{0}, always_end)).energy_wh);
  CHECK(must(after.marks(1)).size() == 1);
  CHECK(must(after.utc_offset_at(stream, always_end)) == Duration(3'600'000'000));
  CHECK_FALSE(salvaged(folder.file(), folder.file("new.db")));  // never over what is there
}

TEST_CASE("out of a store with torn sectors comes all that lies outside them, and what does not is listed") {
  require_salvaged(43, 16);
}

// A few seconds a seed: by hand, as `test_storage "[by hand]"`.
TEST_CASE("out of hundreds of stores with torn sectors comes all that lies outside them", "[.][by hand]") {
  for (const unsigned seed : {51U, 52U, 53U, 54U, 55U, 56U}) require_salvaged(seed, 200);
}

TEST_CASE("out of a store that was cut short comes what was before the cut") {
  Folder folder;
  make_store(folder.file());
  nightwatt::test::run_sql(folder.file(), "PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string good = bytes_of(folder.file());
  std::size_t last = 0;
  for (std::size_t tenths = 1; tenths < 10; tenths += 2) {
    CAPTURE(tenths);
    const std::string damaged = folder.file("damaged.db"), fresh = folder.file("new.db");
    for (const std::string& path : {damaged, fresh})
      for (const char* suffix : {"", "-wal", "-shm", "-lock"}) fs::remove(path + suffix);
    std::ofstream(damaged, std::ios::binary) << good.substr(0, good.size() * tenths / 10);
    const auto report = salvaged(damaged, fresh);
    if (!report) continue;  // nothing of ours before the cut
    const StoreReader reader = must(StoreReader::open(fresh));
    CHECK(must(reader.check(figures::prove_run)).ok);
    const auto count = static_cast<std::size_t>(must(reader.status()).samples);
    CHECK(count >= last);
    last = count;
  }
  CHECK(last > 50'000);
}

TEST_CASE("what a log holds that was cut short counts as far as it was committed") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = quiet_night(3'000, 5);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.commit());
  for (std::size_t i = 0; i < readings.size(); i += 10) {
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, std::span(readings).subspan(i, 10)}));
    must(writer.commit());
  }
  const std::string log = bytes_of(folder.file() + "-wal");
  REQUIRE(log.size() > 100'000);
  fs::copy_file(folder.file(), folder.file("damaged.db"));
  std::ofstream(folder.file("damaged.db") + "-wal", std::ios::binary) << log.substr(0, log.size() / 2 + 77);
  (void)must(salvaged(folder.file("damaged.db"), folder.file("new.db")));
  const std::vector<Reading> found = readings_of(must(StoreReader::open(folder.file("new.db"))), stream);
  CHECK(found.size() > 500);
  CHECK(found.size() < readings.size());
  CHECK(std::equal(found.begin(), found.end(), readings.begin()));
}

// A file of readings that a meter recorded as well, and that were given up of the meter: their sums are the same.
TEST_CASE("readings that the service set aside come back where they prove sound, and are listed as lost where not") {
  constexpr std::size_t at_first = 2'000, some = 3'000, a_block = 17'000;
  struct Damage {
    const char* sql;
    bool comes_back;
    std::size_t in_all;  ///< readings when it is salvaged
  };
  const Damage damage = GENERATE(
      Damage{"UPDATE tail SET id = id + 100 WHERE id = 3", true, some},
      Damage{"UPDATE tail SET id = id + 100 WHERE id = 3", true, a_block},
      Damage{"UPDATE tail SET stream = 2 WHERE id = 3", true, some},
      Damage{"UPDATE tail SET bytes = CAST(substr(bytes, 1, 200) || x'0102' AS BLOB) WHERE id = 3", false, some},
      Damage{"UPDATE tail SET crc = crc + 1 WHERE id = 3", false, a_block},
      Damage{"DELETE FROM tail WHERE id = 3; UPDATE tally SET count = count + 1 WHERE what = 'tail' AND owner = 1",
             false, some});
  const std::size_t in_all = damage.in_all;
  const std::vector<Reading> readings = quiet_night(in_all, 5);
  CAPTURE(damage.sql, in_all);
  Folder folder;
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    const StreamId stream = must(writer.stream_for_meter("bench"));
    must(writer.stream_for_meter("shelf"));
    for (std::size_t i = 0; i < at_first; i += 100)
      must(writer.apply(AppendReadings{stream, std::span(readings).subspan(i, 100)}));
    must(writer.commit());
  }
  nightwatt::test::run_sql(folder.file(), damage.sql);
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    for (const StreamId stream : {1, 2}) must(writer.quarantine_damaged_write_buffer(stream));
    must(writer.apply(AppendReadings{1, std::span(readings).subspan(at_first, in_all - at_first)}));
    must(writer.commit());
  }
  const std::size_t kept = readings_of(must(StoreReader::open(folder.file())), 1).size();
  REQUIRE(kept < in_all);
  const SalvageReport report = must(salvaged(folder.file(), folder.file("new.db")));
  const StoreReader after = must(StoreReader::open(folder.file("new.db")));
  CHECK(must(after.check(figures::prove_run)).ok);
  CHECK(readings_of(after, 1).size() == (damage.comes_back ? in_all : kept));
  const auto says = [&](const char* words) {
    return std::count_if(report.remarks.begin(), report.remarks.end(),
                         [&](const std::string& remark) { return remark.find(words) != std::string::npos; });
  };
  CHECK(says("prove sound and are back") == (damage.comes_back ? 1 : 0));
  if (damage.comes_back)
    CHECK(report.losses.empty());
  else
    CHECK(report.losses.size() + static_cast<std::size_t>(says("are lost")) == 1);
}

TEST_CASE("a block of which only sums tell is a file's before it is a meter's") {
  Folder folder;
  make_store(folder.file());
  nightwatt::test::run_sql(folder.file(), "PRAGMA wal_checkpoint(TRUNCATE)");
  std::string bytes = bytes_of(folder.file());
  std::mt19937 random(10);
  for (const auto& [page, use] : uses_of(folder.file()))
    if (use.table == "block" || use.table == "rollup")
      for (std::size_t i = 0; i < page_bytes; ++i) bytes[(page - 1) * page_bytes + i] = static_cast<char>(random());
  std::ofstream(folder.file("damaged.db"), std::ios::binary) << bytes;
  const SalvageReport report = must(salvaged(folder.file("damaged.db"), folder.file("new.db")));
  const StoreReader reader = must(StoreReader::open(folder.file("new.db")));
  const StreamId file = must(reader.run(4)).stream;
  CHECK(readings_of(reader, file) == quiet_night(20'000, readings_seed));
  CHECK(std::all_of(report.losses.begin(), report.losses.end(), [](const auto& loss) { return loss.meter; }));
}

// "Database File Format", 1.3.12 and 1.5: bytes 32 to 35 of the file are the number of the first page of the list.
TEST_CASE("where the list of free pages is torn nothing that was taken away is back, and no loss is told") {
  Folder folder;
  const std::vector<Reading> readings = quiet_night(40'000, 8);
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    const StreamId stream = must(writer.stream_for_meter("bench"));
    // Row after row of the write buffer, so that the blocks leave many pages free.
    for (std::size_t i = 0; i < readings.size(); i += 500)
      must(writer.apply(AppendReadings{stream, std::span(readings).subspan(i, 500)}));
    must(writer.commit());
    REQUIRE(StoreWriter::leave(std::move(writer)));
  }
  std::string bytes = bytes_of(folder.file());
  std::size_t first = 0;
  for (std::size_t i = 32; i < 36; ++i) first = first << 8U | static_cast<unsigned char>(bytes[i]);
  REQUIRE(first > 0);
  std::mt19937 random(9);
  for (std::size_t i = 0; i < page_bytes; ++i) bytes[(first - 1) * page_bytes + i] = static_cast<char>(random());
  std::ofstream(folder.file("damaged.db"), std::ios::binary) << bytes;
  const SalvageReport report = must(salvaged(folder.file("damaged.db"), folder.file("new.db")));
  CHECK(report.losses.empty());
  CHECK(report.remarks.empty());
  CHECK(readings_of(must(StoreReader::open(folder.file("new.db"))), 1) == readings);
}

TEST_CASE("a store of before seals is salvaged too, and a file that is no store is refused") {
  Folder folder;
  const SalvageReport report =
      must(salvaged(std::string(NIGHTWATT_TEST_DATA) + "/store-version-3.db", folder.file("new.db")));
  CHECK(report.runs == 3);
  CHECK(report.losses.empty());
  const StoreReader reader = must(StoreReader::open(folder.file("new.db")));
  CHECK(must(reader.check(figures::prove_run)).ok);
  CHECK(must(reader.run(1)).samples == 40'000);
  CHECK(must(reader.run(2)).entered_load_w == 11.0);
  std::ofstream(folder.file("text")) << std::string(5'000, 'x');
  CHECK_FALSE(salvaged(folder.file("text"), folder.file("other.db")));
  CHECK_FALSE(fs::exists(folder.file("other.db")));
}

TEST_CASE("a copy that is made while the store is written holds one moment, and is sound") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = quiet_night(40'000, 6);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{stream, std::span(readings).first(30'000)}));
  must(writer.commit());
  must(writer.begin());
  must(writer.apply(AppendReadings{stream, std::span(readings).subspan(30'000)}));
  CHECK(must(back_up(folder.file(), folder.file("copy.db"), figures::prove_run)).samples == 30'000);
  must(writer.commit());
  CHECK(readings_of(must(StoreReader::open(folder.file("copy.db"))), stream).size() == 30'000);
  CHECK_FALSE(back_up(folder.file(), folder.file("copy.db"), figures::prove_run));  // never over what is there
  CHECK_FALSE(fs::exists(folder.file("copy.db.partial")));
}

TEST_CASE("no copy is kept of a store that is not sound") {
  Folder folder;
  make_store(folder.file());
  nightwatt::test::run_sql(folder.file(), "UPDATE block_data SET bytes = substr(bytes, 1, 50) WHERE id = 5");
  const auto copy = back_up(folder.file(), folder.file("copy.db"), figures::prove_run);
  REQUIRE_FALSE(copy);
  CHECK(copy.error().kind == ErrorKind::negative);
  CHECK_FALSE(fs::exists(folder.file("copy.db")));
}
