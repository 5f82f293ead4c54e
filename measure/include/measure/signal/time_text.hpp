// Instants as text and back.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// `2026-01-05T21:00:00.000Z`; milliseconds always, microseconds where they are not zero.
[[nodiscard]] std::string utc_text(UtcTime time);
/// `2026-01-05 22:00:00 +01:00`, the machine's time zone.
[[nodiscard]] std::string local_text(UtcTime time);
/// Unix seconds with as many decimals as needed, up to 6: `1767646800.25`.
[[nodiscard]] std::string unix_text(UtcTime time);
/// ISO 8601 (date with or without time, `T` or space, `Z` or an offset; without one: local time) or Unix seconds with
/// decimals. Error kind input.
[[nodiscard]] Result<UtcTime> parse_time(std::string_view text);
/// `8 h 12 min`, `95 s`, `1.2 s`.
[[nodiscard]] std::string duration_text(Seconds seconds);

}  // namespace nightwatt
