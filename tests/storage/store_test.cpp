#include <algorithm>
#include <atomic>
#include <cmath>
#include <filesystem>
#include <random>
#include <thread>

#include <sqlite3.h>
#include <unistd.h>

#include "figures/store_proof.hpp"
#include "helpers.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;

namespace {

constexpr UtcTime always_begin{-4'000'000'000'000'000'000};
constexpr UtcTime always_end{4'000'000'000'000'000'000};

std::vector<Reading> stored(const StoreReader& store, StreamId stream, UtcTime from = always_begin,
                            UtcTime to = always_end) {
  std::vector<Reading> readings;
  must(store.readings(stream, from, to, [&](const Reading& reading) {
    readings.push_back(reading);
    return true;
  }));
  return readings;
}

void require_clean(const StoreReader& store) {
  const StoreCheck check = must(store.check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  REQUIRE(check.ok);
}

}  // namespace

TEST_CASE("readings appended in chunks of any size come back in order and whole") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = quiet_night(40'000, 2);
  std::mt19937 random(2);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.commit());
  for (std::size_t done = 0; done < readings.size();) {
    const std::size_t size = std::min<std::size_t>(readings.size() - done, 1 + random() % 3'000);
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, std::span(readings).subspan(done, size)}));
    must(writer.commit());
    done += size;
  }
  const StoreReader reader = must(StoreReader::open(folder.file()));
  REQUIRE(stored(reader, stream) == readings);
  REQUIRE(must(reader.status()).samples == 40'000);
  REQUIRE(must(reader.last_reading(stream)) == readings.back());
  require_clean(reader);
}

TEST_CASE("a window and its sums equal what a plain count over the readings gives") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = quiet_night(50'000, 4);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{stream, readings}));
  must(writer.commit());
  std::mt19937 random(4);
  for (int round = 0; round < 60; ++round) {
    std::size_t a = random() % readings.size();
    std::size_t b = random() % readings.size();
    if (a > b) std::swap(a, b);
    const UtcTime from = readings[a].time;
    const UtcTime to = readings[b].time;
    INFO("readings " << a << " to " << b);
    std::int64_t count = 0;
    long double sum = 0, energy = 0, squares = 0;
    double min = 1e300, max = -1e300;
    for (std::size_t i = a; i <= b; ++i) {
      const double watts = static_cast<double>(readings[i].values.get(Quantity::power)->mantissa);
      ++count;
      sum += watts;
      squares += watts * watts;
      min = std::min(min, watts);
      max = std::max(max, watts);
      if (i > a)
        energy += (watts + static_cast<double>(readings[i - 1].values.get(Quantity::power)->mantissa)) / 2 / 3600;
    }
    const WindowAggregates aggregates = must(writer.reader().aggregates(stream, Quantity::power, from, to));
    REQUIRE(aggregates.count == count);
    REQUIRE(aggregates.min == min);
    REQUIRE(aggregates.max == max);
    REQUIRE(aggregates.sum == Approx(static_cast<double>(sum)).epsilon(1e-12));
    REQUIRE(aggregates.sum_of_squares == Approx(static_cast<double>(squares)).epsilon(1e-12));
    REQUIRE(aggregates.energy_wh.value_or(0.0) == Approx(static_cast<double>(energy)).epsilon(1e-12));
    REQUIRE(aggregates.first == from);
    REQUIRE(aggregates.last == to);
  }
}

TEST_CASE("a reading not later than the last is refused and leaves the store as it was") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  const Reading reading = power_reading(night_us, 5);
  must(writer.apply(AppendReadings{stream, {&reading, 1}}));
  must(writer.commit());
  must(writer.begin());
  const Result<void> again = writer.apply(AppendReadings{stream, {&reading, 1}});
  REQUIRE_FALSE(again);
  REQUIRE(again.error().kind == ErrorKind::input);
  writer.rollback();
  REQUIRE(stored(writer.reader(), stream).size() == 1);
}

