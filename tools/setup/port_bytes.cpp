#include "setup/port_bytes.hpp"

#include <poll.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>

namespace nightwatt::setup {

drivers::PortResult<bool> listen(const drivers::OpenPort& port, Duration most, std::string& bytes,
                                 const std::function<bool(const std::string&)>& enough) {
  using Steady = std::chrono::steady_clock;
  const auto until = Steady::now() + most;
  std::array<char, 4096> chunk{};
  while (bytes.size() < listen_limit && !enough(bytes)) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(until - Steady::now()).count();
    if (left <= 0) return false;
    pollfd entry{port.fd(), POLLIN, 0};
    if (::poll(&entry, 1, static_cast<int>(left)) <= 0) continue;
    const ssize_t got = ::read(port.fd(), chunk.data(), chunk.size());
    if (got < 0 && (errno == EAGAIN || errno == EINTR)) continue;
    if (got <= 0)
      return tl::unexpected(
          drivers::PortError{drivers::PortProblem::missing, port.path() + " is gone: plug it in and begin again"});
    bytes.append(chunk.data(), static_cast<std::size_t>(got));
  }
  return true;
}

}  // namespace nightwatt::setup
