// Runs, marks, events and small values, written.
#include <array>
#include <charconv>
#include <limits>

#include "seal.hpp"
#include "writer_impl.hpp"

namespace nightwatt::storage {
namespace {

// State is small and written every few thousand readings.
constexpr Compression state_compression{6};

void bind_accuracy(Query& query, int place, const std::optional<Accuracy>& accuracy) {
  if (!accuracy) return;
  query.bind(place, accuracy->percent).bind(place + 1, accuracy->floor).bind_text(place + 2, accuracy->meter_class);
}

/// What `encode` makes of each, as its length and its bytes.
template <class Encode>
std::string batch_of(std::span<const Regime> regimes, Encode&& encode) {
  std::string bytes;
  for (const Regime& regime : regimes) {
    const std::string one = encode(regime);
    put_varint(bytes, one.size());
    bytes += one;
  }
  return compress(bytes, state_compression);
}

/// Sketches apart, in a table of their own: they are most of it, and a year's figures are told without them.
void put_regimes(Database& database, RunId run, std::span<const Regime> regimes) {
  Query last = database.query("SELECT coalesce(max(place) + 1, 0) FROM stretch WHERE run = ?1");
  last.bind(1, run);
  const std::int64_t place = last.step() ? last.integer(0) : 0;
  const std::string outlines = batch_of(regimes, encode_outline);
  Query outline = database.query(
      "INSERT INTO stretch (run, place, count, bytes, crc, seal) VALUES (?1, ?2, ?3, ?4, ?5, row_seal('stretch', ?1, "
      "?2, "
      "?3, ?4))");
  outline.bind(1, run).bind(2, place).bind(3, static_cast<std::int64_t>(regimes.size())).bind_blob(4, outlines);
  outline.bind(5, std::int64_t{crc32(outlines)}).run();
  // A program of before sketches lay apart, that was running when the store was brought up to date, leaves those of
  // runs that it makes anew or drops.
  Query left = database.query("DELETE FROM sketch WHERE run = ?1 AND place >= ?2");
  left.bind(1, run).bind(2, place).run();
  const std::string sketches = batch_of(regimes, encode_sketch);
  Query sketch = database.query(
      "INSERT INTO sketch (run, place, bytes, crc, seal) VALUES (?1, ?2, ?3, ?4, row_seal('sketch', ?1, ?2, ?3))");
  sketch.bind(1, run).bind(2, place).bind_blob(3, sketches).bind(4, std::int64_t{crc32(sketches)}).run();
}

tl::unexpected<Error> no_such_run(RunId id) {
  return fail(ErrorKind::negative, "there is no run " + std::to_string(id) + "; `nightwatt runs` lists them");
}

/// The shortest digits that read back as the same number.
std::string digits_of(double number) {
  std::array<char, 32> digits{};
  const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), number);
  return {digits.data(), end.ptr};
}

void put_word(Database& database, RunId run, std::int64_t place, const std::optional<std::string>& key,
              std::string_view value) {
  Query word = database.query("INSERT INTO run_word (run, place, key, value) VALUES (?1, ?2, ?3, ?4)");
  word.bind(1, run).bind(2, place).bind_text(3, key).bind_text(4, value).run();
}

std::int64_t next_place(Database& database, RunId run) {
  Query last = database.query("SELECT coalesce(max(place) + 1, 0) FROM run_word WHERE run = ?1");
  last.bind(1, run);
  return last.step() ? last.integer(0) : 0;
}

}  // namespace

Result<std::int64_t> StoreWriter::Impl::count_run(RunId id) {
  Query row = database->query("SELECT stream, begin_us, end_us FROM run WHERE id = ?1");
  row.bind(1, id);
  if (!row.step()) return no_such_run(id);
  if (row.null(0)) return std::int64_t{0};
  return in.count_readings(row.integer(0), row.integer(1),
                           row.integer_or_none(2).value_or(std::numeric_limits<std::int64_t>::max()));
}

