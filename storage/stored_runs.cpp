// Runs, their states and their marks, read.
#include <algorithm>
#include <charconv>
#include <limits>
#include <span>

#include "measure/uncertainty/regime_codec.hpp"
#include "reader_impl.hpp"
#include "schema.hpp"
#include "seal.hpp"
#include "tally.hpp"

namespace nightwatt::storage {
namespace {

// Hostile or damaged rows must not make a reader allocate more than this; a year of stretches is far below.
constexpr std::size_t state_bytes_limit = 64U << 20U;

#define NIGHTWATT_RUN_COLUMNS                                                                                  \
  "SELECT run.id, run.stream, stream.meter, device, origin, begin_us, end_us, pinned, samples, note, "         \
  "shortest_segment_s, resolution_w, starting_w, accuracy_percent, accuracy_floor_w, accuracy_class, "         \
  "energy_step_wh, energy_accuracy_percent, energy_accuracy_floor_wh, energy_accuracy_class, entered_idle_w, " \
  "entered_load_w, (run.seal IS NULL OR run.seal = " NIGHTWATT_RUN_SEAL                                        \
  ") FROM run LEFT JOIN stream ON stream.id = run.stream WHERE "
// Runs of an import that is not complete do not exist yet. One of a meter that is not there is damaged.
constexpr const char* all_runs = NIGHTWATT_RUN_COLUMNS "published IS NOT 0 ORDER BY run.id";
constexpr const char* one_run = NIGHTWATT_RUN_COLUMNS "run.id = ?1";

constexpr int sound_column = 22;  // of those
constexpr const char* damaged_run = "what is told of a run";

std::optional<Accuracy> accuracy_at(const Query& row, int column) {
  if (row.null(column)) return std::nullopt;
  Accuracy accuracy;
  accuracy.percent = row.real(column);
  accuracy.floor = row.real(column + 1);
  accuracy.meter_class = row.text(column + 2);
  return accuracy;
}

RunInfo info_from(const Query& row) {
  row.must_be_sound(sound_column, damaged_run);
  RunInfo info;
  info.id = row.integer(0);
  info.stream = row.integer_or_none(1).value_or(0);
  info.meter = row.text_or_none(2);
  info.device = row.text_or_none(3);
  info.origin = static_cast<RunOrigin>(row.integer(4));
  info.begin.us = row.integer(5);
  if (const auto end = row.integer_or_none(6)) info.end = UtcTime{*end};
  info.pinned = row.integer(7) != 0;
  info.samples = row.integer(8);
  info.note = row.text(9);
  info.shortest_segment_s = row.real(10);
  info.traits.resolution_w = row.real_or_none(11);
  if (info.traits.resolution_w && *info.traits.resolution_w < 0.0) {  // up to version 5: cuts off
    info.traits.rounding = Rounding::truncates;
    info.traits.resolution_w = -*info.traits.resolution_w;
  }
  info.traits.starting_w = row.real_or_none(12);
  info.traits.accuracy = accuracy_at(row, 13);
  info.traits.energy_step_wh = row.real_or_none(16);
  info.traits.energy_accuracy = accuracy_at(row, 17);
  info.entered_idle_w = row.real_or_none(20);
  info.entered_load_w = row.real_or_none(21);
  return info;
}

/// NULL: written by a program that knew no checksum.
bool crc_fits(const std::optional<std::int64_t>& crc, std::string_view bytes, std::string_view more = {}) {
  return !crc || *crc == std::int64_t{crc32(std::string(bytes).append(more))};
}

void add_word(RunInfo& info, const Query& row) {
  row.must_be_sound(3, "what was said of a run");
  const auto key = row.text_or_none(1);
  if (key == std::string(correction_word)) {
    if (auto correction = correction_from_text(row.text(2))) info.traits.correction = std::move(*correction);
  } else if (key == std::string(reports_word)) {
    info.traits.on_change = row.text(2) == on_change_word;
  } else if (key == std::string(display_word)) {
    info.traits.rounding = row.text(2) == truncates_word ? Rounding::truncates : Rounding::rounds;
  } else if (key == std::string(gap_word)) {
    info.traits.gap_s = gap_from(row.text(2));
  } else if (key && *key != entered_standby_word)
    info.conditions.emplace_back(*key, row.text(2));
  else if (!key)
    info.includes.push_back(row.text(2));
}

}  // namespace

std::optional<double> gap_from(const std::string& text) {
  double gap_s = 0.0;
  const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), gap_s);
  if (problem != std::errc() || !(gap_s > 0.0)) return std::nullopt;
  return gap_s;
}

