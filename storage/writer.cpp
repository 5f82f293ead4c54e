// Transactions, streams and readings, written.
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstring>

#include "locks.hpp"
#include "schema.hpp"
#include "seal.hpp"
#include "tally.hpp"
#include "writer_impl.hpp"

namespace nightwatt::storage {
namespace {

// A tail this long becomes a block: long enough to compress well, short enough to read in a millisecond or two.
constexpr std::size_t block_target = 16'384;
// A slow meter's tail becomes a block after a day, so that old readings can be given up by the day.
constexpr std::int64_t write_buffer_age_limit_us = 86'400'000'000;
static_assert(block_target <= block_readings_limit);

void put_aggregates_of(Database& database, StreamId stream, Quantity quantity, const BlockAggregates& aggregates,
                       std::int64_t block_us, std::int64_t gap_us) {
  Query insert = database.query(
      "INSERT INTO sums (stream, quantity, block_us, count, first_us, last_us, first, last, min, max, mean, m2, "
      "energy_wh, gap_us, before_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, "
      "(SELECT block_us FROM sums WHERE stream = ?1 AND quantity = ?2 AND block_us < ?3 ORDER BY block_us DESC LIMIT "
      "1))");
  insert.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, block_us);
  insert.bind(4, aggregates.count)
      .bind(5, aggregates.first_us)
      .bind(6, aggregates.last_us)
      .bind(7, aggregates.first)
      .bind(8, aggregates.last);
  insert.bind(9, aggregates.min)
      .bind(10, aggregates.max)
      .bind(11, aggregates.mean)
      .bind(12, aggregates.m2)
      .bind(13, aggregates.energy_wh);
  insert.bind(14, gap_us).run();
  Query seal = database.query("UPDATE sums SET seal = " NIGHTWATT_SUMS_SEAL
                              " WHERE stream = ?1 AND quantity = ?2 AND block_us = ?3");
  seal.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, block_us).run();
}

/// Of rows that are gone an empty one each is set aside, for nobody to take the hole for silence. Gives how many.
std::int64_t note_missing_write_buffer(Database& database, StreamId stream) {
  const auto told = told_count(database, Table::write_buffer, stream);
  count_anew(database, Table::write_buffer, stream);
  const std::int64_t gone = *told - *told_count(database, Table::write_buffer, stream);
  for (std::int64_t row = 0; row < gone; ++row) {
    Query put = database.query("INSERT INTO set_aside (stream, bytes) VALUES (?1, x'')");
    put.bind(1, stream).run();
  }
  return std::max<std::int64_t>(gone, 0);
}

}  // namespace

std::int64_t put_aggregates(Database& database, StreamId stream, const Columns& columns) {
  const std::int64_t gap_us = gap_limit_us(columns);
  std::int64_t carried = 0;
  for (const Quantity quantity : all_quantities) {
    const BlockAggregates aggregates = aggregates_of(columns, quantity, 0, columns.size());
    if (aggregates.count == 0) continue;
    carried |= std::int64_t{1} << static_cast<unsigned>(quantity);
    put_aggregates_of(database, stream, quantity, aggregates, columns.times.front(), gap_us);
  }
  return carried;
}

StoreWriter::Impl::Impl(std::unique_ptr<Database> opened, StoreSettings wanted)
    : reader(std::make_unique<StoreReader::Impl>(std::move(opened))),
      in(*reader.impl_),
      database(in.database.get()),
      settings(wanted) {}

StoreWriter::Impl::~Impl() {
  if (lock_descriptor >= 0) ::close(lock_descriptor);
}

void StoreWriter::Impl::forget_cached() {
  ends.clear();
  open_row.reset();
}

Result<StreamEnd*> StoreWriter::Impl::end_of(StreamId stream) {
  if (const auto known = ends.find(stream); known != ends.end()) return &known->second;
  StreamEnd end;
  if (const std::optional<BlockRow> last = in.last_block(stream, highest_time_us)) end.last_us = last->last_us;
  const Result<Columns> readings = in.write_buffer(stream);
  if (!readings) return pass_on(readings.error());
  if (!readings->empty()) {
    end.last_us = readings->times.back();
    end.write_buffer_first_us = readings->times.front();
    end.write_buffer_count = readings->size();
  }
  return &ends.emplace(stream, end).first->second;
}

/// nullptr: that stream is damaged, which must not keep the others from their ends.
Result<StreamEnd*> StoreWriter::Impl::end_of_sound(StreamId stream) {
  const Result<StreamEnd*> end = database->guarded([&] { return end_of(stream); });
  if (end || database->trouble() != StoreTrouble::none) return end;
  return static_cast<StreamEnd*>(nullptr);
}

