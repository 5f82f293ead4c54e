#include "daemon/system_port.hpp"

#include <utility>

#include "drivers/port.hpp"

namespace nightwatt::daemon {
namespace {

tl::unexpected<PortTrouble> trouble(const drivers::PortError& error) {
  return tl::unexpected(PortTrouble{std::string(drivers::port_problem_name(error.problem)), error.message});
}

}  // namespace

tl::expected<OpenedPort, PortTrouble> open_system_port(const config::MeterConfig& meter) {
  std::string path = meter.port;
  if (meter.usb) {
    auto found = drivers::find_port({meter.usb->vendor, meter.usb->product, meter.usb->serial});
    if (!found) return trouble(found.error());
    path = std::move(*found);
  }
  auto opened = drivers::open_port(path, meter.profile.line);
  if (!opened) return trouble(opened.error());
  const auto keeper = std::make_shared<drivers::OpenPort>(std::move(*opened));
  const std::string where = keeper->path() == path ? path : path + " (" + keeper->path() + ")";
  return OpenedPort{keeper->fd(), where, keeper};
}

}  // namespace nightwatt::daemon
