#include "daemon/supervisor.hpp"

#include <systemd/sd-daemon.h>

#include <ctime>
#include <string>

namespace nightwatt::daemon {

void SystemdSupervisor::ready() {
  sd_notify(0, "READY=1");
}

// Type=notify-reload wants to know when (sd_notify(3)).
void SystemdSupervisor::reloading() {
  timespec now{};
  clock_gettime(CLOCK_MONOTONIC, &now);
  const auto us = static_cast<std::int64_t>(now.tv_sec) * 1'000'000 + now.tv_nsec / 1000;
  sd_notify(0, ("RELOADING=1\nMONOTONIC_USEC=" + std::to_string(us)).c_str());
}

void SystemdSupervisor::stopping() {
  sd_notify(0, "STOPPING=1");
}
void SystemdSupervisor::alive() {
  sd_notify(0, "WATCHDOG=1");
}

std::optional<Duration> SystemdSupervisor::watchdog() const {
  std::uint64_t us = 0;
  if (sd_watchdog_enabled(0, &us) <= 0) return std::nullopt;
  return Duration(static_cast<std::int64_t>(us));
}

}  // namespace nightwatt::daemon