void StoreWriter::Impl::write_block(StreamId stream, const Columns& columns) {
  const std::int64_t first_us = columns.times.front();
  const std::optional<BlockRow> before = in.last_block(stream, first_us);
  const std::string bytes = encode_block(columns, block_compression);
  Query data = database->query("INSERT INTO block_data (bytes) VALUES (?1)");
  data.bind_blob(1, bytes).run();
  const std::int64_t data_id = database->last_row_id();
  const std::int64_t carried = put_aggregates(*database, stream, columns);
  Query row = database->query(
      "INSERT INTO block (stream, first_us, last_us, count, data, before_us, carried, seal) VALUES (?1, ?2, ?3, ?4, "
      "?5, "
      "?6, ?7, row_seal('block', ?1, ?2, ?3, ?4, ?5, ?6, ?7))");
  row.bind(1, stream).bind(2, first_us).bind(3, columns.times.back());
  row.bind(4, static_cast<std::int64_t>(columns.size())).bind(5, data_id);
  if (before) row.bind(6, before->first_us);
  row.bind(7, carried).run();
  Query newest = database->query(
      "UPDATE stream SET newest_us = ?2, seal = row_seal('stream', id, meter, published, ?2) "
      "WHERE id = ?1");
  newest.bind(1, stream).bind(2, first_us).run();
}

Result<void> StoreWriter::Impl::close_write_buffer(StreamId stream, StreamEnd& end, std::span<const Reading> more) {
  Result<Columns> columns = in.write_buffer(stream);
  if (!columns) return pass_on(columns.error());
  for (const Reading& reading : more) columns->push(reading);
  if (columns->empty()) return {};
  write_block(stream, *columns);
  if (end.write_buffer_count > 0) {
    Query remove = database->query("DELETE FROM tail WHERE stream = ?1");
    remove.bind(1, stream).run();
  }
  if (open_row && open_row->stream == stream) open_row.reset();
  end.last_us = columns->times.back();
  end.write_buffer_first_us.reset();
  end.write_buffer_count = 0;
  return {};
}

void StoreWriter::Impl::seal_stream(StreamId stream) {
  Query seal = database->query("UPDATE stream SET seal = " NIGHTWATT_STREAM_SEAL " WHERE id = ?1");
  seal.bind(1, stream).run();
}

void StoreWriter::Impl::write_write_buffer(StreamId stream, StreamEnd& end, std::span<const Reading> readings) {
  const auto store_row = [&](bool is_new) {
    const std::string_view bytes = open_row->encoder.bytes();
    if (is_new) {
      Query insert = database->query("INSERT INTO tail (stream, bytes, crc) VALUES (?1, ?2, ?3)");
      insert.bind(1, stream).bind_blob(2, bytes).bind(3, write_buffer_crc(stream, bytes)).run();
      open_row->id = database->last_row_id();
    } else {
      Query update = database->query("UPDATE tail SET bytes = ?2, crc = ?3 WHERE id = ?1");
      update.bind(1, open_row->id).bind_blob(2, bytes).bind(3, write_buffer_crc(stream, bytes)).run();
    }
  };
  bool is_new = false;
  if (!open_row || open_row->stream != stream) {
    open_row = OpenRow{0, stream, {}};
    is_new = true;
  }
  for (const Reading& reading : readings) {
    if (open_row->encoder.push(reading)) continue;
    store_row(is_new);
    open_row = OpenRow{0, stream, {}};
    is_new = true;
    (void)open_row->encoder.push(reading);  // one reading always fits
  }
  store_row(is_new);
  if (!end.write_buffer_first_us) end.write_buffer_first_us = readings.front().time.us;
  end.write_buffer_count += readings.size();
  end.last_us = readings.back().time.us;
}

void StoreWriter::Impl::delete_figures(RunId id) {
  for (const char* sql : {"DELETE FROM stretch WHERE run = ?1", "DELETE FROM sketch WHERE run = ?1",
                          "DELETE FROM run_state WHERE run = ?1"}) {
    Query remove = database->query(sql);
    remove.bind(1, id).run();
  }
  for (const Table rows : {Table::regime, Table::sketch, Table::run_state}) count_anew(*database, rows, id);
}

void StoreWriter::Impl::delete_run(RunId id) {
  delete_figures(id);
  for (const char* sql :
       {"DELETE FROM run_word WHERE run = ?1", "DELETE FROM mark WHERE run = ?1", "DELETE FROM run WHERE id = ?1"}) {
    Query remove = database->query(sql);
    remove.bind(1, id).run();
  }
  for (const Table rows : {Table::run_word, Table::mark}) count_anew(*database, rows, id);
}

