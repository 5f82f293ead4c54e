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

void ReadingTrail::save(ByteWriter& out) const {
  out.byte(last_counter_ ? 1 : 0);
  out.integer(last_counter_ ? last_counter_->first.us : 0);
  out.integer(last_counter_ ? last_counter_->second : 0);
  out.byte(went_back_ ? 1 : 0);
  write_moved(out, moved_);
  out.real(last_shown_);
  out.byte(alike_ ? (*alike_ ? 2 : 1) : 0);
}

void ReadingTrail::restore(ByteReader& in) {
  const bool has_counter = in.byte() == 1;
  const UtcTime at{in.integer()};
  last_counter_ = {at, in.integer()};
  if (!has_counter) last_counter_.reset();
  went_back_ = in.byte() == 1;
  moved_ = read_moved(in);
  last_shown_ = in.real();
  const std::uint8_t alike = in.byte();
  alike_ = alike == 2;
  if (alike == 0) alike_.reset();
}

void write_moved(ByteWriter& out, const std::optional<Moved>& moved) {
  out.byte(moved ? (moved->tick.broken ? 2 : 1) : 0);
  if (!moved) return;
  out.integer(moved->tick.at_us);
  out.integer(moved->tick.energy_uwh);
  out.real(moved->width_s);
  out.integer(moved->step_uwh);
}

std::optional<Moved> read_moved(ByteReader& in) {
  const std::uint8_t kind = in.byte();
  if (kind == 0) return std::nullopt;
  Moved moved;
  moved.tick.broken = kind == 2;
  moved.tick.at_us = in.integer();
  moved.tick.energy_uwh = in.integer();
  moved.width_s = in.real();
  moved.step_uwh = in.integer();
  return moved;
}

void write_repeats(ByteWriter& out, const TieStatistics& repeats) {
  for (const std::int64_t x : {repeats.pairs, repeats.equal, repeats.singles}) out.integer(x);
}

TieStatistics read_repeats(ByteReader& in) {
  TieStatistics repeats;
  for (std::int64_t* x : {&repeats.pairs, &repeats.equal, &repeats.singles}) *x = in.integer();
  return repeats;
}

}  // namespace nightwatt
