#include "measure/signal/record_clock.hpp"

namespace nightwatt {

RecordClock::RecordClock(MonoTime mono, UtcTime utc, std::optional<UtcTime> not_before)
    : anchor_mono_(mono), anchor_record_(utc) {
  if (not_before && utc <= *not_before) anchor_record_ = *not_before + Duration{1};
  utc_offset_ = utc - anchor_record_;
}

RecordClock RecordClock::going_on(MonoTime mono, UtcTime utc, UtcTime record) {
  RecordClock clock(mono, record, std::nullopt);
  clock.utc_offset_ = utc - record;
  return clock;
}

UtcTime RecordClock::at(MonoTime mono) const {
  return mono <= anchor_mono_ ? anchor_record_ : anchor_record_ + (mono - anchor_mono_);
}

Duration RecordClock::utc_offset() const {
  return utc_offset_;
}

std::optional<Duration> RecordClock::observe(MonoTime mono, UtcTime utc) {
  const Duration moved = utc - (at(mono) + utc_offset_);
  if (moved <= step_limit && moved >= -step_limit) return std::nullopt;
  utc_offset_ += moved;
  return moved;
}

}  // namespace nightwatt
