#include "measure/signal/held_power.hpp"

#include "signal/bytes.hpp"

namespace nightwatt {

namespace {
constexpr std::uint8_t state_version = 1;
}

std::string HeldPower::save() const {
  ByteWriter out;
  out.byte(state_version);
  out.text(gaps_.save());
  out.byte(last_ ? 1 : 0);
  out.integer(last_ ? last_->us : 0);
  out.real(power_w_);
  out.integer(next_beat_.us);
  return out.take();
}

Result<HeldPower> HeldPower::restore(std::string_view state, std::optional<double> gap_s) {
  ByteReader in(state);
  HeldPower held(gap_s);
  if (in.byte() != state_version) in.refuse();
  Result<GapRule> gaps = GapRule::restore(in.text(), gap_s);
  if (gaps)
    held.gaps_ = std::move(*gaps);
  else
    in.refuse();
  const bool any = in.byte() == 1;
  const UtcTime last{in.integer()};
  if (any) held.last_ = last;
  held.power_w_ = in.real();
  held.next_beat_.us = in.integer();
  // A damaged instant must not make a beat for each second since the beginning of time.
  if (any && (held.next_beat_ <= last - HeldPower::beat || held.next_beat_ > last + HeldPower::beat)) in.refuse();
  if (!in.done()) return fail(ErrorKind::input, "the saved state of held readings is damaged; segment the run anew");
  return held;
}

}  // namespace nightwatt
