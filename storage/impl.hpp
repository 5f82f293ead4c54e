// What a reader and a writer keep between calls.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <span>
#include <string>
#include <vector>

#include "block.hpp"
#include "block_aggregates.hpp"
#include "database.hpp"
#include "rollup.hpp"
#include "storage/store.hpp"
#include "store_files.hpp"

namespace nightwatt::storage {

/// The keys of a run's words that are not a person's: the correction its meter had, when it reported ("on-change";
/// none: always), and what silence was a gap. People's keys never begin with a stop.
inline constexpr std::string_view correction_word = ".correction";
inline constexpr std::string_view reports_word = ".reports";
inline constexpr std::string_view on_change_word = "on-change";
inline constexpr std::string_view gap_word = ".gap_s";

/// A block's row without its bytes.
struct BlockRow {
  std::int64_t first_us = 0;
  std::int64_t last_us = 0;
  std::int64_t count = 0;
  std::optional<std::int64_t> data;       ///< block_data.id; none: the raw readings were given up
  std::optional<std::int64_t> before_us;  ///< first_us of the block before it; none: it is the first
  std::optional<std::int64_t> carried;    ///< bit i: quantity i; none: written by a program that chained no blocks
};

/// What a writer knows of a stream without asking again.
struct StreamEnd {
  std::optional<std::int64_t> last_us;  ///< of all its readings
  std::optional<std::int64_t> write_buffer_first_us;
  std::size_t write_buffer_count = 0;
};

/// Seconds as open_run() wrote them for gap_word; none where they are not.
[[nodiscard]] std::optional<double> gap_from(const std::string& text);

/// Writes the sums of a block and gives what it carries: bit i, quantity i.
std::int64_t put_aggregates(Database& database, StreamId stream, const Columns& columns);
/// The checksum of a row of the tail.
[[nodiscard]] std::int64_t write_buffer_crc(StreamId stream, std::string_view bytes);
/// Appends the readings of a row of write_buffer_sql(); false (and `into` in an unspecified but valid state) if it is
/// damaged.
[[nodiscard]] bool read_write_buffer_row(StreamId stream, const Query& row, Columns& into);

class StoreReader::Impl {
 public:
  explicit Impl(std::unique_ptr<Database> opened) : database(std::move(opened)), files(database->path()) {}
  ~Impl();
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  std::unique_ptr<Database> database;
  StoreFiles files;
  StoreSettings settings;
  int snapshots = 0;

  // Reading; these throw SQLite::Exception.
  [[nodiscard]] Result<Columns> write_buffer(StreamId stream);
  /// For bytes, crc and id of the rows of stream ?1.
  enum class TailOrder : std::uint8_t { oldest_first, newest_first };
  [[nodiscard]] const char* write_buffer_sql(TailOrder order);
  [[nodiscard]] std::vector<BlockRow> blocks(StreamId stream, std::int64_t from_us, std::int64_t to_us);
  [[nodiscard]] std::optional<BlockRow> first_block(StreamId stream, std::int64_t from_us, std::int64_t to_us);
  [[nodiscard]] std::optional<BlockRow> last_block(StreamId stream, std::int64_t to_us);
  void must_be_last(StreamId stream, const std::optional<BlockRow>& last, std::int64_t to_us);
  [[nodiscard]] Result<Columns> block_columns(const BlockRow& block);
  [[nodiscard]] Result<void> visit_all(StreamId stream, std::int64_t from_us, std::int64_t to_us,
                                       const std::function<bool(const Reading&)>& visit,
                                       const std::function<Result<bool>(const BlockRow&)>& visit_given_up);
  [[nodiscard]] Result<BlockAggregates> aggregates(StreamId stream, Quantity quantity, std::int64_t from_us,
                                                   std::int64_t to_us);
  [[nodiscard]] Result<std::int64_t> count_readings(StreamId stream, std::int64_t from_us, std::int64_t to_us);
  /// Adds the part of a given-up block that lies in the window, by whole minutes or hours.
  [[nodiscard]] Result<void> add_rolled(BlockAggregates& total, StreamId stream, Quantity quantity,
                                        const BlockRow& block, std::int64_t from_us, std::int64_t to_us);
  [[nodiscard]] Result<Buckets> buckets(StreamId stream, const BlockRow& block, std::int64_t step_s);
  /// What is left of a given-up block: minutes, or where there are none hours.
  [[nodiscard]] Result<std::vector<Rollup>> finest_rollups(StreamId stream, Quantity quantity, const BlockRow& block);
  [[nodiscard]] Result<std::int64_t> count_rolled(StreamId stream, const BlockRow& block, std::int64_t from_us,
                                                  std::int64_t to_us);
  [[nodiscard]] Result<std::int64_t> samples_of_open(const RunInfo& run);
  [[nodiscard]] bool read_regimes(RunId run, Sketches wanted, RunState& state);
  [[nodiscard]] bool visible(StreamId stream);

  // Writing.
  [[nodiscard]] Result<void> need_transaction() const;
  [[nodiscard]] Result<StreamEnd*> end_of(StreamId stream);
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

  /// guarded(), after which a transaction that SQLite rolled back by itself (no room) is known to be gone.
  template <class Work>
  auto write(Work&& work) -> decltype(work()) {
    auto result = database->guarded(std::forward<Work>(work));
    if (!result && !database->in_transaction()) {
      writing = false;
      forget_cached();
    }
    return result;
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
  std::set<StreamId> own_imports;
  int lock_descriptor = -1;
};

/// So many free pages are given back to the file system at once, 1 MB: they all go through the log.
inline constexpr std::int64_t free_pages_a_call = 2'000;
/// The value in which retain() says what a size limit took away last.
inline constexpr std::string_view thinned_value_name = "thinned";
/// How long the log grows before it goes into the file: a part of the store's size where that is limited.
[[nodiscard]] std::int64_t log_pages_for(const StoreSettings& settings);

/// For a closed range of times that may be given as anything.
[[nodiscard]] inline tl::unexpected<Error> pass_on(const Error& error) {
  return tl::unexpected<Error>(error);
}

/// The lock file beside a store, made where missing. Byte 0 is the service's, byte 1 + stream an import's.
/// `trouble`, if it failed: what kind of failure it was.
[[nodiscard]] Result<int> open_lock_file(const std::string& store_path, StoreTrouble* trouble = nullptr);
/// A service works on the store by this name.
[[nodiscard]] bool service_has(const std::string& store_path);
enum class LockState : std::uint8_t { taken, held_by_other, failed };
[[nodiscard]] LockState lock_byte(int descriptor, std::int64_t place);
void unlock_byte(int descriptor, std::int64_t place);

}  // namespace nightwatt::storage