TEST_CASE("runs, marks, events, shifts and values are kept") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  must(writer.begin());
  NewRun run;
  run.stream = must(writer.stream_for_meter("bench"));
  run.device = "Gannet board";
  run.begin.us = night_us;
  run.note = "first night";
  run.includes = {"adapter", "display"};
  run.conditions = {{"battery", "full"}};
  run.traits.resolution_w = 0.01;
  run.traits.accuracy = Accuracy{1.0, 0.05, "B"};
  const RunId id = must(writer.open_run(run));
  const std::vector<Reading> readings = quiet_night(600, 6);
  must(writer.apply(AppendReadings{run.stream, readings}));
  Mark mark;
  mark.run = id;
  mark.at.us = night_us + 5'000'000;
  mark.text = "lid closed";
  mark.kind = SegmentKind::standby;
  must(writer.apply(mark));
  must(writer.apply(Event{EventKind::clock_step, UtcTime{night_us}, "bench", "one hour ahead", 3600.0}));
  must(writer.apply(PutUtcOffset{run.stream, UtcTime{night_us + 10}, Duration(3'600'000'000)}));
  must(writer.apply(PutValue{"since", std::string_view("\0x", 2)}));
  must(writer.commit());

  REQUIRE(must(writer.reader().run(id)).samples == 600);
  must(writer.begin());
  must(writer.apply(CloseRun{id, readings[299].time}));
  must(writer.commit());
  const StoreReader reader = must(StoreReader::open(folder.file()));
  const RunInfo info = must(reader.run(id));
  REQUIRE(info.samples == 300);
  REQUIRE(info.meter == "bench");
  REQUIRE(info.device == "Gannet board");
  REQUIRE(info.includes == run.includes);
  REQUIRE(info.conditions == run.conditions);
  REQUIRE(info.traits == run.traits);
  REQUIRE(must(reader.runs()).size() == 1);
  const std::vector<Mark> marks = must(reader.marks(id));
  REQUIRE(marks.size() == 1);
  REQUIRE(marks[0].text == "lid closed");
  REQUIRE(marks[0].kind == SegmentKind::standby);
  REQUIRE(must(reader.events(always_begin, always_end)).at(0).amount == 3600.0);
  REQUIRE(must(reader.utc_offset_at(run.stream, UtcTime{night_us + 9})) == Duration(0));
  REQUIRE(must(reader.utc_offset_at(run.stream, UtcTime{night_us + 10})) == Duration(3'600'000'000));
  REQUIRE(must(writer.reader().value("since")) == std::string("\0x", 2));
  REQUIRE_FALSE(must(writer.reader().value("none")).has_value());
  require_clean(reader);
}

TEST_CASE("an import is invisible until published and swept if its process died") {
  Folder folder;
  const std::vector<Reading> readings = quiet_night(1'000, 7);
  {
    StoreWriter importer = must(StoreWriter::open(folder.file(), {}));
    must(importer.begin());
    const StreamId stream = must(importer.new_import_stream());
    must(importer.apply(AppendReadings{stream, readings}));
    NewRun run;
    run.stream = stream;
    run.begin.us = night_us;
    must(importer.open_run(run));
    must(importer.commit());
    // Another writer must not sweep what is alive.
    StoreWriter other = must(StoreWriter::open(folder.file(), {}));
    REQUIRE(must(other.reader().streams()).empty());
    REQUIRE(must(other.reader().runs()).empty());
    REQUIRE(stored(importer.reader(), stream).size() == 1'000);
  }
  StoreWriter next = must(StoreWriter::open(folder.file(), {}));
  must(next.begin());
  const StreamId stream = must(next.new_import_stream());
  must(next.apply(AppendReadings{stream, readings}));
  must(next.apply(PublishImport{stream}));
  must(next.commit());
  REQUIRE(must(next.reader().streams()).size() == 1);
  REQUIRE(stored(must(StoreReader::open(folder.file())), stream) == readings);
  require_clean(next.reader());
}

// The floor is that of the test of columns, "noise costs what its entropy says".
TEST_CASE("an import of noise grows the store by an eighth more than its entropy at most, rows and pages with it") {
  Folder folder;
  const double floor_bytes = std::log2(4.0 * std::sqrt(2.0 * 3.14159265358979 * 2.71828182845905)) / 8.0;
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0.0, 4.0);
  constexpr int blocks = 10, a_block = 16'384;
  std::vector<Reading> readings;
  for (int i = 0; i < blocks * a_block; ++i)
    readings.push_back(power_reading(night_us + i * 1'000'000LL, std::llround(2'500.0 + noise(random)), -2));
  std::vector<double> sizes;
  for (int file = 0; file < 2; ++file) {  // the second one does without the pages that a store begins with
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    const StreamId stream = must(writer.new_import_stream());
    must(writer.apply(AppendReadings{stream, readings}));
    must(writer.apply(PublishImport{stream}));
    must(writer.commit());
    REQUIRE(StoreWriter::leave(std::move(writer)));
    sizes.push_back(static_cast<double>(std::filesystem::file_size(folder.file())));
  }
  REQUIRE((sizes[1] - sizes[0]) / (blocks * a_block) < 1.125 * floor_bytes);
}

TEST_CASE("a second service on one store is refused and told who holds it") {
  Folder folder;
  Result<ServiceLock> first = ServiceLock::take(folder.file());
  REQUIRE(first);
  const Result<ServiceLock> second = ServiceLock::take(folder.file());
  REQUIRE_FALSE(second);
  REQUIRE(second.error().kind == ErrorKind::unusable);
  REQUIRE(second.error().message.find(std::to_string(::getpid())) != std::string::npos);
  { const ServiceLock gone = std::move(*first); }
  REQUIRE(ServiceLock::take(folder.file()));
}

TEST_CASE("a second service is refused by whatever name it comes to the store's file") {
  namespace fs = std::filesystem;
  Folder folder;
  fs::create_directory(folder.path() / "night");
  const std::string path = folder.file("night/store.db");
  ServiceLock lock = must(ServiceLock::take(path));
  { (void)must(StoreWriter::open(path, {})); }
  const auto refused = [](const std::string& name) {
    const Result<ServiceLock> second = ServiceLock::take(name);
    return !second && second.error().message.find("a service already works on this store") != std::string::npos;
  };
  fs::create_symlink(path, folder.file("by-symlink.db"));
  CHECK(refused(folder.file("by-symlink.db")));
  fs::create_directory_symlink(folder.path() / "night", folder.path() / "nights");
  CHECK(refused(folder.file("nights/store.db")));
  fs::create_hard_link(path, folder.file("by-hard-link.db"));
  CHECK(refused(folder.file("by-hard-link.db")));
  CHECK_FALSE(lock.moved());
  fs::rename(folder.path() / "night", folder.path() / "renamed");
  CHECK(refused(folder.file("renamed/store.db")));
  CHECK(lock.moved());  // and who has it looks for a store at its own path
  fs::rename(folder.path() / "renamed/store.db", folder.path() / "alone.db");
  CHECK(refused(folder.file("alone.db")));
  { const ServiceLock gone = std::move(lock); }
  CHECK(ServiceLock::take(folder.file("alone.db")));
}

TEST_CASE(
    "a store whose file has two names is written by the name of the service alone, and read by no name without its "
    "log") {
  Folder folder;
  { (void)must(StoreWriter::open(folder.file(), {})); }
  const std::string other = folder.file("other.db");
  std::filesystem::create_hard_link(folder.file(), other);
  CHECK_FALSE(StoreWriter::open(folder.file(), {}));
  {
    const ServiceLock lock = must(ServiceLock::take(folder.file()));
    CHECK(StoreWriter::open(folder.file(), {}));
    CHECK_FALSE(StoreWriter::open(other, {}));
    CHECK(StoreReader::open(folder.file()));
    const auto stale = StoreReader::open(other);  // the service's log lies beside the first name
    REQUIRE_FALSE(stale);
    CHECK(stale.error().message.find("hard link") != std::string::npos);
  }
  std::filesystem::remove(folder.file());
  CHECK(StoreWriter::open(other, {}));
}

TEST_CASE("a reader sees whole transactions only, while the writer writes") {
  Folder folder;
  constexpr std::size_t batch = 500;
  const std::vector<Reading> readings = quiet_night(60'000, 13);
  StreamId stream = 0;
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    stream = must(writer.stream_for_meter("bench"));
    must(writer.commit());
  }
  std::atomic<bool> failed = false;
  std::thread writing([&] {
    Result<StoreWriter> writer = StoreWriter::open(folder.file(), {});
    for (std::size_t done = 0; writer && done < readings.size() && !failed; done += batch)
      if (!writer->begin() || !writer->apply(AppendReadings{stream, std::span(readings).subspan(done, batch)}) ||
          !writer->commit())
        failed = true;
    if (!writer) failed = true;
  });
  std::size_t last = 0;
  bool whole = true;
  bool agree = true;
  {
    const Result<StoreReader> reader = StoreReader::open(folder.file());
    while (reader && last < readings.size() && !failed) {
      const Result<Snapshot> moment = reader->snapshot();
      std::size_t count = 0;
      if (!moment || !reader->readings(stream, always_begin, always_end, [&](const Reading&) {
            ++count;
            return true;
          }))
        failed = true;
      const Result<WindowAggregates> aggregates = reader->aggregates(stream, Quantity::power, always_begin, always_end);
      whole = whole && count % batch == 0 && count >= last;
      agree = agree && aggregates && aggregates->count == static_cast<std::int64_t>(count);
      last = count;
    }
  }
  writing.join();
  REQUIRE_FALSE(failed);
  REQUIRE(whole);
  REQUIRE(agree);
  require_clean(must(StoreReader::open(folder.file())));
}

// tests/data/store-version-1.db: made by this program when version 1 was the newest; must open for ever.
TEST_CASE("a store of version 1 opens and tells what was put in") {
  Folder folder;
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-1.db", folder.file());
  for (int round = 0; round < 2; ++round) {
    const StoreReader reader = must(StoreReader::open(folder.file()));
    const StoreStatus status = must(reader.status());
    REQUIRE(status.samples == 40'000 - 16'384);
    const std::vector<RunInfo> runs = must(reader.runs());
    REQUIRE(runs.size() == 1);
    REQUIRE(runs[0].device == "Gannet board");
    REQUIRE(runs[0].samples == 5'001);
    REQUIRE(runs[0].traits.resolution_w == 1.0);
    const StreamId stream = must(reader.stream_of_meter("bench")).value();
    const std::vector<Reading> put_in = quiet_night(40'000, 1);
    REQUIRE(stored(reader, stream) == std::vector<Reading>(put_in.begin() + 16'384, put_in.end()));
    std::int64_t given_up = 0;
    must(reader.rollups(stream, Quantity::power, RollupStep::minute, always_begin, always_end,
                        [&](const Rollup& rollup) {
                          given_up += rollup.count;
                          return true;
                        }));
    REQUIRE(given_up == 16'384);
    REQUIRE(must(reader.events(always_begin, always_end)).size() == 1);
    require_clean(reader);
    // Once more after a writer has been at it, which brings an older store up to date.
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  }
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(folder.file().c_str(), &database) == SQLITE_OK);
  sqlite3_stmt* row = nullptr;
  const char* sql =
      "SELECT (SELECT user_version FROM pragma_user_version), count(*), count(crc), (SELECT count(crc) FROM run_state) "
      "FROM stretch";
  REQUIRE(sqlite3_prepare_v2(database, sql, -1, &row, nullptr) == SQLITE_OK);
  REQUIRE(sqlite3_step(row) == SQLITE_ROW);
  CHECK(sqlite3_column_int(row, 0) == 8);
  CHECK(sqlite3_column_int(row, 1) > 0);
  CHECK(sqlite3_column_int(row, 2) == sqlite3_column_int(row, 1));
  CHECK(sqlite3_column_int(row, 3) == 1);
  sqlite3_finalize(row);
  sqlite3_close(database);
}
