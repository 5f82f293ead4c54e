// What a display shows, as a whole number of microwatts.
#pragma once

#include <cstdint>
#include <optional>

namespace nightwatt {

/// nullopt where the power is more than any display shows.
[[nodiscard]] std::optional<std::int64_t> microwatts_of(double power_w);

}  // namespace nightwatt
