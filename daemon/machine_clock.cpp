#include "daemon/machine_clock.hpp"

#include <ctime>

namespace nightwatt::daemon {
namespace {

std::int64_t microseconds(clockid_t clock) {
  timespec now{};
  clock_gettime(clock, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000 + now.tv_nsec / 1000;
}

}  // namespace

MonoTime MachineClock::monotonic() const {
  return {microseconds(CLOCK_BOOTTIME)};
}
UtcTime MachineClock::utc() const {
  return {microseconds(CLOCK_REALTIME)};
}

}  // namespace nightwatt::daemon
