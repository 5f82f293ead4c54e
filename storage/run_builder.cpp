#include "storage/run_builder.hpp"

#include <algorithm>
#include <charconv>
#include <limits>
#include <utility>

#include "measure/segment/segment_correction.hpp"
#include "storage/recompute.hpp"

namespace nightwatt::storage {
namespace {

constexpr UtcTime end_of_time{std::numeric_limits<std::int64_t>::max()};

tl::unexpected<Error> pass(const Error& error) {
  return tl::unexpected<Error>(error);
}

/// How far back what was shown is looked for where the profile does not say how long a reading holds.
constexpr double usual_hold_s = GapRule::shortest_gap_s;

/// The last power before `begin` that may still be shown then.
struct Shown {
  UtcTime since;
  double power_w = 0.0;
};
Result<std::optional<Shown>> shown_at(const StoreReader& store, StreamId stream, const MeterTraits& traits,
                                      UtcTime begin) {
  std::optional<Shown> shown;
  if (!traits.on_change || stream == 0) return shown;
  const Duration reach = to_duration({traits.gap_s.value_or(usual_hold_s)});
  const Result<void> read = store.readings(stream, begin - reach, begin - Duration{1}, [&](const Reading& reading) {
    if (const auto power = reading.values.get(Quantity::power)) shown = Shown{reading.time, power->value()};
    return true;
  });
  if (!read) return pass(read.error());
  return shown;
}

/// The two states of a run whose readings are held, one behind the other: `LENGTH held segmenter`.
std::string joined(const std::string& held, const std::string& segmenter) {
  return std::to_string(held.size()) + ' ' + held + segmenter;
}
struct TwoStates {
  std::string_view held, segmenter;
};
std::optional<TwoStates> parted(std::string_view joined) {
  std::size_t length = 0;
  const auto [end, problem] = std::from_chars(joined.data(), joined.data() + joined.size(), length);
  const auto begin = static_cast<std::size_t>(end - joined.data()) + 1;
  if (problem != std::errc() || begin > joined.size() || length > joined.size() - begin) return std::nullopt;
  return TwoStates{joined.substr(begin, length), joined.substr(begin + length)};
}

Reporting reporting_of(const MeterTraits& traits) {
  return {traits.on_change, traits.gap_s};
}

UtcTime after(std::optional<UtcTime> as_of, UtcTime begin) {
  return as_of && as_of->us + 1 > begin.us ? UtcTime{as_of->us + 1} : begin;
}

}  // namespace

/// Takes a builder from what the store has of its run to a later reading.
class RunReplay {
 public:
  static Result<RunBuilder> from_state(const StoreReader& store, const RunInfo& info, const RunState& state,
                                       UtcTime to) {
    RunBuilder builder(info.id, segmenter_settings(info));
    if (state.as_of) {
      std::string_view saved = state.resume_segmenter;
      if (builder.held_) {
        const auto states = parted(saved);
        auto held = HeldPower::restore(states ? states->held : std::string_view(), builder.settings_.traits.gap_s);
        if (!held) return pass(held.error());
        builder.held_ = std::move(*held);
        saved = states->segmenter;
      }
      Result<Segmenter> segmenter = Segmenter::restore(builder.settings_, saved);
      if (!segmenter) return pass(segmenter.error());
      Result<RunTotals> totals = RunTotals::restore(state.resume_totals, reporting_of(builder.settings_.traits));
      if (!totals) return pass(totals.error());
      builder.segmenter_ = std::move(*segmenter);
      builder.totals_ = std::move(*totals);
      builder.as_of_ = state.as_of;
    }
    return onward(store, info, std::move(builder), to);
  }

  /// The run as of `to` from all its readings, whatever `unreadable` its state.
  static Result<RunBuilder> anew(const StoreReader& store, const RunInfo& info, UtcTime to, const Error& unreadable) {
    const Result<bool> whole = store.raw_is_whole(info.stream, info.begin, to);
    if (!whole) return pass(whole.error());
    if (!*whole) return pass(unreadable);
    Result<RunBuilder> builder = onward(store, info, RunBuilder(info.id, segmenter_settings(info)), to);
    if (builder) builder->anew_ = true;
    return builder;
  }

