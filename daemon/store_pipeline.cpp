#include "daemon/store_pipeline.hpp"

#include <algorithm>
#include <utility>

#include "daemon/time_keeper.hpp"
#include "figures/history.hpp"
#include "figures/known_devices.hpp"
#include "figures/recompute.hpp"
#include "handed_over_meter.hpp"
#include "measure/signal/time_text.hpp"
#include "storage/quarantine.hpp"
#include "storage/run_edit.hpp"
#include "text/printable.hpp"

namespace nightwatt::daemon {
namespace {

using storage::RunId;
using storage::StoreWriter;

// Says whether the last service came to its end; see docs/format.md for the other named values.
constexpr std::string_view service_state_name = "service_state";
constexpr std::string_view running = "running";
constexpr std::string_view stopped = "stopped";

std::optional<UtcTime> later(std::optional<UtcTime> a, std::optional<UtcTime> b) {
  return a < b ? b : a;
}

// Readings that arrived together are stamped some milliseconds ahead; "now" is not before them.
UtcTime not_before_last(const MeterRecorder& recorder, UtcTime now) {
  return std::max(now, recorder.last().value_or(now));
}

/// `20260105T210000Z`, fit for a file's name.
std::string compact_text(UtcTime time) {
  constexpr std::size_t to_the_second = 19;
  std::string text = utc_text(time).substr(0, to_the_second);
  std::erase_if(text, [](char c) { return c == '-' || c == ':'; });
  return text + "Z";
}

std::string meter_names(const StorePipeline::Meters& meters) {
  std::string names;
  for (const auto& [id, settings] : meters) names += (names.empty() ? "" : ", ") + settings.meter;
  return names;
}

bool same(const storage::StoreSettings& a, const storage::StoreSettings& b) {
  return a.keep_raw_days == b.keep_raw_days && a.max_size_mb == b.max_size_mb && a.flush_s == b.flush_s;
}

}  // namespace

void FlushTimes::add(Duration took) {
  std::size_t place = 0;
  while (place < upto_ms.size() && took > std::chrono::milliseconds(upto_ms[place])) ++place;
  ++counts[place];
  sum_us += static_cast<std::uint64_t>(std::max<std::int64_t>(took.count(), 0));
}

StorePipeline::StorePipeline(std::string path, storage::StoreSettings settings, ReadingQueue& queue,
                             PipelineState& state, const Clock& clock, LogSink log)
    : path_(std::move(path)), settings_(settings), queue_(queue), state_(state), clock_(clock), log_(std::move(log)) {}

StorePipeline::~StorePipeline() = default;

Result<StorePipeline::Opened> StorePipeline::open(Meters meters) {
  meters_ = std::move(meters);
  auto opened = try_open();
  if (!opened && leave_damaged_store(opened.error())) opened = try_open();
  return opened;
}

Result<StorePipeline::Opened> StorePipeline::try_open() {
  stale_ = true;
  Opened opened = nothing_known();
  Result<void> done = reopen_if_wanted();
  if (done) done = look(opened);
  if (!done && store_) {
    const bool unread = trouble() != StoreTrouble::no_room && !is_damage(done.error());
    // The disk may be too full to mend it. Recording without having read it would begin a second time line all the
    // same, and what lies before the store's newest reading would be refused.
    if (mend_store())
      done = look(opened);
    else if (unread)
      return tl::unexpected(done.error());
  }
  std::vector<Answer> none;
  if (done) done = try_transact(none);
  if (done) return opened;
  if (trouble() != StoreTrouble::no_room) return tl::unexpected(done.error());
  note_failure(done.error());
  return opened;
}

StorePipeline::Opened StorePipeline::nothing_known() const {
  Opened opened;
  for (const auto& [id, settings] : meters_) opened.last.emplace_back(id, std::nullopt);
  return opened;
}

// What a failing disk did to the newest readings of any meter must not keep the next ones out.
Result<void> StorePipeline::quarantine_damage() {
  const auto streams = store_->reader().streams();
  if (!streams) return tl::unexpected(streams.error());
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    const auto rows = store_->quarantine_damaged_write_buffer(stream.id);
    if (!rows) return tl::unexpected(rows.error());
    if (*rows == 0) continue;
    storage::Event event;
    event.kind = storage::EventKind::readings_lost;
    event.at = clock_.utc();
    event.meter = stream.meter;
    event.detail = "newest readings were damaged in the store, rows set aside: " + std::to_string(*rows);
    log_(LogLevel::error, "store: " + *stream.meter + ": " + event.detail);
    if (auto put = store_->apply(event); !put) return put;
  }
  return {};
}

