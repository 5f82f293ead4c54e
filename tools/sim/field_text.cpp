#include "field_text.hpp"

#include <algorithm>
#include <cmath>

#include "registers.hpp"
#include "sim/model.hpp"

namespace nightwatt::sim {

std::vector<std::byte> to_bytes(std::string_view text) {
  std::vector<std::byte> bytes(text.size());
  std::transform(text.begin(), text.end(), bytes.begin(), [](char c) { return static_cast<std::byte>(c); });
  return bytes;
}

FieldText to_field(const ReadSpec& read, double value, const Script& script) {
  const double scale = static_cast<double>(read.scale.mantissa) * std::pow(10.0, read.scale.exponent);
  const double step = display_resolution(read, script);
  const bool is_counter = read.quantity == Quantity::energy || read.quantity == Quantity::energy_export;
  const DisplayRule rule = is_counter                         ? DisplayRule::truncate
                           : read.quantity == Quantity::power ? script.display_rule
                                                              : DisplayRule::round;
  const double shown = on_display(value, step, rule);
  const int raw_decimals = decimals_of(step / scale);
  const int scale_decimals = std::max(0, -static_cast<int>(read.scale.exponent));
  return {fixed_text(shown / scale, raw_decimals), fixed_text(shown, std::min(9, raw_decimals + scale_decimals))};
}

}  // namespace nightwatt::sim
