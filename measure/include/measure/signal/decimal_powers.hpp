// The powers of ten a Decimal and its arithmetic need, as tables.
#pragma once

#include <array>
#include <cstdint>

namespace nightwatt {

/// 10^0 to 10^18: all that fit a signed 64-bit integer.
inline constexpr std::array<std::int64_t, 19> integer_powers_of_ten = [] {
  std::array<std::int64_t, 19> powers{};
  std::int64_t power = 1;
  for (std::size_t i = 0; i < powers.size(); ++i) {
    powers[i] = power;
    if (i + 1 < powers.size()) power *= 10;
  }
  return powers;
}();

/// 10^0 to 10^22: all that a double holds exactly.
inline constexpr std::array<double, 23> exact_powers_of_ten = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                                               1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                                               1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

}  // namespace nightwatt