/// What its state has counted, and the readings since: exact even where the run's oldest readings were given up.
Result<std::int64_t> StoreReader::Impl::samples_of_open(const RunInfo& run) {
  std::int64_t counted = 0;
  std::int64_t from_us = run.begin.us;
  {
    Query row = database->query("SELECT as_of_us, samples, " NIGHTWATT_SOUND(
        NIGHTWATT_RUN_STATE_SEAL) " FROM run_state WHERE run = ?1 AND as_of_us IS NOT NULL");
    row.bind(1, run.id);
    // A damaged state is made anew, and does not count.
    if (row.step() && row.integer(2) != 0) {
      from_us = row.integer(0) + 1;
      counted = row.integer(1);
    }
  }
  const Result<std::int64_t> since = count_readings(run.stream, from_us, std::numeric_limits<std::int64_t>::max());
  if (!since) return pass_on(since.error());
  return counted + *since;
}

Result<std::vector<RunId>> StoreReader::run_ids() const {
  return impl_->database->guarded([&]() -> Result<std::vector<RunId>> {
    std::vector<RunId> ids;
    Query rows = impl_->database->query("SELECT id FROM run ORDER BY id");
    while (rows.step()) ids.push_back(rows.integer(0));
    return ids;
  });
}

/// What the row of a damaged run says, whether that proves sound or not.
std::optional<DamagedRun::Said> StoreReader::Impl::said_of_run(RunId id) {
  const auto read = database->guarded([&]() -> Result<std::optional<DamagedRun::Said>> {
    Query row = database->query(
        "SELECT stream, device, begin_us, end_us, " NIGHTWATT_SOUND(NIGHTWATT_RUN_SEAL) " FROM run WHERE id = ?1");
    row.bind(1, id);
    if (!row.step()) return std::optional<DamagedRun::Said>{};
    DamagedRun::Said said;
    said.stream = row.integer_or_none(0).value_or(0);
    said.device = row.text_or_none(1);
    said.begin.us = row.integer(2);
    if (const auto end = row.integer_or_none(3)) said.end = UtcTime{*end};
    said.is_sound = row.integer(4) != 0;
    return std::optional(said);
  });
  return read.value_or(std::nullopt);
}

Result<RunList> StoreReader::run_list() const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  // No room, no memory or a lock are no damage of a run: they are told as they are.
  const auto is_damage = [&] {
    const StoreTrouble trouble = impl_->database->trouble();
    return trouble == StoreTrouble::none || trouble == StoreTrouble::damaged;
  };
  RunList list;
  Result<std::vector<RunInfo>> all = runs();
  if (!all && !is_damage()) return pass_on(all.error());
  if (all) {
    list.sound = std::move(*all);
    return list;
  }
  const Result<std::vector<RunId>> ids = run_ids();
  if (!ids) return pass_on(ids.error());
  for (const RunId id : *ids) {
    Result<RunInfo> info = run(id);
    if (info)
      list.sound.push_back(std::move(*info));
    else if (!is_damage())
      return pass_on(info.error());
    else if (info.error().kind == ErrorKind::unusable)  // else of an import that is not complete
      list.damaged.push_back({id, info.error().message, impl_->said_of_run(id)});
  }
  list.is_whole = impl_->database
                      ->guarded([&]() -> Result<void> {
                        must_be_all_there(*impl_->database, Table::run);
                        return {};
                      })
                      .has_value();
  return list;
}

Result<std::vector<RunInfo>> StoreReader::runs() const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<std::vector<RunInfo>> {
    for (const Table rows : {Table::stream, Table::run, Table::run_word}) must_be_all_there(*impl_->database, rows);
    Query streams = impl_->database->query("SELECT min(" NIGHTWATT_SOUND(NIGHTWATT_STREAM_SEAL) ") FROM stream");
    if (streams.step() && !streams.null(0)) streams.must_be_sound(0, "what is told of a meter");
    std::vector<RunInfo> found;
    Query rows = impl_->database->query(all_runs);
    while (rows.step()) found.push_back(info_from(rows));
    Query words = impl_->database->query(
        "SELECT run, key, value, " NIGHTWATT_SOUND(NIGHTWATT_RUN_WORD_SEAL) " FROM run_word ORDER BY run, place");
    std::size_t next = 0;
    while (words.step()) {
      while (next < found.size() && found[next].id < words.integer(0)) ++next;
      if (next < found.size() && found[next].id == words.integer(0)) add_word(found[next], words);
    }
    for (RunInfo& info : found) {
      if (info.end || info.stream == 0) continue;
      const Result<std::int64_t> samples = impl_->samples_of_open(info);
      if (!samples) return pass_on(samples.error());
      info.samples = *samples;
    }
    return found;
  });
}

