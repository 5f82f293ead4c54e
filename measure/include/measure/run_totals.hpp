// The figures of a run that need no segments: counts, energy, gaps, the meter's own counter, the peak.
#pragma once

#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/gap_rule.hpp"
#include "measure/reading.hpp"
#include "measure/result.hpp"
#include "measure/running_sum.hpp"

namespace nightwatt {

class ByteReader;
class ByteWriter;

/// The trapezoid integral of power over a record, its gaps left out.
class GapFreeIntegral {
 public:
  /// Times must rise.
  void push(UtcTime time, double power_w);
  [[nodiscard]] double watt_seconds() const { return watt_seconds_.value(); }
  [[nodiscard]] Duration covered() const { return covered_; }
  [[nodiscard]] Duration gaps() const { return gaps_; }
  [[nodiscard]] std::int64_t readings() const { return readings_; }
  void correct_gaps(Duration by) { gaps_ = std::max(Duration{0}, gaps_ + by); }

  void save(ByteWriter& out) const;
  [[nodiscard]] bool restore(ByteReader& in);

 private:
  GapRule rule_;
  std::int64_t readings_ = 0;
  UtcTime last_time_;
  double last_power_w_ = 0.0;
  RunningSum watt_seconds_;
  Duration covered_{0};
  Duration gaps_{0};
};

/// What a cumulative energy counter counted over a record. A step back is a wrap where the way over a power of ten or
/// of two is no more than could have flowed; a step back of one or two counts is the meter's rounding; any other, and a
/// leap forward that no mains connection delivers, is a reset: what was counted across it is not known and not added.
class CounterEnergy {
 public:
  /// `highest_w`: the highest power read so far, if any.
  void push(UtcTime time, Decimal counter_wh, std::optional<double> highest_w);
  [[nodiscard]] std::optional<double> counted_wh() const;  ///< nullopt before the first value
  [[nodiscard]] std::int64_t resets() const { return resets_; }
  [[nodiscard]] std::int64_t wraps() const { return wraps_; }

  void save(ByteWriter& out) const;
  [[nodiscard]] bool restore(ByteReader& in);

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

/// Incremental; same answer whatever the chunking. Energy is the trapezoid over neighbouring power readings and never
/// bridges a gap (a hole longer than max(10 s, 5 x the median interval)).
class RunTotals {
 public:
  void push(const Reading& reading);

  [[nodiscard]] std::int64_t samples() const;
  [[nodiscard]] std::optional<UtcTime> first() const;
  [[nodiscard]] std::optional<UtcTime> last() const;
  [[nodiscard]] double gap_s() const;                      ///< sum of all gaps between first and last
  [[nodiscard]] std::optional<double> energy_wh() const;   ///< nullopt below two power readings
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

  /// The gaps were longer than the record's times tell, by the calendar.
  void correct_gaps(Duration by);

  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<RunTotals> restore(std::string_view state);

 private:
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
  };
  CounterInstant counter_first_, counter_last_;
  bool beside_known_ = false;
};

}  // namespace nightwatt
