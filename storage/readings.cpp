// Readings and sums out of blocks, tail and roll-ups.
#include <algorithm>
#include <limits>

#include "bytes.hpp"
#include "reader_impl.hpp"
#include "schema.hpp"
#include "seal.hpp"
#include "tally.hpp"

namespace nightwatt::storage {
namespace {

constexpr std::int64_t farthest = std::numeric_limits<std::int64_t>::max();

BlockAggregates aggregates_from_row(const Query& row) {
  BlockAggregates aggregates;
  aggregates.count = row.integer(0);
  aggregates.first_us = row.integer(1);
  aggregates.last_us = row.integer(2);
  aggregates.first = row.real(3);
  aggregates.last = row.real(4);
  aggregates.min = row.real(5);
  aggregates.max = row.real(6);
  aggregates.mean = row.real(7);
  aggregates.m2 = row.real(8);
  aggregates.energy_wh = row.real_or_none(9);
  return aggregates;
}

#define NIGHTWATT_BLOCK_COLUMNS \
  "SELECT first_us, last_us, count, data, before_us, carried, " NIGHTWATT_SOUND(NIGHTWATT_BLOCK_SEAL) " FROM block "

constexpr std::int64_t none_us =
    std::numeric_limits<std::int64_t>::min();  // in the place of a time, where there is none
constexpr const char* lost_block = "the list of blocks of readings is damaged: one of them";

BlockRow block_row(const Query& row) {
  row.must_be_sound(6, "what is told of a block of readings");
  return {row.integer(0),         row.integer(1),         row.integer(2),
          row.integer_or_none(3), row.integer_or_none(4), row.integer_or_none(5)};
}

/// Written by a program that chained blocks, and not behind `before`: one in between is not found.
bool breaks_chain(const BlockRow& block, std::int64_t before_us) {
  return block.carried && block.before_us.value_or(none_us) != before_us;
}

/// Notices rows of sums, of blocks that begin at `from_us` or later, that are not found.
class AggregatesChain {
 public:
  explicit AggregatesChain(std::int64_t from_us) : from_us_(from_us) {}

  /// The next row: block_us, before_us, seal and whether it is sound from column 11 on.
  void take(const Query& row) {
    constexpr int block = 11, before = 12, seal = 13, sound = 14;
    row.must_be_sound(sound, "what is told of the sums of a block of readings");
    const std::int64_t before_us = row.integer_or_none(before).value_or(none_us);
    const bool follows = last_us_ == none_us ? before_us < from_us_ : before_us == last_us_;
    if (!row.null(seal) && !follows) throw Damage(lost);
    last_us_ = row.integer(block);
  }
  /// `block_us`: the last block that has any, by its own account.
  void must_end_with(std::int64_t block_us) const {
    if (last_us_ != block_us) throw Damage(lost);
  }

