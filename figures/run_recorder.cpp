#include "figures/run_recorder.hpp"

#include "figures/recompute.hpp"
#include "measure/signal/gap_rule.hpp"

namespace nightwatt::figures {

using storage::ResumeMark;
using storage::RunId;
using storage::RunInfo;
using storage::RunState;
using storage::Snapshot;
using storage::StoreReader;
using storage::StoreWriter;
using storage::StreamId;

namespace {

UtcTime after(std::optional<UtcTime> as_of, UtcTime begin) {
  return as_of && as_of->us + 1 > begin.us ? UtcTime{as_of->us + 1} : begin;
}

}  // namespace

SegmenterSettings segmenter_settings(const RunInfo& info) {
  return {info.traits, info.shortest_segment_s};
}

namespace {

Result<RunBuilder> builder_of(const RunInfo& info, const RunState& kept) {
  if (!kept.as_of) return RunBuilder(segmenter_settings(info));
  return RunBuilder::restore(segmenter_settings(info), {kept.segmenter_bytes, kept.totals_bytes, *kept.as_of});
}

}  // namespace

RunRecorder::RunRecorder(RunId run, SegmenterSettings settings)
    : run_(run), settings_(settings), builder_(std::move(settings)) {}

RunRecorder::RunRecorder(const RunInfo& info, RunBuilder builder)
    : run_(info.id), settings_(segmenter_settings(info)), builder_(std::move(builder)) {}

Result<void> RunRecorder::replay(const StoreReader& store, const RunInfo& info, UtcTime to) {
  const auto pushed = builder_.last_pushed();
  if (!pushed)
    if (auto begun = begin_held(store, info.stream, info.begin); !begun) return begun;
  const UtcTime from = after(pushed, info.begin);
  if (to < from) return {};
  return store.readings(info.stream, from, to, [&](const Reading& reading) {
    builder_.push(reading);
    return true;
  });
}

Result<RunRecorder> RunRecorder::resume(const StoreReader& store, RunId run) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const Result<RunInfo> info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  if (info->end) return fail(ErrorKind::negative, "run " + std::to_string(run) + " has ended; it cannot go on");
  return as_of(store, *info, store.run_state(run), end_of_time);
}

Result<RunRecorder> RunRecorder::as_of(const StoreReader& store, const RunInfo& info, const Result<RunState>& kept,
                                       UtcTime to) {
  Result<RunBuilder> restored = kept ? builder_of(info, *kept) : tl::unexpected(kept.error());
  Error unreadable;
  if (restored) {
    RunRecorder recorder(info, std::move(*restored));
    const Result<void> replayed = recorder.replay(store, info, to);
    if (replayed) return recorder;
    unreadable = replayed.error();
  } else {
    unreadable = restored.error();
  }
  const Result<bool> whole = store.raw_is_whole(info.stream, info.begin, to);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole) return tl::unexpected(unreadable);
  RunRecorder recorder(info.id, segmenter_settings(info));
  if (auto replayed = recorder.replay(store, info, to); !replayed) return tl::unexpected(replayed.error());
  recorder.anew_ = true;
  return recorder;
}

Result<RunRecorder> RunRecorder::over(const StoreReader& store, const RunInfo& info) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const UtcTime end = info.end.value_or(end_of_time);
  const Result<bool> whole = store.raw_is_whole(info.stream, info.begin, end);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole)
    return fail(ErrorKind::negative, "the raw readings of run " + std::to_string(info.id) +
                                         " have given way to minutes and hours; it cannot be segmented anew");
  RunRecorder recorder(info.id, segmenter_settings(info));
  if (auto replayed = recorder.replay(store, info, end); !replayed) return tl::unexpected(replayed.error());
  return recorder;
}

Result<void> RunRecorder::begin_held(const StoreReader& store, StreamId stream, UtcTime begin) {
  const auto shown = shown_at(store, stream, settings_.traits, begin);
  if (!shown) return tl::unexpected(shown.error());
  if (*shown) builder_.begin_held(**shown, begin);
  return {};
}

