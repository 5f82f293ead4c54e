#include "drivers/tcp_port.hpp"

#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <memory>

namespace nightwatt::drivers {

namespace {

constexpr std::string_view scheme = "tcp://";

/// Silence before the peer is asked for a sign of life, between two such, how many, and how long what was sent may stay
/// unacknowledged: together half a minute at most.
constexpr int idle_s = 10;
constexpr int probe_every_s = 4;
constexpr int probes = 3;
constexpr int unacknowledged_ms = 10'000;

struct AddressFree {
  void operator()(addrinfo* list) const { ::freeaddrinfo(list); }
};
using Addresses = std::unique_ptr<addrinfo, AddressFree>;

std::string text_of(const TcpAddress& address) {
  const bool v6 = address.host.find(':') != std::string::npos;
  return std::string(scheme) + (v6 ? "[" + address.host + "]" : address.host) + ":" + std::to_string(address.port);
}

tl::unexpected<PortError> problem(PortProblem kind, const TcpAddress& address, const std::string& what) {
  return tl::unexpected(PortError{kind, text_of(address) + ": " + what});
}

Addresses addresses_of(const TcpAddress& address, int flags, int& error) {
  addrinfo hints{};
  hints.ai_socktype = SOCK_STREAM;
  hints.ai_flags = flags | AI_NUMERICSERV;
  addrinfo* list = nullptr;
  error = ::getaddrinfo(address.host.c_str(), std::to_string(address.port).c_str(), &hints, &list);
  return Addresses(error == 0 ? list : nullptr);
}

void set_option(int fd, int level, int name, int value) {
  // Best effort: without one of these a dead peer is noticed later.
  static_cast<void>(::setsockopt(fd, level, name, &value, sizeof value));
}

void watch_peer(int fd) {
  set_option(fd, IPPROTO_TCP, TCP_NODELAY, 1);
  set_option(fd, SOL_SOCKET, SO_KEEPALIVE, 1);
  set_option(fd, IPPROTO_TCP, TCP_KEEPIDLE, idle_s);
  set_option(fd, IPPROTO_TCP, TCP_KEEPINTVL, probe_every_s);
  set_option(fd, IPPROTO_TCP, TCP_KEEPCNT, probes);
  set_option(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, unacknowledged_ms);
}

}  // namespace

bool is_tcp_port(std::string_view port) {
  return port.starts_with(scheme);
}

std::optional<TcpAddress> parse_tcp_port(std::string_view port) {
  if (!is_tcp_port(port)) return std::nullopt;
  port.remove_prefix(scheme.size());
  const std::size_t colon = port.rfind(':');
  if (colon == std::string_view::npos || colon == 0) return std::nullopt;
  TcpAddress address;
  std::string_view host = port.substr(0, colon);
  const std::string_view digits = port.substr(colon + 1);
  if (host.front() == '[') {
    if (host.size() < 3 || host.back() != ']') return std::nullopt;
    host = host.substr(1, host.size() - 2);
  } else if (host.find(':') != std::string_view::npos) {
    return std::nullopt;  // an IPv6 address needs its brackets
  }
  if (host.find_first_of("/ []") != std::string_view::npos) return std::nullopt;
  const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), address.port);
  if (error != std::errc{} || end != digits.data() + digits.size() || address.port == 0) return std::nullopt;
  address.host = std::string(host);
  return address;
}

TcpPort& TcpPort::operator=(TcpPort&& other) noexcept {
  std::swap(fd_, other.fd_);
  return *this;
}

TcpPort::~TcpPort() {
  if (fd_ >= 0) ::close(fd_);
}

bool is_numeric(const TcpAddress& address) {
  int error = 0;
  return addresses_of(address, AI_NUMERICHOST, error) != nullptr;
}

PortResult<TcpAddress> look_up(const TcpAddress& address) {
  int error = 0;
  const Addresses found = addresses_of(address, AI_ADDRCONFIG, error);
  if (!found) return problem(PortProblem::missing, address, std::string("no such host: ") + ::gai_strerror(error));
  std::array<char, NI_MAXHOST> host{};
  error = ::getnameinfo(found->ai_addr, found->ai_addrlen, host.data(), host.size(), nullptr, 0, NI_NUMERICHOST);
  if (error != 0) return problem(PortProblem::failed, address, ::gai_strerror(error));
  return TcpAddress{host.data(), address.port};
}

PortResult<TcpPort> begin_connect(const TcpAddress& address) {
  int error = 0;
  const Addresses found = addresses_of(address, AI_NUMERICHOST, error);
  if (!found) return problem(PortProblem::failed, address, "not an address in figures");
  TcpPort port(::socket(found->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
  if (port.fd() < 0) return problem(PortProblem::failed, address, std::strerror(errno));
  watch_peer(port.fd());
  if (::connect(port.fd(), found->ai_addr, found->ai_addrlen) != 0 && errno != EINPROGRESS)
    return problem(PortProblem::missing, address, std::strerror(errno));
  return port;
}

std::string connect_error(int fd) {
  int error = 0;
  socklen_t length = sizeof error;
  if (::getsockopt(fd, SOL_SOCKET, SO_ERROR, &error, &length) != 0) error = errno;
  return error == 0 ? std::string() : std::string(std::strerror(error));
}

}  // namespace nightwatt::drivers
