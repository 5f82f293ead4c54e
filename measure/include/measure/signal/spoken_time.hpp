// Times as people say them, relative to a now.
#pragma once

#include <string_view>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// What parse_time() takes, and `now`, `21:15` and `21:15:30` (the last one), `today`, `yesterday` (their begin),
/// `yesterday 21:15`, `2 h ago`, `1 h 30 min ago`, `3 days ago`; local time throughout. Error kind input.
[[nodiscard]] Result<UtcTime> parse_spoken_time(std::string_view text, UtcTime now);

}  // namespace nightwatt
