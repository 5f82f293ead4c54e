#include "daemon/system_port.hpp"

#include <map>
#include <mutex>
#include <optional>
#include <thread>
#include <utility>

#include "drivers/edge_port.hpp"
#include "drivers/message_port.hpp"
#include "drivers/port.hpp"
#include "drivers/scpi/settings.hpp"
#include "drivers/tcp_port.hpp"

namespace nightwatt::daemon {
namespace {

tl::unexpected<PortTrouble> trouble(const drivers::PortError& error) {
  return tl::unexpected(PortTrouble{std::string(drivers::port_problem_name(error.problem)), error.message});
}

std::string where_text(const std::string& asked, const std::string& device) {
  return device == asked ? asked : asked + " (" + device + ")";
}

}  // namespace

/// Hosts that were or are being looked up; shared with the threads that do it.
struct SystemPorts::Names {
  std::mutex mutex;
  std::map<std::string, std::optional<drivers::PortResult<drivers::TcpAddress>>> known;
};

SystemPorts::SystemPorts() : names_(std::make_shared<Names>()) {}

tl::expected<OpenedPort, PortTrouble> SystemPorts::connect(const std::string& port) const {
  auto address = drivers::parse_tcp_port(port);
  if (!address) return tl::unexpected(PortTrouble{"failed", port + ": write it as tcp://HOST:PORT"});
  if (!drivers::is_numeric(*address)) {
    const std::lock_guard lock(names_->mutex);
    const auto entry = names_->known.find(port);
    if (entry == names_->known.end()) {
      names_->known.emplace(port, std::nullopt);
      std::thread([names = names_, wanted = *address, port] {
        auto found = drivers::look_up(wanted);
        const std::lock_guard found_lock(names->mutex);
        names->known[port] = std::move(found);
      }).detach();
    }
    if (entry == names_->known.end() || !entry->second)
      return tl::unexpected(PortTrouble{PortTrouble::opening, port + ": looking its name up"});
    // Looked up anew for the next connection: an address may have moved.
    const auto found = std::move(*entry->second);
    names_->known.erase(entry);
    if (!found) return trouble(found.error());
    address = *found;
  }
  auto begun = drivers::begin_connect(*address);
  if (!begun) return trouble(begun.error());
  const auto keeper = std::make_shared<drivers::TcpPort>(std::move(*begun));
  return OpenedPort{keeper->fd(), port, keeper, true};
}

tl::expected<OpenedPort, PortTrouble> SystemPorts::operator()(const config::MeterConfig& meter) const {
  if (drivers::is_tcp_port(meter.port)) return connect(meter.port);
  std::string path = meter.port;
  if (meter.usb) {
    auto found = drivers::find_port({meter.usb->vendor, meter.usb->product, meter.usb->serial});
    if (!found) return trouble(found.error());
    path = std::move(*found);
  }
  if (const auto* pulses = meter.profile.protocol.find<S0PulseSettings>()) {
    auto edges = drivers::open_edges(path, meter.profile.line, pulses->line);
    if (!edges) return trouble(edges.error());
    const std::shared_ptr<drivers::EdgePort> keeper = std::move(*edges);
    const std::string note = keeper->note();
    return OpenedPort{keeper->fd(), where_text(path, keeper->path()) + (note.empty() ? "" : ": " + note), keeper,
                      false};
  }
  const auto* scpi = meter.profile.protocol.find<ScpiSettings>();
  if (scpi != nullptr && drivers::is_message_port(path)) {
    auto messages = drivers::open_messages(path, scpi->timeout);
    if (!messages) return trouble(messages.error());
    const std::shared_ptr<drivers::MessagePort> keeper = std::move(*messages);
    return OpenedPort{keeper->fd(), path, keeper, false};
  }
  auto opened = drivers::open_port(path, meter.profile.line);
  if (!opened) return trouble(opened.error());
  const auto keeper = std::make_shared<drivers::OpenPort>(std::move(*opened));
  return OpenedPort{keeper->fd(), where_text(path, keeper->path()), keeper, false};
}

}  // namespace nightwatt::daemon
