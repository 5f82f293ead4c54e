// Stamps readings on one time line that never goes back, whatever happens to the machine's calendar.
#pragma once

#include <optional>

#include "measure/signal/time.hpp"

namespace nightwatt {

/// A record's time: UTC at the anchor, carried on by the monotonic clock. When the machine's UTC is found to have moved
/// against it by more than `step_limit`, that is a step: the record's time goes on undisturbed and the difference is
/// reported once, so that whoever shows times can add it. One object for a service; used by its loop thread.
class RecordClock {
 public:
  static constexpr Duration step_limit{1'000'000};

  /// `not_before`: the last instant already in the store; the record goes on after it even if UTC now lies earlier.
  RecordClock(MonoTime mono, UtcTime utc, std::optional<UtcTime> not_before);

  /// The record goes on at `record`, whatever the machine's UTC says.
  [[nodiscard]] static RecordClock going_on(MonoTime mono, UtcTime utc, UtcTime record);

  [[nodiscard]] UtcTime at(MonoTime mono) const;

  /// UTC minus record time as now in force; what to add to a record time to show it.
  [[nodiscard]] Duration utc_offset() const;

  /// Compares with the machine's UTC. The change of utc_offset() if there was a step.
  [[nodiscard]] std::optional<Duration> observe(MonoTime mono, UtcTime utc);

 private:
  MonoTime anchor_mono_;
  UtcTime anchor_record_;
  Duration utc_offset_{0};
};

}  // namespace nightwatt
