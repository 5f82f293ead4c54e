// Numbers as SCPI instruments write them.
#pragma once

#include <cstdint>
#include <string_view>

#include "measure/signal/decimal.hpp"

namespace nightwatt::drivers::scpi {

enum class NumberState : std::uint8_t {
  number,
  none,    ///< 9.91E37, which is "not a number" (SCPI-99 volume 1, 7.2.1), and NAN
  beyond,  ///< +-9.9E37, which is infinity (the same), INF, NINF, and what no Decimal holds
  word,    ///< something else
};
struct Number {
  NumberState state = NumberState::word;
  Decimal value;
};

/// NR1, NR2 and NR3 of IEEE 488.2, and what instruments make of them: blanks around, a unit behind.
[[nodiscard]] Number read_number(std::string_view text);

/// An answer to SYSTem:ERRor?: `-113,"Undefined header"`. `number` and `text` are set where it is one.
[[nodiscard]] bool read_error(std::string_view line, int& number, std::string_view& text);

/// Whether a line begins as such an answer does, whole or damaged: a number, a comma, a quotation mark. Its number is
/// no value of a meter.
[[nodiscard]] bool begins_as_error(std::string_view line);

}  // namespace nightwatt::drivers::scpi
