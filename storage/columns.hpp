// A batch of readings by column: small in memory and ready to be packed.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "measure/signal/reading.hpp"

namespace nightwatt::storage {

/// Readings of one stream, oldest first. Rows where a quantity is absent hold zeros there.
class Columns {
 public:
  struct Column {
    std::vector<std::int64_t> mantissas;
    std::vector<std::int8_t> exponents;
    std::vector<std::uint8_t> present;
    std::size_t count = 0;  ///< how many are present; the vectors stay empty while 0
  };

  [[nodiscard]] std::size_t size() const { return times.size(); }
  [[nodiscard]] bool empty() const { return times.empty(); }
  [[nodiscard]] Column& column(Quantity quantity) { return columns[static_cast<std::size_t>(quantity)]; }
  [[nodiscard]] const Column& column(Quantity quantity) const { return columns[static_cast<std::size_t>(quantity)]; }
  [[nodiscard]] bool has(Quantity quantity, std::size_t row) const {
    const Column& c = column(quantity);
    return c.count != 0 && c.present[row] != 0;
  }
  [[nodiscard]] double value(Quantity quantity, std::size_t row) const;
  [[nodiscard]] Reading reading(std::size_t row) const;
  void push(const Reading& reading);
  /// First row at or after `time_us`.
  [[nodiscard]] std::size_t lower_bound(std::int64_t time_us) const;

  std::vector<std::int64_t> times;  ///< microseconds of the record
  std::array<Column, quantity_count> columns;
};

/// mantissa x 10^exponent to the nearest double (exactly rounded while the mantissa has at most 53 bits).
[[nodiscard]] double decimal_value(std::int64_t mantissa, int exponent);

/// mantissa x 10^places, where it fits.
[[nodiscard]] std::optional<std::int64_t> scaled(std::int64_t mantissa, int places);

}  // namespace nightwatt::storage