Result<void> StorePipeline::mend_store() {
  Result<void> done = store_->begin();
  if (done) done = quarantine_damage();
  if (done) return store_->commit();
  store_->rollback();
  return done;
}

// Nothing is written: a store on a full disk can still be read.
Result<void> StorePipeline::look(Opened& opened) const {
  opened = nothing_known();
  for (std::size_t i = 0; i < meters_.size(); ++i) {
    const auto stream = store_->reader().stream_of_meter(meters_[i].second.meter);
    if (!stream) return tl::unexpected(stream.error());
    Result<Duration> utc_offset = Duration(0);
    if (*stream) {
      const auto last = store_->reader().last_reading(**stream);
      if (!last) return tl::unexpected(last.error());
      if (*last) opened.last[i].second = (*last)->time;
      utc_offset = store_->reader().utc_offset_at(**stream, opened.last[i].second.value_or(UtcTime{}));
    }
    if (!utc_offset) return tl::unexpected(utc_offset.error());
    opened.utc_offsets.push_back(*utc_offset);
  }
  const auto newest = newest_of_all();
  if (!newest) return tl::unexpected(newest.error());
  opened.newest = *newest;
  for (const HandedOverMeter& carried : carried_) opened.newest = later(opened.newest, carried.last);
  const auto kept = store_->reader().value(kept_clock_name);
  if (!kept) return tl::unexpected(kept.error());
  opened.clock = *kept ? decode_kept_clock(**kept) : clock_kept_;
  const auto state = store_->reader().value(service_state_name);
  if (!state) return tl::unexpected(state.error());
  opened.killed = *state == std::string(running);
  opened.looked = true;
  return {};
}

// The first thing a service writes into a store.
Result<void> StorePipeline::introduce() {
  const auto state = store_->reader().value(service_state_name);
  if (!state) return tl::unexpected(state.error());
  storage::Event event;
  if (!quarantined_as_.empty()) {
    event.kind = storage::EventKind::store_damaged;
    event.at = first_of_batch({}).value_or(clock_.utc());
    event.detail = state_.damage.get();
    if (auto put = store_->apply(event); !put) return put;
  } else if (!carried_.empty()) {
    event.kind = storage::EventKind::store_moved;
    event.at = first_of_batch({}).value_or(clock_.utc());
    event.detail = "the file recorded into until now was moved, deleted or replaced: recording goes on here";
    if (auto put = store_->apply(event); !put) return put;
  } else if (*state == std::string(running)) {
    const auto newest = newest_of_all();
    if (!newest) return tl::unexpected(newest.error());
    event.kind = storage::EventKind::killed;
    event.at = newest->value_or(clock_.utc());
    event.detail = "the service did not stop cleanly; the last stored reading is from here";
    if (auto put = store_->apply(event); !put) return put;
  }
  if (clock_kept_)
    if (auto put = store_->apply(storage::PutValue{kept_clock_name, encode(*clock_kept_)}); !put) return put;
  return store_->apply(storage::PutValue{service_state_name, running});
}

// Also of meters that are not configured now: a reload may bring one back.
Result<std::optional<UtcTime>> StorePipeline::newest_of_all() const {
  const auto streams = store_->reader().streams();
  if (!streams) return tl::unexpected(streams.error());
  std::optional<UtcTime> newest;
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    const auto last = store_->reader().last_reading(stream.id);
    if (!last) return tl::unexpected(last.error());
    if (*last) newest = later(newest, (*last)->time);
  }
  return newest;
}