void StoreWriter::Impl::delete_stream(StreamId stream) {
  std::vector<RunId> runs;
  {
    Query rows = database->query("SELECT id FROM run WHERE stream = ?1");
    rows.bind(1, stream);
    while (rows.step()) runs.push_back(rows.integer(0));
  }
  for (const RunId id : runs) delete_run(id);
  for (const char* sql : {"DELETE FROM block_data WHERE id IN (SELECT data FROM block WHERE stream = ?1)",
                          "DELETE FROM block WHERE stream = ?1", "DELETE FROM sums WHERE stream = ?1",
                          "DELETE FROM tail WHERE stream = ?1", "DELETE FROM set_aside WHERE stream = ?1",
                          "DELETE FROM rollup WHERE stream = ?1", "DELETE FROM shift WHERE stream = ?1",
                          "DELETE FROM stream WHERE id = ?1"}) {
    Query remove = database->query(sql);
    remove.bind(1, stream).run();
  }
  for (const Table rows : {Table::write_buffer, Table::rollup, Table::utc_offset}) count_anew(*database, rows, stream);
}

Result<void> StoreWriter::Impl::lock_import(StreamId stream) {
  if (lock_descriptor < 0) {
    const Result<int> opened = open_lock_file(database->path());
    if (!opened) return pass_on(opened.error());
    lock_descriptor = *opened;
  }
  if (lock_byte(lock_descriptor, 1 + stream) != LockState::taken)
    return fail(ErrorKind::unusable, database->path() + "-lock: cannot be locked for an import");
  return {};
}

/// An import whose lock nobody holds was left by a process that died.
Result<void> StoreWriter::Impl::sweep_imports() {
  std::vector<StreamId> unfinished;
  {
    Query rows = database->query("SELECT id FROM stream WHERE published = 0");
    while (rows.step()) unfinished.push_back(rows.integer(0));
  }
  for (const StreamId stream : unfinished) {
    if (!lock_import(stream)) continue;  // somebody is at it
    database->execute("BEGIN IMMEDIATE");
    // It may have been published between the look and the lock.
    Query still = database->query("SELECT 1 FROM stream WHERE id = ?1 AND published = 0");
    still.bind(1, stream);
    if (still.step()) delete_stream(stream);
    database->execute("COMMIT");
    unlock_byte(lock_descriptor, 1 + stream);
  }
  return {};
}

