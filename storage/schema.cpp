#include "schema.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <string_view>
#include <vector>

#include "bytes.hpp"
#include "locks.hpp"
#include "seal.hpp"
#include "store_files.hpp"
#include "tally.hpp"

namespace nightwatt::storage {
namespace {

// The smallest page SQLite has: every commit writes whole pages to the log, so one reading a second costs 46 MB a day
// with pages of 512 bytes and 354 MB with the usual 4096.
constexpr const char* new_file_settings = R"(
  PRAGMA page_size = 512;
  PRAGMA auto_vacuum = INCREMENTAL;
  PRAGMA journal_mode = WAL;
)";

constexpr const char* connection_settings = R"(
  PRAGMA synchronous = NORMAL;
  PRAGMA foreign_keys = OFF;
  PRAGMA secure_delete = OFF;
  PRAGMA wal_autocheckpoint = 2000;
  PRAGMA journal_size_limit = 4000000;
  PRAGMA cache_size = -1000;
)";

constexpr const char* tables_of_version_3 = R"(
CREATE TABLE sketch (
  run INTEGER NOT NULL,
  place INTEGER NOT NULL,
  bytes BLOB NOT NULL,
  crc INTEGER NOT NULL,
  PRIMARY KEY (run, place)
);
CREATE TABLE set_aside (
  id INTEGER PRIMARY KEY,
  stream INTEGER NOT NULL,
  bytes BLOB NOT NULL
);
)";

// What version 4 adds to the tables of version 3; newest_tables has it.
constexpr const char* columns_of_version_4 = R"(
ALTER TABLE stream ADD COLUMN newest_us INTEGER;
ALTER TABLE stream ADD COLUMN seal INTEGER;
ALTER TABLE block ADD COLUMN before_us INTEGER;
ALTER TABLE block ADD COLUMN carried INTEGER;
ALTER TABLE block ADD COLUMN seal INTEGER;
ALTER TABLE sums ADD COLUMN before_us INTEGER;
ALTER TABLE sums ADD COLUMN seal INTEGER;
ALTER TABLE rollup ADD COLUMN seal INTEGER;
ALTER TABLE run ADD COLUMN seal INTEGER;
ALTER TABLE run_word ADD COLUMN seal INTEGER;
ALTER TABLE run_state ADD COLUMN seal INTEGER;
ALTER TABLE stretch ADD COLUMN seal INTEGER;
ALTER TABLE sketch ADD COLUMN seal INTEGER;
ALTER TABLE mark ADD COLUMN seal INTEGER;
ALTER TABLE event ADD COLUMN seal INTEGER;
ALTER TABLE shift ADD COLUMN seal INTEGER;
ALTER TABLE value ADD COLUMN seal INTEGER;
ALTER TABLE set_aside ADD COLUMN acknowledged INTEGER;
)";

// By which salvage knows readings that were set aside for what they stood beside.
constexpr const char* column_of_version_8 = "ALTER TABLE set_aside ADD COLUMN crc INTEGER";

// Rows that are altered where they lie, by a program that knows of no seals and was running when the store was brought
// up to date, are without one until the next writer puts it on.
constexpr const char* triggers_of_version_4 = R"(
CREATE TRIGGER stream_altered AFTER UPDATE ON stream WHEN NEW.seal IS OLD.seal AND NEW.seal IS NOT NULL BEGIN
  UPDATE stream SET seal = NULL WHERE id = NEW.id;
END;
CREATE TRIGGER block_altered AFTER UPDATE ON block WHEN NEW.seal IS OLD.seal AND NEW.seal IS NOT NULL BEGIN
  UPDATE block SET seal = NULL WHERE stream = NEW.stream AND first_us = NEW.first_us;
END;
CREATE TRIGGER run_altered AFTER UPDATE ON run WHEN NEW.seal IS OLD.seal AND NEW.seal IS NOT NULL BEGIN
  UPDATE run SET seal = NULL WHERE id = NEW.id;
END;
)";

