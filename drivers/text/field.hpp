// One field of a text line: a number with or without its unit, the meter's "no value", or something else.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "measure/signal/decimal.hpp"
#include "measure/signal/reading.hpp"

namespace nightwatt::drivers::text {

enum class FieldState : std::uint8_t {
  number,   ///< a number, perhaps with a unit
  none,     ///< the meter has no value: empty, nan, inf, ovf, --
  word,     ///< does not begin like a number
  damaged,  ///< begins like a number and is none
  range,    ///< a number that no Decimal holds
};
struct Field {
  FieldState state = FieldState::word;
  Decimal value;
  std::string_view unit;  ///< of a number, as written; empty: none
};

/// Reads a whole field, blanks around it allowed. With `decimal_comma`, `230,1` is a number too.
[[nodiscard]] Field read_field(std::string_view text, bool decimal_comma);

/// Whether a field, its blanks taken off, begins like a number: neither word nor "no value".
[[nodiscard]] bool begins_number(std::string_view text, bool decimal_comma);

/// Without the blanks (space, tab) at both ends.
[[nodiscard]] std::string_view trimmed(std::string_view text);

/// What a written unit says about a quantity.
enum class UnitFit : std::uint8_t {
  known,    ///< the quantity's own, perhaps with a prefix
  foreign,  ///< of another quantity
  unknown,  ///< no unit we know
};
struct UnitMeaning {
  UnitFit fit = UnitFit::unknown;
  Decimal factor{1, 0};  ///< known: to the quantity's base unit
};
/// `kW` for power is 1000; capital or small letters matter only for m (milli) and M (mega).
[[nodiscard]] UnitMeaning unit_meaning(std::string_view unit, Quantity quantity);

/// Whether a line is text: no control characters but tab, and beyond ASCII only UTF-8 or the Latin-1 degree and micro
/// signs. What a wrong baud rate gives is not.
[[nodiscard]] bool is_printable(std::string_view line);

}  // namespace nightwatt::drivers::text
