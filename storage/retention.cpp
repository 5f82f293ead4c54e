// Giving up the oldest raw readings for minutes and hours.
#include <algorithm>
#include <iterator>
#include <limits>

#include "measure/signal/time_text.hpp"
#include "seal.hpp"
#include "writer_impl.hpp"

namespace nightwatt::storage {
namespace {

constexpr Compression rollup_compression{6};
// Limits of one retain(): a block is decoded and packed again in about two milliseconds.
constexpr int blocks_a_call = 8;
constexpr int rollups_a_call = 64;
// Free pages are used again by the tail; only more than this is given back to the file system.
constexpr std::int64_t free_pages_kept = 512;
constexpr std::int64_t slow_us = 20'000'000;
constexpr double us_per_day = 86'400e6;
constexpr std::int64_t write_buffer_age_limit_us = 86'400'000'000;
// A hole in a record up to this long counts to the age of what lies before it: nights are recorded, days are not. A
// longer one may be a clock that was wrong by years when the machine started.
constexpr std::int64_t hole_counted_us = 86'400'000'000;

}  // namespace

/// Whether power holds behind each reading of a block: as the meter reported in the run there, or else in its nearest.
std::optional<Holding> StoreWriter::Impl::holding_of(StreamId stream, const BlockRow& block, const Columns& columns) {
  Query run = database->query(
      "SELECT (SELECT value FROM run_word WHERE run = run.id AND key = ?3), "
      "(SELECT value FROM run_word WHERE run = run.id AND key = ?4) FROM run WHERE stream = ?1 "
      "ORDER BY max(begin_us - ?5, ?2 - coalesce(end_us, ?5), 0), begin_us DESC LIMIT 1");
  run.bind(1, stream).bind(2, block.first_us).bind_text(3, reports_word).bind_text(4, gap_word).bind(5, block.last_us);
  if (!run.step() || run.text_or_none(0) != std::string(on_change_word)) return std::nullopt;
  const auto gap_s = gap_from(run.text_or_none(1).value_or(std::string()));
  Holding holding{gap_s ? to_duration({*gap_s}).count() : gap_limit_us(columns), block.last_us};
  if (const auto next_us = next_reading(stream, block); next_us && *next_us - block.last_us <= holding.limit_us)
    holding.until_us = *next_us;
  return holding;
}

/// Of the block behind this one, or of the tail.
std::optional<std::int64_t> StoreWriter::Impl::next_reading(StreamId stream, const BlockRow& block) {
  Query next =
      database->query("SELECT first_us FROM block WHERE stream = ?1 AND first_us > ?2 ORDER BY first_us LIMIT 1");
  next.bind(1, stream).bind(2, block.first_us);
  if (next.step()) return next.integer(0);
  const Result<StreamEnd*> end = end_of(stream);
  return end ? (*end)->write_buffer_first_us : std::nullopt;
}

/// A block that is damaged leaves its sums alone: it must not keep those behind it.
Result<void> StoreWriter::Impl::downsample(StreamId stream, const BlockRow& block) {
  const Result<Columns> columns = in.block_columns(block);
  const std::optional<Holding> holding = columns ? holding_of(stream, block, *columns) : std::nullopt;
  const std::int64_t last_us = holding ? holding->until_us : block.last_us;
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    if (!columns) break;
    // Of a meter that reports every minute or so, minutes tell no less than its readings, in more bytes.
    if (step_s == minute_s && last_us - block.first_us > slow_us * std::ssize(columns->times)) continue;
    const std::string bytes = encode_rollup(*columns, step_s, rollup_compression, holding);
    Query insert = database->query(
        "INSERT INTO rollup (stream, block_us, step_s, bytes, seal) VALUES (?1, ?2, ?3, ?4, row_seal('rollup', ?1, ?2, "
        "?3, "
        "?4))");
    insert.bind(1, stream).bind(2, block.first_us).bind(3, step_s).bind_blob(4, bytes).run();
  }
  Query mark = database->query(
      "UPDATE block SET data = NULL, seal = row_seal('block', stream, first_us, last_us, count, NULL, before_us, "
      "carried) "
      "WHERE stream = ?1 AND first_us = ?2");
  mark.bind(1, stream).bind(2, block.first_us).run();
  Query remove = database->query("DELETE FROM block_data WHERE id = ?1");
  remove.bind(1, block.data).run();
  return {};
}

