// What a store says of files, folders and disks that are not as they should be.
#include <fcntl.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "faulty_files.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "helpers.hpp"
#include "tests/run_sql.hpp"
#include "tests/small_disk.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using figures::run_figures;
using figures::RunFigures;

namespace {

void make_store(const std::string& path, std::size_t count = 20'000) {
  StoreWriter writer = must(StoreWriter::open(path, {}));
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{stream, quiet_night(count, 1)}));
  must(writer.commit());
}

/// One line, exit status 3, and it names the file.
void require_refused(const std::string& path, const std::string& word) {
  const Result<StoreReader> reader = StoreReader::open(path);
  REQUIRE_FALSE(reader);
  const Result<StoreWriter> writer = StoreWriter::open(path, {});
  REQUIRE_FALSE(writer);
  for (const Error& error : {reader.error(), writer.error()}) {
    INFO(error.message);
    REQUIRE(error.kind == ErrorKind::unusable);
    REQUIRE(error.message.find(path) == 0);
    REQUIRE(error.message.find('\n') == std::string::npos);
    REQUIRE(error.message.find(word) != std::string::npos);
  }
}

/// The bytes of one column, `table.column`, of the first row.
class KeptBytes {
 public:
  KeptBytes(const std::string& path, const std::string& name)
      : table_(name.substr(0, name.find('.'))), column_(name.substr(name.find('.') + 1)) {
    REQUIRE(sqlite3_open(path.c_str(), &database_) == SQLITE_OK);
    sqlite3_stmt* read = nullptr;
    const std::string sql = "SELECT " + column_ + " FROM " + table_ + " ORDER BY rowid LIMIT 1";
    REQUIRE(sqlite3_prepare_v2(database_, sql.c_str(), -1, &read, nullptr) == SQLITE_OK);
    REQUIRE(sqlite3_step(read) == SQLITE_ROW);
    bytes_.assign(static_cast<const char*>(sqlite3_column_blob(read, 0)),
                  static_cast<std::size_t>(sqlite3_column_bytes(read, 0)));
    sqlite3_finalize(read);
  }
  ~KeptBytes() { sqlite3_close(database_); }
  KeptBytes(const KeptBytes&) = delete;
  KeptBytes& operator=(const KeptBytes&) = delete;
  [[nodiscard]] const std::string& bytes() const { return bytes_; }
  /// As they were, save the byte at `place`.
  void put_changed(std::size_t place) {
    std::string changed = bytes_;
    changed[place] = static_cast<char>(changed[place] ^ 0x10);
    sqlite3_stmt* put = nullptr;
    const std::string sql =
        "UPDATE " + table_ + " SET " + column_ + " = ?1 WHERE rowid = (SELECT min(rowid) FROM " + table_ + ")";
    REQUIRE(sqlite3_prepare_v2(database_, sql.c_str(), -1, &put, nullptr) == SQLITE_OK);
    sqlite3_bind_blob(put, 1, changed.data(), static_cast<int>(changed.size()), SQLITE_TRANSIENT);
    REQUIRE(sqlite3_step(put) == SQLITE_DONE);
    sqlite3_finalize(put);
  }

 private:
  sqlite3* database_ = nullptr;
  std::string table_, column_, bytes_;
};

/// check() names run 1 wherever a byte is changed; `ask` is asked of the store with the first one changed.
template <class Ask>
void require_found_wherever(const std::string& path, KeptBytes& kept, Ask&& ask) {
  REQUIRE(!kept.bytes().empty());
  const std::size_t step = std::max<std::size_t>(1, kept.bytes().size() / 25);
  for (std::size_t place = 0; place < kept.bytes().size(); place += step) {
    CAPTURE(place);
    kept.put_changed(place);
    const StoreReader reader = must(StoreReader::open(path));
    const StoreCheck check = must(reader.check(figures::prove_run));
    REQUIRE_FALSE(check.ok);
    CHECK(check.problems.front().find("run 1") != std::string::npos);
    if (place == 0) ask(reader);
  }
}

/// Runs `work` in a child process; what it returns is the child's exit status.
template <class Work>
int in_child(Work&& work) {
  const pid_t child = ::fork();
  if (child == 0) ::_exit(work());
  int status = 0;
  ::waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

/// Values that do not compress, so that a small disk fills soon.
std::vector<Reading> noise(std::size_t count, std::int64_t begin_us, std::mt19937_64& random) {
  std::vector<Reading> readings;
  for (std::size_t i = 0; i < count; ++i)
    readings.push_back(power_reading(begin_us + static_cast<std::int64_t>(i) * 1'000'000,
                                     static_cast<std::int64_t>(random() % 4'000'000'000'000'000'000), -9));
  return readings;
}

}  // namespace

