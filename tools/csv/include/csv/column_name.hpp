// What the name of a column says of what is in it; for files and for meters that print lines alike.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/decimal.hpp"
#include "measure/signal/reading.hpp"

namespace nightwatt::csv {

enum class ColumnRole : std::uint8_t { other, time, date, quantity };

struct ColumnMeaning {
  ColumnRole role = ColumnRole::other;
  Quantity quantity = Quantity::power;  ///< of a quantity
  std::optional<Decimal> scale;         ///< to the quantity's unit, where the name says its own
  std::optional<double> us_per_unit;    ///< of a time that is counted, where the name says its unit
  bool is_utc = false;                  ///< of a time: its name says so
  bool is_elapsed = false;              ///< of a time: counted from the record's begin
  std::string odd_unit;                 ///< of a power: a unit that is none of mW, W and kW
};
/// `Active power (W)`, `P_kW`, `Time [ms]`, `Leistung in W`. Lowest and highest values, apparent powers and the like
/// are other.
[[nodiscard]] ColumnMeaning meaning_of_column(std::string_view name);

}  // namespace nightwatt::csv
