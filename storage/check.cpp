// Proves a store: SQLite's own check, every block against its sums, order and overlap, orphans, runs against readings.
#include <limits>

#include "measure/signal/same_sum.hpp"
#include "reader_impl.hpp"
#include "schema.hpp"
#include "seal.hpp"
#include "tally.hpp"

namespace nightwatt::storage {
namespace {

// More than this many lines help nobody.
constexpr std::size_t problems_limit = 100;

}  // namespace

/// One pass over a store. Every step adds lines to the problems; only an unusable store stops it.
class StoreReader::Checker {
 public:
  Checker(const StoreReader& store, Impl& impl, const RunProof& prove)
      : store_(store), impl_(impl), database_(*impl.database), prove_(prove) {}

  Result<StoreCheck> run() {
    attempt("SQLite", [&] { integrity(); });
    std::vector<std::pair<StreamId, bool>> streams;
    attempt("streams", [&] {
      Query rows = database_.query("SELECT id, published FROM stream ORDER BY id");
      while (rows.step()) streams.emplace_back(rows.integer(0), rows.integer(1) != 0);
    });
    for (const auto& [stream, published] : streams)
      attempt("stream " + std::to_string(stream), [&, id = stream, seen = published] { check_stream(id, seen); });
    attempt("orphans", [&] { orphans(); });
    attempt("runs", [&] { runs(); });
    if (database_.pragma("PRAGMA user_version") >= first_version_with_seals) attempt("rows", [&] { seals(); });
    for (const TableTraits& table : all_tables())
      if (table.counting.since > 0) attempt("rows", [&] { must_be_all_there(database_, table.table); });
    found_.ok = found_.problems.empty();
    return found_;
  }

 private:
  void problem(std::string text) {
    if (found_.problems.size() < problems_limit) found_.problems.push_back(std::move(text));
  }

  /// What one step meets does not keep the others from looking.
  template <class Step>
  void attempt(const std::string& where, Step&& step) {
    try {
      step();
    } catch (const Damage& damage) {
      problem(where + ": " + damage.what());
    } catch (const SQLite::Exception& exception) {
      problem(where + ": SQLite: " + exception.what());
    }
  }

  /// Every row, also those that nobody asked for so far.
  void seals() {
    for (const TableTraits& table : all_tables()) {
      if (table.form.sealed == 0) continue;
      const std::string sql = "SELECT count(*) FROM " + std::string(table.name) +
                              " WHERE NOT (seal IS NULL OR seal = " + seal_sql(table.table) + ")";
      attempt(table.name, [&] {
        if (const std::int64_t damaged = database_.pragma(sql.c_str()); damaged > 0)
          problem(std::to_string(damaged) + " rows of " + table.name + " are damaged");
      });
    }
  }

  void integrity() {
    Query rows = database_.query("PRAGMA integrity_check(20)");
    while (rows.step())
      if (const std::string line = rows.text(0); line != "ok") problem("SQLite: " + line);
  }

  void check_stream(StreamId stream, bool published) {
    const std::string name = "stream " + std::to_string(stream);
    std::int64_t last_us = std::numeric_limits<std::int64_t>::min();
    std::int64_t samples = 0;
    for (const BlockRow& block :
         impl_.blocks(stream, std::numeric_limits<std::int64_t>::min(), std::numeric_limits<std::int64_t>::max())) {
      ++found_.blocks;
      const std::string where =
          name + ", block " + (block.data ? std::to_string(*block.data) : std::string("given up"));
      if (block.first_us <= last_us) problem(where + " overlaps the one before it");
      last_us = block.last_us;
      if (!block.data) {
        check_given_up(stream, block, where);
        continue;
      }
      const Result<Columns> columns = impl_.block_columns(block);
      if (!columns) {
        problem(where + ": " + columns.error().message);
        continue;
      }
      samples += static_cast<std::int64_t>(columns->size());
      check_block(stream, block, *columns, where);
    }
    const Result<Columns> write_buffer = impl_.write_buffer(stream);
    if (!write_buffer) {
      problem(name + ": its tail is damaged");
    } else if (!write_buffer->empty()) {
      if (write_buffer->times.front() <= last_us) problem(name + ": its tail overlaps its last block");
      samples += static_cast<std::int64_t>(write_buffer->size());
    }
    for (const Quantity quantity : all_quantities)
      if (const auto sums = impl_.aggregates(stream, quantity, std::numeric_limits<std::int64_t>::min(),
                                             std::numeric_limits<std::int64_t>::max());
          !sums)
        problem(name + ": " + sums.error().message);
    count_quarantined(stream, name);
    if (published) found_.samples += samples;
  }

