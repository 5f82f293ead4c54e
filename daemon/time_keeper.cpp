#include "daemon/time_keeper.hpp"

#include <algorithm>
#include <string>

#include "measure/time_text.hpp"

namespace nightwatt::daemon {

TimeKeeper::TimeKeeper(const Clock& clock, ReadingQueue& queue, LogSink log, std::optional<UtcTime> newest,
                       const std::vector<Duration>& stored_shifts)
    : clock_(clock), queue_(queue), log_(std::move(log)), record_(clock.monotonic(), clock.utc(), newest) {
  const bool known = std::all_of(stored_shifts.begin(), stored_shifts.end(),
                                 [&](Duration stored) { return stored == record_.shift(); });
  if (!known) announce_shift(now());
}

UtcTime TimeKeeper::stamp(MonoTime mono) const {
  const std::int64_t us = record_.at(mono).us;
  const std::int64_t step = stamp_step.count();
  const std::int64_t past = us % step;
  return {us - (past < 0 ? past + step : past)};
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
  announce_shift(mono);
}

void TimeKeeper::announce_shift(MonoTime mono) {
  queue_.push_always(QueuedShift{stamp(mono), record_.shift()});
}

}  // namespace nightwatt::daemon