// A store of an older version that may not be written is read as if it had the columns.
constexpr const char* views_of_older_versions = R"(
PRAGMA temp_store = MEMORY;
CREATE TEMP VIEW stream AS SELECT *, NULL AS newest_us, NULL AS seal FROM main.stream;
CREATE TEMP VIEW block AS SELECT *, NULL AS before_us, NULL AS carried, NULL AS seal FROM main.block;
CREATE TEMP VIEW sums AS SELECT *, NULL AS before_us, NULL AS seal FROM main.sums;
CREATE TEMP VIEW rollup AS SELECT *, NULL AS seal FROM main.rollup;
CREATE TEMP VIEW run AS SELECT *, NULL AS seal FROM main.run;
CREATE TEMP VIEW run_word AS SELECT *, NULL AS seal FROM main.run_word;
CREATE TEMP VIEW run_state AS SELECT *, NULL AS seal FROM main.run_state;
CREATE TEMP VIEW stretch AS SELECT *, NULL AS seal FROM main.stretch;
CREATE TEMP VIEW mark AS SELECT *, NULL AS seal FROM main.mark;
CREATE TEMP VIEW event AS SELECT *, NULL AS seal FROM main.event;
CREATE TEMP VIEW shift AS SELECT *, NULL AS seal FROM main.shift;
CREATE TEMP VIEW value AS SELECT *, NULL AS seal FROM main.value;
)";
constexpr const char* view_of_version_3 = "CREATE TEMP VIEW sketch AS SELECT *, NULL AS seal FROM main.sketch";

// Its rows are too long for a page of a table without numbers, which would give each a page of its own.
constexpr const char* sums_of_version_5 = R"(
CREATE TABLE sums (
  stream INTEGER NOT NULL,
  quantity INTEGER NOT NULL,
  block_us INTEGER NOT NULL,
  count INTEGER NOT NULL,
  first_us INTEGER NOT NULL,
  last_us INTEGER NOT NULL,
  first REAL NOT NULL,
  last REAL NOT NULL,
  min REAL NOT NULL,
  max REAL NOT NULL,
  mean REAL NOT NULL,
  m2 REAL NOT NULL,
  energy_wh REAL,
  gap_us INTEGER NOT NULL,
  before_us INTEGER,
  seal INTEGER,
  PRIMARY KEY (stream, quantity, block_us)
);
)";

constexpr const char* newest_tables = R"(
CREATE TABLE stream (
  id INTEGER PRIMARY KEY,
  meter TEXT UNIQUE,
  published INTEGER NOT NULL,
  newest_us INTEGER,
  seal INTEGER
);
CREATE TABLE block (
  stream INTEGER NOT NULL,
  first_us INTEGER NOT NULL,
  last_us INTEGER NOT NULL,
  count INTEGER NOT NULL,
  data INTEGER,
  before_us INTEGER,
  carried INTEGER,
  seal INTEGER,
  PRIMARY KEY (stream, first_us)
) WITHOUT ROWID;
CREATE INDEX block_by_age ON block (last_us) WHERE data IS NOT NULL;
CREATE TABLE block_data (
  id INTEGER PRIMARY KEY,
  bytes BLOB NOT NULL
);
CREATE TABLE tail (
  id INTEGER PRIMARY KEY,
  stream INTEGER NOT NULL,
  bytes BLOB NOT NULL,
  crc INTEGER
);
CREATE TABLE rollup (
  stream INTEGER NOT NULL,
  block_us INTEGER NOT NULL,
  step_s INTEGER NOT NULL,
  bytes BLOB NOT NULL,
  seal INTEGER,
  PRIMARY KEY (stream, block_us, step_s)
);
CREATE TABLE run (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  stream INTEGER,
  device TEXT,
  origin INTEGER NOT NULL,
  begin_us INTEGER NOT NULL,
  end_us INTEGER,
  pinned INTEGER NOT NULL,
  samples INTEGER NOT NULL,
  note TEXT NOT NULL,
  shortest_segment_s REAL NOT NULL,
  resolution_w REAL,
  starting_w REAL,
  accuracy_percent REAL,
  accuracy_floor_w REAL,
  accuracy_class TEXT,
  energy_step_wh REAL,
  energy_accuracy_percent REAL,
  energy_accuracy_floor_wh REAL,
  energy_accuracy_class TEXT,
  entered_idle_w REAL,
  entered_load_w REAL,
  seal INTEGER
);
CREATE INDEX run_of_stream ON run (stream, begin_us);
CREATE TABLE run_word (
  run INTEGER NOT NULL,
  place INTEGER NOT NULL,
  key TEXT,
  value TEXT NOT NULL,
  seal INTEGER,
  PRIMARY KEY (run, place)
) WITHOUT ROWID;
CREATE TABLE run_state (
  run INTEGER PRIMARY KEY,
  as_of_us INTEGER,
  samples INTEGER NOT NULL,
  step_w REAL NOT NULL,
  median_interval_s REAL NOT NULL,
  segmenter BLOB NOT NULL,
  totals BLOB NOT NULL,
  crc INTEGER,
  seal INTEGER
);
CREATE TABLE stretch (
  run INTEGER NOT NULL,
  place INTEGER NOT NULL,
  count INTEGER NOT NULL,
  bytes BLOB NOT NULL,
  crc INTEGER,
  seal INTEGER,
  PRIMARY KEY (run, place)
);
CREATE TABLE mark (
  id INTEGER PRIMARY KEY,
  run INTEGER,
  meter TEXT,
  at_us INTEGER NOT NULL,
  text TEXT NOT NULL,
  kind INTEGER,
  seal INTEGER
);
CREATE INDEX mark_by_time ON mark (at_us);
CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  kind INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  meter TEXT,
  detail TEXT NOT NULL,
  amount REAL NOT NULL,
  seal INTEGER
);
CREATE INDEX event_by_time ON event (at_us);
CREATE TABLE shift (
  stream INTEGER NOT NULL,
  from_us INTEGER NOT NULL,
  shift_us INTEGER NOT NULL,
  seal INTEGER,
  PRIMARY KEY (stream, from_us)
) WITHOUT ROWID;
CREATE TABLE value (
  name TEXT PRIMARY KEY,
  bytes BLOB NOT NULL,
  seal INTEGER
) WITHOUT ROWID;
PRAGMA application_id = 0x4E574154;
PRAGMA user_version = 8;
)";

