// Giving up the oldest raw readings for minutes and hours, and what is left of them.
#include <algorithm>

#include "impl.hpp"

namespace nightwatt::storage {
namespace {

constexpr Effort rollup_effort{6};
// Limits of one retain(): a block is decoded and packed again in about two milliseconds.
constexpr int blocks_a_call = 8;
constexpr int minutes_a_call = 64;
constexpr const char* give_pages_back = "PRAGMA incremental_vacuum(2000)";  // 1 MB
// Free pages are used again by the tail; only more than this is given back to the file system.
constexpr std::int64_t free_pages_kept = 512;
constexpr double us_per_day = 86'400e6;
constexpr std::int64_t tail_age_limit_us = 86'400'000'000;

}  // namespace

Result<Buckets> StoreReader::Impl::buckets(StreamId stream, const BlockRow& block, std::int64_t step_s) {
  Query row = database->query("SELECT bytes FROM rollup WHERE stream = ?1 AND block_us = ?2 AND step_s = ?3");
  row.bind(1, stream).bind(2, block.first_us).bind(3, step_s);
  if (!row.step()) return Buckets{};
  Result<Buckets> buckets = decode_rollup(row.blob(0), step_s);
  if (!buckets)
    return fail(ErrorKind::unusable,
                database->path() + ": " + buckets.error().message + "; restore the store from a copy");
  return buckets;
}

Result<void> StoreReader::Impl::add_rolled(Sums& total, StreamId stream, Quantity quantity, const BlockRow& block,
                                           std::int64_t from_us, std::int64_t to_us) {
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    const Result<Buckets> all = buckets(stream, block, step_s);
    if (!all) return pass_on(all.error());
    const std::vector<Bucket>& list = (*all)[static_cast<std::size_t>(quantity)];
    if (list.empty()) continue;
    const std::int64_t step_us = step_s * 1'000'000;
    for (const Bucket& bucket : list) {
      if (bucket.begin_us < from_us || bucket.begin_us + step_us - 1 > to_us) continue;
      Sums part;
      part.count = bucket.count;
      part.first_us = std::max(bucket.begin_us, block.first_us);
      part.last_us = std::min(bucket.begin_us + step_us - 1, block.last_us);
      part.first = part.last = part.mean = bucket.mean;
      part.min = bucket.min;
      part.max = bucket.max;
      part.energy_wh = bucket.energy_wh;
      // A bucket's energy reaches back to the reading before it: there is no hole to bridge.
      add(total, part, quantity, 0);
    }
    return {};
  }
  return {};
}

Result<std::int64_t> StoreReader::Impl::count_rolled(StreamId stream, const BlockRow& block, std::int64_t from_us,
                                                     std::int64_t to_us) {
  std::int64_t most = 0;
  for (const Quantity quantity : all_quantities) {
    Sums sums;
    if (auto added = add_rolled(sums, stream, quantity, block, from_us, to_us); !added) return pass_on(added.error());
    most = std::max(most, sums.count);
  }
  return most;
}

Result<void> StoreReader::rollups(StreamId stream, Quantity quantity, RollupStep step, UtcTime from, UtcTime to,
                                  const std::function<bool(const Rollup&)>& visit) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  const std::int64_t step_s = step == RollupStep::minute ? minute_s : hour_s;
  return impl_->database->guarded([&]() -> Result<void> {
    if (!impl_->visible(stream)) return {};
    for (const BlockRow& block : impl_->blocks(stream, from.us, to.us)) {
      if (block.data) continue;
      const Result<Buckets> all = impl_->buckets(stream, block, step_s);
      if (!all) return pass_on(all.error());
      for (const Bucket& bucket : (*all)[static_cast<std::size_t>(quantity)]) {
        if (bucket.begin_us < from.us || bucket.begin_us > to.us) continue;
        if (!visit({UtcTime{bucket.begin_us}, Duration(step_s * 1'000'000), bucket.count, bucket.min, bucket.mean,
                    bucket.max, bucket.energy_wh}))
          return {};
      }
    }
    return {};
  });
}

Result<bool> StoreReader::raw_is_whole(StreamId stream, UtcTime from, UtcTime to) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<bool> {
    const std::vector<BlockRow> found = impl_->blocks(stream, from.us, to.us);
    return std::all_of(found.begin(), found.end(), [](const BlockRow& block) { return block.data.has_value(); });
  });
}

Result<void> StoreReader::Impl::give_up(StreamId stream, const BlockRow& block) {
  const Result<Columns> columns = block_columns(block);
  if (!columns) return pass_on(columns.error());
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    const std::string bytes = encode_rollup(*columns, step_s, rollup_effort);
    Query insert = database->query("INSERT INTO rollup (stream, block_us, step_s, bytes) VALUES (?1, ?2, ?3, ?4)");
    insert.bind(1, stream).bind(2, block.first_us).bind(3, step_s).bind_blob(4, bytes).run();
  }
  Query mark = database->query("UPDATE block SET data = NULL WHERE stream = ?1 AND first_us = ?2");
  mark.bind(1, stream).bind(2, block.first_us).run();
  Query remove = database->query("DELETE FROM block_data WHERE id = ?1");
  remove.bind(1, block.data).run();
  return {};
}