 private:
  static constexpr const char* lost = "the list of sums of the blocks is damaged: one of them";
  std::int64_t from_us_;
  std::int64_t last_us_ = none_us;
};

}  // namespace

std::int64_t write_buffer_crc(StreamId stream, std::string_view bytes) {
  SealBytes sealed("tail");
  sealed.put_integer(stream);
  sealed.put_blob(bytes);
  return sealed.seal();
}

bool read_write_buffer_row(StreamId stream, const Query& row, Columns& into) {
  const auto crc = row.integer_or_none(1);  // NULL: a service of version 2 wrote the row; of its bytes alone: of 3
  const bool sound = !crc || *crc == write_buffer_crc(stream, row.blob(0)) || *crc == std::int64_t{crc32(row.blob(0))};
  return sound && decode_write_buffer(row.blob(0), into);
}

// A store that no writer of this version has opened yet has no checksums.
const char* StoreReader::Impl::write_buffer_sql(TailOrder order) {
  const bool has_crc = database->pragma("PRAGMA user_version") >= first_version_with_write_buffer_crc;
  if (order == TailOrder::newest_first)
    return has_crc ? "SELECT bytes, crc, id FROM tail WHERE stream = ?1 ORDER BY id DESC"
                   : "SELECT bytes, NULL, id FROM tail WHERE stream = ?1 ORDER BY id DESC";
  return has_crc ? "SELECT bytes, crc, id FROM tail WHERE stream = ?1 ORDER BY id"
                 : "SELECT bytes, NULL, id FROM tail WHERE stream = ?1 ORDER BY id";
}

Result<Columns> StoreReader::Impl::write_buffer(StreamId stream) {
  Columns columns;
  Query rows = database->query(write_buffer_sql(TailOrder::oldest_first));
  rows.bind(1, stream);
  std::int64_t found = 0;
  for (; rows.step(); ++found)
    if (!read_write_buffer_row(stream, rows, columns))
      return fail(ErrorKind::unusable, database->path() + ": the newest readings of stream " + std::to_string(stream) +
                                           " are damaged; " + to_mend);
  must_be_all_there(*database, Table::write_buffer, stream, found);
  return columns;
}

/// Nothing where all of the tail lies behind: who asks of older readings has no trouble with damaged new ones.
Result<Columns> StoreReader::Impl::write_buffer_until(StreamId stream, std::int64_t to_us) {
  {
    Query row = database->query("SELECT last_us, " NIGHTWATT_SOUND(
        NIGHTWATT_BLOCK_SEAL) " FROM block WHERE stream = ?1 ORDER BY first_us DESC LIMIT 1");
    row.bind(1, stream);
    if (row.step() && row.integer(1) != 0 && row.integer(0) >= to_us) return Columns{};
  }
  return write_buffer(stream);
}

// Blocks do not overlap: the one that begins last at or before `from` may still reach into the window.
std::optional<BlockRow> StoreReader::Impl::first_block(StreamId stream, std::int64_t from_us, std::int64_t to_us) {
  if (const std::optional<BlockRow> before = last_block(stream, from_us); before && before->last_us >= from_us)
    return before;
  Query row = database->query(NIGHTWATT_BLOCK_COLUMNS
                              "WHERE stream = ?1 AND first_us BETWEEN ?2 AND ?3 ORDER BY first_us LIMIT 1");
  row.bind(1, stream).bind(2, from_us).bind(3, to_us);
  if (!row.step()) return std::nullopt;
  return block_row(row);
}

std::optional<BlockRow> StoreReader::Impl::last_block(StreamId stream, std::int64_t to_us) {
  std::optional<BlockRow> last;
  {
    Query row =
        database->query(NIGHTWATT_BLOCK_COLUMNS "WHERE stream = ?1 AND first_us <= ?2 ORDER BY first_us DESC LIMIT 1");
    row.bind(1, stream).bind(2, to_us);
    if (row.step()) last = block_row(row);
  }
  must_be_last(stream, last, to_us);
  return last;
}

// A search may be led astray by a damaged key. The block behind says which one is before it, the stream which is its
// newest.
void StoreReader::Impl::must_be_last(StreamId stream, const std::optional<BlockRow>& last, std::int64_t to_us) {
  if (last && last->last_us >= to_us) return;  // it reaches that far itself: damage of the next is none of its own
  Query next = database->query(NIGHTWATT_BLOCK_COLUMNS "WHERE stream = ?1 AND first_us > ?2 ORDER BY first_us LIMIT 1");
  next.bind(1, stream).bind(2, to_us);
  if (next.step()) {
    const BlockRow behind = block_row(next);
    if (behind.carried && behind.before_us.value_or(none_us) != (last ? last->first_us : none_us))
      throw Damage(lost_block);
    return;
  }
  Query newest =
      database->query("SELECT newest_us, " NIGHTWATT_SOUND(NIGHTWATT_STREAM_SEAL) " FROM stream WHERE id = ?1");
  newest.bind(1, stream);
  if (!newest.step()) return;
  newest.must_be_sound(1, "what is told of a meter");
  const auto newest_us = newest.integer_or_none(0);
  if (newest_us && (!last || last->first_us < *newest_us)) throw Damage(lost_block);
}

std::vector<BlockRow> StoreReader::Impl::blocks(StreamId stream, std::int64_t from_us, std::int64_t to_us) {
  std::vector<BlockRow> found;
  const std::optional<BlockRow> last = last_block(stream, to_us);
  const std::optional<BlockRow> first = first_block(stream, from_us, to_us);
  if (!first) return found;
  Query rows =
      database->query(NIGHTWATT_BLOCK_COLUMNS "WHERE stream = ?1 AND first_us BETWEEN ?2 AND ?3 ORDER BY first_us");
  rows.bind(1, stream).bind(2, first->first_us).bind(3, to_us);
  while (rows.step()) {
    const BlockRow block = block_row(rows);
    if (!found.empty() && breaks_chain(block, found.back().first_us)) throw Damage(lost_block);
    found.push_back(block);
  }
  if (found.empty() || !last || found.back().first_us != last->first_us) throw Damage(lost_block);
  return found;
}

Result<Columns> StoreReader::Impl::block_columns(const BlockRow& block) {
  Query row = database->query("SELECT bytes FROM block_data WHERE id = ?1");
  row.bind(1, block.data);
  const auto where = [&](const std::string& what) {
    return fail(ErrorKind::unusable,
                database->path() + ": " + what + " (block " + std::to_string(block.data.value_or(0)) + "); " + to_mend);
  };
  if (!row.step()) return where("a block of readings is missing");
  Result<Columns> columns = decode_block(row.blob(0));
  if (!columns) return where(columns.error().message);
  if (columns->times.front() != block.first_us || columns->times.back() != block.last_us ||
      static_cast<std::int64_t>(columns->size()) != block.count)
    return where("a block's readings are not those its row tells of");
  return columns;
}

/// Of the blocks that begin within [from_us, to_us].
void StoreReader::Impl::add_whole_blocks(BlockAggregates& total, StreamId stream, Quantity quantity,
                                         std::int64_t from_us, std::int64_t to_us) {
  Query rows = database->query(
      "SELECT count, first_us, last_us, first, last, min, max, mean, m2, energy_wh, gap_us, block_us, before_us, seal, "
      NIGHTWATT_SOUND(NIGHTWATT_SUMS_SEAL)
      " FROM sums WHERE stream = ?1 AND quantity = ?2 AND block_us BETWEEN ?3 AND ?4 ORDER BY block_us");
  rows.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, from_us).bind(4, to_us);
  AggregatesChain chain(from_us);
  while (rows.step()) {
    chain.take(rows);
    add(total, aggregates_from_row(rows), quantity, rows.integer(10));
  }
  Query last = database->query(
      "SELECT first_us FROM block WHERE stream = ?1 AND first_us BETWEEN ?3 AND ?4 AND carried >> ?2 & 1 ORDER BY "
      "first_us DESC LIMIT 1");
  last.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, from_us).bind(4, to_us);
  if (last.step()) chain.must_end_with(last.integer(0));
}