Result<RunId> StoreWriter::open_run(const NewRun& run) {
  return impl_->change([&]() -> Result<RunId> {
    Query insert = impl_->database->query(
        "INSERT INTO run (stream, device, origin, begin_us, pinned, samples, note, shortest_segment_s, resolution_w, "
        "starting_w, accuracy_percent, accuracy_floor_w, accuracy_class, energy_step_wh, energy_accuracy_percent, "
        "energy_accuracy_floor_wh, energy_accuracy_class, entered_idle_w, entered_load_w) VALUES "
        "(?1, ?2, ?3, ?4, ?5, 0, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)");
    if (run.stream != 0) insert.bind(1, run.stream);
    insert.bind_text(2, run.device).bind(3, static_cast<std::int64_t>(run.origin)).bind(4, run.begin.us);
    insert.bind(5, std::int64_t{run.pinned ? 1 : 0}).bind_text(6, run.note).bind(7, run.shortest_segment_s);
    insert.bind(8, run.traits.resolution_w).bind(9, run.traits.starting_w);
    bind_accuracy(insert, 10, run.traits.accuracy);
    insert.bind(13, run.traits.energy_step_wh);
    bind_accuracy(insert, 14, run.traits.energy_accuracy);
    insert.bind(17, run.entered_idle_w).bind(18, run.entered_load_w);
    insert.run();
    const RunId id = impl_->database->last_row_id();
    std::int64_t place = 0;
    const auto say = [&](const std::optional<std::string>& key, std::string_view value) {
      put_word(*impl_->database, id, place++, key, value);
    };
    for (const std::string& item : run.includes) say(std::nullopt, item);
    for (const auto& [key, value] : run.conditions) say(key, value);
    if (run.traits.correction) say(std::string(correction_word), correction_text(*run.traits.correction));
    if (run.traits.on_change) say(std::string(reports_word), on_change_word);
    if (run.traits.rounding != Rounding::not_told)
      say(std::string(display_word), run.traits.rounding == Rounding::truncates ? truncates_word : rounds_word);
    if (run.traits.gap_s) say(std::string(gap_word), digits_of(*run.traits.gap_s));
    impl_->seal_run(id);
    return id;
  });
}

Result<void> StoreWriter::close_run(RunId id, UtcTime end, std::optional<std::int64_t> samples) {
  return impl_->change([&]() -> Result<void> {
    Query update = impl_->database->query("UPDATE run SET end_us = ?2 WHERE id = ?1");
    update.bind(1, id).bind(2, end.us).run();
    return impl_->store_count(id, samples);
  });
}

Result<void> StoreWriter::set_run_span(RunId id, UtcTime begin, std::optional<UtcTime> end) {
  return impl_->change([&]() -> Result<void> {
    Query update = impl_->database->query("UPDATE run SET begin_us = ?2, end_us = ?3 WHERE id = ?1");
    update.bind(1, id).bind(2, begin.us);
    if (end) update.bind(3, end->us);
    update.run();
    return impl_->store_count(id, std::nullopt);
  });
}

Result<void> StoreWriter::Impl::store_count(RunId id, std::optional<std::int64_t> known) {
  const Result<std::int64_t> samples = known ? Result<std::int64_t>(*known) : count_run(id);
  if (!samples) return pass_on(samples.error());
  Query update = database->query("UPDATE run SET samples = ?2 WHERE id = ?1");
  update.bind(1, id).bind(2, *samples);
  return update_run(id, update);
}

/// Its row and the words said of it.
void StoreWriter::Impl::seal_run(RunId id) {
  for (const char* sql : {"UPDATE run SET seal = " NIGHTWATT_RUN_SEAL " WHERE id = ?1",
                          "UPDATE run_word SET seal = " NIGHTWATT_RUN_WORD_SEAL " WHERE run = ?1"}) {
    Query seal = database->query(sql);
    seal.bind(1, id).run();
  }
}

Result<void> StoreWriter::put_run_state(RunId id, std::span<const Regime> new_regimes, const RunState& resume) {
  return impl_->change([&]() -> Result<void> {
    Database& database = *impl_->database;
    if (!new_regimes.empty()) put_regimes(database, id, new_regimes);
    const std::string segmenter = compress(resume.resume_segmenter, state_compression);
    const std::string totals = compress(resume.resume_totals, state_compression);
    Query put = database.query(
        "INSERT OR REPLACE INTO run_state (run, as_of_us, samples, step_w, median_interval_s, segmenter, totals, crc, "
        "seal) "
        "VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, row_seal('run_state', ?1, ?2, ?3, ?4, ?5, ?6, ?7))");
    put.bind(1, id);
    if (resume.as_of) put.bind(2, resume.as_of->us);
    put.bind(3, resume.samples).bind(4, resume.learnt.step_w).bind(5, resume.learnt.median_interval_s);
    put.bind_blob(6, segmenter).bind_blob(7, totals).bind(8, std::int64_t{crc32(segmenter + totals)}).run();
    return {};
  });
}

Result<void> StoreWriter::clear_run_state(RunId id) {
  return impl_->change([&]() -> Result<void> {
    impl_->delete_figures(id);
    return {};
  });
}

Result<void> StoreWriter::Impl::update_run(RunId id, Query& update) {
  update.run();
  if (sqlite3_changes(database->handle()) == 0) return no_such_run(id);
  seal_run(id);
  return {};
}

