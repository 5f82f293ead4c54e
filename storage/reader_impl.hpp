// What a reader keeps between calls.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <set>
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
/// none: always), what silence was a gap, and of a row entered by hand what the display showed in standby. People's
/// keys never begin with a stop.
inline constexpr std::string_view correction_word = ".correction";
inline constexpr std::string_view reports_word = ".reports";
inline constexpr std::string_view on_change_word = "on-change";
inline constexpr std::string_view display_word = ".display";
inline constexpr std::string_view rounds_word = "rounds";
inline constexpr std::string_view truncates_word = "truncates";
inline constexpr std::string_view gap_word = ".gap_s";
inline constexpr std::string_view entered_standby_word = ".standby_w";

/// A block's row without its bytes.
struct BlockRow {
  std::int64_t first_us = 0;
  std::int64_t last_us = 0;
  std::int64_t count = 0;
  std::optional<std::int64_t> data;       ///< block_data.id; none: the raw readings were given up
  std::optional<std::int64_t> before_us;  ///< first_us of the block before it; none: it is the first
  std::optional<std::int64_t> carried;    ///< bit i: quantity i; none: written by a program that chained no blocks
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
  ~Impl() = default;
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  std::unique_ptr<Database> database;
  StoreFiles files;
  int snapshots = 0;
  std::set<StreamId> counted_rollups;  ///< within this snapshot
  std::set<StreamId> own_imports;  ///< of the writer that has this connection: it sees them before they are published

  // Reading; these throw SQLite::Exception.
  [[nodiscard]] Result<Columns> write_buffer(StreamId stream);
  [[nodiscard]] Result<Columns> write_buffer_until(StreamId stream, std::int64_t to_us);
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
  void add_whole_blocks(BlockAggregates& total, StreamId stream, Quantity quantity, std::int64_t from_us,
                        std::int64_t to_us);
  [[nodiscard]] Result<std::int64_t> count_readings(StreamId stream, std::int64_t from_us, std::int64_t to_us);
  /// Adds the part of a given-up block that lies in the window, by whole minutes or hours.
  [[nodiscard]] Result<void> add_rolled(BlockAggregates& total, StreamId stream, Quantity quantity,
                                        const BlockRow& block, std::int64_t from_us, std::int64_t to_us);
  void must_have_all_rollups(StreamId stream);
  [[nodiscard]] Result<Buckets> buckets(StreamId stream, const BlockRow& block, std::int64_t step_s);
  /// What is left of a given-up block: minutes, or where there are none hours.
  [[nodiscard]] Result<std::vector<Rollup>> finest_rollups(StreamId stream, Quantity quantity, const BlockRow& block);
  [[nodiscard]] Result<std::int64_t> count_rolled(StreamId stream, const BlockRow& block, std::int64_t from_us,
                                                  std::int64_t to_us);
  [[nodiscard]] Result<std::int64_t> samples_of_open(const RunInfo& run);
  [[nodiscard]] std::optional<DamagedRun::Said> said_of_run(RunId id);
  [[nodiscard]] bool read_regimes(RunId run, Sketches wanted, RunState& state);
  [[nodiscard]] bool visible(StreamId stream);
};

}  // namespace nightwatt::storage
