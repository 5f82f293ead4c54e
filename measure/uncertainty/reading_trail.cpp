#include "uncertainty/reading_trail.hpp"

#include <cmath>

namespace nightwatt {

namespace {
constexpr double highest_counter_wh = 1e12;  // as whole microwatt hours it still fits
}

void ReadingTrail::counter(UtcTime time, double counter_wh) {
  if (last_counter_ && time <= last_counter_->first) return;
  if (!(std::abs(counter_wh) < highest_counter_wh)) return;
  const std::int64_t energy_uwh = std::llround(counter_wh * 1e6);
  if (last_counter_ && energy_uwh > last_counter_->second) {
    const Duration width = time - last_counter_->first;
    Moved moved;
    moved.tick = {(last_counter_->first + Duration(width.count() / 2)).us, energy_uwh,
                  went_back_ || (moved_ && moved_->tick.broken)};
    moved.width_s = to_seconds(width).value;
    moved.step_uwh = energy_uwh - last_counter_->second;
    moved_ = moved;
    went_back_ = false;
  }
  if (last_counter_ && energy_uwh < last_counter_->second) went_back_ = true;
  last_counter_ = {time, energy_uwh};
}

TieStatistics ReadingTrail::power(double power_w) {
  TieStatistics repeats;
  const bool alike = power_w == last_shown_;
  if (alike_) {
    repeats.pairs = 1;
    repeats.equal = alike ? 1 : 0;
    repeats.singles = !alike && !*alike_ ? 1 : 0;
  }
  alike_ = alike;
  last_shown_ = power_w;
  return repeats;
}

}  // namespace nightwatt
