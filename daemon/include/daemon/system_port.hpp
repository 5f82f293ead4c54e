// The machine's serial ports, as the service opens them.
#pragma once

#include "daemon/port_opener.hpp"

namespace nightwatt::daemon {

/// Opens the port a meter's config names, by path or by its adapter's USB identity.
[[nodiscard]] tl::expected<OpenedPort, PortTrouble> open_system_port(const config::MeterConfig& meter);

}  // namespace nightwatt::daemon