Result<void> StorePipeline::resume_recorders() {
  recorders_.clear();
  for (const auto& [id, settings] : meters_) {
    auto recorder = MeterRecorder::resume(*store_, settings);
    if (!recorder) return tl::unexpected(recorder.error());
    if (auto told = notify_damage(*recorder); !told) return told;
    recorders_.emplace(id, std::move(*recorder));
  }
  stale_ = false;
  return {};
}

Result<void> StorePipeline::notify_damage(MeterRecorder& recorder) {
  for (std::string& line : recorder.take_damage()) {
    log_(LogLevel::error, "store: " + line);
    storage::Event event;
    event.kind = storage::EventKind::store_damaged;
    event.at = recorder.last().value_or(clock_.utc());
    event.meter = recorder.settings().meter;
    event.detail = std::move(line);
    if (auto put = store_->apply(event); !put) return put;
  }
  return {};
}

StorePipeline::Outcome StorePipeline::work() {
  ++state_.beats;
  if (batch_.empty()) batch_ = queue_.take();
  if (batch_.empty()) return Outcome::idle;
  std::vector<Answer> answers;
  if (auto done = transact(answers); !done) {
    note_failure(done.error());
    answer_failed(answers, done.error());
    return Outcome::paused;
  }
  batch_.clear();
  state_.waiting = 0;
  for (Answer& answer : answers) answer.command->answer(std::move(answer.result));
  if (auto reopened = reopen_if_wanted(); !reopened) note_failure(reopened.error());
  return Outcome::stored;
}

Result<void> StorePipeline::transact(std::vector<Answer>& answers) {
  Result<void> done = try_transact(answers);
  const auto again = [&] {
    for (Answer& answer : answers) answer.command->put_back();
    answers.clear();
    return try_transact(answers);
  };
  // Damage costs what it hit: what can be set aside in the store is, as the recorders are resumed.
  if (!done && is_damage(done.error())) done = again();
  if (done || !leave_damaged_store(done.error())) return done;
  return again();
}

Result<void> StorePipeline::try_transact(std::vector<Answer>& answers) {
  const MonoTime started = clock_.monotonic();
  state_.waiting = static_cast<std::uint64_t>(std::count_if(
      batch_.begin(), batch_.end(), [](const QueueItem& item) { return std::holds_alternative<QueuedReading>(item); }));
  Result<void> done = ready_store();
  if (done) done = store_->begin();
  if (!done) return done;
  const Meters before = meters_;
  done = store_batch(answers);
  if (done) done = store_->commit();
  if (!done) {
    store_->rollback();
    stale_ = true;
    // A reload within the batch comes again with it, behind the last readings of a meter that it takes away.
    meters_ = before;
    return done;
  }
  const Duration took = clock_.monotonic() - started;
  state_.flush_us = took.count();
  state_.flushes.add(took);
  note_success();
  notify_ended_runs();
  return {};
}

// Another program lets go of the store soon, and whoever asked waits for that. Any other trouble lasts: the answer is
// no, at once, also to those that came while the batch was waiting.
void StorePipeline::answer_failed(std::vector<Answer>& answers, const Error& error) {
  for (Answer& answer : answers) answer.command->put_back();
  if (trouble() == StoreTrouble::locked) return;
  const Result<RunId> no = fail(ErrorKind::unusable, "the store cannot be written now: " + error.message);
  const auto refuse = [&](const QueueItem& item) {
    const auto* command = std::get_if<std::shared_ptr<RunCommand>>(&item);
    if (command == nullptr) return false;
    if ((*command)->take()) (*command)->answer(no);
    return true;
  };
  std::erase_if(batch_, refuse);
  for (const QueueItem& item : queue_.take_commands()) (void)refuse(item);
}

