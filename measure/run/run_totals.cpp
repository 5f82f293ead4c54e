#include "measure/run/run_totals.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/signal/decimal_powers.hpp"
#include "signal/archive.hpp"

namespace nightwatt {

namespace {

constexpr std::uint64_t state_version = 2;
/// Without what lies beside the counter; all else is the same.
constexpr std::uint64_t state_version_without_beside = 1;
constexpr double nwh_per_wh = 1e9;
/// More than a three-phase house connection of 63 A at 230 V delivers: beyond it a counter's step is no consumption.
constexpr double connection_limit_w = 50'000.0;
/// A counter that steps back by this many counts of its own was rounded, not reset.
constexpr std::int64_t rounding_counts = 2;

}  // namespace

void GapFreeIntegral::push(UtcTime time, double power_w) {
  const bool gap = rule_.push(time);
  if (readings_ > 0) {
    const Duration interval = time - last_time_;
    if (gap) {
      gaps_ += interval;
    } else {
      covered_ += interval;
      const double mean_w = reporting_.on_change ? last_power_w_ : 0.5 * (last_power_w_ + power_w);
      watt_seconds_.add(mean_w * to_seconds(interval).value);
    }
  }
  last_time_ = time;
  last_power_w_ = power_w;
  ++readings_;
}

// The silence that the rule judges began with the reading before the record.
void GapFreeIntegral::begin_held(UtcTime before, double power_w, UtcTime begin) {
  if (readings_ > 0 || before >= begin) return;
  (void)rule_.push(before);
  last_time_ = begin;
  last_power_w_ = power_w;
  readings_ = 1;
}

bool GapFreeIntegral::holds_at(UtcTime time) const {
  return reporting_.on_change && readings_ > 0 && time > last_time_ && !rule_.is_gap(time);
}

void GapFreeIntegral::hold_until(UtcTime end) {
  if (!holds_at(end)) return;
  watt_seconds_.add(last_power_w_ * to_seconds(end - last_time_).value);
  covered_ += end - last_time_;
  last_time_ = end;
}

double GapFreeIntegral::watt_seconds_at(UtcTime time) const {
  const double held_s = holds_at(time) ? to_seconds(time - last_time_).value : 0.0;
  return watt_seconds_.value() + held_s * last_power_w_;
}

template <class Archive, class Self>
void GapFreeIntegral::archive(Archive& ar, Self& self) {
  ar(self.rule_, self.readings_, self.last_time_, self.last_power_w_, self.watt_seconds_, self.covered_, self.gaps_);
  ar.require(self.readings_ >= 0);
}

void CounterEnergy::push(UtcTime time, Decimal counter_wh, std::optional<double> highest_w) {
  const std::optional<std::int64_t> now = counter_wh.mantissa_at(Decimal::lowest_exponent);
  if (!now) return;  // cannot be: a Decimal's range is chosen so that it fits
  exponent_ = std::min(exponent_, static_cast<int>(counter_wh.exponent));
  if (!any_) {
    any_ = true;
    last_nwh_ = *now;
    last_change_ = time;
    return;
  }
  if (*now == last_nwh_) return;
  const double hours = to_seconds(time - last_change_).value / 3600.0;
  const std::int64_t step_nwh = integer_powers_of_ten[static_cast<std::size_t>(exponent_ - Decimal::lowest_exponent)];
  const double rounding_wh = static_cast<double>(rounding_counts * step_nwh) / nwh_per_wh;
  const double change_wh = (static_cast<double>(*now) - static_cast<double>(last_nwh_)) / nwh_per_wh;
  // A wrap looks like a reset; only what the device was seen to draw, with room, tells them apart.
  const double seen_limit_w = std::min(connection_limit_w, 10.0 * std::max(100.0, highest_w.value_or(1e9)));
  if (*now > last_nwh_ ? change_wh <= connection_limit_w * hours + rounding_wh
                       : *now > 0 && -change_wh <= rounding_wh) {
    counted_nwh_ += *now - last_nwh_;
  } else if (const auto step =
                 *now < last_nwh_ ? over_a_wrap(last_nwh_, *now, seen_limit_w * hours + rounding_wh) : std::nullopt) {
    counted_nwh_ += *step;
    ++wraps_;
  } else {
    ++resets_;
  }
  last_nwh_ = *now;
  last_change_ = time;
}

std::optional<std::int64_t> CounterEnergy::over_a_wrap(std::int64_t from_nwh, std::int64_t to_nwh,
                                                       double possible_wh) const {
  if (from_nwh < 0 || to_nwh < 0) return std::nullopt;
  std::optional<std::int64_t> best;
  const auto try_limit = [&](double limit_nwh) {
    if (limit_nwh > 9e18 || limit_nwh <= static_cast<double>(from_nwh)) return;
    const std::int64_t step = static_cast<std::int64_t>(limit_nwh) - from_nwh + to_nwh;
    if (static_cast<double>(step) <= possible_wh * nwh_per_wh && (!best || step < *best)) best = step;
  };
  const auto count = static_cast<std::size_t>(exponent_ - Decimal::lowest_exponent);
  // A display has three digits at least; a register 16, 24, 31 or 32 bits.
  for (std::size_t power = count + 3; power <= 18; ++power)
    try_limit(static_cast<double>(integer_powers_of_ten[power]));
  for (const int bits : {16, 24, 31, 32})
    try_limit(std::ldexp(static_cast<double>(integer_powers_of_ten[count]), bits));
  return best;
}

std::optional<double> CounterEnergy::counted_wh() const {
  if (!any_) return std::nullopt;
  return static_cast<double>(counted_nwh_) / nwh_per_wh;
}

template <class Archive, class Self>
void CounterEnergy::archive(Archive& ar, Self& self) {
  ar(self.any_, self.last_nwh_, self.counted_nwh_, self.last_change_, self.exponent_, self.resets_, self.wraps_);
  ar.require(self.exponent_ >= Decimal::lowest_exponent && self.exponent_ <= Decimal::highest_exponent);
}

void RunTotals::push(const Reading& reading) {
  if (samples_ > 0 && reading.time <= last_) return;  // duplicates are counted where they are read
  if (const std::optional<Decimal> power = reading.values.get(Quantity::power)) {
    const double power_w = power->value();
    peak_w_ = power_.readings() == 0 ? power_w : std::max(peak_w_, power_w);
    power_.push(reading.time, power_w);
  } else if (power_.readings() == 0) {
    any_reading_.push(reading.time, 0.0);
  }
  if (const std::optional<Decimal> energy = reading.values.get(Quantity::energy)) {
    const CounterInstant now{reading.time, power_.watt_seconds_at(reading.time)};
    if (!counter_.counted_wh() && power_.readings() > 0) {
      counter_first_ = now;
      beside_known_ = true;
    }
    counter_last_ = now;
    counter_.push(reading.time, *energy, peak_w());
  }
  if (samples_ == 0) first_ = reading.time;
  last_ = reading.time;
  ++samples_;
}

void RunTotals::begin_held(UtcTime before, double power_w, UtcTime begin) {
  if (!reporting_.on_change) return;
  power_.begin_held(before, power_w, begin);
  peak_w_ = power_w;
}

void RunTotals::hold_until(UtcTime end) {
  power_.hold_until(end);
}

std::int64_t RunTotals::samples() const {
  return samples_;
}
std::optional<UtcTime> RunTotals::first() const {
  return samples_ > 0 ? std::optional(first_) : std::nullopt;
}
std::optional<UtcTime> RunTotals::last() const {
  return samples_ > 0 ? std::optional(last_) : std::nullopt;
}

void RunTotals::correct_gaps(Duration by) {
  power_.correct_gaps(by);
  any_reading_.correct_gaps(by);
}

double RunTotals::gap_s() const {
  return to_seconds(power_.readings() > 0 ? power_.gaps() : any_reading_.gaps()).value;
}

std::optional<double> RunTotals::energy_wh() const {
  if (power_.readings() < 2 && power_.covered() <= Duration{0}) return std::nullopt;
  return power_.watt_seconds() / 3600.0;
}

std::optional<double> RunTotals::counter_wh() const {
  return counter_.counted_wh();
}
std::optional<RunTotals::BesideCounter> RunTotals::beside_counter() const {
  if (!beside_known_ || !(counter_last_.time > counter_first_.time)) return std::nullopt;
  return BesideCounter{(counter_last_.watt_seconds - counter_first_.watt_seconds) / 3600.0,
                       to_seconds(counter_last_.time - counter_first_.time).value};
}
std::int64_t RunTotals::counter_resets() const {
  return counter_.resets();
}
std::optional<double> RunTotals::peak_w() const {
  return power_.readings() > 0 ? std::optional(peak_w_) : std::nullopt;
}

std::optional<double> RunTotals::mean_w() const {
  const Duration covered = power_.covered();
  if (covered.count() <= 0) return std::nullopt;
  return power_.watt_seconds() / to_seconds(covered).value;
}

template <class Archive, class Self>
void RunTotals::archive(Archive& ar, Self& self) {
  const std::uint64_t version = ar.version(state_version, state_version_without_beside);
  ar(self.samples_, self.first_, self.last_, self.power_, self.any_reading_, self.peak_w_, self.counter_);
  if (version > state_version_without_beside) ar(self.beside_known_, self.counter_first_, self.counter_last_);
  ar.require(self.samples_ >= 0);
}

std::string RunTotals::save() const {
  return saved(*this);
}

Result<RunTotals> RunTotals::restore(std::string_view state, Reporting reporting) {
  RunTotals totals(reporting);
  if (restored(state, totals)) return totals;
  return fail(ErrorKind::unusable, "the saved totals of a run are damaged");
}

}  // namespace nightwatt
