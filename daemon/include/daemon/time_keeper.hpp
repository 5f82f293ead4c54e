// Stamps for everything the loop sees, on the record's own time line; notices when the calendar jumps.
#pragma once

#include <optional>
#include <vector>

#include "daemon/log.hpp"
#include "daemon/reading_queue.hpp"
#include "measure/record_clock.hpp"
#include "measure/time.hpp"

namespace nightwatt::daemon {

/// One for the service, loop thread.
class TimeKeeper {
 public:
  /// The moment of arrival over USB is good to about a millisecond, and a finer stamp would cost the store dearly.
  static constexpr Duration stamp_step{1000};

  /// `newest`: the latest reading in the store; `stored_shifts`: what the store holds as each meter's shift.
  TimeKeeper(const Clock& clock, ReadingQueue& queue, LogSink log, std::optional<UtcTime> newest,
             const std::vector<Duration>& stored_shifts);

  [[nodiscard]] MonoTime now() const { return clock_.monotonic(); }
  /// The record's instant, cut to `stamp_step`.
  [[nodiscard]] UtcTime stamp(MonoTime mono) const;
  /// What people are shown for a record's instant of this moment.
  [[nodiscard]] Duration shift() const { return record_.shift(); }
  /// Compares with the calendar; a jump becomes an event and a shift in the store.
  void observe(MonoTime mono);
  /// Has the store take the shift in force, for a meter it has not had it from.
  void announce_shift(MonoTime mono);

 private:
  const Clock& clock_;
  ReadingQueue& queue_;
  LogSink log_;
  RecordClock record_;
};

}  // namespace nightwatt::daemon