  /// from_state() of what run_state() gave, or else anew().
  static Result<RunBuilder> from_read(const StoreReader& store, const RunInfo& info, const Result<RunState>& state,
                                      UtcTime to) {
    if (!state) return anew(store, info, to, state.error());
    Result<RunBuilder> builder = from_state(store, info, *state, to);
    return builder ? std::move(builder) : anew(store, info, to, builder.error());
  }

  static Result<RunBuilder> onward(const StoreReader& store, const RunInfo& info, RunBuilder builder, UtcTime to) {
    const UtcTime from = after(builder.as_of_, info.begin);
    if (!builder.as_of_)
      if (const auto begun = builder.begin_held(store, info.stream, info.begin); !begun) return pass(begun.error());
    if (to < from) return builder;
    const Result<void> replayed = store.readings(info.stream, from, to, [&](const Reading& reading) {
      builder.push(reading);
      return true;
    });
    if (!replayed) return pass(replayed.error());
    return builder;
  }
  static bool is_anew(const RunBuilder& builder) { return builder.anew_; }
  static Segmenter& segmenter(RunBuilder& builder) { return builder.segmenter_; }
  static void finish(RunBuilder& builder, UtcTime end) {
    builder.hold_until(end);
    builder.segmenter_.finish(end);
  }
};

SegmenterSettings segmenter_settings(const RunInfo& info) {
  return {info.traits, info.shortest_segment_s};
}

RunBuilder::RunBuilder(RunId run, SegmenterSettings settings)
    : run_(run), settings_(settings), segmenter_(std::move(settings)), totals_(reporting_of(settings_.traits)) {
  if (settings_.traits.on_change) held_.emplace(settings_.traits.gap_s);
}

Result<RunBuilder> RunBuilder::resume(const StoreReader& store, RunId run) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return pass(moment.error());
  const Result<RunInfo> info = store.run(run);
  if (!info) return pass(info.error());
  if (info->end) return fail(ErrorKind::negative, "run " + std::to_string(run) + " has ended; it cannot go on");
  return RunReplay::from_read(store, *info, store.run_state(run), end_of_time);
}

Result<RunBuilder> RunBuilder::over(const StoreReader& store, const RunInfo& info) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return pass(moment.error());
  const UtcTime end = info.end.value_or(end_of_time);
  const Result<bool> whole = store.raw_is_whole(info.stream, info.begin, end);
  if (!whole) return pass(whole.error());
  if (!*whole)
    return fail(ErrorKind::negative, "the raw readings of run " + std::to_string(info.id) +
                                         " have given way to minutes and hours; it cannot be segmented anew");
  return RunReplay::onward(store, info, RunBuilder(info.id, segmenter_settings(info)), end);
}

Result<void> RunBuilder::begin_held(const StoreReader& store, StreamId stream, UtcTime begin) {
  const auto shown = shown_at(store, stream, settings_.traits, begin);
  if (!shown) return pass(shown.error());
  if (!*shown) return {};
  held_->begin_held((*shown)->since, (*shown)->power_w, begin);
  totals_.begin_held((*shown)->since, (*shown)->power_w, begin);
  return {};
}

void RunBuilder::push(const Reading& reading) {
  const auto power = reading.values.get(Quantity::power);
  if (power && held_)
    held_->push(reading.time, power->value(), [this](UtcTime time, double power_w) { see(time, power_w); });
  if (const auto counter = reading.values.get(Quantity::energy))
    segmenter_.push_counter(reading.time, counter->value());
  if (power && !held_) see(reading.time, power->value());
  totals_.push(reading);
  as_of_ = reading.time;
}