/// A meter that fell silent leaves its last readings in the tail: after a day they become a block that can age.
Result<bool> StoreWriter::Impl::close_old_write_buffer(std::int64_t now_us) {
  std::vector<StreamId> streams;
  {
    Query rows =
        database->query("SELECT DISTINCT stream FROM tail JOIN stream ON stream.id = stream WHERE published = 1");
    while (rows.step()) streams.push_back(rows.integer(0));
  }
  for (const StreamId stream : streams) {
    const Result<StreamEnd*> end = end_of_sound(stream);
    if (!end) return pass_on(end.error());
    if (*end == nullptr || !(*end)->write_buffer_first_us ||
        now_us - *(*end)->write_buffer_first_us < write_buffer_age_limit_us)
      continue;
    if (auto closed = close_write_buffer(stream, **end, {}); !closed) return pass_on(closed.error());
    return true;
  }
  return false;
}

Result<bool> StoreWriter::Impl::downsample_oldest(std::optional<std::int64_t> before_us) {
  // Kept: what a pinned or imported run holds, or one of which nobody can say whether it is pinned; what an open run
  // may have to be replayed from; and blocks of which the row is damaged, which must not keep those behind them.
  Query row = database->query("SELECT stream, first_us, last_us, count, data, before_us, carried "
      "FROM block WHERE data IS NOT NULL AND last_us < ?1 AND " NIGHTWATT_SOUND(NIGHTWATT_BLOCK_SEAL) " "
                            "AND NOT EXISTS (SELECT 1 FROM run WHERE run.stream = block.stream AND begin_us <= last_us "
                            "AND (end_us IS NULL OR end_us >= first_us) AND (pinned = 1 OR origin = ?2 OR NOT " NIGHTWATT_SOUND(NIGHTWATT_RUN_SEAL) ")) "
                            "AND NOT EXISTS (SELECT 1 FROM run LEFT JOIN run_state ON run_state.run = run.id "
                            "WHERE run.stream = block.stream AND end_us IS NULL AND begin_us <= last_us "
                            "AND coalesce(as_of_us, begin_us) - ?3 <= last_us) "
                            "AND EXISTS (SELECT 1 FROM stream WHERE id = block.stream AND published = 1) ORDER BY "
                            "last_us LIMIT 1");
  row.bind(1, before_us.value_or(highest_time_us)).bind(2, static_cast<std::int64_t>(RunOrigin::imported));
  row.bind(3, write_buffer_age_limit_us);
  if (!row.step()) return false;
  const StreamId stream = row.integer(0);
  const BlockRow block{row.integer(1),         row.integer(2),         row.integer(3),
                       row.integer_or_none(4), row.integer_or_none(5), row.integer_or_none(6)};
  if (auto given = downsample(stream, block); !given) return pass_on(given.error());
  return true;
}

/// Of the oldest blocks; gives of how many.
std::int64_t StoreWriter::Impl::drop_oldest_rollups(std::int64_t step_s) {
  Query remove = database->query(
      "DELETE FROM rollup WHERE rowid IN (SELECT rowid FROM rollup WHERE step_s = ?1 ORDER BY block_us LIMIT ?2)");
  remove.bind(1, step_s).bind(2, std::int64_t{rollups_a_call}).run();
  return sqlite3_changes(database->handle());
}

