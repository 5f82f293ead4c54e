#include "signal/display_resolution.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "measure/signal/microwatts.hpp"

namespace nightwatt {

namespace {

constexpr std::int64_t moving_readings = 30;  // a display that stands for longer shows levels, not its step
constexpr std::int64_t seen_enough = 3;
/// Of two different numbers of a finer display both are fives once in 25 times: then the interval is too wide, where
/// it would be too small on a display of fives.
constexpr std::size_t enough_fives = 2;
constexpr std::size_t kept_fives = 4;

}  // namespace

void DisplayResolution::push(double power_w) {
  const std::optional<std::int64_t> shown = microwatts_of(power_w);
  if (!shown) return;
  for (; digit_uw_ > 1 && *shown % digit_uw_ != 0; digit_uw_ /= 10) no_fives_ = false;
  look_for_fives(*shown);
  const std::int64_t difference = last_uw_ ? std::llabs(*shown - *last_uw_) : 0;
  if (difference == 0) {
    ++stood_;
  } else {
    if (least_uw_ == 0 || difference < least_uw_) {
      least_uw_ = difference;
      seen_ = 0;
    }
    if (difference == least_uw_ && stood_ <= moving_readings) ++seen_;
    stood_ = 0;
  }
  last_uw_ = shown;
}

void DisplayResolution::look_for_fives(std::int64_t shown_uw) {
  if (no_fives_ || shown_uw == 0) return;
  // All of a coarser digit is five of this one.
  no_fives_ = shown_uw % (5 * digit_uw_) != 0;
  if (no_fives_ || fives_uw_.size() >= kept_fives) return;
  if (std::find(fives_uw_.begin(), fives_uw_.end(), shown_uw) == fives_uw_.end()) fives_uw_.push_back(shown_uw);
}

double DisplayResolution::step_w() const {
  const bool fives = !no_fives_ && fives_uw_.size() >= enough_fives && 5 * digit_uw_ <= coarsest_uw;
  const std::int64_t still_uw = fives ? 5 * digit_uw_ : digit_uw_;
  return static_cast<double>(seen_ >= seen_enough ? std::max(least_uw_, still_uw) : still_uw) * 1e-6;
}

bool DisplayResolution::may_be_coarser_than(double told_w) const {
  constexpr double much_finer = 0.11;  // a digit more than the display has
  return told_w < much_finer * (static_cast<double>(digit_uw_) * 1e-6);
}

double DisplayResolution::step_beside(double told_w) const {
  return seen_ >= seen_enough && may_be_coarser_than(told_w) ? static_cast<double>(digit_uw_) * 1e-6 : told_w;
}

}  // namespace nightwatt