tl::unexpected<Error> unusable(const std::string& path, const std::string& what) {
  return fail(ErrorKind::unusable, path + ": " + what);
}

/// The WAL and its index stay when the last connection closes: a reader who may not write the folder could not make
/// them, and without them cannot open the store.
void keep_wal(Database& database) {
  int on = 1;
  sqlite3_file_control(database.handle(), "main", SQLITE_FCNTL_PERSIST_WAL, &on);
}

/// The first bytes of the file, by SQLite's own descriptor: closing another one would end the locks that this process
/// has on the file (fcntl(2), record locking).
std::string header_of(Database& database) {
  sqlite3_file* file = nullptr;
  std::string header(32, '\0');
  if (sqlite3_file_control(database.handle(), "main", SQLITE_FCNTL_FILE_POINTER, &file) != SQLITE_OK ||
      file->pMethods == nullptr)
    return {};
  return file->pMethods->xRead(file, header.data(), static_cast<int>(header.size()), 0) == SQLITE_OK ? header
                                                                                                     : std::string();
}

/// A file shorter than its own header says, with no log that could hold the rest, or a header that cannot be true.
bool is_cut(Database& database) {
  struct stat file {};
  struct stat log {};
  if (::stat(database.path().c_str(), &file) != 0) return false;
  const bool has_log = ::stat((real_path(database.path()) + log_suffix).c_str(), &log) == 0 && log.st_size > 0;
  if (file.st_size == 0) return has_log;  // its log is not read: what was in it is lost
  if (has_log) return false;
  const std::string header = header_of(database);
  constexpr std::string_view magic("SQLite format 3", 16);
  if (header.compare(0, magic.size(), magic) != 0) return false;
  const auto byte = [&](std::size_t place) { return std::int64_t{static_cast<unsigned char>(header[place])}; };
  const std::int64_t page_size = byte(16) == 0 && byte(17) == 1 ? 65'536 : byte(16) * 256 + byte(17);
  if ((page_size & (page_size - 1)) != 0) return true;
  const std::int64_t pages = (byte(28) << 24) | (byte(29) << 16) | (byte(30) << 8) | byte(31);
  return file.st_size < pages * page_size;
}

/// Names no other program is likely to use together.
bool has_our_tables(Database& database) {
  return database.pragma(
             "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name IN ('block_data', 'run_state', "
             "'stretch')") == 3;
}

/// Whether the file is a store this program can read. Nothing is scanned: the header alone tells.
Result<void> check_identity(Database& database, bool may_be_new) {
  const std::string& path = database.path();
  const auto damaged = [&](const char* what) {
    database.set_trouble(StoreTrouble::damaged);
    return unusable(path, std::string(what) + "; " + to_mend);
  };
  if (is_cut(database)) return damaged("the store is cut short, or its beginning is damaged");
  const std::int64_t id = database.pragma("PRAGMA application_id");
  const std::int64_t version = database.pragma("PRAGMA user_version");
  if (id == 0 && version == 0 && may_be_new && database.pragma("SELECT count(*) FROM sqlite_schema") == 0) return {};
  if (id != application_id && has_our_tables(database)) return damaged("the beginning of the store is damaged");
  if (id != application_id)
    return unusable(path, "a database of another program, not a nightwatt store; give another path");
  if (version > schema_version)
    return unusable(path, "written by a newer nightwatt (store version " + std::to_string(version) +
                              ", this program knows up to " + std::to_string(schema_version) +
                              "); update this program");
  if (version < 1) return damaged("the beginning of the store is damaged (no version)");
  return {};
}

