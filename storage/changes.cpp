// Every change of a store, applied; and runs opened.
#include <limits>

#include "measure/signal/digits.hpp"
#include "measure/uncertainty/regime_codec.hpp"
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

Result<void> StoreWriter::Impl::update_run(RunId id, Query& update) {
  update.run();
  if (sqlite3_changes(database->handle()) == 0) return no_such_run(id);
  seal_run(id);
  return {};
}

/// The one place where a store changes: of every type of change, what it means for the tables.
class StoreWriter::Applier {
 public:
  explicit Applier(Impl& impl) : impl_(impl), database_(*impl.database) {}
  Result<void> operator()(const AppendReadings& change) const { return impl_.append(change.stream, change.readings); }
  Result<void> operator()(const PublishImport& change) const;
  Result<void> operator()(const PutUtcOffset& change) const;
  Result<void> operator()(const CloseRun& change) const;
  Result<void> operator()(const SetRunSpan& change) const;
  Result<void> operator()(const SaveRun& change) const;
  Result<void> operator()(const ClearRunState& change) const {
    impl_.delete_figures(change.run);
    return {};
  }
  Result<void> operator()(const NameRun& change) const;
  Result<void> operator()(const PinRun& change) const;
  Result<void> operator()(const DescribeRun& change) const;
  Result<void> operator()(const PutEnteredStandby& change) const;
  Result<void> operator()(const ForgetRun& change) const;
  Result<void> operator()(const Mark& mark) const;
  Result<void> operator()(const RemoveMark& change) const;
  Result<void> operator()(const Event& event) const;
  Result<void> operator()(const PutValue& change) const;

 private:
  Impl& impl_;
  Database& database_;
};

Result<void> StoreWriter::apply(const Change& change) {
  return impl_->change([&] { return std::visit(Applier(*impl_), change); });
}

Result<void> StoreWriter::Applier::operator()(const PublishImport& change) const {
  const Result<StreamEnd*> end = impl_.end_of(change.stream);
  if (!end) return pass_on(end.error());
  if (auto closed = impl_.close_write_buffer(change.stream, **end, {}); !closed) return closed;
  Query update = database_.query("UPDATE stream SET published = 1 WHERE id = ?1");
  update.bind(1, change.stream).run();
  impl_.seal_stream(change.stream);
  impl_.give_back(free_pages_a_call);  // those of its write buffer: nobody records into it any more
  return {};
}

Result<void> StoreWriter::Applier::operator()(const PutUtcOffset& change) const {
  Query later = database_.query("DELETE FROM shift WHERE stream = ?1 AND from_us > ?2");
  later.bind(1, change.stream).bind(2, change.from.us).run();
  Query put = database_.query(
      "INSERT OR REPLACE INTO shift (stream, from_us, shift_us, seal) VALUES (?1, ?2, ?3, row_seal('shift', ?1, ?2, "
      "?3))");
  put.bind(1, change.stream).bind(2, change.from.us).bind(3, std::int64_t{change.utc_offset.count()}).run();
  return {};
}

Result<void> StoreWriter::Applier::operator()(const CloseRun& change) const {
  Query update = database_.query("UPDATE run SET end_us = ?2 WHERE id = ?1");
  update.bind(1, change.run).bind(2, change.end.us).run();
  return impl_.store_count(change.run, change.samples);
}

Result<void> StoreWriter::Applier::operator()(const SetRunSpan& change) const {
  Query update = database_.query("UPDATE run SET begin_us = ?2, end_us = ?3 WHERE id = ?1");
  update.bind(1, change.run).bind(2, change.begin.us);
  if (change.end) update.bind(3, change.end->us);
  update.run();
  return impl_.store_count(change.run, std::nullopt);
}

