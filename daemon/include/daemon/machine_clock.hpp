// The machine's own clocks.
#pragma once

#include <string>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// CLOCK_BOOTTIME, which runs on while the machine sleeps, and CLOCK_REALTIME. Any thread.
class MachineClock final : public Clock {
 public:
  [[nodiscard]] MonoTime monotonic() const override;
  [[nodiscard]] UtcTime utc() const override;
};

/// Names the start of the machine that MachineClock::monotonic() counts from; empty where it is not known.
[[nodiscard]] std::string machine_boot();

}  // namespace nightwatt::daemon
