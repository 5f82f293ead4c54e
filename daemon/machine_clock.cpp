#include "daemon/machine_clock.hpp"

#include <ctime>
#include <fstream>

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
// random(4): "contains a random UUID generated at boot".
std::string machine_boot() {
  std::ifstream file("/proc/sys/kernel/random/boot_id");
  std::string id;
  std::getline(file, id);
  return id;
}

}  // namespace nightwatt::daemon