/// Limits of a store in pages, as its settings want them.
struct StoreWriter::Impl::SizeLimit {
  std::int64_t pages = 0;         ///< of the file
  std::int64_t pages_a_call = 0;  ///< given back to the file system at once: they all go through the log
  std::int64_t kept_free = 0;     ///< used again by the tail; more than these are given back
};

/// The file and what its log may hold together stay within the limit; a part of it is left for what comes until the
/// next look.
StoreWriter::Impl::SizeLimit StoreWriter::Impl::size_limit() {
  SizeLimit limit{std::numeric_limits<std::int64_t>::max(), free_pages_a_call, free_pages_kept};
  if (!settings.max_size_mb) return limit;
  const std::int64_t page_bytes = database->pragma("PRAGMA page_size");
  const std::int64_t log_pages = log_pages_for(settings);
  const auto all_pages = static_cast<std::int64_t>(*settings.max_size_mb * 1e6) / page_bytes;
  constexpr std::int64_t room = 32;
  limit.pages = std::max<std::int64_t>(1, all_pages - 2 * log_pages - all_pages / room);
  limit.pages_a_call = log_pages;
  limit.kept_free = std::min(free_pages_kept, limit.pages / room);
  return limit;
}

void StoreWriter::Impl::give_back(std::int64_t pages) {
  const std::string sql = "PRAGMA incremental_vacuum(" + std::to_string(pages) + ")";
  database->execute(sql.c_str());
}

/// Oldest first in each: readings, then minutes, then hours. Gives how many of each went; true: more must, or nothing
/// is left that may.
Result<StoreWriter::Impl::Thinned> StoreWriter::Impl::thin_out(const SizeLimit& limit, int calls) {
  Thinned thinned;
  const auto too_large = [&] {
    return database->pragma("PRAGMA page_count") - database->pragma("PRAGMA freelist_count") > limit.pages;
  };
  for (; calls > 0 && too_large(); --calls) {
    const Result<bool> given = downsample_oldest(std::nullopt);
    if (!given) return pass_on(given.error());
    if (*given) {
      ++thinned.blocks;
      continue;
    }
    if (const std::int64_t minutes = drop_oldest_rollups(minute_s); minutes > 0) {
      thinned.minutes += minutes;
      continue;
    }
    if (const std::int64_t hours = drop_oldest_rollups(hour_s); hours > 0) {
      thinned.hours += hours;
      continue;
    }
    thinned.at_its_end = true;
    break;
  }
  thinned.more = !thinned.at_its_end && too_large();
  return thinned;
}

/// Adds up what went since the store was made, for whoever tells people.
void StoreWriter::Impl::note_thinned(const Thinned& thinned) {
  if (thinned.blocks == 0 && thinned.minutes == 0 && thinned.hours == 0 && !thinned.at_its_end) return;
  Query oldest = database->query(
      "SELECT min(last_us) FROM block WHERE data IS NOT NULL AND stream IN (SELECT id FROM stream WHERE meter IS NOT "
      "NULL)");
  const auto raw_from = oldest.step() ? oldest.integer_or_none(0) : std::nullopt;
  const std::string before = [&] {
    Query told = database->query("SELECT bytes FROM value WHERE name = ?1");
    told.bind_text(1, thinned_value_name);
    return told.step() ? std::string(told.blob(0)) : std::string();
  }();
  std::string text = "at its limit of size";
  const auto went = [&](std::int64_t count, const char* words) {
    if (count > 0 || before.find(words) != std::string::npos) text += words;
  };
  went(thinned.blocks, ", readings gave way to minutes and hours");
  went(thinned.minutes, ", the oldest minutes went");
  went(thinned.hours, ", the oldest hours went");
  if (thinned.at_its_end) text += ", and nothing is left that may go: raise max_size_mb, or unpin runs";
  if (raw_from)
    text += "; readings are whole from " + utc_text(UtcTime{*raw_from}) + " on, pinned runs and imports apart";
  Query put =
      database->query("INSERT OR REPLACE INTO value (name, bytes, seal) VALUES (?1, ?2, row_seal('value', ?1, ?2))");
  put.bind_text(1, thinned_value_name).bind_blob(2, text).run();
}