Result<void> create_file(const std::string& path, StoreTrouble& trouble) {
  constexpr mode_t mode = 0640;  // the group may read
  const int descriptor = ::open(path.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, mode);
  if (descriptor < 0) {
    if (errno == EEXIST) return {};
    if (errno == ENOSPC || errno == EDQUOT) trouble = StoreTrouble::no_room;
    return unusable(path, std::string("cannot make the store: ") + std::strerror(errno) + "; check the folder");
  }
  const int changed = ::fchmod(descriptor, mode);  // whatever the umask
  ::close(descriptor);
  if (changed != 0) return unusable(path, std::string("cannot set the store's permissions: ") + std::strerror(errno));
  return {};
}

Result<void> refuse_odd_files(const std::string& path) {
  struct stat file {};
  if (::stat(path.c_str(), &file) != 0) return {};
  if (S_ISDIR(file.st_mode)) return unusable(path, "a folder, not a store; give the path of a file");
  if (!S_ISREG(file.st_mode)) return unusable(path, "not a regular file; give the path of a store");
  return {};
}

/// By each name of a file (hard link) SQLite keeps another log: who writes by two of them spoils it. So one name is
/// written by, and it is that of the service, which has locked the file itself.
Result<void> refuse_second_name(const std::string& path) {
  struct stat file {};
  if (::stat(path.c_str(), &file) != 0 || file.st_nlink < 2 || service_has(path)) return {};
  return unusable(path,
                  "its file has another name as well (a hard link), and writing by two names would spoil the store: "
                  "remove one of the names; for a copy there is nightwatt backup");
}

/// Who writes by another name leaves its log beside that one; without it the newest readings would be missing.
Result<void> refuse_name_without_log(const std::string& path) {
  struct stat file {};
  const bool has_other_name = ::stat(path.c_str(), &file) == 0 && file.st_nlink > 1;
  if (!has_other_name || file_id(real_path(path) + log_suffix)) return {};
  return unusable(path,
                  "its file has another name as well (a hard link), and the log of what was written last lies beside "
                  "that one: read it by the name it is written by; for a copy there is nightwatt backup");
}

Result<void> create_tables(Database& database) {
  database.execute(new_file_settings);
  database.execute("BEGIN IMMEDIATE");
  // Another process may have been first.
  if (database.pragma("PRAGMA user_version") == 0) {
    database.execute(tables_of_version_3);
    database.execute(
        "ALTER TABLE sketch ADD COLUMN seal INTEGER; ALTER TABLE set_aside ADD COLUMN acknowledged INTEGER");
    database.execute(column_of_version_8);
    database.execute(newest_tables);
    database.execute(sums_of_version_5);
    database.execute(triggers_of_version_4);
    begin_tally(database);
  }
  database.execute("COMMIT");
  return {};
}

std::vector<std::int64_t> numbers(Database& database, const char* sql) {
  std::vector<std::int64_t> found;
  Query rows = database.query(sql);
  while (rows.step()) found.push_back(rows.integer(0));
  return found;
}

/// `read` gives the bytes of a row, in one column or two; `put` takes the row and their checksum.
void add_crc(Database& database, std::int64_t row, const char* read, const char* put) {
  std::string bytes;
  {
    Query one = database.query(read);
    one.bind(1, row);
    if (!one.step()) return;
    bytes = std::string(one.blob(0));
    bytes += one.blob(1);
  }
  Query update = database.query(put);
  update.bind(1, row).bind(2, std::int64_t{crc32(bytes)}).run();
}

/// Version 1 to 2. What was altered before that gets the checksum of what it is now: only its contents can tell.
void add_checksums(Database& database) {
  database.execute("ALTER TABLE stretch ADD COLUMN crc INTEGER; ALTER TABLE run_state ADD COLUMN crc INTEGER");
  for (const std::int64_t row : numbers(database, "SELECT rowid FROM stretch"))
    add_crc(database, row, "SELECT bytes, x'' FROM stretch WHERE rowid = ?1",
            "UPDATE stretch SET crc = ?2 WHERE rowid = ?1");
  for (const std::int64_t run : numbers(database, "SELECT run FROM run_state"))
    add_crc(database, run, "SELECT segmenter, totals FROM run_state WHERE run = ?1",
            "UPDATE run_state SET crc = ?2 WHERE run = ?1");
}