TEST_CASE("a reader says in one line that there is no store, and makes none") {
  Folder folder;
  const Result<StoreReader> reader = StoreReader::open(folder.file());
  REQUIRE_FALSE(reader);
  REQUIRE(reader.error().kind == ErrorKind::unusable);
  REQUIRE(reader.error().message.find("there is no store") != std::string::npos);
  REQUIRE_FALSE(std::filesystem::exists(folder.file()));
}

TEST_CASE("a file that is no database is refused and left as it is") {
  Folder folder;
  const std::string text = "time,power_w\n" + std::string(3'000, 'x');
  std::ofstream(folder.file()) << text;
  require_refused(folder.file(), "not a database");
  std::ifstream file(folder.file());
  REQUIRE(std::string(std::istreambuf_iterator<char>(file), {}) == text);
}

TEST_CASE("another program's database is refused") {
  Folder folder;
  nightwatt::test::run_sql(folder.file(), "CREATE TABLE songs (title TEXT)");
  require_refused(folder.file(), "another program");
}

TEST_CASE("a store of a newer version is refused") {
  Folder folder;
  make_store(folder.file());
  nightwatt::test::run_sql(folder.file(), "PRAGMA user_version = 99");
  require_refused(folder.file(), "newer");
}

TEST_CASE("a store cut in half is refused") {
  Folder folder;
  make_store(folder.file());
  std::filesystem::resize_file(folder.file(), std::filesystem::file_size(folder.file()) / 2);
  require_refused(folder.file(), "cut");
}

// Offsets of the database header, from SQLite's "Database File Format", section 1.3.
TEST_CASE("a store whose beginning was overwritten is said to be damaged there, not to be another program's") {
  Folder folder;
  make_store(folder.file(), 3);
  nightwatt::test::run_sql(folder.file(), "PRAGMA wal_checkpoint(TRUNCATE)");
  const int offset = GENERATE(0, 16, 18, 28, 44, 60, 68);
  CAPTURE(offset);
  for (const char* suffix : {"-wal", "-shm"}) std::filesystem::remove(folder.file() + suffix);
  std::fstream(folder.file(), std::ios::in | std::ios::out | std::ios::binary)
      .seekp(offset)
      .write("\xAA\xAA\xAA\xAA", 4);
  constexpr int schema_format = 44;  // looked at only when a table is
  if (offset != schema_format) return require_refused(folder.file(), "beginning");
  const auto runs = must(StoreReader::open(folder.file())).runs();
  REQUIRE_FALSE(runs);
  CHECK(runs.error().message.find("beginning") != std::string::npos);
}

TEST_CASE("an empty file is a store that nothing was put in yet") {
  Folder folder;
  std::ofstream(folder.file()).flush();
  const Result<StoreReader> reader = StoreReader::open(folder.file());
  REQUIRE_FALSE(reader);
  CHECK(reader.error().message.find("there is no store yet") != std::string::npos);
  CHECK(std::filesystem::file_size(folder.file()) == 0);
  CHECK(must(must(StoreWriter::open(folder.file(), {})).reader().check(figures::prove_run)).ok);
}

TEST_CASE("of a store that is written twice a minute or less a power cut takes nothing that was committed") {
  for (const double flush_s : {1.0, 29.0, 30.0, 300.0}) {
    INFO(flush_s);
    const FaultyFiles files;
    Folder folder;
    StoreSettings settings;
    settings.flush_s = flush_s;
    StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
    const std::vector<Reading> readings = quiet_night(100, 1);
    for (std::size_t i = 0; i < readings.size(); i += 10) {
      must(writer.begin());
      const StreamId stream = must(writer.stream_for_meter("bench"));
      must(writer.apply(AppendReadings{stream, std::span(readings).subspan(i, 10)}));
      must(writer.commit());
      CHECK((files.not_yet_on_disk() == 0) == (flush_s >= 30.0));
    }
  }
}

TEST_CASE("a folder and a device are no stores") {
  Folder folder;
  require_refused(folder.path().string(), "folder");
  require_refused("/dev/null", "not a regular file");
}

TEST_CASE("damage inside is found by check and met with an error, never a crash") {
  Folder folder;
  make_store(folder.file());
  std::mt19937 random(3);
  std::ifstream file(folder.file(), std::ios::binary);
  const std::string good(std::istreambuf_iterator<char>(file), {});
  int found = 0;
  constexpr int rounds = 60;
  for (int round = 0; round < rounds; ++round) {
    std::string bad = good;
    // The first 100 bytes are SQLite's header, which other cases cover.
    for (int i = 0; i < 40; ++i) bad[100 + random() % (bad.size() - 100)] = static_cast<char>(random() % 256);
    const std::string path = folder.file("damaged.db");
    for (const char* suffix : {"", "-wal", "-shm"}) std::filesystem::remove(path + suffix);
    std::ofstream(path, std::ios::binary) << bad;
    const Result<StoreReader> reader = StoreReader::open(path);
    if (!reader) {
      ++found;
      continue;
    }
    (void)reader->readings(1, UtcTime{0}, UtcTime{night_us * 2}, [](const Reading&) { return true; });
    (void)reader->runs();
    (void)reader->aggregates(1, Quantity::power, UtcTime{night_us + 5'000'000}, UtcTime{night_us * 2});
    const Result<StoreCheck> check = reader->check(figures::prove_run);
    if (!check || !check->ok) ++found;
  }
  // Bytes in free pages may be changed without harm; 40 changed bytes in some 20 pages never lie in free ones alone
  // here.
  REQUIRE(found == rounds);
}

// CRC-32 finds every change within 32 bits (from its definition: any burst no longer than the remainder).
TEST_CASE("a changed byte of a run's kept figures is found by check, and the figures are made anew") {
  Folder folder;
  const std::string path = folder.file();
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-1.db", path);
  REQUIRE(must(must(StoreWriter::open(path, {})).reader().check(figures::prove_run)).ok);
  const RunFigures good = must(run_figures(must(StoreReader::open(path)), 1));
  const char* column = GENERATE("stretch.bytes", "run_state.segmenter", "run_state.totals");
  KeptBytes kept(path, column);
  CAPTURE(column);
  require_found_wherever(path, kept, [&](const StoreReader& reader) {
    const RunFigures anew = must(run_figures(reader, 1));
    CHECK(anew.totals.energy_wh() == good.totals.energy_wh());
  });
}

TEST_CASE("a changed byte of a run's sketches is found by check, and what needs them is made anew") {
  Folder folder;
  const std::string path = folder.file();
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-2.db", path);
  {
    StoreWriter writer = must(StoreWriter::open(path, {}));
    must(writer.begin());
    must(resegment(writer, 1));
    must(writer.commit());
    REQUIRE(must(writer.reader().check(figures::prove_run)).ok);
  }
  const RunFigures good = must(run_figures(must(StoreReader::open(path)), 1, Sketches::all));
  REQUIRE(good.regimes.size() == 3);
  KeptBytes kept(path, "sketch.bytes");
  require_found_wherever(path, kept, [&](const StoreReader& reader) {
    CHECK(must(run_figures(reader, 1, Sketches::all)).regimes == good.regimes);
    CHECK(must(run_figures(reader, 1)).segments.size() == good.segments.size());
  });
}

TEST_CASE("a changed byte of the newest readings is found, and does not keep the next ones out") {
  Folder folder;
  const std::string path = folder.file();
  const std::vector<Reading> readings = quiet_night(2'000, 1);
  {
    StoreWriter writer = must(StoreWriter::open(path, {}));
    must(writer.begin());
    const StreamId stream = must(writer.stream_for_meter("bench"));
    must(writer.apply(AppendReadings{stream, std::span(readings).first(1'500)}));
    must(writer.commit());
  }
  KeptBytes kept(path, "tail.bytes");
  for (std::size_t place = 0; place < kept.bytes().size(); place += 20) {
    CAPTURE(place);
    kept.put_changed(place);
    REQUIRE_FALSE(must(must(StoreReader::open(path)).check(figures::prove_run)).ok);
  }
  StoreWriter writer = must(StoreWriter::open(path, {}));
  must(writer.begin());
  REQUIRE_FALSE(writer.apply(AppendReadings{1, std::span(readings).subspan(1'500)}).has_value());
  CHECK(must(writer.quarantine_damaged_write_buffer(1)) == 1);
  CHECK(must(writer.quarantine_damaged_write_buffer(1)) == 0);
  must(writer.apply(AppendReadings{1, std::span(readings).subspan(1'500)}));
  must(writer.commit());
  std::vector<Reading> left;
  must(writer.reader().readings(1, UtcTime{0}, readings.back().time, [&](const Reading& reading) {
    left.push_back(reading);
    return true;
  }));
  REQUIRE(left.size() > 1'000);
  CHECK(std::equal(left.begin(), left.end(), readings.end() - static_cast<std::ptrdiff_t>(left.size())));
  const StoreCheck check = must(writer.reader().check(figures::prove_run));
  REQUIRE(check.problems.size() == 1);
  CHECK(check.problems.front().find("damaged once: 1") != std::string::npos);
}

TEST_CASE("a store locked for long gives one line after the wait") {
  Folder folder;
  make_store(folder.file(), 10);
  sqlite3* other = nullptr;
  REQUIRE(sqlite3_open(folder.file().c_str(), &other) == SQLITE_OK);
  StoreSettings settings;
  settings.busy_timeout_ms = 50;
  StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
  REQUIRE(sqlite3_exec(other, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr) == SQLITE_OK);
  const Result<void> begun = writer.begin();
  REQUIRE_FALSE(begun);
  REQUIRE(begun.error().kind == ErrorKind::unusable);
  REQUIRE(begun.error().message.find("locked") != std::string::npos);
  REQUIRE(sqlite3_exec(other, "ROLLBACK", nullptr, nullptr, nullptr) == SQLITE_OK);
  must(writer.begin());
  writer.rollback();
  sqlite3_close(other);
}

TEST_CASE("a new store may be read by its group and by nobody else, whatever the umask") {
  Folder folder;
  const mode_t before = ::umask(077);
  make_store(folder.file(), 10);
  ::umask(before);
  for (const char* suffix : {"", "-wal", "-shm"}) {
    struct stat file {};
    REQUIRE(::stat((folder.file() + suffix).c_str(), &file) == 0);
    REQUIRE((file.st_mode & 0777U) == 0640U);
  }
}

TEST_CASE("somebody who may only read the files reads the store") {
  if (::geteuid() != 0) {
    WARN("skipped: only root can become somebody else");
    return;
  }
  Folder folder;
  make_store(folder.file());
  std::filesystem::permissions(folder.path(), std::filesystem::perms(0755));
  for (const char* suffix : {"", "-wal", "-shm"})
    std::filesystem::permissions(folder.file() + suffix, std::filesystem::perms(0644));
  constexpr uid_t nobody = 65'534;
  const auto count_as_nobody = [&] {
    return in_child([&] {
      if (::setgid(nobody) != 0 || ::setuid(nobody) != 0) return 90;
      const Result<StoreReader> reader = StoreReader::open(folder.file());
      if (!reader) return 91;
      const Result<StoreStatus> status = reader->status();
      if (!status) return 92;
      if (StoreWriter::open(folder.file(), {})) return 93;
      return status->samples == 20'000 ? 0 : 94;
    });
  };
  REQUIRE(count_as_nobody() == 0);  // nobody writes just now
  const StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  REQUIRE(count_as_nobody() == 0);  // and with the service at it
}

TEST_CASE("on a full disk the transaction is gone, the rest is whole, and writing goes on when there is room") {
  Folder folder;
  const nightwatt::test::SmallDisk disk((folder.path() / "disk").string(), "size=400k");
  if (!disk.mounted()) {
    WARN("skipped: this test may not mount a small file system");
    return;
  }
  const std::string path = (folder.path() / "disk" / "store.db").string();
  const std::string filler = (folder.path() / "disk" / "filler").string();
  StoreWriter writer = must(StoreWriter::open(path, {}));
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.commit());
  std::ofstream(filler) << std::string(100'000, 'x');

  std::mt19937_64 random(5);
  std::vector<Reading> kept;
  std::int64_t next_us = night_us;
  bool full = false;
  for (int round = 0; round < 2'000 && !full; ++round) {
    const std::vector<Reading> batch = noise(100, next_us, random);
    must(writer.begin());
    Result<void> done = writer.apply(AppendReadings{stream, batch});
    if (done) done = writer.commit();
    if (done) {
      kept.insert(kept.end(), batch.begin(), batch.end());
      next_us = batch.back().time.us + 1'000'000;
      continue;
    }
    REQUIRE(writer.trouble() == StoreTrouble::no_room);
    REQUIRE(done.error().message.find("disk is full") != std::string::npos);
    writer.rollback();
    REQUIRE(writer.trouble() == StoreTrouble::no_room);
    full = true;
  }
  REQUIRE(full);
  std::filesystem::remove(filler);
  const std::vector<Reading> batch = noise(100, next_us, random);
  must(writer.begin());
  must(writer.apply(AppendReadings{stream, batch}));
  must(writer.commit());
  REQUIRE(writer.trouble() == StoreTrouble::none);
  kept.insert(kept.end(), batch.begin(), batch.end());
  std::vector<Reading> back;
  must(writer.reader().readings(stream, UtcTime{0}, UtcTime{night_us * 2}, [&](const Reading& reading) {
    back.push_back(reading);
    return true;
  }));
  REQUIRE(back == kept);
  const StoreCheck check = must(writer.reader().check(figures::prove_run));
  REQUIRE(check.ok);
}
