// The environment of a service that really runs: the machine's clocks, serial ports, threads and sockets.
#pragma once

#include <functional>
#include <memory>

#include "daemon/environment.hpp"
#include "daemon/port_opener.hpp"

namespace nightwatt::daemon {

/// `open_port`: how to get at a meter's port; main hands in open_system_port, tests a socket pair.
[[nodiscard]] std::unique_ptr<Environment> make_system_environment(PortOpener open_port);

}  // namespace nightwatt::daemon
