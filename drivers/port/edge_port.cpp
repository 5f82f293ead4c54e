#include "drivers/edge_port.hpp"

#include <linux/serial.h>
#include <pthread.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <optional>
#include <thread>

#include "port/line_watch.hpp"
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

/// The signal that ends a wait for a line: nothing is done in its handler, the call it interrupts returns.
int wake_signal() {
  static const int signal = [] {
    struct sigaction action {};
    action.sa_handler = [](int) {};
    const int chosen = SIGRTMIN + 5;
    ::sigaction(chosen, &action, nullptr);  // without SA_RESTART
    return chosen;
  }();
  return signal;
}

/// A line of a real port.
class PortLine final : public ModemInput {
 public:
  PortLine(int fd, ModemLine line, const std::atomic<bool>& stop) : fd_(fd), line_(line), stop_(stop) {}
  std::optional<bool> level() override {
    int bits = 0;
    if (::ioctl(fd_, TIOCMGET, &bits) != 0) return std::nullopt;
    return (bits & modem_bit(line_)) != 0;
  }
  std::uint32_t changes() override { return changes_of(fd_, line_); }
  Woken wait() override {
    if (::ioctl(fd_, TIOCMIWAIT, modem_bit(line_)) == 0 || errno == EINTR) return Woken::changed;
    return errno == EIO || errno == ENODEV || errno == ENXIO ? Woken::gone : Woken::cannot;
  }
  void pause() override {
    const timespec moment{0, look_every_ns};
    ::nanosleep(&moment, nullptr);
  }
  std::uint64_t now_us() override { return steady_us(); }
  bool stopped() override { return stop_; }

 private:
  int fd_;
  ModemLine line_;
  const std::atomic<bool>& stop_;
};

}  // namespace

struct EdgePort::Watch {
  explicit Watch(OpenPort opened) : port(std::move(opened)) {}
  ~Watch() {
    stop = true;
    // A signal that comes a moment before the wait begins is lost: again until the thread has seen it.
    while (thread.joinable() && !ended) {
      ::pthread_kill(thread.native_handle(), wake_signal());
      const timespec moment{0, 1'000'000};
      ::nanosleep(&moment, nullptr);
    }
    if (thread.joinable()) thread.join();
    for (const int end : ends)
      if (end >= 0) ::close(end);
  }
  Watch(const Watch&) = delete;
  Watch& operator=(const Watch&) = delete;

  /// Until it is told to stop, the port is gone, or nobody reads.
  void run(ModemLine line) {
    sigset_t signals;
    ::sigemptyset(&signals);
    ::sigaddset(&signals, wake_signal());
    ::pthread_sigmask(SIG_UNBLOCK, &signals, nullptr);
    PortLine input(port.fd(), line, stop);
    watch_line(input, [this](const s0::Edge& edge) {
      const auto bytes = s0::edge_bytes(edge);
      return ::send(ends[1], bytes.data(), bytes.size(), MSG_NOSIGNAL) >= 0 || errno == EAGAIN;
    });
    ::shutdown(ends[1], SHUT_RDWR);  // the reader sees that the port is gone
    ended = true;
  }

  OpenPort port;
  int ends[2] = {-1, -1};  // the reader's, the thread's
  bool polled = false;
  std::atomic<bool> stop{false};
  std::atomic<bool> ended{false};
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

std::string EdgePort::note() const {
  return watch_->polled ? "its driver cannot wait for an edge: the line is looked at every 2 ms" : "";
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
  // What cannot count a line's changes cannot wait for one either: the drivers have both or neither.
  serial_icounter_struct counts{};
  watch.polled = ::ioctl(watch.port.fd(), TIOCGICOUNT, &counts) != 0;
  static_cast<void>(wake_signal());
  watch.thread = std::thread([&watch, watched] { watch.run(watched); });
  return edges;
}

}  // namespace nightwatt::drivers
