// Keeps a fault that repeats from filling the log: one line a minute, with the count of what was swallowed.
#pragma once

#include <cstdint>
#include <optional>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// One for each kind of fault and meter. One thread.
class RepeatLimiter {
 public:
  static constexpr Duration quiet{60'000'000};

  /// One more of its kind. How many were swallowed since the last line if this one may be said; nullopt: swallow it.
  [[nodiscard]] std::optional<std::uint64_t> admit(MonoTime now) {
    if (last_line_ && now - *last_line_ < quiet) {
      ++swallowed_;
      return std::nullopt;
    }
    last_line_ = now;
    const std::uint64_t swallowed = swallowed_;
    swallowed_ = 0;
    return swallowed;
  }

 private:
  std::optional<MonoTime> last_line_;
  std::uint64_t swallowed_ = 0;
};

}  // namespace nightwatt::daemon
