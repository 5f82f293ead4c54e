// What one meter says at one instant.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

#include "measure/signal/decimal.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// The quantities a stream may carry, in the order of import's columns.
enum class Quantity : std::uint8_t {
  power,          ///< W, signed: positive towards the device
  voltage,        ///< V
  current,        ///< A
  power_factor,   ///< 1
  frequency,      ///< Hz
  energy,         ///< Wh, a cumulative counter
  energy_export,  ///< Wh, a cumulative counter
  apparent,       ///< VA
  reactive,       ///< var
};
inline constexpr std::size_t quantity_count = 9;
inline constexpr std::array<Quantity, quantity_count> all_quantities = {
    Quantity::power,  Quantity::voltage,       Quantity::current,  Quantity::power_factor, Quantity::frequency,
    Quantity::energy, Quantity::energy_export, Quantity::apparent, Quantity::reactive};

/// The profile's word: "power", "energy_export", ...
[[nodiscard]] std::string_view quantity_name(Quantity quantity);
/// The column's and JSON's word with its unit: "power_w", "energy_wh", "apparent_va", ...
[[nodiscard]] std::string_view quantity_column(Quantity quantity);
[[nodiscard]] std::optional<Quantity> quantity_from_name(std::string_view name);
[[nodiscard]] std::optional<Quantity> quantity_from_column(std::string_view column);

/// The values of one reading; a quantity is there or it is not, zero means zero.
class Values {
 public:
  void set(Quantity quantity, Decimal value) {
    values_[index(quantity)] = value;
    present_ |= bit(quantity);
  }
  void clear(Quantity quantity) { present_ &= static_cast<std::uint16_t>(~bit(quantity)); }
  [[nodiscard]] bool has(Quantity quantity) const { return (present_ & bit(quantity)) != 0; }
  [[nodiscard]] bool empty() const { return present_ == 0; }
  /// Bit i set: the quantity with number i is there.
  [[nodiscard]] std::uint16_t present() const { return present_; }
  [[nodiscard]] std::optional<Decimal> get(Quantity quantity) const {
    if (!has(quantity)) return std::nullopt;
    return values_[index(quantity)];
  }
  friend bool operator==(const Values& a, const Values& b) {
    if (a.present_ != b.present_) return false;
    for (const Quantity q : all_quantities)
      if (a.has(q) && !(a.values_[index(q)] == b.values_[index(q)])) return false;
    return true;
  }

 private:
  static constexpr std::size_t index(Quantity quantity) { return static_cast<std::size_t>(quantity); }
  static constexpr std::uint16_t bit(Quantity quantity) { return static_cast<std::uint16_t>(1U << index(quantity)); }
  std::array<Decimal, quantity_count> values_{};
  std::uint16_t present_ = 0;
};

/// One reading of a stream: the record's instant (see UtcTime) and what the meter said.
struct Reading {
  UtcTime time;
  Values values;
  friend bool operator==(const Reading&, const Reading&) = default;
};

}  // namespace nightwatt