  void count_quarantined(StreamId stream, const std::string& name) {
    const std::int64_t version = database_.pragma("PRAGMA user_version");
    if (version < first_version_with_write_buffer_crc) return;
    Query row = database_.query(version < first_version_with_seals
                                    ? "SELECT count(*) FROM set_aside WHERE stream = ?1"
                                    : "SELECT count(*) FROM set_aside WHERE stream = ?1 AND acknowledged IS NULL");
    row.bind(1, stream);
    if (!row.step() || row.integer(0) == 0) return;
    ++found_.known;
    problem(name + ": rows of readings that were damaged once: " + std::to_string(row.integer(0)) +
            "; they were set aside so that recording could go on (nightwatt check --acknowledge: that is known now)");
  }

  /// What is left of it must tell of as many readings of each quantity as its sums do.
  void check_given_up(StreamId stream, const BlockRow& block, const std::string& where) {
    for (const std::int64_t step_s : {minute_s, hour_s}) {
      const Result<Buckets> buckets = impl_.buckets(stream, block, step_s);
      if (!buckets) {
        problem(where + ": " + buckets.error().message);
        continue;
      }
      for (const Quantity quantity : all_quantities) {
        const std::vector<Bucket>& list = (*buckets)[static_cast<std::size_t>(quantity)];
        if (list.empty()) continue;
        std::int64_t count = 0;
        for (const Bucket& bucket : list) count += bucket.count;
        Query row = database_.query("SELECT count FROM sums WHERE stream = ?1 AND quantity = ?2 AND block_us = ?3");
        row.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, block.first_us);
        if (!row.step() || row.integer(0) != count)
          problem(where + ": its minutes or hours and its sums count different readings");
      }
    }
  }

  void check_block(StreamId stream, const BlockRow& block, const Columns& columns, const std::string& where) {
    if (columns.times.front() != block.first_us || columns.times.back() != block.last_us ||
        static_cast<std::int64_t>(columns.size()) != block.count)
      problem(where + ": its readings are not those its row tells of");
    for (const Quantity quantity : all_quantities) {
      const BlockAggregates aggregates = aggregates_of(columns, quantity, 0, columns.size());
      Query row = database_.query(
          "SELECT count, first_us, last_us, first, last, min, max, mean, m2, energy_wh FROM sums "
          "WHERE stream = ?1 AND quantity = ?2 AND block_us = ?3");
      row.bind(1, stream).bind(2, static_cast<std::int64_t>(quantity)).bind(3, block.first_us);
      const bool there = row.step();
      if (!there && aggregates.count == 0) continue;
      const std::optional<double> energy = there ? row.real_or_none(9) : std::nullopt;
      const bool agree =
          there && row.integer(0) == aggregates.count && row.integer(1) == aggregates.first_us &&
          row.integer(2) == aggregates.last_us && row.real(3) == aggregates.first && row.real(4) == aggregates.last &&
          row.real(5) == aggregates.min && row.real(6) == aggregates.max && same_sum(row.real(7), aggregates.mean) &&
          same_sum(row.real(8), aggregates.m2) && energy.has_value() == aggregates.energy_wh.has_value() &&
          (!energy || same_sum(*energy, *aggregates.energy_wh));
      if (!agree) problem(where + ": the sums of " + std::string(quantity_column(quantity)) + " are not its readings'");
    }
  }

