#include "measure/signal/microwatts.hpp"

#include <cmath>

namespace nightwatt {

std::optional<std::int64_t> microwatts_of(double power_w) {
  constexpr double highest_w = 1e9;
  if (!(std::abs(power_w) < highest_w)) return std::nullopt;
  return std::llround(power_w * 1e6);
}

}  // namespace nightwatt
