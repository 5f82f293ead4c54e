// What a display shows, as a whole number.
#pragma once

#include <cstdint>
#include <optional>

namespace nightwatt {

/// A display's value as a whole number; nullopt where it is beyond all displays.
[[nodiscard]] std::optional<std::int64_t> microwatts_of(double power_w);

}  // namespace nightwatt