/// Version 3 to 4. What was altered before that is sealed as it is now: only its contents can tell.
void add_seals(Database& database) {
  database.execute(columns_of_version_4);
  seal_all_rows(database);
  database.execute(triggers_of_version_4);
}

/// Version 4 to 5.
void renew_sums(Database& database) {
  database.execute("ALTER TABLE sums RENAME TO old_sums");
  database.execute(sums_of_version_5);
  database.execute("INSERT INTO sums SELECT * FROM old_sums; DROP TABLE old_sums");
}

/// Version 5 to 6: that a display cuts off is a word of the run, no longer a resolution below zero.
void say_cut_off(Database& database) {
#define NIGHTWATT_CUT_OFF " WHERE resolution_w < 0 AND " NIGHTWATT_SOUND(NIGHTWATT_RUN_SEAL)
  for (const char* sql :
       {"INSERT INTO run_word (run, place, key, value) SELECT id, (SELECT coalesce(max(place) + 1, 0) FROM run_word "
        "WHERE run_word.run = id), '.display', 'truncates' FROM run" NIGHTWATT_CUT_OFF,
        "UPDATE run SET resolution_w = -resolution_w" NIGHTWATT_CUT_OFF,
        "UPDATE run_word SET seal = " NIGHTWATT_RUN_WORD_SEAL " WHERE key = '.display'",
        "UPDATE run SET seal = " NIGHTWATT_RUN_SEAL " WHERE id IN (SELECT run FROM run_word WHERE key = '.display')"})
    database.execute(sql);
#undef NIGHTWATT_CUT_OFF
}

}  // namespace

void seal_all_rows(Database& database) {
  database.execute(
      "UPDATE block SET before_us = (SELECT max(b.first_us) FROM block b WHERE b.stream = block.stream AND b.first_us "
      "< "
      "block.first_us), carried = (SELECT sum(1 << quantity) FROM sums WHERE sums.stream = block.stream AND block_us = "
      "block.first_us)");
  database.execute(
      "UPDATE sums SET before_us = (SELECT max(s.block_us) FROM sums s WHERE s.stream = sums.stream AND s.quantity = "
      "sums.quantity AND s.block_us < sums.block_us)");
  database.execute("UPDATE stream SET newest_us = (SELECT max(first_us) FROM block WHERE block.stream = stream.id)");
  for (const TableTraits& table : all_tables())
    if (table.form.sealed > 0)
      database.execute(("UPDATE " + std::string(table.name) + " SET seal = " + seal_sql(table.table)).c_str());
}

namespace {

/// In one transaction. Stretches of older versions keep their sketches with them: their bytes say so. Rows of the tail
/// get no checksum now: a service of the older version that is running changes them.
Result<void> upgrade(Database& database) {
  database.execute("BEGIN IMMEDIATE");
  // Another process may have been first.
  const std::int64_t version = database.pragma("PRAGMA user_version");
  if (version < 2) add_checksums(database);
  if (version < 3) {
    database.execute(tables_of_version_3);
    database.execute("ALTER TABLE tail ADD COLUMN crc INTEGER");
  }
  if (version < 4) add_seals(database);
  // Version 5 has other forms of columns within blocks as well, for which nothing has to be done here.
  if (version < 5) renew_sums(database);
  if (version < 6) say_cut_off(database);
  if (version < 8) {
    begin_tally(database);
    database.execute(column_of_version_8);
  }
  database.execute("PRAGMA user_version = 8");
  database.execute("COMMIT");
  return {};
}

/// Opening throws before there is a Database to explain it.
template <class Open>
Result<std::unique_ptr<Database>> opened(const std::string& path, Open&& open, StoreTrouble* trouble = nullptr) {
  try {
    return open();
  } catch (const SQLite::Exception& exception) {
    const int code = exception.getExtendedErrorCode() > 0 ? exception.getExtendedErrorCode() : exception.getErrorCode();
    if (trouble != nullptr) *trouble = trouble_of(code, errno);
    return fail(ErrorKind::unusable, explain_sqlite(path, code, errno, exception.what()));
  } catch (const std::bad_alloc&) {
    return unusable(path, "not enough memory");
  }
}

/// No run, no stream, no event: as create_tables() left it.
bool holds_nothing(Database& database) {
  return database.pragma(
             "SELECT (SELECT count(*) FROM run) + (SELECT count(*) FROM stream) + (SELECT count(*) FROM event) "
             "+ (SELECT count(*) FROM mark) + (SELECT count(*) FROM value)") == 0;
}

}  // namespace

