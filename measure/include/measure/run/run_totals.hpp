// The figures of a run that need no segments: counts, energy, gaps, the meter's own counter, the peak.
#pragma once

#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/gap_rule.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/running_sum.hpp"

namespace nightwatt {

/// The integral of power over a record, its gaps left out: by trapezoids, or of a meter that reports on change by what
/// it shows until it reports again.
class GapFreeIntegral {
 public:
  GapFreeIntegral() = default;
  explicit GapFreeIntegral(Reporting reporting) : reporting_(reporting), rule_(reporting.gap_s) {}
  /// Times must rise.
  void push(UtcTime time, double power_w);
  /// What was shown when the record began. `before`: since when.
  void begin_held(UtcTime before, double power_w, UtcTime begin);
  /// The record ends: what was shown last counts until here, if it holds so long.
  void hold_until(UtcTime end);
  [[nodiscard]] double watt_seconds() const { return watt_seconds_.value(); }
  /// The same at an instant after the last reading.
  [[nodiscard]] double watt_seconds_at(UtcTime time) const;
  [[nodiscard]] Duration covered() const { return covered_; }
  [[nodiscard]] Duration gaps() const { return gaps_; }
  [[nodiscard]] std::int64_t readings() const { return readings_; }
  void correct_gaps(Duration by) { gaps_ = std::max(Duration{0}, gaps_ + by); }

  /// The fields of its state, once for save() and restore() of the totals.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  [[nodiscard]] bool holds_at(UtcTime time) const;

  Reporting reporting_;
  GapRule rule_;
  std::int64_t readings_ = 0;  ///< where power was told, what was shown at the begin included
  UtcTime last_time_;
  double last_power_w_ = 0.0;
  RunningSum watt_seconds_;
  Duration covered_{0};
  Duration gaps_{0};
};

/// What a cumulative energy counter counted over a record. A step back is a wrap, where going on over a power of ten or
/// two is no more than could have flowed. A step back of one or two counts is rounding. Any other, and a leap forward
/// that no mains connection delivers, is a reset: what was counted across it is not known and not added.
class CounterEnergy {
 public:
  /// `highest_w`: the highest power read so far, if any.
  void push(UtcTime time, Decimal counter_wh, std::optional<double> highest_w);
  [[nodiscard]] std::optional<double> counted_wh() const;  ///< nullopt before the first value
  [[nodiscard]] std::int64_t resets() const { return resets_; }
  [[nodiscard]] std::int64_t wraps() const { return wraps_; }

  /// The fields of its state, once for save() and restore() of the totals.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  [[nodiscard]] std::optional<std::int64_t> over_a_wrap(std::int64_t from_nwh, std::int64_t to_nwh,
                                                        double possible_wh) const;

  bool any_ = false;
  std::int64_t last_nwh_ = 0;
  std::int64_t counted_nwh_ = 0;
  UtcTime last_change_;
  int exponent_ = Decimal::highest_exponent;  ///< the finest the counter showed
  std::int64_t resets_ = 0;
  std::int64_t wraps_ = 0;
};

/// Incremental; same answer whatever the chunking. Energy is the integral between neighbouring power readings and never
/// bridges a gap (a hole longer than `gap_s`, or without it max(10 s, 5 x the median interval)).
class RunTotals {
 public:
  explicit RunTotals(Reporting reporting = {})
      : reporting_(reporting), power_(reporting), any_reading_(Reporting{false, reporting.gap_s}) {}
  void push(const Reading& reading);
  /// Of a meter that reports on change, before the first reading: what it showed when the run began, since `before`.
  void begin_held(UtcTime before, double power_w, UtcTime begin);
  /// The run ends here: of a meter that reports on change its last reading holds until then, where it is no gap.
  void hold_until(UtcTime end);

  [[nodiscard]] std::int64_t samples() const;
  [[nodiscard]] std::optional<UtcTime> first() const;
  [[nodiscard]] std::optional<UtcTime> last() const;
  [[nodiscard]] double gap_s() const;  ///< sum of all gaps between first and last
  [[nodiscard]] std::optional<double> energy_wh()
      const;  ///< nullopt below two power readings (on change: one that held)
  [[nodiscard]] std::optional<double> counter_wh() const;  ///< wraps and resets handled; nullopt without a counter
  /// Energy and time from the counter's first value to its last, by the power readings: what the counter is compared
  /// with. nullopt without both, and for totals that were saved before this was kept.
  struct BesideCounter {
    double energy_wh = 0.0;
    double seconds = 0.0;
  };
  [[nodiscard]] std::optional<BesideCounter> beside_counter() const;
  [[nodiscard]] std::int64_t counter_resets() const;  ///< where more than 0, counter_wh() is a lower bound
  [[nodiscard]] std::optional<double> peak_w() const;
  [[nodiscard]] std::optional<double> mean_w() const;  ///< time-weighted, over the data

  /// Adds to the gaps what they were longer, by the calendar, than the record's times tell.
  void correct_gaps(Duration by);

  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<RunTotals> restore(std::string_view state, Reporting reporting = {});
  /// The fields of its state, once for save() and restore().
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  Reporting reporting_;
  std::int64_t samples_ = 0;
  UtcTime first_;
  UtcTime last_;
  GapFreeIntegral power_;
  GapFreeIntegral any_reading_;  ///< of all readings while none had a power: the gaps of a counter-only meter
  double peak_w_ = 0.0;
  CounterEnergy counter_;
  /// The integral of power when the counter said something.
  struct CounterInstant {
    UtcTime time;
    double watt_seconds = 0.0;
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.time, self.watt_seconds);
    }
  };
  CounterInstant counter_first_, counter_last_;
  bool beside_known_ = false;
};

}  // namespace nightwatt