// A run that cannot be read back now is not told of: the store is what counts.
void StorePipeline::notify_ended_runs() {
  for (auto& [id, recorder] : recorders_)
    for (const RunId run : recorder.take_ended()) ended_.push_back(run);
  for (const RunId id : std::exchange(ended_, {})) {
    name_by_itself(id);
    if (!run_ended_) continue;
    auto run = store_->reader().run(id);
    if (!run) continue;
    const UtcTime end = run->end.value_or(run->begin);
    const auto calendar = store_->reader().calendar(run->stream, run->begin, end);
    const Duration utc_offset = calendar ? calendar->utc_offset_at(end) : Duration{0};
    if (calendar) run->begin = calendar->shown(run->begin) - utc_offset;
    auto moved = figures::moved_by(store_->reader(), id);
    run_ended_({std::move(*run), utc_offset, moved ? std::move(*moved) : std::vector<std::string>{}});
  }
}

// A run that cannot be known again now keeps no name: nobody has lost anything by it.
void StorePipeline::name_by_itself(RunId id) {
  const auto info = store_->reader().run(id);
  if (!info || !figures::wants_name(*info)) return;
  const bool wanted = std::any_of(meters_.begin(), meters_.end(), [&](const auto& meter) {
    return meter.second.auto_name && info->meter == meter.second.meter;
  });
  if (!wanted) return;
  const auto named = figures::name_if_sure(*store_, *info);
  if (!named)
    log_(LogLevel::warning, "run " + std::to_string(id) + " was not named by itself: " + named.error().message);
  else if (*named)
    log_(LogLevel::info, "run " + std::to_string(id) +
                             " named by itself: " + text::printable((*named)->devices[0].first) + ", odds " +
                             figures::posterior_text((*named)->posterior()));
}

// SQLite finds its pages damaged, or we find that what it gives us is: our own lines have no trouble with them.
bool StorePipeline::is_damage(const Error& error) const {
  if (error.kind != ErrorKind::unusable) return false;
  const StoreTrouble kind = trouble();
  return kind == StoreTrouble::damaged || (store_ && kind == StoreTrouble::none);
}

// So that the night goes on. What was stored before stays in the file, for nightwatt salvage. False: it is not damage
// that keeps the store from being written, or the file cannot be moved.
bool StorePipeline::leave_damaged_store(const Error& damage) {
  if (!is_damage(damage) || (!store_ && !storage::was_a_store(path_))) return false;
  if (store_) {
    continue_from_store();
    StoreWriter::abandon(std::move(*store_));
    store_.reset();
  }
  recorders_.clear();
  stale_ = true;
  introduced_ = false;
  const auto name = storage::quarantine_store(path_, compact_text(clock_.utc()));
  if (!name) {
    log_(LogLevel::error, "store: " + name.error().message);
    return false;
  }
  quarantined_as_ = *name;
  state_.damage.set("the store was damaged and was set aside as " + *name +
                    "; recording goes on in a new one, `nightwatt salvage` brings over what is sound");
  ++state_.damages;
  log_(LogLevel::error, "store: " + damage.message);
  log_(LogLevel::error, "store: " + state_.damage.get());
  return true;
}

void StorePipeline::continue_from_store() {
  if (!carried_.empty()) return;  // the store before was left, and nothing was put into this one yet
  for (const auto& [id, settings] : meters_) carried_.push_back(hand_over(*store_, settings.meter));
  const auto kept = store_->reader().value(kept_clock_name);
  if (!clock_kept_ && kept && *kept) clock_kept_ = decode_kept_clock(**kept);
}

// Nothing is begun in a file that nobody would see. What was stored before stays in it; what can go on elsewhere does.
void StorePipeline::leave_moved_store() {
  continue_from_store();
  const bool whole = StoreWriter::leave(std::move(*store_));
  store_.reset();
  recorders_.clear();
  introduced_ = false;
  if (!moved_lines_.admit(clock_.monotonic())) return;
  log_(LogLevel::warning,
       "store: " + path_ +
           " was moved, deleted or replaced: recording goes on in a file at that path; the earlier readings are in the "
           "old file, if it still exists" +
           (whole ? "" : ", but the last of them are not"));
}

