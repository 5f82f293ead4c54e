// The machine's own clocks.
#pragma once

#include "measure/time.hpp"

namespace nightwatt::daemon {

/// CLOCK_BOOTTIME, which runs on while the machine sleeps, and CLOCK_REALTIME. Any thread.
class MachineClock final : public Clock {
 public:
  [[nodiscard]] MonoTime monotonic() const override;
  [[nodiscard]] UtcTime utc() const override;
};

}  // namespace nightwatt::daemon