void RunBuilder::hold_until(UtcTime end) {
  if (!held_) return;
  held_->hold_until(end, [this](UtcTime time, double power_w) { see(time, power_w); });
  totals_.hold_until(end);
}

Result<void> RunBuilder::drop_unreadable(StoreWriter& store) {
  if (!std::exchange(anew_, false)) return {};
  return store.clear_run_state(run_);
}

Result<void> RunBuilder::save(StoreWriter& store) {
  if (auto dropped = drop_unreadable(store); !dropped) return dropped;
  // Taken first: the saved state must not hold what the store then has.
  const std::vector<Regime> final_now = segmenter_.take_final();
  RunState state;
  state.resume_segmenter = held_ ? joined(held_->save(), segmenter_.save()) : segmenter_.save();
  state.resume_totals = totals_.save();
  state.learnt = segmenter_.learnt();
  state.as_of = as_of_;
  state.samples = totals_.samples();
  return store.put_run_state(run_, final_now, state);
}

Result<void> RunBuilder::finish(StoreWriter& store, UtcTime end) {
  if (auto dropped = drop_unreadable(store); !dropped) return dropped;
  if (as_of_ && end < *as_of_) {
    Result<RunInfo> info = store.reader().run(run_);
    if (!info) return pass(info.error());
    info->end = end;
    Result<RunState> state = store.reader().run_state(run_);
    if (!state) return pass(state.error());
    if (state->as_of && *state->as_of > end) {
      const Result<bool> whole = store.reader().raw_is_whole(info->stream, info->begin, end);
      if (!whole) return pass(whole.error());
      // The state lies beyond and the readings to make an earlier one of are gone: end where the state is.
      if (!*whole) return finish(store, *as_of_);
    }
    if (!state->as_of || *state->as_of > end) {
      if (auto cleared = store.clear_run_state(run_); !cleared) return cleared;
      *state = RunState{};
    }
    Result<RunBuilder> back = RunReplay::from_state(store.reader(), *info, *state, end);
    if (!back) return pass(back.error());
    *this = std::move(*back);
  }
  RunReplay::finish(*this, end);
  RunState state;
  state.resume_totals = totals_.save();
  state.learnt = segmenter_.learnt();
  state.as_of = as_of_;
  state.samples = totals_.samples();
  const std::vector<Regime> last = segmenter_.take_final();
  if (auto put = store.put_run_state(run_, last, state); !put) return put;
  if (auto closed = store.close_run(run_, end, totals_.samples()); !closed) return closed;
  // Early levels may have been quoted before the display's step was known so well.
  return has_old_figures(store.reader(), run_) ? recompute_figures(store, run_) : Result<void>{};
}

Result<void> resegment(StoreWriter& store, RunId run) {
  const Result<RunInfo> info = store.reader().run(run);
  if (!info) return pass(info.error());
  Result<RunBuilder> builder = RunBuilder::over(store.reader(), *info);
  if (!builder) return pass(builder.error());
  if (auto cleared = store.clear_run_state(run); !cleared) return cleared;
  return info->end ? builder->finish(store, *info->end) : builder->save(store);
}