Result<void> StorePipeline::ready_store() {
  if (store_ && store_->reader().moved()) leave_moved_store();
  if (store_ && store_->log_is_cut()) {
    const Error cut{ErrorKind::unusable, path_ + ": somebody cut its log short: the last minutes' readings are lost"};
    if (!leave_damaged_store(cut)) return tl::unexpected(cut);
  }
  return reopen_if_wanted();
}

// A reload changed the limits of the store, which it takes when it is opened; or there is none yet, or no longer.
Result<void> StorePipeline::reopen_if_wanted() {
  if (store_ && !reopen_) return {};
  recorders_.clear();
  stale_ = true;
  store_.reset();
  open_trouble_ = StoreTrouble::other;
  if (!lock_ || lock_->moved()) {
    lock_.reset();
    auto lock = storage::ServiceLock::take(path_, &open_trouble_);
    if (!lock) return tl::unexpected(lock.error());
    lock_.emplace(std::move(*lock));
  }
  auto store = StoreWriter::open(path_, settings_, &open_trouble_);
  if (!store) return tl::unexpected(store.error());
  store_.emplace(std::move(*store));
  reopen_ = false;
  return {};
}

Result<void> StorePipeline::store_batch(std::vector<Answer>& answers) {
  ended_.clear();
  if (!introduced_)
    if (auto put = introduce(); !put) return put;
  if (auto put = put_carried_meters(); !put) return put;
  if (stale_) {
    if (auto mended = quarantine_damage(); !mended) return mended;
    if (auto resumed = resume_recorders(); !resumed) return resumed;
  }
  gathered_.clear();
  if (full_since_)
    if (auto put = put_room_events(); !put) return put;
  for (QueueItem& item : batch_)
    if (auto stored = store_item(item, answers); !stored) return stored;
  return record_gathered();
}

Result<void> StorePipeline::store_item(QueueItem& item, std::vector<Answer>& answers) {
  if (const auto* reading = std::get_if<QueuedReading>(&item)) {
    gathered_[reading->meter].push_back(reading->reading);
    return {};
  }
  if (const auto* event = std::get_if<storage::Event>(&item)) return store_->apply(*event);
  if (const auto* utc_offset = std::get_if<QueuedUtcOffset>(&item)) return put_utc_offset(*utc_offset);
  // What follows acts on the runs as they stand after the readings before it.
  if (auto recorded = record_gathered(); !recorded) return recorded;
  if (const auto* meters = std::get_if<std::shared_ptr<QueuedMeters>>(&item)) return change_meters(**meters);
  if (const auto* look = std::get_if<QueuedLook>(&item)) {
    const auto found = recorders_.find(look->meter);
    return found == recorders_.end() ? Result<void>{} : found->second.look(*store_, look->now);
  }
  const auto& command = std::get<std::shared_ptr<RunCommand>>(item);
  if (!command->take()) return {};
  auto result = std::visit([&](const auto& what) { return apply(what, command->now()); }, command->what());
  const bool store_failed = !result && result.error().kind == ErrorKind::unusable;
  answers.push_back({command, result});
  return store_failed ? Result<void>(tl::unexpected(result.error())) : Result<void>{};
}

Result<void> StorePipeline::record_gathered() {
  for (auto& [meter, readings] : gathered_) {
    const auto found = recorders_.find(meter);
    if (found == recorders_.end()) continue;  // the last readings of a meter that a reload took away
    const std::size_t refused = found->second.out_of_order();
    if (auto recorded = found->second.record(*store_, readings); !recorded) return recorded;
    state_.refused += found->second.out_of_order() - refused;
  }
  gathered_.clear();
  for (auto& [meter, recorder] : recorders_)
    if (auto told = notify_damage(recorder); !told) return told;
  return {};
}

