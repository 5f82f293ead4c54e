// How the system's environment gets at a meter's port: a seam, so that tests can hand in a socket pair.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "config/config.hpp"
#include "daemon/environment.hpp"

namespace nightwatt::daemon {

/// An open port. `descriptor` is non-blocking and stays the keeper's; letting go of the keeper closes it.
struct OpenedPort {
  int descriptor = -1;
  std::string where;  ///< what to call it in the log
  std::shared_ptr<void> keeper;
  bool connecting = false;  ///< over the network, not there yet: it is when it can be written to
};

using PortOpener = std::function<tl::expected<OpenedPort, PortTrouble>(const config::MeterConfig&)>;

}  // namespace nightwatt::daemon
