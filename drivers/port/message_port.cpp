#include "drivers/message_port.hpp"

#include <fcntl.h>
#include <linux/usb/tmc.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <thread>

namespace nightwatt::drivers {

namespace {

constexpr std::string_view device_folder = "/dev/usbtmc";
/// The longest line to an instrument: a query has 128 characters at most, a setup line likewise.
constexpr std::size_t line_limit = 1024;
/// The driver takes no shorter time-out than this.
constexpr std::uint32_t shortest_timeout_ms = 500;

bool is_gone(int error) {
  return error == ENODEV || error == ENXIO || error == EPIPE || error == ECONNRESET || error == EBADF;
}

/// The two descriptors of one thread, closed when it ends.
struct Carrier {
  int device;
  int end;
  Carrier(int of_device, int of_end) : device(of_device), end(of_end) {}
  Carrier(const Carrier&) = delete;
  Carrier& operator=(const Carrier&) = delete;
  ~Carrier() {
    ::close(device);
    ::close(end);
  }

  /// false: the device is gone.
  bool carry(const std::string& line) const {
    if (::write(device, line.data(), line.size()) < 0) return forgive();
    if (line.find('?') == std::string::npos) return true;
    std::array<char, 4096> answer{};
    while (true) {
      const ssize_t got = ::read(device, answer.data(), answer.size() - 1);
      if (got < 0) return forgive();
      if (got == 0) return false;
      auto length = static_cast<std::size_t>(got);
      // The end of a message is the end of an answer, with or without its line end.
      const bool whole = length < answer.size() - 1;
      if (whole && answer.at(length - 1) != '\n') answer.at(length++) = '\n';
      if (::send(end, answer.data(), length, MSG_NOSIGNAL) < 0 && errno != EAGAIN) return false;
      if (whole) return true;
    }
  }

  /// A question without an answer leaves the device waiting to be read: cleared, it takes the next one.
  bool forgive() const {
    if (is_gone(errno)) return false;
    ::ioctl(device, USBTMC_IOCTL_CLEAR);
    return true;
  }

  void run() const {
    std::string line;
    std::array<char, 512> bytes{};
    while (true) {
      const ssize_t got = ::read(end, bytes.data(), bytes.size());
      if (got < 0 && errno == EINTR) continue;
      if (got <= 0) return;
      for (const char c : std::string_view(bytes.data(), static_cast<std::size_t>(got))) {
        if (line.size() < line_limit) line += c;
        if (c != '\n') continue;
        if (!carry(line)) {
          ::shutdown(end, SHUT_RDWR);  // the reader sees that the port is gone
          return;
        }
        line.clear();
      }
    }
  }
};

tl::unexpected<PortError> problem(PortProblem kind, const std::string& path, const std::string& what) {
  return tl::unexpected(PortError{kind, path + ": " + what});
}

}  // namespace

bool is_message_port(std::string_view path) {
  return path.starts_with(device_folder);
}

std::unique_ptr<MessagePort> MessagePort::carry(int device) {
  int ends[2] = {-1, -1};
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
    ::close(device);
    return nullptr;
  }
  // The reader's end never waits, the thread's does.
  ::fcntl(ends[0], F_SETFL, ::fcntl(ends[0], F_GETFL) | O_NONBLOCK);
  auto carrier = std::make_shared<Carrier>(device, ends[1]);
  std::thread([carrier] { carrier->run(); }).detach();
  return std::unique_ptr<MessagePort>(new MessagePort(ends[0]));
}

MessagePort::~MessagePort() {
  ::shutdown(end_, SHUT_RDWR);  // the thread sees that nobody reads
  ::close(end_);
}

PortResult<std::unique_ptr<MessagePort>> open_messages(const std::string& path, Duration timeout) {
  const int device = ::open(path.c_str(), O_RDWR | O_CLOEXEC);
  if (device < 0) {
    if (errno == EACCES || errno == EPERM)
      return problem(PortProblem::denied, path,
                     "no permission; the udev rules of the package give it to the group dialout");
    if (errno == EBUSY) return problem(PortProblem::busy, path, "in use by another program");
    return problem(errno == ENOENT || errno == ENODEV || errno == ENXIO ? PortProblem::missing : PortProblem::failed,
                   path, std::strerror(errno));
  }
  if (::flock(device, LOCK_EX | LOCK_NB) != 0) {
    ::close(device);
    return problem(PortProblem::busy, path, "in use by another program");
  }
  const auto wanted_ms = static_cast<std::uint32_t>(timeout.count() / 1000);
  const std::uint32_t timeout_ms = wanted_ms < shortest_timeout_ms ? shortest_timeout_ms : wanted_ms;
  ::ioctl(device, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms);
  auto port = MessagePort::carry(device);
  if (!port) return problem(PortProblem::failed, path, "no descriptor is left");
  return port;
}

}  // namespace nightwatt::drivers