Result<void> StoreWriter::set_device(RunId id, std::string_view device) {
  return impl_->change([&]() -> Result<void> {
    Query update = impl_->database->query("UPDATE run SET device = ?2 WHERE id = ?1");
    update.bind(1, id).bind_text(2, device);
    return impl_->update_run(id, update);
  });
}

Result<void> StoreWriter::set_pinned(RunId id, bool pinned) {
  return impl_->change([&]() -> Result<void> {
    Query update = impl_->database->query("UPDATE run SET pinned = ?2 WHERE id = ?1");
    update.bind(1, id).bind(2, std::int64_t{pinned ? 1 : 0});
    return impl_->update_run(id, update);
  });
}

Result<void> StoreWriter::put_entered_standby(RunId id, double watts) {
  return impl_->change([&]() -> Result<void> {
    put_word(*impl_->database, id, next_place(*impl_->database, id), std::string(entered_standby_word),
             digits_of(watts));
    impl_->seal_run(id);
    return {};
  });
}

Result<void> StoreWriter::set_words(RunId id, const RunWords& words) {
  return impl_->change([&]() -> Result<void> {
    Database& database = *impl_->database;
    Query clear = database.query("DELETE FROM run_word WHERE run = ?1 AND (key IS NULL OR key NOT LIKE '.%')");
    clear.bind(1, id).run();
    std::int64_t place = next_place(database, id);
    for (const std::string& item : words.includes) put_word(database, id, place++, std::nullopt, item);
    for (const auto& [key, value] : words.conditions)
      if (!key.starts_with('.')) put_word(database, id, place++, key, value);
    Query update = database.query("UPDATE run SET note = ?2 WHERE id = ?1");
    update.bind(1, id).bind_text(2, words.note);
    return impl_->update_run(id, update);
  });
}

Result<void> StoreWriter::forget(RunId id) {
  return impl_->change([&]() -> Result<void> {
    if (const auto there = impl_->count_run(id); !there) return pass_on(there.error());
    impl_->delete_run(id);
    return {};
  });
}

Result<void> StoreWriter::put_mark(const Mark& mark) {
  return impl_->change([&]() -> Result<void> {
    Query insert = impl_->database->query(
        "INSERT INTO mark (run, meter, at_us, text, kind, seal) VALUES (?1, ?2, ?3, ?4, ?5, row_seal('mark', ?1, ?2, "
        "?3, "
        "?4, ?5))");
    insert.bind(1, mark.run).bind_text(2, mark.meter).bind(3, mark.at.us).bind_text(4, mark.text);
    if (mark.kind) insert.bind(5, static_cast<std::int64_t>(*mark.kind));
    insert.run();
    return {};
  });
}

Result<void> StoreWriter::remove_mark(std::int64_t id) {
  return impl_->change([&]() -> Result<void> {
    Query remove = impl_->database->query("DELETE FROM mark WHERE id = ?1");
    remove.bind(1, id).run();
    return {};
  });
}

Result<void> StoreWriter::put_event(const Event& event) {
  return impl_->change([&]() -> Result<void> {
    Query insert = impl_->database->query(
        "INSERT INTO event (kind, at_us, meter, detail, amount, seal) VALUES (?1, ?2, ?3, ?4, ?5, row_seal('event', "
        "?1, ?2, "
        "?3, ?4, ?5))");
    insert.bind(1, static_cast<std::int64_t>(event.kind)).bind(2, event.at.us).bind_text(3, event.meter);
    insert.bind_text(4, event.detail).bind(5, event.amount).run();
    return {};
  });
}

Result<void> StoreWriter::put_utc_offset(StreamId stream, UtcTime from, Duration utc_offset) {
  return impl_->change([&]() -> Result<void> {
    Query later = impl_->database->query("DELETE FROM shift WHERE stream = ?1 AND from_us > ?2");
    later.bind(1, stream).bind(2, from.us).run();
    Query put = impl_->database->query(
        "INSERT OR REPLACE INTO shift (stream, from_us, shift_us, seal) VALUES (?1, ?2, ?3, row_seal('shift', ?1, ?2, "
        "?3))");
    put.bind(1, stream).bind(2, from.us).bind(3, std::int64_t{utc_offset.count()}).run();
    return {};
  });
}

Result<void> StoreWriter::put_value(std::string_view name, std::string_view bytes) {
  return impl_->change([&]() -> Result<void> {
    Query put = impl_->database->query(
        "INSERT OR REPLACE INTO value (name, bytes, seal) VALUES (?1, ?2, row_seal('value', ?1, ?2))");
    put.bind_text(1, name).bind_blob(2, bytes.empty() ? std::string_view("") : bytes).run();
    return {};
  });
}

}  // namespace nightwatt::storage
