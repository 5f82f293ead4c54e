// Meters that speak by themselves in a protocol with frames, known by what they say.
#pragma once

#include <optional>
#include <span>
#include <string_view>

#include "measure/signal/meter_profile.hpp"
#include "setup/modbus_probe.hpp"

namespace nightwatt::setup {

/// Whether a meter of this profile is found by listening: it speaks by itself, and in frames, not lines.
[[nodiscard]] bool is_spoken(const MeterProfile& profile);

/// The profile that reads something out of the bytes heard at this speed, with its line: seven bits where each byte had
/// its parity with it. Of several the one whose steps the values show, then the one whose line it is. nullopt: none
/// does.
[[nodiscard]] std::optional<ProbeAnswer> known_by(std::string_view bytes, std::uint32_t baud,
                                                  std::span<const MeterProfile> profiles);

/// Whether the bytes may be the beginning of such a frame: then more is worth waiting for.
[[nodiscard]] bool may_be_spoken(std::string_view bytes);

}  // namespace nightwatt::setup