StoreWriter::StoreWriter(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
StoreWriter::~StoreWriter() = default;
StoreWriter::StoreWriter(StoreWriter&&) noexcept = default;
StoreWriter& StoreWriter::operator=(StoreWriter&&) noexcept = default;

const StoreReader& StoreWriter::reader() const {
  return impl_->reader;
}

std::int64_t log_pages_for(const StoreSettings& settings) {
  constexpr std::int64_t most = 2'000, least = 50, share = 16, page_bytes = 512;  // a page more has 24 bytes of its own
  if (!settings.max_size_mb) return most;
  return std::clamp(static_cast<std::int64_t>(*settings.max_size_mb * 1e6) / (page_bytes + 24) / share, least, most);
}

/// What hangs on the user's settings.
std::string connection_settings_for(const StoreSettings& settings) {
  // The system writes by itself what is half a minute old (Linux's own setting). Who commits no oftener loses half a
  // minute less to a power cut where each commit is written at once, for a page or two a commit.
  constexpr double written_at_once_from_s = 30.0;
  std::string text = settings.flush_s >= written_at_once_from_s ? "PRAGMA synchronous = FULL;" : "";
  if (settings.max_size_mb) {
    const std::int64_t pages = log_pages_for(settings);
    text += "PRAGMA wal_autocheckpoint = " + std::to_string(pages) +
            "; PRAGMA journal_size_limit = " + std::to_string(pages * 536) + ";";
  }
  return text;
}

Result<StoreWriter> StoreWriter::open(const std::string& path, StoreSettings settings, StoreTrouble* trouble) {
  StoreTrouble ignored = StoreTrouble::none;
  StoreTrouble& kind = trouble != nullptr ? *trouble : ignored;
  Result<std::unique_ptr<Database>> database = open_for_writing(path, kind);
  if (!database) return pass_on(database.error());
  auto impl = std::make_unique<Impl>(std::move(*database), settings);
  sqlite3_busy_timeout(impl->database->handle(), settings.busy_timeout_ms);
  const Result<void> set = impl->database->guarded([&]() -> Result<void> {
    impl->database->execute(connection_settings_for(settings).c_str());
    return {};
  });
  if (!set) return pass_on(set.error());
  const Result<void> swept = impl->database->guarded([&] { return impl->sweep_imports(); });
  kind = impl->database->trouble();
  if (!swept) return pass_on(swept.error());
  return StoreWriter(std::move(impl));
}

bool StoreWriter::leave(StoreWriter store) {
  store.rollback();
  const StoreFiles files = store.impl_->in.files;
  // Another program has put up a log of its own at the path: then ours may hold what it wrote, and stays out of the
  // file.
  const bool ours = files.log_is_ours();
  bool whole = false;
  if (ours) {
    const Result<void> brought = store.impl_->database->guarded([&]() -> Result<void> {
      Query done = store.impl_->database->query("PRAGMA wal_checkpoint(TRUNCATE)");
      whole = done.step() && done.integer(0) == 0;
      return {};
    });
    whole = whole && brought;
  }
  store.impl_.reset();
  files.remove_log();
  return whole;
}

void StoreWriter::abandon(StoreWriter store) {
  store.rollback();
  sqlite3_db_config(store.impl_->database->handle(), SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
}

// The index says how many frames the log holds ("WAL-mode File Format", sections 2.1 and 4.1). It is looked at through
// SQLite, since a descriptor of our own would end SQLite's locks on it when it is closed.
bool StoreWriter::log_is_cut() const {
  sqlite3_file* file = nullptr;
  sqlite3* handle = impl_->database->handle();
  if (sqlite3_file_control(handle, "main", SQLITE_FCNTL_FILE_POINTER, &file) != SQLITE_OK) return false;
  if (file->pMethods == nullptr || file->pMethods->iVersion < 2 || file->pMethods->xShmMap == nullptr) return false;
  void volatile* region = nullptr;
  constexpr int region_bytes = 32 * 1024, may_grow = 0;
  if (file->pMethods->xShmMap(file, 0, region_bytes, may_grow, &region) != SQLITE_OK || region == nullptr) return false;
  constexpr std::size_t header_bytes = 48, page_size_at = 14, frames_at = 16;
  using Header = std::array<char, 2 * header_bytes>;
  const auto look = [&] {
    Header header{};
    const auto* bytes = static_cast<const volatile char*>(region);
    std::copy(bytes, bytes + header.size(), header.begin());
    return header;
  };
  const Header before = look();
  struct stat log {};
  const bool there = ::stat((real_path(impl_->database->path()) + log_suffix).c_str(), &log) == 0;
  const bool steady =
      before == look() && std::equal(before.begin(), before.begin() + header_bytes, before.begin() + header_bytes);
  if (!steady) return false;  // somebody is writing it
  std::uint16_t page_size = 0;
  std::uint32_t frames = 0;
  std::memcpy(&page_size, before.data() + page_size_at, sizeof page_size);
  std::memcpy(&frames, before.data() + frames_at, sizeof frames);
  constexpr std::int64_t log_header = 32, frame_header = 24;
  const std::int64_t page_bytes = page_size == 1 ? 65'536 : page_size;
  return frames > 0 && (!there || log.st_size < log_header + frames * (frame_header + page_bytes));
}

Result<void> StoreWriter::begin() {
  if (impl_->writing) return fail(ErrorKind::unusable, impl_->database->path() + ": a transaction is open already");
  if (impl_->in.snapshots > 0)
    return fail(ErrorKind::unusable, impl_->database->path() + ": no transaction can begin while a snapshot is held");
  Result<void> begun = impl_->database->guarded([&]() -> Result<void> {
    // The ROLLBACK of the transaction before may have failed for want of memory.
    if (impl_->database->in_transaction()) impl_->database->execute("ROLLBACK");
    impl_->database->execute("BEGIN IMMEDIATE");
    impl_->writing = true;
    Query version = impl_->database->query("PRAGMA data_version");
    const std::int64_t now = version.step() ? version.integer(0) : -1;
    if (now != impl_->data_version) impl_->forget_cached();
    impl_->data_version = now;
    return {};
  });
  if (!begun) rollback();
  return begun;
}

Result<void> StoreWriter::commit() {
  Result<void> done = impl_->change([&]() -> Result<void> {
    Query commit = impl_->database->query("COMMIT");
    commit.run();
    impl_->writing = false;
    return {};
  });
  if (!done) {
    const StoreTrouble trouble = impl_->database->trouble();
    rollback();
    impl_->database->set_trouble(trouble);
  }
  return done;
}

void StoreWriter::rollback() noexcept {
  impl_->forget_cached();
  impl_->writing = false;
  if (!impl_->database->in_transaction()) return;  // SQLite has rolled back by itself
  const StoreTrouble trouble = impl_->database->trouble();
  (void)impl_->database->guarded([&]() -> Result<void> {
    impl_->database->execute("ROLLBACK");
    return {};
  });
  impl_->database->set_trouble(trouble);
}

StoreTrouble StoreWriter::trouble() const noexcept {
  return impl_->database->trouble();
}

Result<StreamId> StoreWriter::stream_for_meter(std::string_view meter) {
  return impl_->change([&]() -> Result<StreamId> {
    {
      Query row = impl_->database->query("SELECT id FROM stream WHERE meter = ?1");
      row.bind_text(1, meter);
      if (row.step()) return row.integer(0);
    }
    Query insert = impl_->database->query("INSERT INTO stream (meter, published) VALUES (?1, 1)");
    insert.bind_text(1, meter).run();
    const StreamId id = impl_->database->last_row_id();
    impl_->seal_stream(id);
    return id;
  });
}

Result<std::int64_t> StoreWriter::quarantine_damaged_write_buffer(StreamId stream) {
  return impl_->change([&]() -> Result<std::int64_t> {
    std::vector<std::int64_t> damaged;
    {
      Query rows = impl_->database->query(impl_->in.write_buffer_sql(StoreReader::Impl::TailOrder::oldest_first));
      rows.bind(1, stream);
      for (std::int64_t last_us = lowest_time_us - 1; rows.step();) {
        Columns columns;
        if (read_write_buffer_row(stream, rows, columns) && columns.times.front() > last_us)
          last_us = columns.times.back();
        else
          damaged.push_back(rows.integer(2));
      }
    }
    for (const std::int64_t id : damaged)
      for (const char* sql :
           {"INSERT INTO set_aside (stream, bytes, crc) SELECT stream, bytes, crc FROM tail WHERE id = ?1",
            "DELETE FROM tail WHERE id = ?1"}) {
        Query move = impl_->database->query(sql);
        move.bind(1, id).run();
      }
    const std::int64_t gone = note_missing_write_buffer(*impl_->database, stream);
    const std::int64_t rows = static_cast<std::int64_t>(damaged.size()) + gone;
    if (rows > 0) impl_->forget_cached();
    return rows;
  });
}

Result<std::int64_t> StoreWriter::acknowledge_quarantine() {
  return impl_->change([&]() -> Result<std::int64_t> {
    Query update = impl_->database->query("UPDATE set_aside SET acknowledged = 1 WHERE acknowledged IS NULL");
    update.run();
    return std::int64_t{sqlite3_changes(impl_->database->handle())};
  });
}

Result<StreamId> StoreWriter::new_import_stream() {
  return impl_->change([&]() -> Result<StreamId> {
    Query insert = impl_->database->query("INSERT INTO stream (meter, published) VALUES (NULL, 0)");
    insert.run();
    const StreamId stream = impl_->database->last_row_id();
    if (auto locked = impl_->lock_import(stream); !locked) return pass_on(locked.error());
    impl_->in.own_imports.insert(stream);
    return stream;
  });
}

Result<void> StoreWriter::Impl::append(StreamId stream, std::span<const Reading> readings) {
  if (readings.empty()) return {};
  const Result<StreamEnd*> found = end_of(stream);
  if (!found) return pass_on(found.error());
  StreamEnd& end = **found;
  std::int64_t last_us = end.last_us.value_or(lowest_time_us - 1);
  for (const Reading& reading : readings) {
    if (reading.time.us < lowest_time_us || reading.time.us > highest_time_us)
      return fail(ErrorKind::input, "a reading's time lies outside the years 1 to 9999");
    if (reading.time.us <= last_us)
      return fail(ErrorKind::input, "a reading is not later than the one before it in its stream");
    last_us = reading.time.us;
  }
  if (end.write_buffer_first_us && readings.front().time.us - *end.write_buffer_first_us >= write_buffer_age_limit_us)
    if (auto closed = close_write_buffer(stream, end, {}); !closed) return closed;
  while (end.write_buffer_count + readings.size() >= block_target) {
    const std::size_t room = block_target - end.write_buffer_count;
    if (auto closed = close_write_buffer(stream, end, readings.first(room)); !closed) return closed;
    readings = readings.subspan(room);
  }
  if (!readings.empty()) write_write_buffer(stream, end, readings);
  return {};
}

}  // namespace nightwatt::storage
