// Listens to a port for a while.
#pragma once

#include <cstddef>
#include <functional>
#include <string>

#include "drivers/port.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::setup {

/// Kept of what a port says while one looks at it; a fast meter at 115200 baud fills it in six seconds.
inline constexpr std::size_t listen_limit = std::size_t{64} * 1024;

/// Appends what comes to `bytes` until `enough(bytes)` or the time is over. PortProblem::missing: the port is gone.
[[nodiscard]] drivers::PortResult<bool> listen(const drivers::OpenPort& port, Duration most, std::string& bytes,
                                               const std::function<bool(const std::string&)>& enough);

}  // namespace nightwatt::setup
