#include "drivers/port.hpp"

#include <fcntl.h>
#include <libserialport.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <climits>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <utility>

#include "port/port_speed.hpp"

namespace nightwatt::drivers {

namespace {

/// A descriptor until it is handed on.
class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  Descriptor(Descriptor&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  Descriptor& operator=(Descriptor&&) = delete;
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  [[nodiscard]] int get() const { return fd_; }
  [[nodiscard]] int release() { return std::exchange(fd_, -1); }

 private:
  int fd_;
};

struct PortFree {
  void operator()(sp_port* port) const { sp_free_port(port); }
};
using SerialPort = std::unique_ptr<sp_port, PortFree>;

tl::unexpected<PortError> problem(PortProblem kind, const std::string& path, const std::string& what) {
  return tl::unexpected(PortError{kind, path + ": " + what});
}

/// What an errno of open() and its kin says about a port.
tl::unexpected<PortError> system_problem(const std::string& path, int error) {
  switch (error) {
    case ENOENT:
    case ENOTDIR:
    case ELOOP:
    case ENXIO:
    case ENODEV:
    case EIO:
      return problem(PortProblem::missing, path, "no such port; is the meter plugged in?");
    case EBUSY:
      return problem(PortProblem::busy, path, "in use by another program");
    case EACCES:
    case EPERM:
      return problem(PortProblem::denied, path,
                     "no permission; the user must be in the group of the port, often dialout");
    case ENOTTY:
      return problem(PortProblem::not_serial, path, "not a serial port");
    default:
      return problem(PortProblem::failed, path, std::strerror(error));
  }
}

/// The device behind the links. libserialport 0.1.1 takes no links.
PortResult<std::string> real_path(const std::string& path) {
  const std::unique_ptr<char, decltype(&std::free)> resolved(::realpath(path.c_str(), nullptr), &std::free);
  if (!resolved) return system_problem(path, errno);
  struct stat status {};
  if (::stat(resolved.get(), &status) != 0) return system_problem(path, errno);
  if (!S_ISCHR(status.st_mode)) return problem(PortProblem::not_serial, path, "not a serial port");
  return std::string(resolved.get());
}

/// Linux gives the terminal ends of pseudo-terminals the majors 136 to 143 (kernel, admin-guide/devices).
bool is_pseudo_terminal(int fd) {
  constexpr unsigned first_major = 136;
  constexpr unsigned last_major = 143;
  struct stat status {};
  if (::fstat(fd, &status) != 0) return false;
  const unsigned major_number = major(status.st_rdev);
  return major_number >= first_major && major_number <= last_major;
}

sp_parity parity_of(Parity parity) {
  switch (parity) {
    case Parity::none:
      return SP_PARITY_NONE;
    case Parity::even:
      return SP_PARITY_EVEN;
    case Parity::odd:
      return SP_PARITY_ODD;
    case Parity::mark:
      return SP_PARITY_MARK;
    case Parity::space:
      return SP_PARITY_SPACE;
  }
  return SP_PARITY_NONE;
}

bool set_up_line(sp_port* port, const LineSettings& line) {
  return sp_set_baudrate(port, static_cast<int>(line.baud)) == SP_OK && sp_set_bits(port, line.data_bits) == SP_OK &&
         sp_set_parity(port, parity_of(line.parity)) == SP_OK && sp_set_stopbits(port, line.stop_bits) == SP_OK &&
         sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE) == SP_OK;
}

tcflag_t control_flags(const LineSettings& line) {
  tcflag_t flags = line.data_bits == 5 ? CS5 : line.data_bits == 6 ? CS6 : line.data_bits == 7 ? CS7 : CS8;
  if (line.stop_bits == 2) flags |= CSTOPB;
  switch (line.parity) {
    case Parity::none:
      break;
    case Parity::even:
      flags |= PARENB;
      break;
    case Parity::odd:
      flags |= PARENB | PARODD;
      break;
    case Parity::mark:
      flags |= PARENB | CMSPAR | PARODD;
      break;
    case Parity::space:
      flags |= PARENB | CMSPAR;
      break;
  }
  return flags;
}
constexpr tcflag_t line_flags = CSIZE | CSTOPB | PARENB | PARODD | CMSPAR;

/// Raw bytes, as they come. VMIN is 1: with 0, as libserialport leaves it, a read on an idle line returns 0 bytes,
/// which every event loop takes for a port that is gone. HUPCL off: boards that reset when DTR rises must not do so
/// each time the service starts.
bool set_raw(int fd, const tcflag_t* line) {
  termios settings{};
  if (::tcgetattr(fd, &settings) != 0) return false;
  ::cfmakeraw(&settings);
  settings.c_cc[VMIN] = 1;
  settings.c_cc[VTIME] = 0;
  settings.c_cflag |= CLOCAL | CREAD;
  settings.c_cflag &= ~static_cast<tcflag_t>(HUPCL | CRTSCTS);
  if (line != nullptr) settings.c_cflag = (settings.c_cflag & ~line_flags) | *line;
  return ::tcsetattr(fd, TCSANOW, &settings) == 0;
}

/// tcsetattr reports success when it did only part of what it was asked: read back what the driver made of it.
bool line_is(int fd, const LineSettings& line) {
  termios settings{};
  if (::tcgetattr(fd, &settings) != 0) return false;
  if ((settings.c_cflag & line_flags) != control_flags(line)) return false;
  // Drivers round to what their divider can do; 3 % is what a character of 10 bits bears (half a bit in ten, less
  // margin).
  const double ratio = static_cast<double>(port_speed(fd)) / static_cast<double>(line.baud);
  return ratio > 0.97 && ratio < 1.03;
}

PortResult<Descriptor> open_plain(const std::string& path, const LineSettings& line) {
  Descriptor fd(::open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC));
  if (fd.get() < 0) return system_problem(path, errno);
  if (::isatty(fd.get()) == 0) return problem(PortProblem::not_serial, path, "not a serial port");
  const tcflag_t flags = control_flags(line);
  const bool has_line = !is_pseudo_terminal(fd.get());
  if (!set_raw(fd.get(), has_line ? &flags : nullptr)) return system_problem(path, errno);
  if (has_line && !set_port_speed(fd.get(), line.baud))
    return problem(PortProblem::unsupported, path, "cannot do " + std::to_string(line.baud) + " baud");
  return fd;
}

