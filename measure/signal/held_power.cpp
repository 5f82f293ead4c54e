#include "measure/signal/held_power.hpp"

#include "signal/archive.hpp"

namespace nightwatt {

namespace {
constexpr std::uint64_t state_version = 1;
}

template <class Archive, class Self>
void HeldPower::archive(Archive& ar, Self& self) {
  ar.version(state_version, state_version);
  ar(self.gaps_, self.last_, self.power_w_, self.next_beat_);
  // A damaged instant must not make a beat for each second since the beginning of time.
  ar.require(!self.last_ || (self.next_beat_ > *self.last_ - beat && self.next_beat_ <= *self.last_ + beat));
}

std::string HeldPower::save() const {
  return saved(*this);
}

Result<HeldPower> HeldPower::restore(std::string_view state, std::optional<double> gap_s) {
  HeldPower held(gap_s);
  if (restored(state, held)) return held;
  return fail(ErrorKind::input, "the saved state of held readings is damaged; segment the run anew");
}

}  // namespace nightwatt
