// A quantity's value as the bytes of a meter's registers.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "sim/script.hpp"

namespace nightwatt::sim {

/// How many 16-bit registers a type takes.
[[nodiscard]] int registers_taken(RegisterType type);

struct RegisterImage {
  std::vector<std::uint8_t> bytes;  ///< in the order of the wire
  std::string text;                 ///< what the bytes say, scaled, as plain decimal text
};

/// `value` is in the quantity's unit, before the display.
[[nodiscard]] RegisterImage to_registers(const ReadSpec& read, double value, const Script& script);

/// The display step of a quantity: the script's for power, else the profile's, else a usual one.
[[nodiscard]] double display_resolution(const ReadSpec& read, const Script& script);

}  // namespace nightwatt::sim
