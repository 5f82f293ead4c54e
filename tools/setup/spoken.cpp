#include "setup/spoken.hpp"

#include <algorithm>
#include <cmath>

#include "drivers/protocols.hpp"

namespace nightwatt::setup {

namespace {

/// Whether every value is whole in the steps that the profile promises.
bool shows_steps_of(const MeterProfile& profile, std::span<const drivers::Measurement> readings) {
  for (const ReadSpec& read : profile.reads)
    for (const drivers::Measurement& reading : readings) {
      const auto value = reading.values.get(read.quantity);
      if (!value || !read.resolution) continue;
      const double steps = value->value() / *read.resolution;
      constexpr double rounding = 1e-6;
      if (std::abs(steps - std::round(steps)) > rounding * std::max(1.0, std::abs(steps))) return false;
    }
  return true;
}

}  // namespace

bool is_spoken(const MeterProfile& profile) {
  return drivers::visit_settings(
      profile.protocol,
      drivers::Overloaded{[](const Iec62056Settings& head) { return head.mode == Iec62056Mode::d; },
                          [](const TextLineSettings&) { return false; },  // guessed by its lines, not known by frames
                          [](const S0PulseSettings&) { return false; },   // no bytes come over the line
                          []<class Settings>(const Settings&) { return !drivers::Asks<Settings>; }});
}

std::optional<ProbeAnswer> known_by(std::string_view bytes, std::uint32_t baud,
                                    std::span<const MeterProfile> profiles) {
  const bool eighth_bit =
      std::any_of(bytes.begin(), bytes.end(), [](char c) { return (static_cast<unsigned char>(c) & 0x80U) != 0; });
  std::optional<ProbeAnswer> best;
  int best_worth = 0;
  for (const MeterProfile& profile : profiles) {
    const auto decoder = drivers::make_capture_decoder(profile);
    if (!decoder) continue;
    drivers::Output out;
    (*decoder)->feed(std::as_bytes(std::span(bytes.data(), bytes.size())), out);
    if (out.readings.empty()) continue;
    const bool seven_bits = profile.line.data_bits == 7;
    const int worth = 1 + (shows_steps_of(profile, out.readings) ? 4 : 0) + (seven_bits == eighth_bit ? 2 : 0) +
                      (profile.line.baud == baud ? 1 : 0);
    if (worth <= best_worth) continue;
    best_worth = worth;
    best = ProbeAnswer{profile, out.readings, false};
    best->profile.line = {baud, Parity::none, 8, 1};
    if (eighth_bit && seven_bits) best->profile.line = {baud, Parity::even, 7, 1};
  }
  return best;
}

bool may_be_spoken(std::string_view bytes) {
  constexpr std::string_view sml_start = "\x1B\x1B\x1B\x1B\x01\x01\x01\x01";
  if (bytes.find(sml_start) != std::string_view::npos) return true;
  // A telegram's names, with whatever parity: `1-0:1.8.1(`.
  std::size_t names = 0;
  for (std::size_t at = 0; at < bytes.size(); ++at) {
    const auto is = [&](std::size_t i, char c) { return i < bytes.size() && (bytes[i] & 0x7F) == c; };
    if (is(at, '-') && is(at + 2, ':') && is(at + 4, '.')) ++names;
    if (is(at, '.') && is(at + 2, '.') && is(at + 4, '(')) ++names;
  }
  constexpr std::size_t no_accident = 2;
  return names >= no_accident;
}

}  // namespace nightwatt::setup
