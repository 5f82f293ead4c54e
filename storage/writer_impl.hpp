// What a writer keeps between calls, and how it changes the store.
#pragma once

#include <map>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>

#include "reader_impl.hpp"

namespace nightwatt::storage {

/// What a writer knows of a stream without asking again.
struct StreamEnd {
  std::optional<std::int64_t> last_us;  ///< of all its readings
  std::optional<std::int64_t> write_buffer_first_us;
  std::size_t write_buffer_count = 0;
};

class StoreWriter::Impl {
 public:
  Impl(std::unique_ptr<Database> opened, StoreSettings wanted);
  ~Impl();
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  StoreReader reader;
  StoreReader::Impl& in;  ///< the reader's
  Database* database;     ///< its connection, which is the writer's as well
  StoreSettings settings;

  [[nodiscard]] Result<StreamEnd*> end_of(StreamId stream);
  [[nodiscard]] Result<StreamEnd*> end_of_sound(StreamId stream);
  [[nodiscard]] Result<void> append(StreamId stream, std::span<const Reading> readings);
  [[nodiscard]] Result<void> close_write_buffer(StreamId stream, StreamEnd& end, std::span<const Reading> more);
  void write_write_buffer(StreamId stream, StreamEnd& end, std::span<const Reading> readings);
  void write_block(StreamId stream, const Columns& columns);
  void seal_stream(StreamId stream);
  void seal_run(RunId id);
  [[nodiscard]] Result<std::int64_t> count_run(RunId id);
  [[nodiscard]] Result<void> store_count(RunId id, std::optional<std::int64_t> known);
  [[nodiscard]] Result<void> update_run(RunId id, Query& update);  ///< ErrorKind::negative if there is none
  /// Raw readings out, minutes and hours in.
  [[nodiscard]] Result<void> downsample(StreamId stream, const BlockRow& block);
  [[nodiscard]] std::optional<Holding> holding_of(StreamId stream, const BlockRow& block, const Columns& columns);
  [[nodiscard]] std::optional<std::int64_t> next_reading(StreamId stream, const BlockRow& block);
  [[nodiscard]] Result<bool> close_old_write_buffer(std::int64_t now_us);
  [[nodiscard]] Result<std::optional<std::int64_t>> aged_until(StreamId stream, std::int64_t age_us);
  [[nodiscard]] Result<std::optional<std::int64_t>> aged_until(std::int64_t age_us);
  [[nodiscard]] Result<bool> downsample_oldest(std::optional<std::int64_t> before_us);
  [[nodiscard]] std::int64_t drop_oldest_rollups(std::int64_t step_s);
  struct SizeLimit;
  /// What a size limit took away in one call.
  struct Thinned {
    std::int64_t blocks = 0, minutes = 0, hours = 0;
    bool at_its_end = false;  ///< still too large, and nothing is left that may go
    bool more = false;
  };
  [[nodiscard]] SizeLimit size_limit();
  [[nodiscard]] Result<Thinned> thin_out(const SizeLimit& limit, int calls);
  void note_thinned(const Thinned& thinned);
  void give_back(std::int64_t pages);  ///< so many free ones to the file system
  void delete_stream(StreamId stream);
  void delete_run(RunId id);
  void delete_figures(RunId id);  ///< its stretches, sketches and state
  [[nodiscard]] Result<void> lock_import(StreamId stream);
  [[nodiscard]] Result<void> sweep_imports();
  /// What was cached is not so any more: another process wrote, or a transaction is gone.
  void forget_cached();

  /// Every change of the store goes through here: refused outside a transaction, and in one that SQLite rolled back by
  /// itself (no room, no memory), if only while something was read: what was written then would be a change of its own.
  template <class Work>
  auto change(Work&& work) -> decltype(work()) {
    if (!writing) return fail(ErrorKind::unusable, database->path() + ": nothing can be written outside a transaction");
    if (!database->in_transaction()) return gave_up();
    auto result = database->guarded(std::forward<Work>(work));
    if (!writing || database->in_transaction()) return result;
    const auto lost = gave_up();
    return result ? decltype(work())(lost) : result;
  }
  tl::unexpected<Error> gave_up() {
    writing = false;
    forget_cached();
    if (database->trouble() == StoreTrouble::none) database->set_trouble(StoreTrouble::other);
    return fail(ErrorKind::unusable, database->path() + ": the transaction was given up, for want of memory or room");
  }

  bool writing = false;  ///< between begin() and commit()
  std::int64_t data_version = -1;
  std::map<StreamId, StreamEnd> ends;
  /// The last row of the tail table, while this writer may go on with it.
  struct OpenRow {
    std::int64_t id = 0;
    StreamId stream = 0;
    TailEncoder encoder;
  };
  std::optional<OpenRow> open_row;
  int lock_descriptor = -1;
};

/// So many free pages are given back to the file system at once, 1 MB: they all go through the log.
inline constexpr std::int64_t free_pages_a_call = 2'000;
/// The value in which retain() says what a size limit took away last.
inline constexpr std::string_view thinned_value_name = "thinned";
/// How long the log grows before it goes into the file: a part of the store's size where that is limited.
[[nodiscard]] std::int64_t log_pages_for(const StoreSettings& settings);

}  // namespace nightwatt::storage