Result<BlockAggregates> StoreReader::Impl::aggregates(StreamId stream, Quantity quantity, std::int64_t from_us,
                                                      std::int64_t to_us) {
  BlockAggregates total;
  const auto add_part = [&](const Columns& columns) {
    const std::size_t begin = columns.lower_bound(from_us);
    const std::size_t end = to_us == farthest ? columns.size() : columns.lower_bound(to_us + 1);
    if (begin < end) add(total, aggregates_of(columns, quantity, begin, end), quantity, gap_limit_us(columns));
  };
  const std::optional<BlockRow> first = first_block(stream, from_us, to_us);
  if (first) {
    const BlockRow last = *last_block(stream, to_us);
    const auto inside = [&](const BlockRow& block) { return block.first_us >= from_us && block.last_us <= to_us; };
    const auto add_edge = [&](const BlockRow& block) -> Result<void> {
      if (!block.data) return add_rolled(total, stream, quantity, block, from_us, to_us);
      const Result<Columns> columns = block_columns(block);
      if (!columns) return pass_on(columns.error());
      add_part(*columns);
      return {};
    };
    if (!inside(*first))
      if (auto added = add_edge(*first); !added) return pass_on(added.error());
    add_whole_blocks(total, stream, quantity, first->first_us + (inside(*first) ? 0 : 1),
                     last.first_us - (inside(last) ? 0 : 1));
    if (last.first_us != first->first_us && !inside(last))
      if (auto added = add_edge(last); !added) return pass_on(added.error());
  }
  const Result<Columns> newest = write_buffer_until(stream, to_us);
  if (!newest) return pass_on(newest.error());
  add_part(*newest);
  return total;
}

Result<std::int64_t> StoreReader::Impl::count_readings(StreamId stream, std::int64_t from_us, std::int64_t to_us) {
  std::int64_t total = 0;
  const auto count_part = [&](const Columns& columns) {
    const std::size_t end = to_us == farthest ? columns.size() : columns.lower_bound(to_us + 1);
    const std::size_t begin = columns.lower_bound(from_us);
    if (begin < end) total += static_cast<std::int64_t>(end - begin);
  };
  for (const BlockRow& block : blocks(stream, from_us, to_us)) {
    if (block.first_us >= from_us && block.last_us <= to_us) {
      total += block.count;
      continue;
    }
    if (!block.data) {
      const Result<std::int64_t> rolled = count_rolled(stream, block, from_us, to_us);
      if (!rolled) return pass_on(rolled.error());
      total += *rolled;
      continue;
    }
    const Result<Columns> columns = block_columns(block);
    if (!columns) return pass_on(columns.error());
    count_part(*columns);
  }
  const Result<Columns> newest = write_buffer_until(stream, to_us);
  if (!newest) return pass_on(newest.error());
  count_part(*newest);
  return total;
}

