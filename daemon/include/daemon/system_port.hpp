// The machine's ports, as the service opens them.
#pragma once

#include <memory>
#include <string>

#include "daemon/port_opener.hpp"

namespace nightwatt::daemon {

/// Opens the port a meter's config names: by path, by its adapter's USB identity, or over the network. The name of a
/// host is looked up in a thread that nobody waits for, since the system's resolver cannot be called off; the port is
/// tried again meanwhile. Loop thread.
class SystemPorts {
 public:
  SystemPorts();
  [[nodiscard]] tl::expected<OpenedPort, PortTrouble> operator()(const config::MeterConfig& meter) const;

 private:
  struct Names;
  [[nodiscard]] tl::expected<OpenedPort, PortTrouble> connect(const std::string& port) const;
  std::shared_ptr<Names> names_;
};

}  // namespace nightwatt::daemon
