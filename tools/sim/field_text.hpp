// A quantity's value as a meter writes it in figures.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "sim/script.hpp"

namespace nightwatt::sim {

struct FieldText {
  std::string raw;   ///< as the meter says it
  std::string text;  ///< scaled to the quantity's unit
};
/// `value` is in the quantity's unit, before the display.
[[nodiscard]] FieldText to_field(const ReadSpec& read, double value, const Script& script);
[[nodiscard]] std::vector<std::byte> to_bytes(std::string_view text);

}  // namespace nightwatt::sim
