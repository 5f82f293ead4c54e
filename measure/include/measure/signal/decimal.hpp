// A decimal number exactly as a meter said it: an integer count of a power of ten.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace nightwatt {

/// mantissa x 10^exponent. `25.00` and `25.0` are different texts of one value: the exponent keeps the meter's digits.
/// Range: |value| < 9e9 and exponent in [-9, 9], so that any two can be brought to one exponent in 64 bits.
struct Decimal {
  static constexpr int lowest_exponent = -9;
  static constexpr int highest_exponent = 9;
  static constexpr double magnitude_limit = 9e9;

  std::int64_t mantissa = 0;
  std::int8_t exponent = 0;

  [[nodiscard]] double value() const;

  /// Same value (25.0 == 25.00).
  friend bool operator==(const Decimal& a, const Decimal& b);

  /// The mantissa at a finer or equal exponent; `to_exponent` <= exponent. nullopt if it does not fit 64 bits.
  [[nodiscard]] std::optional<std::int64_t> mantissa_at(int to_exponent) const;

  /// Plain decimal text with all digits of the exponent ("25.00"), never scientific.
  [[nodiscard]] std::string text() const;

  /// Reads `-12`, `230.4`, `+2.304E+02`; the whole text must be a number. Digits below 10^-9 are rounded half to even.
  /// nullopt for anything else, NaN and infinities included, and for what is out of range.
  [[nodiscard]] static std::optional<Decimal> parse(std::string_view text);

  /// The shortest decimal that reads back as exactly this float: what a float register "says".
  [[nodiscard]] static std::optional<Decimal> from_float(float value);
  [[nodiscard]] static std::optional<Decimal> from_double(double value);

  /// Exact product, rounded half to even only below 10^-9; nullopt if out of range. For a profile's `scale`.
  [[nodiscard]] std::optional<Decimal> times(const Decimal& scale) const;
};

}  // namespace nightwatt
