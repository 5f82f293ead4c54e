#include "display_step.hpp"

#include <cmath>
#include <cstdlib>

#include "measure/level_sketch.hpp"

namespace nightwatt {

namespace {

constexpr std::int64_t moving_readings = 30;  // a display that stands for longer shows levels, not its step
constexpr std::int64_t seen_enough = 3;

}  // namespace

void DisplayStep::push(double power_w) {
  const std::optional<std::int64_t> shown = microwatts_of(power_w);
  if (!shown) return;
  while (digit_uw_ > 1 && *shown % digit_uw_ != 0) digit_uw_ /= 10;
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

double DisplayStep::step_w() const {
  return static_cast<double>(seen_ >= seen_enough && least_uw_ > digit_uw_ ? least_uw_ : digit_uw_) * 1e-6;
}

bool DisplayStep::may_be_coarser_than(double told_w) const {
  constexpr double much_finer = 0.11;  // a digit more than the display has
  return told_w < much_finer * (static_cast<double>(digit_uw_) * 1e-6);
}

double DisplayStep::step_beside(double told_w) const {
  return seen_ >= seen_enough && may_be_coarser_than(told_w) ? static_cast<double>(digit_uw_) * 1e-6 : told_w;
}

void DisplayStep::save(ByteWriter& out) const {
  out.byte(last_uw_ ? 1 : 0);
  for (const std::int64_t x : {last_uw_.value_or(0), digit_uw_, stood_, least_uw_, seen_}) out.integer(x);
}

void DisplayStep::restore(ByteReader& in) {
  const bool has_last = in.byte() == 1;
  std::int64_t last_uw = 0;
  for (std::int64_t* x : {&last_uw, &digit_uw_, &stood_, &least_uw_, &seen_}) *x = in.integer();
  last_uw_.reset();
  if (has_last) last_uw_ = last_uw;
  if (digit_uw_ < 1 || digit_uw_ > coarsest_uw) in.refuse();
  if (digit_uw_ < 1) digit_uw_ = 1;
}

}  // namespace nightwatt