Result<void> StorePipeline::put_utc_offset(const QueuedUtcOffset& utc_offset) {
  calendar_since_ = clock_.monotonic();
  const auto streams = store_->reader().streams();
  if (!streams) return tl::unexpected(streams.error());
  // Also of meters that a reload took away: what they recorded since then is shown by the same calendar.
  for (const storage::StreamInfo& stream : *streams)
    if (stream.meter)
      if (auto put = store_->apply(storage::PutUtcOffset{stream.id, utc_offset.from, utc_offset.utc_offset}); !put)
        return put;
  if (!utc_offset.clock) return {};
  clock_kept_ = utc_offset.clock;
  return store_->apply(storage::PutValue{kept_clock_name, encode(*utc_offset.clock)});
}

// A meter that leaves the config keeps its open run, which goes on when the meter is back, as after a restart.
Result<void> StorePipeline::change_meters(const QueuedMeters& change) {
  for (auto& [id, recorder] : recorders_)
    if (auto saved = recorder.save(*store_); !saved) return saved;
  for (const auto& [id, settings] : change.meters) {
    if (recorders_.contains(id)) continue;
    auto recorder = MeterRecorder::resume(*store_, settings);
    if (!recorder) return tl::unexpected(recorder.error());
    if (auto told = notify_damage(*recorder); !told) return told;
    recorders_.emplace(id, std::move(*recorder));
  }
  for (auto& [id, recorder] : recorders_)
    for (const RunId run : recorder.take_ended()) ended_.push_back(run);
  std::erase_if(recorders_, [&](const auto& entry) {
    return std::none_of(change.meters.begin(), change.meters.end(),
                        [&](const auto& meter) { return meter.first == entry.first; });
  });
  meters_ = change.meters;
  if (!same(settings_, change.store)) {
    settings_ = change.store;
    reopen_ = true;
  }
  return {};
}

// Before the recorders look for what is open. `from`: where the meter's readings go on.
Result<void> StorePipeline::put_carried_meters() {
  for (const HandedOverMeter& carried : carried_) {
    const auto meter =
        std::find_if(meters_.begin(), meters_.end(), [&](const auto& m) { return m.second.meter == carried.meter; });
    if (meter == meters_.end()) continue;
    const UtcTime next = carried.last.value_or(UtcTime{}) + TimeKeeper::stamp_step;
    const UtcTime from = first_of_batch(meter->first).value_or(next);
    if (auto put = put_handed_over(*store_, carried, from); !put) return put;
  }
  return {};
}

// The time of the first reading of a meter, or of the first item of any kind that has one.
std::optional<UtcTime> StorePipeline::first_of_batch(std::optional<MeterId> meter) const {
  for (const QueueItem& item : batch_) {
    const auto* reading = std::get_if<QueuedReading>(&item);
    if (reading != nullptr && (!meter || reading->meter == *meter)) return reading->reading.time;
    const auto* event = std::get_if<storage::Event>(&item);
    if (event != nullptr && !meter) return event->at;
  }
  return std::nullopt;
}

Result<void> StorePipeline::put_room_events() {
  storage::Event event;
  event.kind = storage::EventKind::disk_full;
  event.at = *full_since_;
  event.detail = "no room for the store: recording paused";
  if (auto put = store_->apply(event); !put) return put;
  event.kind = storage::EventKind::disk_room;
  event.at = *full_since_ + (clock_.monotonic() - full_seen_);
  event.detail = "there is room again: recording goes on";
  return store_->apply(event);
}

Result<RunId> StorePipeline::apply(const BeginRequest& request, UtcTime now) {
  const auto recorder = find_meter(request.meter, false);
  if (!recorder) return tl::unexpected(recorder.error());
  now = not_before_last(**recorder, now);
  const auto at = request.at ? record_time(**recorder, *request.at) : Result<UtcTime>(now);
  if (!at) return tl::unexpected(at.error());
  return (*recorder)->begin(*store_, request, *at, now);
}