Result<void> StoreWriter::Applier::operator()(const SaveRun& change) const {
  if (!change.new_regimes.empty()) put_regimes(database_, change.run, change.new_regimes);
  const std::string segmenter = compress(change.resume.segmenter_bytes, state_compression);
  const std::string totals = compress(change.resume.totals_bytes, state_compression);
  Query put = database_.query(
      "INSERT OR REPLACE INTO run_state (run, as_of_us, samples, step_w, median_interval_s, segmenter, totals, crc, "
      "seal) "
      "VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, row_seal('run_state', ?1, ?2, ?3, ?4, ?5, ?6, ?7))");
  put.bind(1, change.run);
  if (change.resume.as_of) put.bind(2, change.resume.as_of->us);
  put.bind(3, change.resume.samples)
      .bind(4, change.resume.learnt.step_w)
      .bind(5, change.resume.learnt.median_interval_s);
  put.bind_blob(6, segmenter).bind_blob(7, totals).bind(8, std::int64_t{crc32(segmenter + totals)}).run();
  return {};
}

Result<void> StoreWriter::Applier::operator()(const NameRun& change) const {
  Query update = database_.query("UPDATE run SET device = ?2 WHERE id = ?1");
  update.bind(1, change.run).bind_text(2, change.device);
  return impl_.update_run(change.run, update);
}

Result<void> StoreWriter::Applier::operator()(const PinRun& change) const {
  Query update = database_.query("UPDATE run SET pinned = ?2 WHERE id = ?1");
  update.bind(1, change.run).bind(2, std::int64_t{change.pinned ? 1 : 0});
  return impl_.update_run(change.run, update);
}

Result<void> StoreWriter::Applier::operator()(const DescribeRun& change) const {
  Query clear = database_.query("DELETE FROM run_word WHERE run = ?1 AND (key IS NULL OR key NOT LIKE '.%')");
  clear.bind(1, change.run).run();
  std::int64_t place = next_place(database_, change.run);
  for (const std::string& item : change.words.includes) put_word(database_, change.run, place++, std::nullopt, item);
  for (const auto& [key, value] : change.words.conditions)
    if (!key.starts_with('.')) put_word(database_, change.run, place++, key, value);
  Query update = database_.query("UPDATE run SET note = ?2 WHERE id = ?1");
  update.bind(1, change.run).bind_text(2, change.words.note);
  return impl_.update_run(change.run, update);
}

Result<void> StoreWriter::Applier::operator()(const PutEnteredStandby& change) const {
  put_word(database_, change.run, next_place(database_, change.run), std::string(entered_standby_word),
           digits_of(change.watts));
  impl_.seal_run(change.run);
  return {};
}

Result<void> StoreWriter::Applier::operator()(const ForgetRun& change) const {
  if (const auto there = impl_.count_run(change.run); !there) return pass_on(there.error());
  impl_.delete_run(change.run);
  return {};
}

Result<void> StoreWriter::Applier::operator()(const Mark& mark) const {
  Query insert = database_.query(
      "INSERT INTO mark (run, meter, at_us, text, kind, seal) VALUES (?1, ?2, ?3, ?4, ?5, row_seal('mark', ?1, ?2, "
      "?3, "
      "?4, ?5))");
  insert.bind(1, mark.run).bind_text(2, mark.meter).bind(3, mark.at.us).bind_text(4, mark.text);
  if (mark.kind) insert.bind(5, static_cast<std::int64_t>(*mark.kind));
  insert.run();
  return {};
}

Result<void> StoreWriter::Applier::operator()(const RemoveMark& change) const {
  Query remove = database_.query("DELETE FROM mark WHERE id = ?1");
  remove.bind(1, change.id).run();
  return {};
}

Result<void> StoreWriter::Applier::operator()(const Event& event) const {
  Query insert = database_.query(
      "INSERT INTO event (kind, at_us, meter, detail, amount, seal) VALUES (?1, ?2, ?3, ?4, ?5, row_seal('event', "
      "?1, ?2, "
      "?3, ?4, ?5))");
  insert.bind(1, static_cast<std::int64_t>(event.kind)).bind(2, event.at.us).bind_text(3, event.meter);
  insert.bind_text(4, event.detail).bind(5, event.amount).run();
  return {};
}

Result<void> StoreWriter::Applier::operator()(const PutValue& change) const {
  Query put =
      database_.query("INSERT OR REPLACE INTO value (name, bytes, seal) VALUES (?1, ?2, row_seal('value', ?1, ?2))");
  put.bind_text(1, change.name).bind_blob(2, change.bytes.empty() ? std::string_view("") : change.bytes).run();
  return {};
}

}  // namespace nightwatt::storage