Result<RunInfo> StoreReader::run(RunId id) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<RunInfo> {
    Query row = impl_->database->query(one_run);
    row.bind(1, id);
    const bool found = row.step();
    if (found) row.must_be_sound(sound_column, damaged_run);
    if (!found || (!row.null(1) && !impl_->visible(row.integer(1))))
      return fail(ErrorKind::negative, "there is no run " + std::to_string(id) + "; `nightwatt runs` lists them");
    must_be_all_there(*impl_->database, Table::run_word, id);
    RunInfo info = info_from(row);
    Query words = impl_->database->query("SELECT run, key, value, " NIGHTWATT_SOUND(
        NIGHTWATT_RUN_WORD_SEAL) " FROM run_word WHERE run = ?1 ORDER BY place");
    words.bind(1, id);
    while (words.step()) add_word(info, words);
    if (!info.end && info.stream != 0) {
      const Result<std::int64_t> samples = impl_->samples_of_open(info);
      if (!samples) return pass_on(samples.error());
      info.samples = *samples;
    }
    return info;
  });
}

namespace {

using Regimees = std::vector<Regime>;

/// A batch of stretches as SaveRun wrote it: each as its length and its bytes. false: damaged.
template <class Each>
bool each_of_batch(std::string_view compressed, std::int64_t count, Each&& each) {
  ByteReader packed(compressed);
  const std::string bytes = decompress(packed, state_bytes_limit);
  ByteReader in(bytes);
  for (; packed.ok() && in.ok() && count > 0; --count)
    if (!each(in.take(in.varint()))) return false;
  return packed.ok() && in.ok() && in.at_end();
}

bool read_outlines(std::string_view compressed, std::int64_t count, Regimees& into) {
  return each_of_batch(compressed, count, [&](std::string_view bytes) {
    Result<Regime> regime = decode_regime(bytes);
    if (regime) into.push_back(std::move(*regime));
    return regime.has_value();
  });
}

bool read_sketches(Database& database, RunId run, std::int64_t place, std::span<Regime> outlines) {
  Query row = database.query(
      "SELECT bytes, crc, " NIGHTWATT_SOUND(NIGHTWATT_SKETCH_SEAL) " FROM sketch WHERE run = ?1 AND place = ?2");
  row.bind(1, run).bind(2, place);
  if (!row.step() || row.integer(2) == 0 || !crc_fits(row.integer_or_none(1), row.blob(0))) return false;
  auto next = outlines.begin();
  return each_of_batch(row.blob(0), static_cast<std::int64_t>(outlines.size()),
                       [&](std::string_view bytes) { return decode_sketch(bytes, *next++).has_value(); });
}

bool lacks_sketch(const Regime& regime, Sketches wanted, double step_w) {
  if (!regime.without_sketch) return false;
  return wanted == Sketches::all || regime.wants_figure_for(step_w);
}

}  // namespace

/// false: damaged.
bool StoreReader::Impl::read_regimes(RunId run, Sketches wanted, RunState& state) {
  // A store that no writer of this version has opened yet lacks the column.
  const bool has_crc = database->pragma("PRAGMA user_version") >= first_version_with_figure_crc;
  Query rows =
      database->query(has_crc ? "SELECT place, count, bytes, crc, " NIGHTWATT_SOUND(
                                    NIGHTWATT_STRETCH_SEAL) " FROM stretch WHERE run = ?1 ORDER BY place"
                              : "SELECT place, count, bytes, NULL, 1 FROM stretch WHERE run = ?1 ORDER BY place");
  rows.bind(1, run);
  while (rows.step()) {
    const std::size_t before = state.regimes.size();
    if (rows.integer(4) == 0 || !crc_fits(rows.integer_or_none(3), rows.blob(2)) ||
        !read_outlines(rows.blob(2), rows.integer(1), state.regimes))
      return false;
    const std::span<Regime> batch = std::span(state.regimes).subspan(before);
    const bool lacking = std::any_of(batch.begin(), batch.end(), [&](const Regime& regime) {
      return lacks_sketch(regime, wanted, state.learnt.step_w);
    });
    if (lacking && !read_sketches(*database, run, rows.integer(0), batch)) return false;
  }
  // A batch that is not found leaves a hole.
  return std::adjacent_find(state.regimes.begin(), state.regimes.end(),
                            [](const Regime& a, const Regime& b) { return a.end != b.begin; }) == state.regimes.end();
}