/// A meter that fell silent leaves its last readings in the tail: after a day they become a block that can age.
Result<bool> StoreReader::Impl::close_old_tail(std::int64_t now_us) {
  std::vector<StreamId> streams;
  {
    Query rows =
        database->query("SELECT DISTINCT stream FROM tail JOIN stream ON stream.id = stream WHERE published = 1");
    while (rows.step()) streams.push_back(rows.integer(0));
  }
  for (const StreamId stream : streams) {
    const Result<StreamEnd*> end = end_of(stream);
    if (!end) return pass_on(end.error());
    if (!(*end)->tail_first_us || now_us - *(*end)->tail_first_us < tail_age_limit_us) continue;
    if (auto closed = close_tail(stream, **end, {}); !closed) return pass_on(closed.error());
    return true;
  }
  return false;
}

Result<bool> StoreReader::Impl::give_up_oldest(std::optional<std::int64_t> before_us) {
  // Kept: what a pinned or imported run holds, and what an open run may have to be replayed from.
  Query row = database->query(
      "SELECT stream, first_us, last_us, count, data FROM block WHERE data IS NOT NULL AND last_us < ?1 "
      "AND NOT EXISTS (SELECT 1 FROM run WHERE run.stream = block.stream AND begin_us <= last_us "
      "AND (end_us IS NULL OR end_us >= first_us) AND (pinned = 1 OR origin = ?2)) "
      "AND NOT EXISTS (SELECT 1 FROM run LEFT JOIN run_state ON run_state.run = run.id "
      "WHERE run.stream = block.stream AND end_us IS NULL AND begin_us <= last_us "
      "AND coalesce(as_of_us, begin_us) - ?3 <= last_us) "
      "AND EXISTS (SELECT 1 FROM stream WHERE id = block.stream AND published = 1) ORDER BY last_us LIMIT 1");
  row.bind(1, before_us.value_or(highest_time_us)).bind(2, static_cast<std::int64_t>(RunOrigin::imported));
  row.bind(3, tail_age_limit_us);
  if (!row.step()) return false;
  const StreamId stream = row.integer(0);
  const BlockRow block{row.integer(1), row.integer(2), row.integer(3), row.integer_or_none(4)};
  if (auto given = give_up(stream, block); !given) return pass_on(given.error());
  return true;
}

bool StoreReader::Impl::drop_oldest_minutes() {
  Query remove = database->query(
      "DELETE FROM rollup WHERE rowid = (SELECT rowid FROM rollup WHERE step_s = ?1 ORDER BY block_us LIMIT 1)");
  remove.bind(1, minute_s).run();
  return sqlite3_changes(database->handle()) > 0;
}

Result<bool> StoreWriter::retain(UtcTime now) {
  if (auto begun = impl_->need_transaction(); !begun) return pass_on(begun.error());
  return impl_->write([&]() -> Result<bool> {
    Database& database = *impl_->database;
    const StoreSettings& settings = impl_->settings;
    bool more = false;
    if (settings.keep_raw_days || settings.max_size_mb) {
      const Result<bool> closed = impl_->close_old_tail(now.us);
      if (!closed) return pass_on(closed.error());
      more = *closed;
    }
    int left = blocks_a_call;
    if (settings.keep_raw_days) {
      const auto before_us = now.us - static_cast<std::int64_t>(*settings.keep_raw_days * us_per_day);
      Result<bool> given = true;
      while (left > 0 && *given) {
        given = impl_->give_up_oldest(before_us);
        if (!given) return pass_on(given.error());
        --left;
      }
      more = more || *given;
    }
    const std::int64_t page_bytes = database.pragma("PRAGMA page_size");
    const auto used_bytes = [&] {
      return (database.pragma("PRAGMA page_count") - database.pragma("PRAGMA freelist_count")) * page_bytes;
    };
    if (settings.max_size_mb) {
      const auto limit_bytes = static_cast<std::int64_t>(*settings.max_size_mb * 1e6);
      for (; left > 0 && used_bytes() > limit_bytes; --left) {
        const Result<bool> given = impl_->give_up_oldest(std::nullopt);
        if (!given) return pass_on(given.error());
        if (*given) continue;
        bool dropped = true;
        for (int i = 0; i < minutes_a_call && dropped && used_bytes() > limit_bytes; ++i)
          dropped = impl_->drop_oldest_minutes();
        if (!dropped) break;  // only what must stay is left
      }
      more = more || (left == 0 && used_bytes() > limit_bytes);
    }
    if (database.pragma("PRAGMA freelist_count") > free_pages_kept) {
      database.execute(give_pages_back);
      more = more || database.pragma("PRAGMA freelist_count") > free_pages_kept;
    }
    return more;
  });
}

}  // namespace nightwatt::storage