namespace {

/// All stretches of the run as of now; how many of them are final; and the totals.
struct Pieces {
  std::vector<Regime> regimes;
  std::size_t final_count = 0;
  Learnt learnt;
  RunTotals totals;
};

Result<Pieces> pieces_of(const StoreReader& store, const RunInfo& info, Sketches wanted) {
  Result<RunState> state = store.run_state(info.id, wanted);
  Pieces pieces;
  if (state && info.end && state->as_of && state->resume_segmenter.empty()) {
    if (Result<RunTotals> totals = RunTotals::restore(state->resume_totals, reporting_of(info.traits))) {
      pieces.regimes = std::move(state->regimes);
      pieces.totals = std::move(*totals);
      pieces.learnt = state->learnt;
      pieces.final_count = pieces.regimes.size();
      return pieces;
    }
  }
  Result<RunBuilder> builder = RunReplay::from_read(store, info, state, info.end.value_or(end_of_time));
  if (!builder) return pass(builder.error());
  if (state && !RunReplay::is_anew(*builder)) pieces.regimes = std::move(state->regimes);
  Segmenter& segmenter = RunReplay::segmenter(*builder);
  if (info.end) RunReplay::finish(*builder, *info.end);
  for (Regime& regime : segmenter.take_final()) pieces.regimes.push_back(std::move(regime));
  pieces.final_count = pieces.regimes.size();
  if (!info.end)
    for (Regime& regime : segmenter.provisional()) pieces.regimes.push_back(std::move(regime));
  pieces.learnt = segmenter.learnt();
  pieces.totals = builder->totals();
  // The readings since have told the display's step better: other figures are to be made anew than the state knew of.
  if (wanted == Sketches::where_needed && state && state->learnt.step_w != pieces.learnt.step_w)
    return pieces_of(store, info, Sketches::all);
  return pieces;
}

/// Its length is the calendar's on either side of it, as far as that is known by now.
void notify_outage(const Event& event, RunFigures& figures) {
  const auto first = figures.totals.first(), last = figures.totals.last();
  if (!first || event.at <= *first || event.at > *last) return;
  const Duration in_record = to_duration({event.amount});
  const Duration unseen =
      figures.calendar.utc_offset_at(event.at) - figures.calendar.utc_offset_at(event.at - Duration{1});
  const bool known = in_record + unseen >= Duration{0};
  figures.totals.correct_gaps(known ? unseen : -in_record);
  if (known) return;
  figures.segment_warnings.emplace_back(
      "an outage of unknown length: the computer restarted with its clock set earlier than the last reading; the gap "
      "counts as no time, and the times of day before or after it are wrong (to do: have the clock set before "
      "nightwattd starts)");
}

}  // namespace

namespace {

/// Looks at a display between two instants, of a meter that reports on change.
class DisplayWatch {
 public:
  DisplayWatch(const StoreReader& store, const RunInfo& info) : store_(store), info_(info), held_(info.traits.gap_s) {}

  Result<void> begin(UtcTime from) {
    const auto shown = shown_at(store_, info_.stream, info_.traits, from);
    if (!shown) return pass(shown.error());
    if (*shown) held_.begin_held((*shown)->since, (*shown)->power_w, from);
    return {};
  }
  template <class Take>
  void push(const Reading& reading, Take&& take) {
    if (const auto power = reading.values.get(Quantity::power)) held_.push(reading.time, power->value(), take);
  }
  /// What was shown is told by other means up to here, and begins anew behind it.
  void interrupt() { held_ = HeldPower(info_.traits.gap_s); }
  /// As far as is known that it was shown: to a later reading, or to the run's end.
  template <class Take>
  Result<void> end(UtcTime from, UtcTime to, Take&& take) {
    const auto last = store_.last_reading(info_.stream);
    if (!last) return pass(last.error());
    const UtcTime known = info_.end ? *info_.end : *last ? (*last)->time : from;
    held_.hold_until(std::max(from, std::min(to, known)), take);
    return {};
  }

 private:
  const StoreReader& store_;
  const RunInfo& info_;
  HeldPower held_;
};

}  // namespace

Result<void> shown_powers(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                          const std::function<bool(UtcTime, double)>& visit) {
  if (!info.traits.on_change) {
    return store.readings(info.stream, from, to, [&](const Reading& reading) {
      const auto power = reading.values.get(Quantity::power);
      return !power || visit(reading.time, power->value());
    });
  }
  bool wanted = true;
  const auto take = [&](UtcTime time, double power_w) { wanted = wanted && visit(time, power_w); };
  DisplayWatch watch(store, info);
  if (auto begun = watch.begin(from); !begun) return begun;
  const Result<void> read = store.readings(info.stream, from, to, [&](const Reading& reading) {
    watch.push(reading, take);
    return wanted;
  });
  if (!read || !wanted) return read;
  return watch.end(from, to, take);
}

