#include "measure/signal/reading.hpp"

namespace nightwatt {

namespace {

struct QuantityWords {
  std::string_view name;
  std::string_view column;
};

// In the order of Quantity.
constexpr std::array<QuantityWords, quantity_count> words = {{{"power", "power_w"},
                                                              {"voltage", "voltage_v"},
                                                              {"current", "current_a"},
                                                              {"power_factor", "power_factor"},
                                                              {"frequency", "frequency_hz"},
                                                              {"energy", "energy_wh"},
                                                              {"energy_export", "energy_export_wh"},
                                                              {"apparent", "apparent_va"},
                                                              {"reactive", "reactive_var"}}};

}  // namespace

std::string_view quantity_name(Quantity quantity) {
  return words[static_cast<std::size_t>(quantity)].name;
}
std::string_view quantity_column(Quantity quantity) {
  return words[static_cast<std::size_t>(quantity)].column;
}

std::optional<Quantity> quantity_from_name(std::string_view name) {
  for (const Quantity quantity : all_quantities)
    if (quantity_name(quantity) == name) return quantity;
  return std::nullopt;
}

std::optional<Quantity> quantity_from_column(std::string_view column) {
  for (const Quantity quantity : all_quantities)
    if (quantity_column(quantity) == column) return quantity;
  return std::nullopt;
}

}  // namespace nightwatt