Result<RunId> StorePipeline::apply(const EndRequest& request, UtcTime now) {
  const auto recorder = find_meter(request.meter, true);
  if (!recorder) return tl::unexpected(recorder.error());
  now = not_before_last(**recorder, now);
  // The next reading may get the very stamp of this moment: it comes after the end, and must not lie in the run.
  const UtcTime just_before = std::max((*recorder)->open_begin().value_or(now), now - TimeKeeper::stamp_step);
  const auto at =
      request.at ? record_time(**recorder, *request.at) : Result<UtcTime>(not_before_last(**recorder, just_before));
  if (!at) return tl::unexpected(at.error());
  return (*recorder)->end(*store_, *at, now);
}

Result<RunId> StorePipeline::apply(const SplitRequest& request, UtcTime now) {
  for (auto& [id, recorder] : recorders_) {
    if (recorder.open_run() != request.run) continue;
    const auto at = record_time(recorder, request.at);
    if (!at) return tl::unexpected(at.error());
    return recorder.split(*store_, *at, not_before_last(recorder, now));
  }
  return fail(ErrorKind::negative, "run " + std::to_string(request.run) + " is not open: see `nightwatt runs`");
}

Result<RunId> StorePipeline::apply(const JoinRequest& request, UtcTime) {
  const auto run = store_->reader().run(request.run);
  if (!run) return tl::unexpected(run.error());
  for (auto& [id, recorder] : recorders_)
    if (recorder.stream() == run->stream) return recorder.join(*store_, *run);
  return fail(ErrorKind::negative, "the meter of run " + std::to_string(request.run) + " is not recorded now");
}

Result<RunId> StorePipeline::apply(const MarkRequest& request, UtcTime) {
  if (request.mark.run)
    if (const auto run = store_->reader().run(*request.mark.run); !run) return tl::unexpected(run.error());
  const auto done = request.remove ? store_->apply(storage::RemoveMark{request.mark.id}) : store_->apply(request.mark);
  if (!done) return tl::unexpected(done.error());
  return request.mark.run.value_or(0);
}

Result<MeterRecorder*> StorePipeline::find_meter(const std::optional<std::string>& name, bool with_open_run) {
  MeterRecorder* found = nullptr;
  bool several = false;
  for (auto& [id, recorder] : recorders_) {
    if (name && recorder.settings().meter != *name) continue;
    if (!name && with_open_run && recorders_.size() > 1 && !recorder.open_run()) continue;
    several = found != nullptr;
    found = &recorder;
  }
  if (several)
    return fail(ErrorKind::input, "there are several meters: say which with --meter (" + meter_names(meters_) + ")");
  if (found) return found;
  if (recorders_.empty()) return fail(ErrorKind::negative, "no meter is configured: add a [[meter]] to the config");
  if (name) return fail(ErrorKind::negative, "there is no meter of that name: the meters are " + meter_names(meters_));
  return fail(ErrorKind::negative, "no run is open on any meter: nothing to end");
}

Result<UtcTime> StorePipeline::record_time(const MeterRecorder& recorder, UtcTime shown) const {
  const auto calendar = store_->reader().calendar(recorder.stream(), shown, shown);
  if (!calendar) return tl::unexpected(calendar.error());
  return calendar->record_time(shown);
}

std::optional<UtcTime> StorePipeline::newest() const {
  std::optional<UtcTime> result;
  for (const auto& [id, recorder] : recorders_) result = later(result, recorder.last());
  return result;
}

void StorePipeline::note_failure(const Error& error) {
  const bool full = trouble() == StoreTrouble::no_room;
  state_.full = full;
  state_.why.set(error.message);
  if (full && !full_since_) {
    full_since_ = first_of_batch({});
    if (!full_since_) full_since_ = newest();
    full_seen_ = clock_.monotonic();
  }
  // Another program keeps the store for moments, and each try already waits for it: no growing pauses on top.
  const bool grows = state_.paused && trouble() != StoreTrouble::locked;
  pause_ = grows ? std::min(pause_ * 2, longest_pause) : first_pause;
  state_.paused = true;
  if (const auto swallowed = failure_lines_.admit(clock_.monotonic())) {
    log_(LogLevel::error, "store: recording is paused, readings wait in memory: " + error.message +
                              (*swallowed > 0 ? " (" + std::to_string(*swallowed) + " more tries failed)" : ""));
  }
}

