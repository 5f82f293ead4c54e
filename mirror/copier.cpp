#include "copier.hpp"

#include <algorithm>
#include <charconv>
#include <limits>
#include <utility>

#include "copy_rows.hpp"
#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "figures/runs.hpp"
#include "measure/signal/time_text.hpp"
#include "measure/uncertainty/regime.hpp"
#include "text/json_text.hpp"

namespace nightwatt::mirror {
namespace {

// Large enough that a transaction's own cost is nothing beside it, small enough that a cut loses a second's work and
// the store's log is not held back by a reader.
constexpr std::size_t batch_readings = 50'000;
constexpr std::size_t copy_piece = 64 * 1024;  // bytes
constexpr int batch_events = 1'000;

std::string text_of(std::int64_t number) {
  return std::to_string(number);
}
std::int64_t number_of(const Value& value) {
  std::int64_t number = 0;
  if (value) std::from_chars(value->data(), value->data() + value->size(), number);
  return number;
}

std::string_view origin_name(storage::RunOrigin origin) {
  switch (origin) {
    case storage::RunOrigin::automatic:
      return "automatic";
    case storage::RunOrigin::by_hand:
      return "by_hand";
    case storage::RunOrigin::imported:
      return "imported";
    case storage::RunOrigin::entered:
      return "entered";
  }
  return "";
}

std::string summary_json(const figures::RunRecord& record) {
  return text::json_string([&](text::JsonWriter& json) { figures::write_summary(json, record, nullptr); });
}

std::string segments_json(const figures::RunRecord& record) {
  return text::json_string(
      [&](text::JsonWriter& json) { figures::write_segments(json, record.segments, record.calendar); });
}

/// A newer program makes other figures of the same rows, or says more of them: it sends them all once more.
std::string of_this_version() {
  return std::to_string(figure_algorithm_version) + "/" NIGHTWATT_VERSION;
}

Value cell_text(storage::Row& row, std::string_view column) {
  const storage::Cell* cell = row.find(column);
  if (cell == nullptr) return std::nullopt;
  if (const auto* whole = std::get_if<std::int64_t>(cell)) return std::to_string(*whole);
  if (const auto* text = std::get_if<std::string>(cell)) return *text;
  return std::nullopt;
}

std::int64_t cell_number(storage::Row& row, std::string_view column) {
  return number_of(cell_text(row, column));
}

/// Not a secret, only a name for a content: FNV-1a as in the store's prints.
std::string print_of(const std::vector<std::string>& all) {
  std::uint64_t value = 0xCBF29CE484222325U;
  for (const std::string& bytes : all) {
    for (const char c : bytes) value = (value ^ static_cast<unsigned char>(c)) * 0x100000001B3U;
    value = (value ^ bytes.size()) * 0x100000001B3U;
  }
  return std::to_string(value);
}

std::vector<std::string> packed(const std::vector<storage::Row>& rows) {
  std::vector<std::string> all;
  all.reserve(rows.size());
  for (const storage::Row& row : rows) all.push_back(storage::packed_row(row));
  return all;
}

}  // namespace

Result<void> Copier::in_transaction(const std::function<Result<void>()>& work) {
  if (auto begun = server_.run("BEGIN"); !begun) return begun;
  Result<void> done = work();
  if (done) return server_.run("COMMIT");
  // A connection that broke has rolled back by itself.
  (void)server_.run("ROLLBACK");
  return done;
}

Result<void> Copier::begin() {
  auto identity = rows_.identity();
  if (!identity) return tl::unexpected(identity.error());
  const std::string mark = text_of(*identity);
  if (auto made =
          server_.tell("INSERT INTO nightwatt.rig (name, store_mark) VALUES ($1, $2) ON CONFLICT (name) DO NOTHING",
                       {rig_name_, mark});
      !made)
    return made;
  const auto rows = server_.ask(
      "SELECT id, store_mark, last_event, notes_print, role = current_user FROM nightwatt.rig WHERE name = $1",
      {rig_name_});
  if (!rows) return tl::unexpected(rows.error());
  if (rows->size() != 1)
    return fail(ErrorKind::unusable, "the mirror has no rig \"" + rig_name_ + "\" and lets none be made");
  const Texts& row = rows->front();
  if (row[4] != "t")
    return fail(ErrorKind::unusable,
                "the rig \"" + rig_name_ + "\" of the mirror belongs to another role: take another name");
  const std::int64_t known = number_of(row[1]);
  if (known != 0 && *identity != 0 && known != *identity)
    return fail(ErrorKind::unusable,
                "the rig \"" + rig_name_ + "\" was mirrored from another store: give this store's rig another name");
  rig_ = row[0].value_or("0");
  last_event_ = number_of(row[2]);
  if (auto both = find_event_of_both(); !both) return both;
  notes_print_ = row[3].value_or("");
  if (known == 0 && *identity != 0)
    if (auto told = server_.tell("UPDATE nightwatt.rig SET store_mark = $2 WHERE id = $1", {rig_, mark}); !told)
      return told;
  const auto runs = server_.ask("SELECT run, print FROM nightwatt.run WHERE rig = $1", {rig_});
  if (!runs) return tl::unexpected(runs.error());
  for (const Texts& run : *runs) run_prints_[number_of(run[0])] = run[1].value_or("");
  // COPY does not go into tables with row-level security, so it goes into one of this connection's own first.
  return server_.run(
      "CREATE TEMPORARY TABLE incoming (at timestamptz, power_w numeric, voltage_v numeric, current_a numeric, "
      "power_factor numeric, frequency_hz numeric, energy_wh numeric, energy_export_wh numeric, "
      "apparent_va numeric, reactive_var numeric) ON COMMIT DELETE ROWS");
}

Result<void> Copier::pass(bool open_runs, const std::function<bool()>& stop) {
  if (auto done = copy_notes(); !done) return done;
  const auto streams = store_.streams();
  if (!streams) return tl::unexpected(streams.error());
  for (const storage::StreamInfo& stream : *streams)
    if (auto done = copy_readings(stream.id, stop); !done || stop()) return done;
  if (auto done = copy_runs(open_runs, stop); !done || stop()) return done;
  if (auto done = copy_events(); !done) return done;
  return server_.tell("UPDATE nightwatt.rig SET seen = now() WHERE id = $1", {rig_});
}

Result<void> Copier::copy_notes() {
  auto rows = rows_.marks_and_meters();
  if (!rows) return tl::unexpected(rows.error());
  const std::vector<std::string> bytes = packed(*rows);
  const std::string print = print_of(bytes);
  if (print == notes_print_) return {};
  auto done = in_transaction([&]() -> Result<void> {
    for (const char* table : {"note_row", "mark"})
      if (auto gone = server_.tell("DELETE FROM nightwatt." + std::string(table) + " WHERE rig = $1", {rig_}); !gone)
        return gone;
    for (storage::Row& row : *rows) {
      Result<void> told;
      if (row.table == "stream")
        told = server_.tell(
            "INSERT INTO nightwatt.meter (rig, stream, name) VALUES ($1, $2, $3) ON CONFLICT (rig, stream) "
            "DO UPDATE SET name = EXCLUDED.name",
            {rig_, cell_text(row, "id"), cell_text(row, "meter")});
      if (row.table == "mark")
        told = server_.tell(
            "INSERT INTO nightwatt.mark VALUES ($1, $2, $3, $4, $5, $6, $7)",
            {rig_, cell_text(row, "id"), cell_text(row, "run"), cell_text(row, "meter"),
             utc_text(UtcTime{cell_number(row, "at_us")}), cell_text(row, "text"), cell_text(row, "kind")});
      if (!told) return told;
    }
    if (auto told = server_.tell("INSERT INTO nightwatt.note_row SELECT $1, place, bytes FROM unnest($2::bytea[]) WITH "
                                 "ORDINALITY AS x(bytes, place)",
                                 {rig_, bytea_array(bytes)});
        !told)
      return told;
    return server_.tell("UPDATE nightwatt.rig SET notes_print = $2 WHERE id = $1", {rig_, print});
  });
  if (done) notes_print_ = print;
  return done;
}

// A power cut may take from the store what was brought already; where the clock then begins earlier, as without a
// battery, other readings have their times. So may a store that was put back to an older state.
Result<void> Copier::find_reading_of_both(storage::StreamId stream) {
  const auto cursor =
      server_.ask("SELECT last_us FROM nightwatt.meter WHERE rig = $1 AND stream = $2", {rig_, text_of(stream)});
  if (!cursor) return tl::unexpected(cursor.error());
  if (cursor->empty() || !cursor->front()[0]) return {};
  const UtcTime last{number_of(cursor->front()[0])};
  std::optional<UtcTime> oldest_here, both;
  const auto first =
      store_.readings(stream, UtcTime{std::numeric_limits<std::int64_t>::min()}, last, [&](const Reading& reading) {
        oldest_here = reading.time;
        return false;
      });
  if (!first) return tl::unexpected(first.error());
  // Nearly always the first one that is looked at. Behind the oldest here, all may have given way to minutes.
  std::size_t page = 1;
  for (UtcTime until = last; oldest_here && !both && until >= *oldest_here;
       page = std::min(page * 100, batch_readings)) {
    const auto rows = server_.ask(
        "SELECT (extract(epoch FROM at) * 1000000)::bigint, power_w FROM nightwatt.reading WHERE rig = $1 AND stream = "
        "$2 AND at <= $3::timestamptz AND at >= $4::timestamptz ORDER BY at DESC LIMIT $5::bigint",
        {rig_, text_of(stream), utc_text(until), utc_text(*oldest_here), std::to_string(page)});
    if (!rows) return tl::unexpected(rows.error());
    if (rows->empty()) break;
    const UtcTime oldest{number_of(rows->back()[0])};
    std::map<std::int64_t, Value> powers;
    const auto read = store_.readings(stream, oldest, until, [&](const Reading& reading) {
      const auto power = reading.values.get(Quantity::power);
      powers[reading.time.us] = power ? Value(power->text()) : Value();
      return true;
    });
    if (!read) return tl::unexpected(read.error());
    for (const Texts& row : *rows) {
      const auto here = powers.find(number_of(row[0]));
      if (here == powers.end() || here->second != row[1]) continue;
      both = UtcTime{here->first};
      break;
    }
    until = UtcTime{oldest.us - 1};
  }
  if (both == last) return {};
  return server_.tell("UPDATE nightwatt.meter SET last_us = $3 WHERE rig = $1 AND stream = $2",
                      {rig_, text_of(stream), both ? Value(text_of(both->us)) : Value()});
}

/// As with readings: the numbers of events that are gone are given to others.
Result<void> Copier::find_event_of_both() {
  for (; last_event_ > 0; --last_event_) {
    const auto here = rows_.events_after(last_event_ - 1, 1);
    if (!here) return tl::unexpected(here.error());
    if (here->empty() || here->front().first != last_event_) continue;
    const storage::Event& event = here->front().second;
    const auto there = server_.ask(
        "SELECT FROM nightwatt.event WHERE rig = $1 AND event = $2 AND kind = $3 AND at = $4 AND detail = $5",
        {rig_, text_of(last_event_), std::string(storage::event_kind_name(event.kind)), utc_text(event.at),
         event.detail});
    if (!there) return tl::unexpected(there.error());
    if (!there->empty()) break;
  }
  return {};
}

Result<void> Copier::copy_readings(storage::StreamId stream, const std::function<bool()>& stop) {
  if (compared_.insert(stream).second)
    if (auto both = find_reading_of_both(stream); !both) return both;
  while (!stop()) {
    const auto count = copy_batch(stream);
    if (!count) return tl::unexpected(count.error());
    if (*count < batch_readings) return {};
  }
  return {};
}

Result<std::size_t> Copier::copy_batch(storage::StreamId stream) {
  std::vector<Reading> batch;
  auto done = in_transaction([&]() -> Result<void> {
    // The cursor is the server's, also for a server that was put back to an older state.
    const auto cursor = server_.ask("SELECT last_us FROM nightwatt.meter WHERE rig = $1 AND stream = $2 FOR UPDATE",
                                    {rig_, text_of(stream)});
    if (!cursor) return tl::unexpected(cursor.error());
    if (cursor->empty()) return fail(ErrorKind::unusable, "the mirror lost a meter of this rig");
    const Value& last = cursor->front()[0];
    const UtcTime from = last ? UtcTime{number_of(last) + 1} : UtcTime{std::numeric_limits<std::int64_t>::min()};
    const auto read =
        store_.readings(stream, from, UtcTime{std::numeric_limits<std::int64_t>::max()}, [&](const Reading& reading) {
          batch.push_back(reading);
          return batch.size() < batch_readings;
        });
    if (!read) return tl::unexpected(read.error());
    return batch.empty() ? Result<void>{} : send_batch(stream, batch);
  });
  if (!done) return tl::unexpected(done.error());
  copied_ += static_cast<std::int64_t>(batch.size());
  return batch.size();
}

/// Of each day the server is asked once: it makes the month's partition where there is none.
Result<void> Copier::make_month_of(std::int64_t us) {
  constexpr std::int64_t day_us = std::int64_t{86'400} * 1'000'000;
  const std::int64_t day = us / day_us;
  if (day == last_day_) return {};
  last_day_ = day;
  if (!days_.insert(day).second) return {};
  const auto made = server_.ask("SELECT nightwatt.make_month($1)", {utc_text(UtcTime{us})});
  return made ? Result<void>{} : Result<void>(tl::unexpected(made.error()));
}

Result<void> Copier::send_batch(storage::StreamId stream, const std::vector<Reading>& batch) {
  for (const Reading& reading : batch)
    if (auto made = make_month_of(reading.time.us); !made) return made;
  // What the server has from here on the store no longer has, and these took its times.
  const auto gone = server_.ask(
      "WITH gone AS (DELETE FROM nightwatt.reading WHERE rig = $1 AND stream = $2 AND at >= $3 RETURNING 1) SELECT "
      "count(*) FROM gone",
      {rig_, text_of(stream), utc_text(batch.front().time)});
  if (!gone) return tl::unexpected(gone.error());
  const auto more = static_cast<std::int64_t>(batch.size()) - number_of(gone->front()[0]);
  const CopyRows rows(batch);
  const std::string list = rows.columns();
  if (auto begun = server_.begin_copy("COPY incoming (" + list + ") FROM STDIN (FORMAT binary)"); !begun) return begun;
  std::string piece(CopyRows::header());
  for (const Reading& reading : batch) {
    rows.add(reading, piece);
    if (piece.size() < copy_piece) continue;
    if (auto sent = server_.copy(piece); !sent) return sent;
    piece.clear();
  }
  piece += CopyRows::trailer();
  if (auto sent = server_.copy(piece); !sent) return sent;
  if (auto ended = server_.end_copy(); !ended) return ended;
  if (auto moved = server_.tell("INSERT INTO nightwatt.reading (rig, stream, " + list +
                                    ") SELECT $1::integer, $2::integer, " + list + " FROM incoming",
                                {rig_, text_of(stream)});
      !moved)
    return moved;
  return server_.tell(
      "UPDATE nightwatt.meter SET last_us = $3, readings = readings + $4 WHERE rig = $1 AND stream = $2",
      {rig_, text_of(stream), text_of(batch.back().time.us), text_of(more)});
}

/// The prints and the rows are of one moment. What changes after it has another print at the next pass.
Result<Copier::PrintedRuns> Copier::printed_runs() const {
  const auto moment = store_.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const auto prints = rows_.run_prints();
  if (!prints) return tl::unexpected(prints.error());
  auto infos = store_.run_list();
  if (!infos) return tl::unexpected(infos.error());
  std::map<storage::RunId, std::string> print_of_run;
  for (const auto& print : *prints) print_of_run[print.run] = std::to_string(print.print) + "/" + of_this_version();
  PrintedRuns printed;
  printed.list_is_whole = infos->is_whole;
  for (const storage::DamagedRun& run : infos->damaged) printed.there.insert(run.id);
  for (storage::RunInfo& info : infos->sound)
    if (const auto print = print_of_run.find(info.id); print != print_of_run.end()) {
      printed.there.insert(info.id);
      printed.sound.push_back({std::move(info), print->second});
    }
  return printed;
}

Result<void> Copier::copy_runs(bool open_runs, const std::function<bool()>& stop) {
  const auto runs = printed_runs();
  if (!runs) return tl::unexpected(runs.error());
  // Of a run that is damaged, or gone by damage, the mirror may hold the last sound copy.
  if (runs->list_is_whole)
    if (auto gone = drop_runs_but(runs->there); !gone) return gone;
  for (const PrintedRun& run : runs->sound) {
    const auto known = run_prints_.find(run.info.id);
    const bool is_new = known == run_prints_.end();
    const bool is_open = !run.info.end;
    if (is_open ? !is_new && !open_runs : !is_new && known->second == run.print) continue;
    if (auto done = copy_run(run); !done) return done;
    run_prints_[run.info.id] = run.print;
    if (stop()) break;
  }
  return {};
}

Result<void> Copier::drop_runs_but(const std::set<storage::RunId>& there) {
  for (auto known = run_prints_.begin(); known != run_prints_.end();) {
    if (there.count(known->first) != 0) {
      ++known;
      continue;
    }
    if (auto gone =
            server_.tell("DELETE FROM nightwatt.run WHERE rig = $1 AND run = $2", {rig_, text_of(known->first)});
        !gone)
      return gone;
    known = run_prints_.erase(known);
  }
  return {};
}

/// Of one moment, and held no longer than it takes to read it: while a server kept us waiting, the store's log could
/// not be emptied and would grow.
Result<std::optional<Copier::RunText>> Copier::text_of_run(storage::RunId id) const {
  const auto moment = store_.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const auto info = store_.run(id);
  if (!info && info.error().kind == ErrorKind::negative) return std::nullopt;  // dropped since: the next pass sees it
  const auto record = info ? figures::run_record(store_, *info) : tl::unexpected(info.error());
  if (!record) {
    warn_("run " + std::to_string(id) + " is not mirrored: " + record.error().message);
    return std::nullopt;
  }
  const auto rows = rows_.run(id);
  if (!rows) return tl::unexpected(rows.error());
  return RunText{{text_of(id), info->stream == 0 ? Value() : Value(text_of(info->stream)), info->device,
                  std::string(origin_name(info->origin)), utc_text(record->shown(info->begin)),
                  info->end ? Value(utc_text(record->shown(*info->end))) : Value(),
                  std::string(info->pinned ? "t" : "f"), summary_json(*record)},
                 segments_json(*record),
                 packed(*rows)};
}

Result<void> Copier::copy_run(const PrintedRun& run) {
  const auto read = text_of_run(run.info.id);
  if (!read) return tl::unexpected(read.error());
  if (!*read) return {};
  const RunText& text = **read;
  const Value& number = text.columns.front();
  Texts columns = {rig_};
  columns.insert(columns.end(), text.columns.begin(), text.columns.end());
  columns.push_back(run.print);
  return in_transaction([&]() -> Result<void> {
    if (auto told = server_.tell("INSERT INTO nightwatt.run (rig, run, stream, device, origin, begin_at, end_at, "
                                 "pinned, summary, print) VALUES "
                                 "($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) ON CONFLICT (rig, run) DO UPDATE SET "
                                 "stream = EXCLUDED.stream, device "
                                 "= EXCLUDED.device, begin_at = EXCLUDED.begin_at, end_at = EXCLUDED.end_at, pinned = "
                                 "EXCLUDED.pinned, print = "
                                 "EXCLUDED.print, summary = EXCLUDED.summary",
                                 columns);
        !told)
      return told;
    for (const char* table : {"segment", "run_row"})
      if (auto gone = server_.tell("DELETE FROM nightwatt." + std::string(table) + " WHERE rig = $1 AND run = $2",
                                   {rig_, number});
          !gone)
        return gone;
    if (auto told = server_.tell(
            "INSERT INTO nightwatt.segment SELECT $1, $2, place, s->>'kind', (s->>'begin')::timestamptz, "
            "(s->>'end')::timestamptz, (s->>'samples')::bigint, (s->>'level_w')::float8, "
            "(s->>'uncertainty_w')::float8, "
            "(s->>'mean_w')::float8, (s->>'settled_w')::float8, (s->>'settling_s')::float8, (s->>'lowest_w')::float8, "
            "(s->>'highest_w')::float8, (s->>'energy_wh')::float8, (s->>'excursions')::bigint, (s->>'open')::boolean "
            "FROM "
            "jsonb_array_elements($3::jsonb) WITH ORDINALITY AS x(s, place)",
            {rig_, number, text.segments});
        !told)
      return told;
    return server_.tell(
        "INSERT INTO nightwatt.run_row SELECT $1, $2, place, bytes FROM unnest($3::bytea[]) WITH ORDINALITY AS "
        "x(bytes, place)",
        {rig_, number, bytea_array(text.rows)});
  });
}

Result<void> Copier::copy_events() {
  for (;;) {
    const auto events = rows_.events_after(last_event_, batch_events);
    if (!events) return tl::unexpected(events.error());
    if (events->empty()) return {};
    auto done = in_transaction([&]() -> Result<void> {
      for (const auto& [number, event] : *events) {
        if (auto told = server_.tell("INSERT INTO nightwatt.event VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT "
                                     "(rig, event) DO UPDATE SET kind = EXCLUDED.kind, at = EXCLUDED.at, meter = "
                                     "EXCLUDED.meter, detail = EXCLUDED.detail, amount = EXCLUDED.amount",
                                     {rig_, text_of(number), std::string(storage::event_kind_name(event.kind)),
                                      utc_text(event.at), event.meter, event.detail, text::exact_text(event.amount)});
            !told)
          return told;
      }
      return server_.tell("UPDATE nightwatt.rig SET last_event = $2 WHERE id = $1",
                          {rig_, text_of(events->back().first)});
    });
    if (!done) return done;
    last_event_ = events->back().first;
  }
}

}  // namespace nightwatt::mirror