// Leaving WAL mode needs the file for oneself alone: it fails where anybody else has the store open.
void StoreWriter::remove_unused(const std::string& path) {
  const auto lock = ServiceLock::take(path);
  if (!lock) return;
  const auto alone = opened(path, [&]() -> Result<std::unique_ptr<Database>> {
    auto database = std::make_unique<Database>(path, SQLite::OPEN_READWRITE);
    sqlite3_busy_timeout(database->handle(), 0);
    const auto checked = database->guarded([&]() -> Result<void> {
      if (auto identity = check_identity(*database, false); !identity) return identity;
      if (!holds_nothing(*database)) return unusable(path, "in use");
      database->execute("PRAGMA journal_mode = DELETE");
      return {};
    });
    if (!checked) return tl::unexpected<Error>(checked.error());
    return database;
  });
  if (!alone) return;
  for (const char* suffix : {"", log_suffix, index_suffix, lock_suffix}) ::unlink((real_path(path) + suffix).c_str());
}

Result<std::unique_ptr<Database>> open_for_reading(const std::string& path) {
  if (auto odd = refuse_odd_files(path); !odd) return tl::unexpected<Error>(odd.error());
  const int missing = ::access(path.c_str(), F_OK) == 0 ? 0 : errno;
  // An empty file is one that nothing was put in yet.
  if (missing == ENOENT || store_bytes(path) == 0)
    return unusable(path, "there is no store yet; start nightwattd or import a file");
  if (missing != 0) return unusable(path, std::string(std::strerror(missing)) + "; check the path");
  if (::access(path.c_str(), R_OK) != 0)
    return unusable(path, std::string(std::strerror(errno)) + "; ask to be put in the store's group");
  if (auto second = refuse_name_without_log(path); !second) return tl::unexpected<Error>(second.error());
  return opened(path, [&]() -> Result<std::unique_ptr<Database>> {
    auto database = std::make_unique<Database>(path, SQLite::OPEN_READONLY);
    keep_wal(*database);
    auto checked = database->guarded([&]() -> Result<void> {
      if (auto identity = check_identity(*database, false); !identity) return identity;
      const std::int64_t version = database->pragma("PRAGMA user_version");
      if (version < first_version_with_seals) database->execute(views_of_older_versions);
      if (version == first_version_with_sketches) database->execute(view_of_version_3);
      return {};
    });
    if (!checked) return tl::unexpected<Error>(checked.error());
    return database;
  });
}

Result<void> make_store_file(const std::string& path, StoreTrouble& trouble) {
  trouble = StoreTrouble::other;
  if (auto odd = refuse_odd_files(path); !odd) return odd;
  if (auto made = create_file(path, trouble); !made) return made;
  if (::access(path.c_str(), W_OK) != 0)
    return unusable(path, std::string("the store may not be written (") + std::strerror(errno) +
                              "); check the permissions of the file and its folder");
  return {};
}

Result<std::unique_ptr<Database>> open_for_writing(const std::string& path, StoreTrouble& trouble) {
  if (auto made = make_store_file(path, trouble); !made) return tl::unexpected<Error>(made.error());
  if (auto names = refuse_second_name(path); !names) return tl::unexpected<Error>(names.error());
  const auto open = [&]() -> Result<std::unique_ptr<Database>> {
    auto database = std::make_unique<Database>(path, SQLite::OPEN_READWRITE);
    auto ready = database->guarded([&]() -> Result<void> {
      if (auto identity = check_identity(*database, true); !identity) return identity;
      if (database->pragma("PRAGMA user_version") == 0)
        if (auto made = create_tables(*database); !made) return made;
      if (database->pragma("PRAGMA user_version") < schema_version)
        if (auto brought = upgrade(*database); !brought) return brought;
      database->execute(connection_settings);
      keep_wal(*database);
      return {};
    });
    if (!ready) trouble = database->trouble() == StoreTrouble::none ? StoreTrouble::other : database->trouble();
    if (!ready) return tl::unexpected<Error>(ready.error());
    return database;
  };
  return opened(path, open, &trouble);
}

}  // namespace nightwatt::storage
