#include "daemon/time_keeper.hpp"

#include <algorithm>
#include <string>
#include <utility>

#include "measure/signal/time_text.hpp"

namespace nightwatt::daemon {
namespace {

// A reading may be stamped this far ahead of its moment where many arrived together.
constexpr Duration stamped_ahead{1'000'000};

}  // namespace

TimeKeeper::Start TimeKeeper::start(MonoTime mono, UtcTime utc, const std::string& boot, std::optional<UtcTime> newest,
                                    Duration stored_utc_offset, const std::optional<KeptClock>& kept) {
  if (!newest) return {RecordClock(mono, utc, std::nullopt), utc, {}, false};
  if (kept && !boot.empty() && kept->boot == boot) {
    const UtcTime record{mono.us + kept->offset.count()};
    if (record + stamped_ahead > *newest)
      return {RecordClock::going_on(mono, record + kept->utc_offset, record), kept->since, {}, true};
  }
  // In the time line so far. Without a kept clock an older program's service may have stopped a second ago.
  const Duration by_calendar = utc - (kept ? kept->utc_offset : stored_utc_offset) - *newest;
  const bool trusted = !kept && by_calendar > Duration{0};
  const UtcTime record = *newest + (trusted ? by_calendar : std::max(by_calendar, outage_gap));
  return {RecordClock::going_on(mono, utc, record), record, by_calendar, false};
}

TimeKeeper::TimeKeeper(const Clock& clock, ReadingQueue& queue, LogSink log, std::optional<UtcTime> newest,
                       const std::vector<Duration>& stored_utc_offsets, std::optional<KeptClock> kept, std::string boot)
    : clock_(clock),
      queue_(queue),
      log_(std::move(log)),
      boot_(std::move(boot)),
      record_(clock.monotonic(), clock.utc(), std::nullopt) {
  const Start begun = start(now(), clock.utc(), boot_, newest,
                            stored_utc_offsets.empty() ? Duration{0} : stored_utc_offsets.front(), kept);
  record_ = begun.record;
  since_ = begun.since;
  if (begun.outage && (kept || *begun.outage < Duration{0})) note_outage(*begun.outage, *newest);
  const bool known = std::all_of(stored_utc_offsets.begin(), stored_utc_offsets.end(),
                                 [&](Duration stored) { return stored == record_.utc_offset(); });
  if (!begun.goes_on || !known) announce_utc_offset(now());
  observe(now());  // the calendar may have been set while no service ran
}

UtcTime TimeKeeper::stamp(MonoTime mono) const {
  const std::int64_t us = record_.at(mono).us;
  const std::int64_t step = stamp_step.count();
  const std::int64_t past = us % step;
  return {us - (past < 0 ? past + step : past)};
}

void TimeKeeper::note_outage(Duration by_calendar, UtcTime newest) {
  storage::Event event;
  event.kind = storage::EventKind::outage;
  event.at = since_;
  event.amount = to_seconds(since_ - newest).value;
  event.detail = by_calendar < Duration{0}
                     ? "the machine was started anew and its calendar stands before the last reading: how long nothing "
                       "was recorded is not known"
                     : "the machine was started anew: by its calendar nothing was recorded for " +
                           duration_text(to_seconds(by_calendar));
  log_(by_calendar < Duration{0} ? LogLevel::warning : LogLevel::info, "clock: " + event.detail);
  queue_.push_always(std::move(event));
}

void TimeKeeper::observe(MonoTime mono) {
  const auto step = record_.observe(mono, clock_.utc());
  if (!step) return;
  storage::Event event;
  event.kind = storage::EventKind::clock_step;
  event.at = stamp(mono);
  event.amount = to_seconds(*step).value;
  event.detail = "the machine's calendar was set " + std::string(step->count() > 0 ? "forward" : "back") + " by " +
                 duration_text({std::abs(event.amount)});
  log_(LogLevel::warning, "clock: " + event.detail + "; intervals are not touched");
  if (!queue_.push(std::move(event))) log_(LogLevel::error, "clock: no room to note the step");
  announce_utc_offset(mono);
}

// From the stretch's begin on: until now the calendar was wrong, as far as anybody can tell.
void TimeKeeper::announce_utc_offset(MonoTime mono) {
  const Duration offset{record_.at(mono).us - mono.us};
  queue_.push_always(
      QueuedUtcOffset{since_, record_.utc_offset(), KeptClock{boot_, offset, since_, record_.utc_offset()}});
}

}  // namespace nightwatt::daemon
