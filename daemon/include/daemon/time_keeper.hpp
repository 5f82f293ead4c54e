// Stamps for everything the loop sees, on the record's own time line; notices when the calendar jumps.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "daemon/kept_clock.hpp"
#include "daemon/log.hpp"
#include "daemon/reading_queue.hpp"
#include "measure/signal/record_clock.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// One for the service, loop thread. A service that is started again while the machine runs on goes on in the record's
/// time exactly, whatever the calendar says by then. After a start of the machine only the calendar tells how long
/// nothing was recorded: that is an outage, and the record leaves a gap there that no meter's silence rule overlooks.
/// What the calendar is found to be later is put right from the outage on.
class TimeKeeper {
 public:
  /// The moment of arrival over USB is good to about a millisecond, and a finer stamp would cost the store dearly.
  static constexpr Duration stamp_step{1000};
  /// The record's length of an outage at least: five intervals, which make a gap, of a meter that reports every twelve
  /// minutes. What people are shown is the calendar's length.
  static constexpr Duration outage_gap{3'600'000'000};

  /// `newest`: the latest reading in the store; `stored_utc_offsets`: what the store holds as each meter's shift;
  /// `kept`: of the service before; `boot`: names the machine's start, empty where it is not known.
  TimeKeeper(const Clock& clock, ReadingQueue& queue, LogSink log, std::optional<UtcTime> newest,
             const std::vector<Duration>& stored_utc_offsets, std::optional<KeptClock> kept = {},
             std::string boot = {});

  [[nodiscard]] MonoTime now() const { return clock_.monotonic(); }
  /// The record's instant, cut to `stamp_step`.
  [[nodiscard]] UtcTime stamp(MonoTime mono) const;
  /// What people are shown for a record's instant of this moment.
  [[nodiscard]] Duration utc_offset() const { return record_.utc_offset(); }
  /// Compares with the calendar; a jump becomes an event and a shift in the store.
  void observe(MonoTime mono);
  /// Has the store take the shift in force, for a meter it has not had it from.
  void announce_utc_offset(MonoTime mono);

 private:
  struct Start {
    RecordClock record;
    UtcTime since;
    std::optional<Duration> outage;  ///< by the calendar; below 0: it stands before the newest reading
    bool goes_on = false;            ///< in the stretch of the record that the last service was in
  };
  [[nodiscard]] static Start start(MonoTime mono, UtcTime utc, const std::string& boot, std::optional<UtcTime> newest,
                                   Duration stored_utc_offset, const std::optional<KeptClock>& kept);
  void note_outage(Duration by_calendar, UtcTime newest);

  const Clock& clock_;
  ReadingQueue& queue_;
  LogSink log_;
  std::string boot_;
  RecordClock record_;
  UtcTime since_;  ///< of this stretch of the record: its whole calendar is what it was last found to be
};

}  // namespace nightwatt::daemon
