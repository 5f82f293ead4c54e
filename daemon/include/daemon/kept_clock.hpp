// The record's clock as the store keeps it, so that the next service goes on in the same time line.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

struct KeptClock {
  std::string boot;    ///< of the machine: while it runs on, so does the record; empty: not known
  Duration offset{0};  ///< record time minus the monotonic clock's
  UtcTime since;  ///< where this stretch of the record began; before it lies an outage that no clock saw, or nothing
  Duration utc_offset{0};  ///< UTC minus record time
};

/// `1 BOOT OFFSET SINCE SHIFT`, times in microseconds, BOOT `-` where it is not known.
[[nodiscard]] std::string encode(const KeptClock& clock);
/// None for all that encode() did not write.
[[nodiscard]] std::optional<KeptClock> decode_kept_clock(std::string_view text);

/// The value's name in the store.
inline constexpr std::string_view kept_clock_name = "clock";

}  // namespace nightwatt::daemon
