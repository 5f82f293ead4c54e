// How a file writes its numbers, and one such number read.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/decimal.hpp"

namespace nightwatt::csv {

/// What one number says of the signs in it.
enum class NumberLook : std::uint8_t {
  plain,         ///< digits alone
  point,         ///< a point that can only be a decimal sign: 25.02
  point_either,  ///< 1.234: a decimal point, or, beside decimal commas, a thousand and more
  comma,         ///< a comma that can only be a decimal sign: 25,02
  either,        ///< 1,234: a decimal comma, or a thousand and more
  grouped,       ///< a comma that can only group digits: 1,925.02
  other_group,   ///< a point that can only group digits: 1.925,02; the comma is then the decimal sign
  none,          ///< no number
};
[[nodiscard]] NumberLook look_of(std::string_view cell);

/// A typographic minus as the plain one, and without blanks and apostrophes between groups of three digits.
[[nodiscard]] std::string plain_signs(std::string_view cell);

struct NumberForm {
  char decimal = '.';
  bool grouped = false;    ///< the other sign stands between groups of three digits
  Decimal factor{1, 0};    ///< to the quantity's unit
  bool says_unit = false;  ///< a unit stands behind each number, and says its factor
};

/// The number in its quantity's unit. nullopt: not of this form, or out of range.
[[nodiscard]] std::optional<Decimal> read_number(std::string_view cell, const NumberForm& form);
/// A cell by which programs say that there is no number: empty, `NaN`, `null`, `-` and the like.
[[nodiscard]] bool says_nothing(std::string_view cell);
/// The factor to watts of a unit of power, in letters of any size but for the m of `mW`; nullopt for anything else.
[[nodiscard]] std::optional<Decimal> watts_per(std::string_view unit);
/// `5.2 mW`: the unit behind a number, empty without one.
[[nodiscard]] std::string_view unit_behind(std::string_view cell);
/// Whether the number has a digit other than 0 below the last decimal that a reading takes.
[[nodiscard]] bool has_finer_digits(std::string_view cell, const NumberForm& form);

}  // namespace nightwatt::csv
