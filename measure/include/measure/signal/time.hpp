// The two kinds of instant: what a calendar says and what a stopwatch says. There is no conversion between them.
#pragma once

#include <chrono>
#include <compare>
#include <cstdint>

#include "measure/signal/units.hpp"

namespace nightwatt {

/// An exact difference of two instants. One microsecond is finer than any meter's own clock.
using Duration = std::chrono::microseconds;

/// A length of time in seconds, as a quantity to calculate with.
constexpr Seconds to_seconds(Duration d) {
  return {static_cast<double>(d.count()) * 1e-6};
}
/// The nearest Duration; |seconds| must be below 9e12.
constexpr Duration to_duration(Seconds s) {
  return Duration(static_cast<std::int64_t>(s.value * 1e6 + (s.value < 0 ? -0.5 : 0.5)));
}

/// An instant of the calendar: microseconds since 1970-01-01T00:00:00Z, leap seconds not counted (as POSIX does).
/// In a record it is the record's own clock: UTC when the record was (re)started, carried on by the monotonic clock, so
/// it never goes back; see RecordClock.
struct UtcTime {
  std::int64_t us = 0;
  friend constexpr auto operator<=>(UtcTime, UtcTime) = default;
  friend constexpr Duration operator-(UtcTime a, UtcTime b) { return Duration(a.us - b.us); }
  friend constexpr UtcTime operator+(UtcTime a, Duration d) { return {a.us + d.count()}; }
  friend constexpr UtcTime operator-(UtcTime a, Duration d) { return {a.us - d.count()}; }
};

/// An instant of a clock that only runs forward, time asleep included; its zero means nothing.
struct MonoTime {
  std::int64_t us = 0;
  friend constexpr auto operator<=>(MonoTime, MonoTime) = default;
  friend constexpr Duration operator-(MonoTime a, MonoTime b) { return Duration(a.us - b.us); }
  friend constexpr MonoTime operator+(MonoTime a, Duration d) { return {a.us + d.count()}; }
  friend constexpr MonoTime operator-(MonoTime a, Duration d) { return {a.us - d.count()}; }
};

/// Where the time comes from. The daemon hands in the machine's clocks, tests a hostile one.
class Clock {
 public:
  virtual ~Clock() = default;
  [[nodiscard]] virtual MonoTime monotonic() const = 0;
  [[nodiscard]] virtual UtcTime utc() const = 0;
};

}  // namespace nightwatt
