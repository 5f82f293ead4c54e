#include "pulse_output.hpp"

#include <cmath>

#include "drivers/s0/settings.hpp"

namespace nightwatt::sim {
namespace {

constexpr double pulse_s = 0.05;  // IEC 62053-31: 30 ms at least

// The form of drivers/s0/edge.hpp, written anew.
std::vector<std::byte> edge(bool on, double at_s) {
  std::vector<std::uint8_t> bytes = {0xE5, static_cast<std::uint8_t>(on ? 1 : 0)};
  const auto us = static_cast<std::uint64_t>(std::llround(at_s * 1e6));
  for (int shift = 56; shift >= 0; shift -= 8) bytes.push_back(static_cast<std::uint8_t>(us >> shift & 0xFF));
  bytes.insert(bytes.end(), 4, 0);
  std::uint8_t sum = 0;
  for (const std::uint8_t byte : bytes) sum = static_cast<std::uint8_t>(sum ^ byte);
  bytes.push_back(sum);
  std::vector<std::byte> out;
  for (const std::uint8_t byte : bytes) out.push_back(static_cast<std::byte>(byte));
  return out;
}

}  // namespace

PulseOutput::PulseOutput(const MeterProfile& profile, Script script, std::uint64_t seed)
    : pulses_per_wh_(profile.protocol.find<S0PulseSettings>()->pulses_per_kwh / 1000.0),
      model_(std::move(script), seed),
      first_pulses_(model_.energy_wh(0.0) * pulses_per_wh_) {}

double PulseOutput::pulses_at(double at_s) const {
  return std::floor(model_.energy_wh(at_s) * pulses_per_wh_ - first_pulses_);
}

void PulseOutput::say(bool on, double at_s, std::vector<Chunk>& out) {
  out.push_back({edge(on, at_s), std::nullopt});
}

void PulseOutput::advance(double at_s, std::vector<Chunk>& out) {
  while (looked_s_ + look_every_s <= at_s) {
    looked_s_ += look_every_s;
    if (on_since_s_ >= 0.0 && looked_s_ - on_since_s_ >= pulse_s) {
      on_since_s_ = -1.0;
      say(false, looked_s_, out);
    }
    if (on_since_s_ < 0.0 && pulses_at(looked_s_) > sent_) {
      ++sent_;
      on_since_s_ = looked_s_;
      say(true, looked_s_, out);
    }
  }
}

void PulseOutput::plugged(double at_s, std::vector<Chunk>&) {
  looked_s_ = at_s;
  sent_ = pulses_at(at_s);
  on_since_s_ = -1.0;
}

}  // namespace nightwatt::sim
