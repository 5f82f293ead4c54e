// A meter's registers as lines of a read-out: `1-0:1.7.0(01.193*kW)`.
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "sim/model.hpp"

namespace nightwatt::sim {

struct LineStyle {
  bool medium = true;   ///< with `1-0:` in front
  bool tariffs = true;  ///< energy in two tariffs that add up to it, else as a total
};
/// The lines of what the profile reads, at an instant; appends to `values` what a reader must come to. Power is told as
/// import and export, both positive, unless the profile names a register that may be negative.
[[nodiscard]] std::string register_lines(const MeterProfile& profile, const Model& model, double at_s, LineStyle style,
                                         std::vector<std::pair<Quantity, std::string>>& values);

/// Seven bits and even parity, as such a line has them: the parity is the eighth bit.
[[nodiscard]] std::vector<std::byte> with_even_parity(std::string_view text);

}  // namespace nightwatt::sim