/// Through libserialport, which knows the drivers' ways; its descriptor is then ours alone.
PortResult<Descriptor> open_serial(sp_port* port, const std::string& path, const LineSettings& line) {
  if (sp_open(port, SP_MODE_READ_WRITE) != SP_OK) return system_problem(path, sp_last_error_code());
  const bool set_up = set_up_line(port, line);
  int handle = -1;
  static_cast<void>(sp_get_port_handle(port, &handle));
  Descriptor fd(::fcntl(handle, F_DUPFD_CLOEXEC, 0));
  const int error = errno;
  sp_close(port);
  if (fd.get() < 0) return system_problem(path, error);
  if (!set_up)
    return problem(PortProblem::unsupported, path,
                   "cannot do the profile's line settings; check baud, parity and bits");
  if (!set_raw(fd.get(), nullptr)) return system_problem(path, errno);
  return fd;
}

PortResult<Descriptor> open_any(const std::string& path, const LineSettings& line) {
  sp_port* found = nullptr;
  // What libserialport does not know is opened as the terminal it may still be.
  if (sp_get_port_by_name(path.c_str(), &found) != SP_OK) return open_plain(path, line);
  const SerialPort port(found);
  PortResult<Descriptor> fd = open_serial(port.get(), path, line);
  // It asks for modem lines, which not every terminal has.
  if (!fd && fd.error().problem == PortProblem::not_serial) return open_plain(path, line);
  return fd;
}

}  // namespace

std::string_view port_problem_name(PortProblem problem) {
  switch (problem) {
    case PortProblem::missing:
      return "missing";
    case PortProblem::busy:
      return "busy";
    case PortProblem::denied:
      return "denied";
    case PortProblem::not_serial:
      return "not a serial port";
    case PortProblem::unsupported:
      return "unsupported line settings";
    case PortProblem::ambiguous:
      return "ambiguous";
    case PortProblem::failed:
      return "failed";
  }
  return "failed";
}

OpenPort::OpenPort(OpenPort&& other) noexcept
    : fd_(std::exchange(other.fd_, -1)), path_(std::move(other.path_)), marked_exclusive_(other.marked_exclusive_) {}

OpenPort& OpenPort::operator=(OpenPort&& other) noexcept {
  if (this != &other) {
    close();
    fd_ = std::exchange(other.fd_, -1);
    path_ = std::move(other.path_);
    marked_exclusive_ = other.marked_exclusive_;
  }
  return *this;
}

OpenPort::~OpenPort() {
  close();
}

void OpenPort::close() noexcept {
  if (fd_ < 0) return;
  if (marked_exclusive_) ::ioctl(fd_, TIOCNXCL);
  ::close(fd_);  // gives up the lock too
  fd_ = -1;
}

PortResult<OpenPort> open_port(const std::string& path, const LineSettings& line) {
  PortResult<std::string> device = real_path(path);
  if (!device) return tl::unexpected(std::move(device.error()));
  PortResult<Descriptor> fd = open_any(*device, line);
  if (!fd) return tl::unexpected(std::move(fd.error()));
  if (::flock(fd->get(), LOCK_EX | LOCK_NB) != 0)
    return errno == EWOULDBLOCK ? system_problem(path, EBUSY) : system_problem(path, errno);
  const bool has_line = !is_pseudo_terminal(fd->get());
  if (has_line && !line_is(fd->get(), line))
    return problem(PortProblem::unsupported, path,
                   "does not do the profile's line settings; check baud, parity and bits");
  // On a pseudo-terminal the mark outlives a killed holder as long as the other side is open, and nobody could open it
  // again; there the lock alone must do.
  const bool exclusive = has_line && ::ioctl(fd->get(), TIOCEXCL) == 0;
  // What came while nobody listened has no time.
  ::tcflush(fd->get(), TCIOFLUSH);
  return OpenPort(fd->release(), std::move(*device), exclusive);
}

PortResult<void> change_line(int fd, const LineSettings& line) {
  if (::isatty(fd) == 0 || is_pseudo_terminal(fd)) return {};
  const tcflag_t flags = control_flags(line);
  if (!set_raw(fd, &flags)) return system_problem("the port", errno);
  if (!set_port_speed(fd, line.baud) || !line_is(fd, line))
    return problem(PortProblem::unsupported, "the port", "cannot do " + std::to_string(line.baud) + " baud");
  return {};
}

bool all_sent(int fd) {
  int waiting = 0;
  return ::ioctl(fd, TIOCOUTQ, &waiting) != 0 || waiting == 0;
}

Duration PortBackOff::next() {
  const Duration now = wait_;
  wait_ = std::min(wait_ * 2, longest_wait);
  return now;
}

}  // namespace nightwatt::drivers