Result<RunState> StoreReader::run_state(RunId id, Sketches wanted) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<RunState> {
    const auto damaged = [&] {
      return fail(ErrorKind::unusable,
                  impl_->database->path() + ": the figures of run " + std::to_string(id) + " are damaged; " + to_mend);
    };
    must_be_all_there(*impl_->database, Table::run_state, id);
    must_be_all_there(*impl_->database, Table::regime, id);
    const bool has_crc = impl_->database->pragma("PRAGMA user_version") >= first_version_with_figure_crc;
    RunState state;
    Query row = impl_->database->query(
        has_crc ? "SELECT as_of_us, step_w, median_interval_s, segmenter, totals, samples, crc, " NIGHTWATT_SOUND(
                      NIGHTWATT_RUN_STATE_SEAL) " FROM run_state WHERE run = ?1"
                : "SELECT as_of_us, step_w, median_interval_s, segmenter, totals, samples, NULL, 1 FROM run_state "
                  "WHERE run = ?1");
    row.bind(1, id);
    if (row.step()) {
      if (const auto as_of = row.integer_or_none(0)) state.as_of = UtcTime{*as_of};
      state.learnt.step_w = row.real(1);
      state.learnt.median_interval_s = row.real(2);
      state.samples = row.integer(5);
      ByteReader segmenter(row.blob(3));
      state.segmenter_bytes = decompress(segmenter, state_bytes_limit);
      ByteReader totals(row.blob(4));
      state.totals_bytes = decompress(totals, state_bytes_limit);
      if (row.integer(7) == 0 || !segmenter.ok() || !totals.ok() ||
          !crc_fits(row.integer_or_none(6), row.blob(3), row.blob(4)))
        return damaged();
    }
    if (!impl_->read_regimes(id, wanted, state)) return damaged();
    return state;
  });
}

Result<std::optional<double>> StoreReader::entered_standby_w(RunId id) const {
  Database& database = *impl_->database;
  return database.guarded([&]() -> Result<std::optional<double>> {
    Query row = database.query(
        "SELECT value, " NIGHTWATT_SOUND(NIGHTWATT_RUN_WORD_SEAL) " FROM run_word WHERE run = ?1 AND key = ?2");
    row.bind(1, id).bind_text(2, entered_standby_word);
    must_be_all_there(database, Table::run_word, id);
    if (!row.step()) return std::optional<double>();
    row.must_be_sound(1, "a figure entered by hand");
    const std::string digits = row.text(0);
    double watts = 0.0;
    const auto read = std::from_chars(digits.data(), digits.data() + digits.size(), watts);
    return read.ec == std::errc() ? std::optional<double>(watts) : std::nullopt;
  });
}

Result<std::vector<Mark>> StoreReader::marks(RunId id) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  const Result<RunInfo> info = run(id);
  if (!info) return pass_on(info.error());
  return impl_->database->guarded([&]() -> Result<std::vector<Mark>> {
    must_be_all_there(*impl_->database, Table::mark, id);
    constexpr std::int64_t of_meters = 0;
    if (info->meter) must_be_all_there(*impl_->database, Table::mark, of_meters);
    std::vector<Mark> found;
    // A damaged mark may have been of this run if it still names it or lies within it. That it named this run and now
    // names another, the tally tells.
    Query rows = impl_->database->query("SELECT id, run, meter, at_us, text, kind, " NIGHTWATT_SOUND(
        NIGHTWATT_MARK_SEAL) " FROM mark WHERE run = ?1 OR (run IS NULL AND meter = ?2 AND at_us BETWEEN ?3 AND ?4) "
                             "OR (NOT " NIGHTWATT_SOUND(NIGHTWATT_MARK_SEAL) " AND run IS NULL AND (meter = ?2 OR "
                             "at_us BETWEEN ?3 AND ?4)) ORDER BY id");
    rows.bind(1, id).bind_text(2, info->meter).bind(3, info->begin.us);
    rows.bind(4, info->end ? info->end->us : std::numeric_limits<std::int64_t>::max());
    while (rows.step()) {
      rows.must_be_sound(6, "a mark");
      Mark mark;
      mark.id = rows.integer(0);
      mark.run = rows.integer_or_none(1);
      mark.meter = rows.text_or_none(2);
      mark.at.us = rows.integer(3);
      mark.text = rows.text(4);
      if (const auto kind = rows.integer_or_none(5)) mark.kind = segment_kind_from_number(*kind);
      found.push_back(std::move(mark));
    }
    return found;
  });
}

}  // namespace nightwatt::storage
