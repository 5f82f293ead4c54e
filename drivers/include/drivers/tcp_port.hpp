// Ports over TCP, "tcp://HOST:PORT": a serial device server with raw bytes, or a meter that speaks Modbus TCP. No event
// loop in here; the caller puts the descriptor into its own.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "drivers/port.hpp"

namespace nightwatt::drivers {

struct TcpAddress {
  std::string host;  ///< a name, an IPv4 address, or an IPv6 address without its brackets
  std::uint16_t port = 0;
  friend bool operator==(const TcpAddress&, const TcpAddress&) = default;
};

/// Whether a port is meant to be on the network.
[[nodiscard]] bool is_tcp_port(std::string_view port);
/// nullopt: not "tcp://HOST:PORT" with a port from 1 to 65535.
[[nodiscard]] std::optional<TcpAddress> parse_tcp_port(std::string_view port);

/// A connection that is there or on its way: owns the descriptor, non-blocking and close-on-exec. It is there when it
/// can be written to and connect_error() is empty. The peer is asked for a sign of life where it is silent, so that a
/// dead one ends the connection within half a minute.
class TcpPort {
 public:
  explicit TcpPort(int fd) : fd_(fd) {}
  TcpPort(TcpPort&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  TcpPort& operator=(TcpPort&& other) noexcept;
  TcpPort(const TcpPort&) = delete;
  TcpPort& operator=(const TcpPort&) = delete;
  ~TcpPort();
  [[nodiscard]] int fd() const { return fd_; }
  /// Gives the descriptor away.
  [[nodiscard]] int release() { return std::exchange(fd_, -1); }

 private:
  int fd_ = -1;
};

/// Begins to connect, without waiting. `address.host` must be an address in figures: a name may take seconds to look
/// up.
[[nodiscard]] PortResult<TcpPort> begin_connect(const TcpAddress& address);
/// Of a connection that was on its way: why it did not come about; empty where it did.
[[nodiscard]] std::string connect_error(int fd);
/// The first address of a name, in figures. Waits for the system's resolver.
[[nodiscard]] PortResult<TcpAddress> look_up(const TcpAddress& address);
/// Whether the host is an address in figures.
[[nodiscard]] bool is_numeric(const TcpAddress& address);

}  // namespace nightwatt::drivers
