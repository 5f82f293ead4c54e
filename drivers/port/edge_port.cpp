#include "drivers/edge_port.hpp"

#include <linux/serial.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <cstring>
#include <optional>
#include <thread>

#include "s0/edge.hpp"

namespace nightwatt::drivers {

namespace {

constexpr long look_every_ns = 2'000'000;

int modem_bit(ModemLine line) {
  switch (line) {
    case ModemLine::dcd:
      return TIOCM_CD;
    case ModemLine::cts:
      return TIOCM_CTS;
    case ModemLine::dsr:
      return TIOCM_DSR;
    case ModemLine::ri:
      return TIOCM_RNG;
  }
  return TIOCM_CD;
}

/// The kernel's count of a line's changes; 0 where the driver keeps none.
std::uint32_t changes_of(int fd, ModemLine line) {
  serial_icounter_struct counts{};
  if (::ioctl(fd, TIOCGICOUNT, &counts) != 0) return 0;
  const int count = line == ModemLine::dcd   ? counts.dcd
                    : line == ModemLine::cts ? counts.cts
                    : line == ModemLine::dsr ? counts.dsr
                                             : counts.rng;
  return static_cast<std::uint32_t>(count);
}

std::uint64_t steady_us() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<std::uint64_t>(now.tv_sec) * 1'000'000U + static_cast<std::uint64_t>(now.tv_nsec / 1000);
}

}  // namespace

struct EdgePort::Watch {
  explicit Watch(OpenPort opened) : port(std::move(opened)) {}
  ~Watch() {
    stop = true;
    if (thread.joinable()) thread.join();
    for (const int end : ends)
      if (end >= 0) ::close(end);
  }
  Watch(const Watch&) = delete;
  Watch& operator=(const Watch&) = delete;

  /// Until it is told to stop, the port is gone, or nobody reads.
  void run(ModemLine line) const {
    std::optional<bool> was_on;
    while (!stop) {
      int bits = 0;
      if (::ioctl(port.fd(), TIOCMGET, &bits) != 0) break;
      const bool on = (bits & modem_bit(line)) != 0;
      if (was_on != on) {
        const auto bytes = s0::edge_bytes({on, steady_us(), changes_of(port.fd(), line)});
        if (::send(ends[1], bytes.data(), bytes.size(), MSG_NOSIGNAL) < 0 && errno != EAGAIN) break;
        was_on = on;
      }
      const timespec pause{0, look_every_ns};
      ::nanosleep(&pause, nullptr);
    }
    ::shutdown(ends[1], SHUT_RDWR);  // the reader sees that the port is gone
  }

  OpenPort port;
  int ends[2] = {-1, -1};  // the reader's, the thread's
  std::atomic<bool> stop{false};
  std::thread thread;
};

EdgePort::EdgePort(OpenPort port) : watch_(std::make_unique<Watch>(std::move(port))) {}
EdgePort::~EdgePort() = default;

int EdgePort::fd() const {
  return watch_->ends[0] >= 0 ? watch_->ends[0] : watch_->port.fd();
}

const std::string& EdgePort::path() const {
  return watch_->port.path();
}

PortResult<std::unique_ptr<EdgePort>> open_edges(const std::string& path, const LineSettings& line, ModemLine watched) {
  auto opened = open_port(path, line);
  if (!opened) return tl::unexpected(std::move(opened.error()));
  auto edges = std::make_unique<EdgePort>(std::move(*opened));
  EdgePort::Watch& watch = *edges->watch_;
  int bits = 0;
  const bool is_pseudo = watch.port.path().starts_with("/dev/pts/");
  if (is_pseudo) return edges;
  if (::ioctl(watch.port.fd(), TIOCMGET, &bits) != 0)
    return tl::unexpected(PortError{PortProblem::unsupported,
                                    path + ": has no modem lines, and pulses come on one; use another adapter"});
  // The contact is fed from these two.
  int feed = TIOCM_DTR | TIOCM_RTS;
  ::ioctl(watch.port.fd(), TIOCMBIS, &feed);
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0, watch.ends) != 0)
    return tl::unexpected(PortError{PortProblem::failed, path + ": " + std::strerror(errno)});
  watch.thread = std::thread([&watch, watched] { watch.run(watched); });
  return edges;
}

}  // namespace nightwatt::drivers