/// Up to which record time a stream's readings have at least `age_us` of its record behind them; none: nowhere.
Result<std::optional<std::int64_t>> StoreWriter::Impl::aged_until(StreamId stream, std::int64_t age_us) {
  const Result<StreamEnd*> end = end_of_sound(stream);
  if (!end) return pass_on(end.error());
  if (*end == nullptr || !(*end)->last_us) return std::optional<std::int64_t>{};
  std::int64_t left_us = age_us;
  std::int64_t at_us = *(*end)->last_us;
  // Goes back to `to_us`; true: the age is reached on the way.
  const auto reached = [&](std::int64_t to_us) {
    if (at_us - to_us >= left_us) return true;
    left_us -= at_us - to_us;
    at_us = to_us;
    return false;
  };
  const auto place = [&] { return std::optional<std::int64_t>(at_us - left_us); };
  if (reached((*end)->write_buffer_first_us.value_or(at_us))) return place();
  Query rows = database->query("SELECT first_us, last_us FROM block WHERE stream = ?1 ORDER BY first_us DESC");
  rows.bind(1, stream);
  while (rows.step()) {
    if (at_us - rows.integer(1) > hole_counted_us) at_us = rows.integer(1);
    if (reached(rows.integer(1)) || reached(rows.integer(0))) return place();
  }
  return std::optional<std::int64_t>{};
}

/// By the meter that has recorded most since: what a meter that is no longer there has left ages too.
Result<std::optional<std::int64_t>> StoreWriter::Impl::aged_until(std::int64_t age_us) {
  std::vector<StreamId> streams;
  {
    Query rows = database->query("SELECT id FROM stream WHERE meter IS NOT NULL AND published = 1");
    while (rows.step()) streams.push_back(rows.integer(0));
  }
  std::optional<std::int64_t> latest;
  for (const StreamId stream : streams) {
    const Result<std::optional<std::int64_t>> until = aged_until(stream, age_us);
    if (!until) return pass_on(until.error());
    latest = std::max(latest, *until);
  }
  return latest;
}

Result<bool> StoreWriter::retain(UtcTime now, Ageing ageing) {
  return impl_->change([&]() -> Result<bool> {
    Database& database = *impl_->database;
    const StoreSettings& settings = impl_->settings;
    bool more = false;
    if (settings.keep_raw_days || settings.max_size_mb) {
      const Result<bool> closed = impl_->close_old_write_buffer(now.us);
      if (!closed) return pass_on(closed.error());
      more = *closed;
    }
    int left = blocks_a_call;
    if (settings.keep_raw_days && ageing == Ageing::wanted) {
      const auto until_us = impl_->aged_until(static_cast<std::int64_t>(*settings.keep_raw_days * us_per_day));
      if (!until_us) return pass_on(until_us.error());
      Result<bool> given = until_us->has_value();
      while (left > 0 && *given) {
        given = impl_->downsample_oldest(**until_us + 1);
        if (!given) return pass_on(given.error());
        --left;
      }
      more = more || *given;
    }
    const Impl::SizeLimit limit = impl_->size_limit();
    if (settings.max_size_mb) {
      const Result<Impl::Thinned> thinned = impl_->thin_out(limit, left);
      if (!thinned) return pass_on(thinned.error());
      impl_->note_thinned(*thinned);
      more = more || thinned->more;
    }
    const std::int64_t free = database.pragma("PRAGMA freelist_count");
    const std::int64_t over = settings.max_size_mb ? database.pragma("PRAGMA page_count") - limit.pages : 0;
    const std::int64_t wanted = std::min(free, std::max(free - limit.kept_free, over));
    if (wanted > 0) impl_->give_back(std::min(wanted, limit.pages_a_call));
    return more || wanted > limit.pages_a_call;
  });
}

}  // namespace nightwatt::storage
