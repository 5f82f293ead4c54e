// Whether two sums that were made of the same numbers are the same.
#pragma once

#include <algorithm>
#include <cmath>

namespace nightwatt {

/// True where they differ by no more than another compiler's order of adding may.
[[nodiscard]] inline bool same_sum(double a, double b) {
  constexpr double relative = 1e-9;
  return std::abs(a - b) <= relative * std::max({1.0, std::abs(a), std::abs(b)});
}

}  // namespace nightwatt