Result<void> RunRecorder::drop_unreadable(StoreWriter& store) {
  if (!std::exchange(anew_, false)) return {};
  return store.apply(storage::ClearRunState{run_});
}

Result<void> RunRecorder::write(StoreWriter& store, Ended ended) {
  // Taken first: the saved state must not hold what the store then has.
  const std::vector<Regime> final_now = builder_.take_final();
  ResumeMark state;
  if (ended == Ended::no) state.segmenter_bytes = builder_.saved_segmenter();
  state.totals_bytes = builder_.saved_totals();
  state.learnt = builder_.segmenter().learnt();
  state.as_of = builder_.last_pushed();
  state.samples = builder_.totals().samples();
  return store.apply(storage::SaveRun{run_, final_now, state});
}

Result<void> RunRecorder::save(StoreWriter& store) {
  if (auto dropped = drop_unreadable(store); !dropped) return dropped;
  return write(store, Ended::no);
}

/// To `end`, which lies before the last reading that was pushed; or as near behind it as the store's readings allow.
Result<void> RunRecorder::go_back(StoreWriter& store, UtcTime& end) {
  Result<RunInfo> info = store.reader().run(run_);
  if (!info) return tl::unexpected(info.error());
  Result<RunState> state = store.reader().run_state(run_);
  if (!state) return tl::unexpected(state.error());
  const bool beyond = state->as_of && *state->as_of > end;
  if (beyond) {
    const Result<bool> whole = store.reader().raw_is_whole(info->stream, info->begin, end);
    if (!whole) return tl::unexpected(whole.error());
    // The state lies beyond and the readings to make an earlier one of are gone: end where the state is.
    if (!*whole) {
      end = *builder_.last_pushed();
      return {};
    }
  }
  if (beyond || !state->as_of) {
    if (auto cleared = store.apply(storage::ClearRunState{run_}); !cleared) return cleared;
    *state = RunState{};
  }
  Result<RunBuilder> back = builder_of(*info, *state);
  if (!back) return tl::unexpected(back.error());
  RunRecorder recorder(*info, std::move(*back));
  if (auto replayed = recorder.replay(store.reader(), *info, end); !replayed) return replayed;
  *this = std::move(recorder);
  return {};
}

Result<void> RunRecorder::finish(StoreWriter& store, UtcTime end) {
  if (auto dropped = drop_unreadable(store); !dropped) return dropped;
  if (builder_.last_pushed() && end < *builder_.last_pushed())
    if (auto back = go_back(store, end); !back) return back;
  builder_.finish(end);
  if (auto put = write(store, Ended::yes); !put) return put;
  if (auto closed = store.apply(storage::CloseRun{run_, end, builder_.totals().samples()}); !closed) return closed;
  // Early levels may have been quoted before the display's step was known so well.
  return has_old_figures(store.reader(), run_) ? recompute_figures(store, run_) : Result<void>{};
}

Result<void> resegment(StoreWriter& store, RunId run) {
  const Result<RunInfo> info = store.reader().run(run);
  if (!info) return tl::unexpected(info.error());
  Result<RunRecorder> recorder = RunRecorder::over(store.reader(), *info);
  if (!recorder) return tl::unexpected(recorder.error());
  if (auto cleared = store.apply(storage::ClearRunState{run}); !cleared) return cleared;
  return info->end ? recorder->finish(store, *info->end) : recorder->save(store);
}

Duration longest_hold(const MeterTraits& traits) {
  return to_duration({traits.gap_s.value_or(GapRule::shortest_gap_s)});
}

Result<std::optional<ShownSince>> shown_at(const StoreReader& store, StreamId stream, const MeterTraits& traits,
                                           UtcTime begin) {
  std::optional<ShownSince> shown;
  if (!traits.on_change || stream == 0) return shown;
  const Duration reach = longest_hold(traits);
  const Result<void> read = store.readings(stream, begin - reach, begin - Duration{1}, [&](const Reading& reading) {
    if (const auto power = reading.values.get(Quantity::power)) shown = ShownSince{reading.time, power->value()};
    return true;
  });
  if (!read) return tl::unexpected(read.error());
  return shown;
}

}  // namespace nightwatt::figures