Result<void> shown_or_left(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                           const std::function<void(const ShownPower&)>& visit) {
  const auto take = [&](UtcTime time, double power_w) {
    visit({time, HeldPower::beat, HeldPower::beat, power_w, power_w, power_w});
  };
  DisplayWatch watch(store, info);
  if (auto begun = watch.begin(from); !begun) return begun;
  // A reading that was given up may have been shown for as long as one holds, into the window.
  const Duration reach = to_duration({info.traits.gap_s.value_or(usual_hold_s)});
  const Result<void> read = store.readings_and_rollups(
      info.stream, Quantity::power, from - reach, to,
      [&](const Reading& reading) {
        if (reading.time >= from) watch.push(reading, take);
        return true;
      },
      [&](const Rollup& left) {
        watch.interrupt();
        if (left.begin + left.step > from)
          visit({left.begin, left.step, left.shown.value_or(left.step), left.min, left.mean, left.max});
        return true;
      });
  if (!read) return read;
  return watch.end(from, to, take);
}

Result<RunTotals> totals_of_readings(const StoreReader& store, const RunInfo& info, UtcTime to) {
  RunTotals totals(reporting_of(info.traits));
  const auto shown = shown_at(store, info.stream, info.traits, info.begin);
  if (!shown) return pass(shown.error());
  if (*shown) totals.begin_held((*shown)->since, (*shown)->power_w, info.begin);
  const Result<void> replayed = store.readings(info.stream, info.begin, to, [&](const Reading& reading) {
    totals.push(reading);
    return true;
  });
  if (!replayed) return pass(replayed.error());
  if (info.end) totals.hold_until(*info.end);
  return totals;
}

Result<RunFigures> run_figures(const StoreReader& store, RunId run, Sketches wanted) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return pass(moment.error());
  Result<RunInfo> info = store.run(run);
  if (!info) return pass(info.error());
  RunFigures figures;
  figures.info = *info;
  if (info->origin == RunOrigin::entered) return figures;

  Result<Pieces> pieces = pieces_of(store, *info, wanted);
  if (!pieces) return pass(pieces.error());
  ClassifyInput input;
  input.settings = segmenter_settings(*info);
  input.learnt = pieces->learnt;
  input.run_begin = info->begin;
  input.run_end = info->end.value_or(pieces->totals.last().value_or(info->begin));
  input.open = !info->end;
  input.final_count = pieces->final_count;
  const Result<std::vector<Mark>> marks = store.marks(run);
  if (!marks) return pass(marks.error());
  for (const Mark& mark : *marks)
    if (mark.kind) input.marks.push_back({mark.at, *mark.kind});
  Classified classified = classify(pieces->regimes, input);
  // Kinds go by what the display showed, so the correction comes after them.
  if (info->traits.correction)
    for (Segment& segment : classified.segments) correct(segment, *info->traits.correction);
  figures.segments = std::move(classified.segments);
  figures.segment_warnings = std::move(classified.warnings);
  figures.regimes = std::move(pieces->regimes);
  figures.totals = std::move(pieces->totals);
  figures.step_w = pieces->learnt.step_w;

  const UtcTime last = info->end.value_or(end_of_time);
  Result<Calendar> calendar = store.calendar(info->stream, info->begin, last);
  if (!calendar) return pass(calendar.error());
  figures.calendar = std::move(*calendar);
  figures.utc_offset = figures.calendar.utc_offset_at(last);
  const Result<std::vector<Event>> events = store.events(info->begin, last);
  if (!events) return pass(events.error());
  for (const Event& event : *events)
    if (event.kind == EventKind::clock_step && info->meter && (!event.meter || event.meter == info->meter))
      ++figures.clock_steps;
  for (const Event& event : *events)
    if (event.kind == EventKind::outage && info->meter) notify_outage(event, figures);
  return figures;
}

}  // namespace nightwatt::storage
