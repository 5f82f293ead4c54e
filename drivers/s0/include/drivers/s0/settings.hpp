// The settings of a meter with a pulse output on a modem line.
#pragma once

#include <cstdint>
#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt {

namespace drivers {
class Protocol;
}

enum class ModemLine : std::uint8_t { dcd, cts, dsr, ri };
struct S0PulseSettings {
  static constexpr std::string_view protocol_name = "s0-pulse";
  [[nodiscard]] static const drivers::Protocol& protocol();
  ModemLine line = ModemLine::dcd;
  double pulses_per_kwh = 1000.0;
  Duration shortest_on{20'000};  ///< what is on for less is a bounce (IEC 62053-31: a pulse lasts 30 ms at least)
  friend bool operator==(const S0PulseSettings&, const S0PulseSettings&) = default;
};

}  // namespace nightwatt