  void count_orphans(const char* sql, const char* what) {
    Query row = database_.query(sql);
    if (row.step() && row.integer(0) != 0) problem(std::to_string(row.integer(0)) + " " + what);
  }

  void orphans() {
    count_orphans("SELECT count(*) FROM block_data WHERE id NOT IN (SELECT data FROM block WHERE data IS NOT NULL)",
                  "blocks that belong to no stream");
    count_orphans("SELECT count(*) FROM block WHERE stream NOT IN (SELECT id FROM stream)",
                  "blocks of an unknown stream");
    count_orphans(
        "SELECT count(*) FROM sums WHERE NOT EXISTS (SELECT 1 FROM block WHERE block.stream = sums.stream "
        "AND block.first_us = sums.block_us)",
        "sums without a block");
    count_orphans("SELECT count(*) FROM tail WHERE stream NOT IN (SELECT id FROM stream)",
                  "tail rows of an unknown stream");
    count_orphans("SELECT count(*) FROM rollup WHERE stream NOT IN (SELECT id FROM stream)",
                  "roll-ups of an unknown stream");
    count_orphans("SELECT count(*) FROM run WHERE stream IS NOT NULL AND stream NOT IN (SELECT id FROM stream)",
                  "runs of an unknown stream");
    count_orphans("SELECT count(*) FROM stretch WHERE run NOT IN (SELECT id FROM run)", "stretches of an unknown run");
    if (database_.pragma("PRAGMA user_version") >= first_version_with_sketches)
      count_orphans("SELECT count(*) FROM sketch WHERE (run, place) NOT IN (SELECT run, place FROM stretch)",
                    "sketches without their stretches");
    count_orphans("SELECT count(*) FROM run_state WHERE run NOT IN (SELECT id FROM run)", "states of an unknown run");
    count_orphans("SELECT count(*) FROM run_word WHERE run NOT IN (SELECT id FROM run)", "words of an unknown run");
    count_orphans("SELECT count(*) FROM mark WHERE run IS NOT NULL AND run NOT IN (SELECT id FROM run)",
                  "marks of an unknown run");
  }

  void runs() {
    const Result<std::vector<RunInfo>> all = store_.runs();
    if (!all) return problem(all.error().message);
    for (const RunInfo& run : *all) {
      if (run.stream == 0) continue;
      const std::string name = "run " + std::to_string(run.id);
      if (run.end && *run.end < run.begin) problem(name + " ends before it begins");
      attempt(name, [&] {
        check_samples(run, name);
        check_overlap(*all, run, name);
        for (const std::string& wrong : prove_(store_, run)) problem(wrong);
      });
    }
  }

  void check_samples(const RunInfo& run, const std::string& name) {
    if (!run.end) return;
    // Where raw readings have given way to minutes they can no longer be counted to the last one.
    const Result<bool> whole = store_.raw_is_whole(run.stream, run.begin, *run.end);
    if (!whole) return problem(name + ": " + whole.error().message);
    if (!*whole) return;
    const Result<std::int64_t> counted = impl_.count_readings(run.stream, run.begin.us, run.end->us);
    if (!counted) return problem(name + ": " + counted.error().message);
    if (*counted != run.samples)
      problem(name + " tells of " + std::to_string(run.samples) + " readings, the store has " +
              std::to_string(*counted));
  }

  void check_overlap(const std::vector<RunInfo>& all, const RunInfo& run, const std::string& name) {
    for (const RunInfo& other : all) {
      if (other.id >= run.id || other.stream != run.stream) continue;
      const bool other_before = other.end && *other.end <= run.begin;
      const bool other_after = run.end && *run.end <= other.begin;
      if (!other_before && !other_after)
        problem(name + " overlaps run " + std::to_string(other.id) + " of the same meter");
    }
  }

  const StoreReader& store_;
  Impl& impl_;
  Database& database_;
  const RunProof& prove_;
  StoreCheck found_;
};

Result<StoreCheck> StoreReader::check(const RunProof& prove) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&] { return Checker(*this, *impl_, prove).run(); });
}

}  // namespace nightwatt::storage
