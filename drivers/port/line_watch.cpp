#include "port/line_watch.hpp"

namespace nightwatt::drivers {

namespace {

/// Between two looks so close no pulse comes and goes: it lasts 30 ms at least (IEC 62053-31). What changed unseen was
/// a contact that bounced.
constexpr std::uint64_t no_pulse_within_us = 10'000;
/// While one waits for changes it is not known how late one was woken. A contact bounces some three times; more
/// changes than that were pulses.
constexpr std::uint32_t most_by_bounces = 8;

}  // namespace

void watch_line(ModemInput& input, const std::function<bool(const s0::Edge&)>& on_edge) {
  bool can_wait = true;
  std::optional<bool> was_on;
  std::uint32_t counted = input.changes();
  std::uint32_t told = counted;
  std::uint64_t looked_us = input.now_us();
  while (!input.stopped()) {
    const auto on = input.level();
    if (!on) return;
    const std::uint64_t now_us = input.now_us();
    const std::uint32_t count = input.changes();
    const std::uint32_t seen = was_on && was_on != on ? 1 : 0;
    const std::uint32_t fresh = count - counted;
    const bool bounced = can_wait ? fresh <= most_by_bounces : now_us - looked_us < no_pulse_within_us;
    told += bounced ? seen : fresh;
    counted = count;
    looked_us = now_us;
    // A pulse that came and went unseen stands in the count of the next edge.
    if (was_on != on && !on_edge({*on, now_us, count == 0 ? 0 : told})) return;
    was_on = on;
    if (!can_wait) {
      input.pause();
      continue;
    }
    const ModemInput::Woken woken = input.wait();
    if (woken == ModemInput::Woken::gone) return;
    can_wait = woken != ModemInput::Woken::cannot;
  }
}

}  // namespace nightwatt::drivers