bool StoreReader::Impl::visible(StreamId stream) {
  if (own_imports.contains(stream)) return true;
  Query row = database->query("SELECT published, " NIGHTWATT_SOUND(NIGHTWATT_STREAM_SEAL) " FROM stream WHERE id = ?1");
  row.bind(1, stream);
  if (!row.step()) {
    must_be_all_there(*database, Table::stream);
    return false;
  }
  row.must_be_sound(1, "what is told of a meter");
  return row.integer(0) != 0;
}

Result<void> StoreReader::readings(StreamId stream, UtcTime from, UtcTime to,
                                   const std::function<bool(const Reading&)>& visit) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&] { return impl_->visit_all(stream, from.us, to.us, visit, {}); });
}

Result<void> StoreReader::readings_and_rollups(StreamId stream, Quantity quantity, UtcTime from, UtcTime to,
                                               const std::function<bool(const Reading&)>& visit,
                                               const std::function<bool(const Rollup&)>& visit_rollup) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  const auto visit_given_up = [&](const BlockRow& block) -> Result<bool> {
    const Result<std::vector<Rollup>> left = impl_->finest_rollups(stream, quantity, block);
    if (!left) return pass_on(left.error());
    for (const Rollup& rollup : *left)
      if (rollup.begin <= to && rollup.begin + rollup.step > from && !visit_rollup(rollup)) return false;
    return true;
  };
  return impl_->database->guarded([&] { return impl_->visit_all(stream, from.us, to.us, visit, visit_given_up); });
}

/// Readings in order, and each block in between that was given up, if anybody wants those.
Result<void> StoreReader::Impl::visit_all(StreamId stream, std::int64_t from_us, std::int64_t to_us,
                                          const std::function<bool(const Reading&)>& visit,
                                          const std::function<Result<bool>(const BlockRow&)>& visit_given_up) {
  if (!visible(stream)) return {};
  // False: the visitor has had enough.
  const auto hand_out = [&](const Columns& columns) {
    for (std::size_t row = columns.lower_bound(from_us); row < columns.size() && columns.times[row] <= to_us; ++row)
      if (!visit(columns.reading(row))) return false;
    return true;
  };
  for (const BlockRow& block : blocks(stream, from_us, to_us)) {
    if (!block.data) {
      if (!visit_given_up) continue;
      const Result<bool> more = visit_given_up(block);
      if (!more) return pass_on(more.error());
      if (!*more) return {};
      continue;
    }
    const Result<Columns> columns = block_columns(block);
    if (!columns) return pass_on(columns.error());
    if (!hand_out(*columns)) return {};
  }
  const Result<Columns> newest = write_buffer_until(stream, to_us);
  if (!newest) return pass_on(newest.error());
  hand_out(*newest);
  return {};
}

Result<std::optional<Reading>> StoreReader::last_reading(StreamId stream) const {
  return impl_->database->guarded([&]() -> Result<std::optional<Reading>> {
    if (!impl_->visible(stream)) return std::optional<Reading>{};
    must_be_all_there(*impl_->database, Table::write_buffer, stream);
    {
      Query row = impl_->database->query(impl_->write_buffer_sql(Impl::TailOrder::newest_first));
      row.bind(1, stream);
      Columns columns;
      if (row.step()) {
        if (!read_write_buffer_row(stream, row, columns))
          return fail(ErrorKind::unusable, impl_->database->path() + ": the newest readings are damaged");
        return std::optional<Reading>(columns.reading(columns.size() - 1));
      }
    }
    Query row = impl_->database->query(NIGHTWATT_BLOCK_COLUMNS
                                       "WHERE stream = ?1 AND data IS NOT NULL ORDER BY first_us DESC LIMIT 1");
    row.bind(1, stream);
    if (!row.step()) return std::optional<Reading>{};
    const Result<Columns> columns = impl_->block_columns(block_row(row));
    if (!columns) return pass_on(columns.error());
    return std::optional<Reading>(columns->reading(columns->size() - 1));
  });
}

Result<WindowAggregates> StoreReader::aggregates(StreamId stream, Quantity quantity, UtcTime from, UtcTime to) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<WindowAggregates> {
    if (!impl_->visible(stream)) return WindowAggregates{};
    const Result<BlockAggregates> total = impl_->aggregates(stream, quantity, from.us, to.us);
    if (!total) return pass_on(total.error());
    return window_aggregates(*total);
  });
}

}  // namespace nightwatt::storage