void StorePipeline::note_success() {
  if (state_.paused) log_(LogLevel::info, "store: recording goes on");
  state_.paused = false;
  state_.full = false;
  state_.why.set({});
  introduced_ = true;
  carried_.clear();
  quarantined_as_.clear();
  full_since_.reset();
  pause_ = first_pause;
}

// After an update that reckons otherwise, one run at a time while there is nothing else to do.
void StorePipeline::recompute_next_run() {
  if (!to_recompute_) to_recompute_ = store_->reader().run_ids().value_or(std::vector<RunId>{});
  if (to_recompute_->empty()) return;
  const RunId run = to_recompute_->back();  // the newest first: it is asked for most
  to_recompute_->pop_back();
  if (!figures::has_old_figures(store_->reader(), run) || !store_->begin()) return;
  if (!figures::recompute_figures(*store_, run) || !store_->commit()) store_->rollback();
}

// A machine that starts with a wrong clock has it set right by the network within minutes.
storage::Ageing StorePipeline::ageing(MonoTime now) {
  if (!calendar_since_) calendar_since_ = now;
  return now - *calendar_since_ < calendar_settles ? storage::Ageing::not_now : storage::Ageing::wanted;
}

void StorePipeline::tidy() {
  ++state_.beats;
  if (!store_ || stale_ || state_.paused) return;
  recompute_next_run();
  if (!settings_.keep_raw_days && !settings_.max_size_mb) return;
  const MonoTime now = clock_.monotonic();
  if (tidied_ && now - *tidied_ < (more_to_tidy_ ? retain_more : retain_every)) return;
  tidied_ = now;
  const auto until = newest();
  if (!until || !store_->begin()) return;
  auto more = store_->retain(*until, ageing(now));
  const auto committed = more ? store_->commit() : Result<void>(tl::unexpected(more.error()));
  if (!committed) {
    store_->rollback();
    if (failure_lines_.admit(now))
      log_(LogLevel::warning, "store: old data could not be thinned out: " + committed.error().message);
  }
  more_to_tidy_ = committed && *more;
  if (committed) say_what_went(now);
}

// What a size limit takes away is said when it begins, and once in a while as it goes on.
void StorePipeline::say_what_went(MonoTime now) {
  if (!settings_.max_size_mb || (said_what_went_ && now - *said_what_went_ < say_what_went_every)) return;
  const auto text = store_->reader().value("thinned");
  if (!text || !*text || **text == what_went_) return;
  what_went_ = **text;
  said_what_went_ = now;
  log_(LogLevel::warning, "store: " + what_went_);
}

bool StorePipeline::close(UtcTime now) {
  if (work() == Outcome::paused) return false;
  if (work() == Outcome::paused) return false;  // what came while the first batch was stored
  std::vector<Answer> none;
  Result<void> done = stale_ || !store_ || store_->reader().moved() ? transact(none) : Result<void>{};
  if (done) done = store_->begin();
  if (done) done = put_stop(now);
  if (done) done = store_->commit();
  if (!done && !store_) return false;
  if (!done) {
    note_failure(done.error());
    store_->rollback();
    return false;
  }
  recorders_.clear();
  store_.reset();
  return true;
}

Result<void> StorePipeline::put_stop(UtcTime now) {
  for (auto& [id, recorder] : recorders_)
    if (auto saved = recorder.save(*store_); !saved) return saved;
  storage::Event event;
  event.kind = storage::EventKind::service_stopped;
  event.at = now;
  if (auto put = store_->apply(event); !put) return put;
  return store_->apply(storage::PutValue{service_state_name, stopped});
}

}  // namespace nightwatt::daemon
