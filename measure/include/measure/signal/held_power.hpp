// What a meter that reports only on change shows between its reports.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/gap_rule.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// Turns readings that each hold until the next into what one would see by looking at the display once a second. So
/// nothing behind it needs to know how the meter reports. A silence that is a gap by GapRule stays a hole. Incremental,
/// the same answer whatever the chunking; what is held is told when the next reading ends it.
class HeldPower {
 public:
  /// Between two looks at the display: as often as most meters measure. What changes faster is seen now and then, so
  /// that means are right.
  static constexpr Duration beat{1'000'000};

  explicit HeldPower(std::optional<double> gap_s) : gaps_(gap_s) {}

  /// Before the first reading: what was shown when the record began, and since when.
  void begin_held(UtcTime before, double power_w, UtcTime begin) {
    if (last_ || before >= begin) return;
    (void)gaps_.push(before);
    last_ = before;
    power_w_ = power_w;
    next_beat_ = begin;
  }

  /// Times must rise; calls `take(time, power_w)` for each look up to this reading.
  template <class Take>
  void push(UtcTime time, double power_w, Take&& take) {
    if (last_ && time <= *last_) return;
    const bool gap = gaps_.push(time);
    if (!last_ || gap)
      next_beat_ = time;
    else
      look(time - Duration{1}, take);
    last_ = time;
    power_w_ = power_w;
    look(time, take);
  }

  /// The record ends: the last look is at `end`, if the last reading holds until then.
  template <class Take>
  void hold_until(UtcTime end, Take&& take) {
    if (!last_ || gaps_.is_gap(end)) return;
    look(end, take);
    if (end > next_beat_ - beat && end >= *last_) take(end, power_w_);
  }

  /// How long a reading holds, by what is known so far.
  [[nodiscard]] double limit_s() const { return gaps_.limit_s(); }

  /// Without `gap_s`, which is the caller's to keep.
  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<HeldPower> restore(std::string_view state, std::optional<double> gap_s);
  /// The fields of its state, once for save() and restore().
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  template <class Take>
  void look(UtcTime until, Take&& take) {
    for (; next_beat_ <= until; next_beat_ = next_beat_ + beat) take(next_beat_, power_w_);
  }

  GapRule gaps_;
  std::optional<UtcTime> last_;
  double power_w_ = 0.0;
  UtcTime next_beat_;
};

}  // namespace nightwatt
