#include "daemon/meter_recorder.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <utility>

#include "measure/signal/time_text.hpp"
#include "storage/run_edit.hpp"

namespace nightwatt::daemon {
namespace {

using storage::RunId;
using storage::RunOrigin;
using storage::StoreWriter;

// Readings read back at once: bounds memory (0.7 MB) when a run is opened far in the past.
constexpr std::size_t replay_chunk = 4096;
constexpr Duration instant{1};

AutoRun::Settings ending_settings(const RecorderSettings& settings) {
  AutoRun::Settings result;
  result.traits = settings.traits;
  result.auto_end_s = settings.auto_end_s;
  return result;
}

AutoRun::Settings watching_settings(const RecorderSettings& settings) {
  AutoRun::Settings result = ending_settings(settings);
  result.auto_end_s = std::min(settings.auto_end_s, MeterRecorder::off_seen_s);
  return result;
}

// Calls `take` with every reading of (after, to], a chunk at a time, so that `take` may write to the store.
template <class Take>
Result<void> replay(const StoreWriter& store, storage::StreamId stream, UtcTime from, UtcTime to, Take take) {
  std::vector<Reading> chunk;
  while (from <= to) {
    chunk.clear();
    const auto read = store.reader().readings(stream, from, to, [&](const Reading& reading) {
      chunk.push_back(reading);
      return chunk.size() < replay_chunk;
    });
    if (!read) return read;
    for (const Reading& reading : chunk)
      if (auto taken = take(reading); !taken) return taken;
    if (chunk.size() < replay_chunk) break;
    from = chunk.back().time + instant;
  }
  return {};
}

// Of what a run was made of, and not of the store itself: SQLite had no trouble with it.
bool is_damage(const StoreWriter& store, const Error& error) {
  return error.kind == ErrorKind::unusable && store.trouble() == storage::StoreTrouble::none;
}

// True where a person has named, marked or annotated it: such a run is never dropped by itself.
Result<bool> is_spoken_of(const storage::StoreReader& store, RunId id) {
  const auto run = store.run(id);
  if (!run) return tl::unexpected(run.error());
  const auto marks = store.marks(id);
  if (!marks) return tl::unexpected(marks.error());
  return run->device || run->pinned || !run->note.empty() || !run->includes.empty() || !run->conditions.empty() ||
         !marks->empty();
}

std::string run_name(RunId run) {
  return "run " + std::to_string(run);
}

// What is kept of a meter's automatic runs: `1 WAIT AS_OF LENGTH LENGTH` in decimal, a newline, the two states.
struct AutoState {
  bool wait_for_off = false;
  std::int64_t as_of_us = 0;
  std::string ending;
  std::string watching;
};

std::string encode(const AutoState& state) {
  std::string text = "1 " + std::to_string(state.wait_for_off ? 1 : 0) + ' ' + std::to_string(state.as_of_us) + ' ' +
                     std::to_string(state.ending.size()) + ' ' + std::to_string(state.watching.size()) + '\n';
  return text + state.ending + state.watching;
}

std::optional<AutoState> decode(std::string_view text) {
  const std::size_t line_end = text.find('\n');
  if (line_end == std::string_view::npos) return std::nullopt;
  std::string_view line = text.substr(0, line_end);
  std::array<std::int64_t, 5> fields{};
  for (std::int64_t& field : fields) {
    const auto [rest, error] = std::from_chars(line.data(), line.data() + line.size(), field);
    if (error != std::errc{}) return std::nullopt;
    line.remove_prefix(static_cast<std::size_t>(rest - line.data()));
    if (!line.empty()) line.remove_prefix(1);
  }
  const std::string_view body = text.substr(line_end + 1);
  if (fields[0] != 1 || fields[3] < 0 || fields[4] < 0) return std::nullopt;
  const auto first = static_cast<std::size_t>(fields[3]);
  const auto second = static_cast<std::size_t>(fields[4]);
  if (first > body.size() || second != body.size() - first) return std::nullopt;
  return AutoState{fields[1] != 0, fields[2], std::string(body.substr(0, first)), std::string(body.substr(first))};
}

}  // namespace

std::string auto_state_name(std::string_view meter) {
  return "auto_run/" + std::string(meter);
}

MeterRecorder::MeterRecorder(RecorderSettings settings, storage::StreamId stream)
    : settings_(std::move(settings)),
      stream_(stream),
      ending_(ending_settings(settings_)),
      watching_(watching_settings(settings_)) {}

std::optional<RunId> MeterRecorder::open_run() const {
  if (!open_) return std::nullopt;
  return open_->builder.run();
}

Result<MeterRecorder> MeterRecorder::resume(StoreWriter& store, RecorderSettings settings) {
  const auto stream = store.stream_for_meter(settings.meter);
  if (!stream) return tl::unexpected(stream.error());
  MeterRecorder recorder(std::move(settings), *stream);
  const auto last = store.reader().last_reading(*stream);
  if (!last) return tl::unexpected(last.error());
  if (*last) recorder.last_ = (*last)->time;
  if (auto found = recorder.find_runs(store); !found) return tl::unexpected(found.error());
  if (auto restored = recorder.restore_auto_state(store); !restored) return tl::unexpected(restored.error());
  return recorder;
}

Result<std::vector<storage::RunInfo>> MeterRecorder::sound_runs(StoreWriter& store) {
  auto list = store.reader().run_list();
  if (!list) return tl::unexpected(list.error());
  for (const storage::DamagedRun& run : list->damaged) damage_.push_back(run_name(run.id) + ": " + run.why);
  if (!list->is_whole) damage_.push_back("rows are missing from the list of runs");
  return std::move(list->sound);
}

Result<void> MeterRecorder::find_runs(StoreWriter& store) {
  const auto runs = sound_runs(store);
  if (!runs) return tl::unexpected(runs.error());
  for (const storage::RunInfo& run : *runs) {
    if (run.stream != stream_ || run.origin == RunOrigin::imported || run.origin == RunOrigin::entered) continue;
    if (run.end) {
      last_end_ = last_end_ ? std::max(*last_end_, *run.end) : *run.end;
      continue;
    }
    auto builder = figures::RunRecorder::resume(store.reader(), run.id);
    if (!builder) {
      if (auto ended = end_damaged(store, run, builder.error()); !ended) return ended;
      continue;
    }
    open_.emplace(OpenRun{std::move(*builder), run.origin, run.begin});
  }
  return {};
}

// What it was made of is damaged, so nobody can go on with it. It ends with the last reading, a hand-opened one goes on
// as a run of the same name, and what is recorded from now on is not touched by it.
Result<void> MeterRecorder::end_damaged(StoreWriter& store, const storage::RunInfo& run, const Error& damage) {
  if (!is_damage(store, damage)) return tl::unexpected(damage);
  const UtcTime end = std::max(run.begin, last_.value_or(run.begin));
  if (auto closed = store.apply(storage::CloseRun{run.id, end, run.samples}); !closed) return closed;
  last_end_ = last_end_ ? std::max(*last_end_, end) : end;
  ended_.push_back(run.id);
  damage_.push_back(run_name(run.id) + " cannot be gone on with and ends here: " + damage.message);
  if (run.origin == RunOrigin::automatic) return {};
  storage::NewRun next = new_run(run.origin, end + instant);
  next.device = run.device;
  next.pinned = run.pinned;
  next.note = run.note;
  next.includes = run.includes;
  next.conditions = run.conditions;
  return open(store, std::move(next), end);
}

// A state that cannot be read (another version's) is as good as none: the watchers start afresh with the next reading.
Result<void> MeterRecorder::restore_auto_state(StoreWriter& store) {
  const auto value = store.reader().value(auto_state_name(settings_.meter));
  if (!value) return tl::unexpected(value.error());
  if (!*value) return remember_held(store);
  const std::optional<AutoState> state = decode(**value);
  if (!state) return {};
  auto ending = AutoRun::restore(ending_settings(settings_), state->ending);
  auto watching = AutoRun::restore(watching_settings(settings_), state->watching);
  if (!ending || !watching) return {};
  ending_ = std::move(*ending);
  watching_ = std::move(*watching);
  wait_for_off_ = state->wait_for_off;
  saved_at_ = UtcTime{state->as_of_us};
  return replay_auto_state(store, *saved_at_);
}

// Nothing opened or ended yet, so nothing was kept: what the meter shows was said before, and may not be said again.
Result<void> MeterRecorder::remember_held(StoreWriter& store) {
  if (!settings_.traits.on_change || !last_) return {};
  return replay_auto_state(store, *last_ - to_duration({settings_.traits.gap_s.value_or(GapRule::shortest_gap_s)}));
}

Result<void> MeterRecorder::replay_auto_state(StoreWriter& store, UtcTime after) {
  if (!last_) return {};
  return replay(store, stream_, after + instant, *last_, [&](const Reading& reading) {
    ++unsaved_readings_;
    return judge(store, reading, *last_);
  });
}

Result<void> MeterRecorder::put_auto_state(StoreWriter& store, std::optional<UtcTime> as_of) {
  if (!as_of) return {};
  return store.apply(storage::PutValue{auto_state_name(settings_.meter),
                                       encode({wait_for_off_, as_of->us, ending_.save(), watching_.save()})});
}

Result<void> MeterRecorder::record(StoreWriter& store, std::span<const Reading> readings) {
  std::vector<Reading> rising;
  rising.reserve(readings.size());
  std::optional<UtcTime> last = last_;
  for (const Reading& reading : readings) {
    if (last && reading.time <= *last) {
      ++out_of_order_;
      continue;
    }
    last = reading.time;
    rising.push_back(reading);
  }
  if (rising.empty()) return {};
  if (auto appended = store.apply(storage::AppendReadings{stream_, rising}); !appended) return appended;
  if (auto taken = take_late(store, rising.front().time); !taken) return taken;
  last_looked_off_ = looks_off(rising.back());
  for (const Reading& reading : rising) {
    last_ = reading.time;
    ++unsaved_readings_;
    if (open_ && reading.time >= open_->begin) open_->builder.push(reading);
    if (auto judged = judge(store, reading, reading.time); !judged) return judged;
  }
  return save_if_due(store);
}

// A reading may come a moment after a hand ended the run that it lies in: a meter that gives several answers gives its
// power with the power's own time. Such a run is made anew, as far as its readings are still there. Damage of a run
// keeps no reading out: those of this batch are mostly none of its.
Result<void> MeterRecorder::take_late(StoreWriter& store, UtcTime first) {
  if (!last_end_ || first > *last_end_) return {};
  const auto runs = sound_runs(store);
  if (!runs) return tl::unexpected(runs.error());
  for (const storage::RunInfo& run : *runs) {
    if (run.stream != stream_ || !run.end || *run.end < first) continue;
    const auto made = figures::resegment(store, run.id);
    if (made || made.error().kind == ErrorKind::negative) continue;
    if (!is_damage(store, made.error())) return made;
    damage_.push_back(run_name(run.id) + " lacks a reading that came late: " + made.error().message);
  }
  return {};
}

// Lets one reading open or end an automatic run. `stored_until`: the last reading that a run opened now has to take
// from the store. The state is written with every change, so that a replay after it finds nothing left to change.
Result<void> MeterRecorder::judge(StoreWriter& store, const Reading& reading, UtcTime stored_until) {
  const auto power = reading.values.get(Quantity::power);
  if (!settings_.auto_runs || !power) return {};
  const AutoRun::Event ending = ending_.push(reading.time, power->value());
  const AutoRun::Event watching = watching_.push(reading.time, power->value());
  return act(store, ending, watching, reading.time, stored_until);
}

Result<void> MeterRecorder::look(StoreWriter& store, UtcTime now) {
  if (!settings_.auto_runs || !last_ || now <= *last_) return {};
  const AutoRun::Event ending = ending_.hold_until(now);
  return act(store, ending, watching_.hold_until(now), *last_, *last_);
}

Result<void> MeterRecorder::act(StoreWriter& store, const AutoRun::Event& ending, const AutoRun::Event& watching,
                                UtcTime as_of, UtcTime stored_until) {
  bool changed = false;
  if (wait_for_off_ && !watching_.on()) {
    wait_for_off_ = false;
    changed = true;
  }
  if (ending.change == AutoRun::Change::went_off && open_ && open_->origin == RunOrigin::automatic) {
    if (auto closed = end_where_off_began(store, ending.at, as_of); !closed) return closed;
    changed = true;
  }
  if (watching.change == AutoRun::Change::came_on && !open_ && !wait_for_off_) {
    const UtcTime begin = last_end_ ? std::max(watching.at, *last_end_) : watching.at;
    if (auto opened = open(store, new_run(RunOrigin::automatic, begin), stored_until); !opened) return opened;
    changed = true;
  }
  return changed ? put_auto_state(store, as_of) : Result<void>{};
}

// A run that was off from its begin on is no run, unless a person has said something of it.
Result<void> MeterRecorder::end_where_off_began(StoreWriter& store, UtcTime off, UtcTime as_of) {
  if (off > open_->begin) return close_before(store, off);
  const auto spoken_of = is_spoken_of(store.reader(), open_->builder.run());
  if (!spoken_of) return tl::unexpected(spoken_of.error());
  return *spoken_of ? close(store, std::max(open_->begin, as_of)) : drop(store);
}

storage::NewRun MeterRecorder::new_run(RunOrigin origin, UtcTime begin) const {
  storage::NewRun run;
  run.stream = stream_;
  run.origin = origin;
  run.begin = begin;
  run.traits = settings_.traits;
  run.shortest_segment_s = settings_.shortest_segment_s;
  return run;
}

Result<void> MeterRecorder::open(StoreWriter& store, storage::NewRun run, UtcTime stored_until) {
  const auto id = store.open_run(run);
  if (!id) return tl::unexpected(id.error());
  open_.emplace(OpenRun{figures::RunRecorder(*id, {run.traits, run.shortest_segment_s}), run.origin, run.begin});
  if (auto held = open_->builder.begin_held(store.reader(), stream_, run.begin); !held) return held;
  std::size_t replayed = 0;
  return replay(store, stream_, run.begin, stored_until, [&](const Reading& reading) -> Result<void> {
    open_->builder.push(reading);
    if (++replayed % save_readings != 0) return {};
    return open_->builder.save(store);
  });
}

// A run that ends before its last reading (where `off` began, or `--at`) goes back to the last state saved before that
// instant; saves are rare, so that is at most an hour's readings unless a save fell into the stretch cut off.
Result<void> MeterRecorder::close(StoreWriter& store, UtcTime end) {
  OpenRun run = std::move(*open_);
  open_.reset();
  last_end_ = last_end_ ? std::max(*last_end_, end) : end;
  ended_.push_back(run.builder.run());
  Result<void> done = run.builder.finish(store, end);
  if (done || !is_damage(store, done.error())) return done;
  damage_.push_back("the figures of " + run_name(run.builder.run()) + " cannot be made: " + done.error().message);
  return store.apply(storage::CloseRun{run.builder.run(), end, run.builder.totals().samples()});
}

// A run holds the reading at its end, so it ends with the last one before `next`, where `off` or another run begins.
// One whose last reading holds until then lasts as long.
Result<void> MeterRecorder::close_before(StoreWriter& store, UtcTime next) {
  const auto sums = store.reader().aggregates(stream_, Quantity::power, open_->begin, next - instant);
  const UtcTime just_before = std::max(open_->begin, next - instant);
  if (!sums) return is_damage(store, sums.error()) ? close(store, just_before) : tl::unexpected(sums.error());
  const auto hold_s = open_->builder.hold_limit_s();
  if (sums->last && hold_s && to_seconds(next - *sums->last).value <= *hold_s) return close(store, just_before);
  return close(store, sums->last.value_or(just_before));
}

Result<void> MeterRecorder::drop(StoreWriter& store) {
  const RunId id = open_->builder.run();
  open_.reset();
  return store.apply(storage::ForgetRun{id});
}

Result<RunId> MeterRecorder::begin(StoreWriter& store, const BeginRequest& request, UtcTime at, UtcTime now) {
  if (at > now)
    return fail(ErrorKind::input, "a run cannot begin in the future (" + utc_text(at) + "): leave --at out");
  if (open_ && open_->origin != RunOrigin::automatic) {
    return fail(ErrorKind::negative, run_name(open_->builder.run()) + " on meter " + settings_.meter +
                                         " was opened by hand and is still open: end it first");
  }
  if (last_end_ && at < *last_end_) {
    return fail(ErrorKind::input, "an earlier run on meter " + settings_.meter + " lasts until " +
                                      utc_text(*last_end_) + ": begin after it");
  }
  if (open_) {
    const bool swallows = at <= open_->begin;
    const auto spoken_of = swallows ? is_spoken_of(store.reader(), open_->builder.run()) : Result<bool>(false);
    if (!spoken_of) return tl::unexpected(spoken_of.error());
    if (*spoken_of)
      return fail(ErrorKind::negative, run_name(open_->builder.run()) + " began at " + utc_text(open_->begin) +
                                           " and carries a name, a mark or a note: begin after that");
    if (auto ended = swallows ? drop(store) : close_before(store, at); !ended) return tl::unexpected(ended.error());
  }
  storage::NewRun run = new_run(RunOrigin::by_hand, at);
  run.device = request.device;
  run.note = request.note;
  run.includes = request.includes;
  run.conditions = request.conditions;
  if (auto opened = open(store, std::move(run), last_ ? *last_ : at); !opened) return tl::unexpected(opened.error());
  if (auto put = put_auto_state(store, last_); !put) return tl::unexpected(put.error());
  return open_->builder.run();
}

Result<RunId> MeterRecorder::end(StoreWriter& store, UtcTime at, UtcTime now) {
  if (!open_) return fail(ErrorKind::negative, "no run is open on meter " + settings_.meter + ": nothing to end");
  if (at > now) return fail(ErrorKind::input, "a run cannot end in the future (" + utc_text(at) + "): leave --at out");
  const RunId id = open_->builder.run();
  // A reading may yet come with the very stamp of this moment, so a run that holds none lies between two stamps.
  if (at == open_->begin && !open_->builder.last_pushed()) {
    at = open_->begin = at - instant;
    if (auto moved = store.apply(storage::SetRunSpan{id, at, std::nullopt}); !moved)
      return tl::unexpected(moved.error());
  }
  if (at < open_->begin) {
    return fail(ErrorKind::input, run_name(id) + " began at " + utc_text(open_->begin) + ": it cannot end before");
  }
  if (auto closed = close(store, at); !closed) return tl::unexpected(closed.error());
  wait_for_off_ = watching_.on();
  if (auto put = put_auto_state(store, last_); !put) return tl::unexpected(put.error());
  return id;
}

Result<RunId> MeterRecorder::split(StoreWriter& store, UtcTime at, UtcTime now) {
  if (!open_) return fail(ErrorKind::negative, "no run is open on meter " + settings_.meter + ": nothing to split");
  if (at <= open_->begin || at > now) {
    return fail(ErrorKind::input, run_name(open_->builder.run()) + " can only be split after its begin, " +
                                      utc_text(open_->begin) + ", and before now");
  }
  const RunOrigin origin = open_->origin;
  if (auto closed = close_before(store, at); !closed) return tl::unexpected(closed.error());
  if (auto opened = open(store, new_run(origin, at), last_ ? *last_ : at); !opened)
    return tl::unexpected(opened.error());
  if (auto put = put_auto_state(store, last_); !put) return tl::unexpected(put.error());
  return open_->builder.run();
}

Result<RunId> MeterRecorder::join(StoreWriter& store, const storage::RunInfo& first) {
  if (!open_ || !first.end || *first.end > open_->begin)
    return fail(ErrorKind::negative, run_name(first.id) + " and the run that follows it are no neighbours");
  const auto between = storage::run_between(store.reader(), first, open_->begin);
  if (!between) return tl::unexpected(between.error());
  if (*between)
    return fail(ErrorKind::negative, run_name((*between)->run) +
                                         ((*between)->is_sure ? " lies" : " is damaged and may lie") + " between " +
                                         run_name(first.id) + " and the open one");
  const RunId second = open_->builder.run();
  storage::RunInfo whole = first;
  whole.end.reset();
  auto builder = figures::RunRecorder::over(store.reader(), whole);
  if (!builder) return tl::unexpected(builder.error());
  if (auto joined = storage::take_into(store, first, second, std::nullopt); !joined)
    return tl::unexpected(joined.error());
  builder->set_run(first.id);
  if (auto saved = builder->save(store); !saved) return tl::unexpected(saved.error());
  const RunOrigin origin = first.origin;
  open_.emplace(OpenRun{std::move(*builder), origin, first.begin});
  last_end_.reset();
  const auto list = store.reader().run_list();
  if (!list) return tl::unexpected(list.error());
  for (const storage::RunInfo& run : list->sound)
    if (run.stream == stream_ && run.id != first.id && run.end)
      last_end_ = last_end_ ? std::max(*last_end_, *run.end) : *run.end;
  if (auto put = put_auto_state(store, last_); !put) return tl::unexpected(put.error());
  return first.id;
}

Result<void> MeterRecorder::save(StoreWriter& store) {
  unsaved_readings_ = 0;
  saved_at_ = last_;
  if (open_)
    if (auto saved = open_->builder.save(store); !saved) return saved;
  return put_auto_state(store, last_);
}

// Roughly AutoRun's own rule; only a hint when not to save. A reading without power tells nothing about off.
bool MeterRecorder::looks_off(const Reading& reading) const {
  const auto power = reading.values.get(Quantity::power);
  const double threshold = settings_.traits.starting_w.value_or(settings_.traits.resolution_w.value_or(0.0) / 4.0);
  return power && power->value() <= threshold;
}

Result<void> MeterRecorder::save_if_due(StoreWriter& store) {
  if (!saved_at_) saved_at_ = last_;
  // A state saved while the device may have gone off is of no use when the run is then ended where `off` began: wait a
  // little, so that close() need not make the whole run again.
  const bool may_end = open_ && open_->origin == RunOrigin::automatic && last_looked_off_;
  const std::size_t times = may_end ? 2 : 1;
  const Duration span = *last_ - *saved_at_;
  if (unsaved_readings_ < times * save_readings && span < static_cast<int>(times) * save_span) return {};
  return save(store);
}

}  // namespace nightwatt::daemon
