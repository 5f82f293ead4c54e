// Serial ports: open one for a meter, list what is there, find an adapter by its USB identity. No event loop in here;
// the caller puts the descriptor into its own.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <tl/expected.hpp>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::drivers {

enum class PortProblem : std::uint8_t {
  missing,      ///< not there: never was, unplugged, or its link is not made yet
  busy,         ///< another program has it
  denied,       ///< the user may not open it
  not_serial,   ///< a file or device that is no serial port
  unsupported,  ///< the port cannot do the profile's line settings
  ambiguous,    ///< several adapters fit the USB identity
  failed,       ///< anything else the system said
};
[[nodiscard]] std::string_view port_problem_name(PortProblem problem);

struct PortError {
  PortProblem problem = PortProblem::failed;
  std::string message;  ///< one line: what, where, what to do
};
template <class T>
using PortResult = tl::expected<T, PortError>;

/// An open serial port: owns the descriptor, which is non-blocking, close-on-exec, raw, and returns bytes as they come;
/// a read of 0 bytes means that the port is gone. Held exclusively until destruction. Movable, used by one thread.
class OpenPort {
 public:
  OpenPort(OpenPort&& other) noexcept;
  OpenPort& operator=(OpenPort&& other) noexcept;
  OpenPort(const OpenPort&) = delete;
  OpenPort& operator=(const OpenPort&) = delete;
  ~OpenPort();

  [[nodiscard]] int fd() const { return fd_; }
  /// The device itself, links resolved.
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  friend PortResult<OpenPort> open_port(const std::string& path, const LineSettings& line);
  OpenPort(int fd, std::string path, bool marked_exclusive)
      : fd_(fd), path_(std::move(path)), marked_exclusive_(marked_exclusive) {}
  void close() noexcept;

  int fd_ = -1;
  std::string path_;
  bool marked_exclusive_ = false;
};

/// Opens a port by its path, a by-id link or a pseudo-terminal, with the line set up and old bytes thrown away. A
/// pseudo-terminal has no line: its settings are taken as they are.
[[nodiscard]] PortResult<OpenPort> open_port(const std::string& path, const LineSettings& line);

/// Sets up the line of an open port anew. A pseudo-terminal takes any.
[[nodiscard]] PortResult<void> change_line(int fd, const LineSettings& line);
/// Whether all that was written has left for the wire, as far as the system can tell.
[[nodiscard]] bool all_sent(int fd);

struct PortInfo {
  std::string path;         ///< "/dev/ttyUSB0"
  std::string by_id;        ///< its stable link in /dev/serial/by-id; empty: none
  std::string vendor;       ///< USB, four hex digits in small letters; empty: not on USB
  std::string product;      ///< likewise
  std::string serial;       ///< USB serial number; empty: none
  std::string description;  ///< for people
};
/// The serial ports that are there, in the order of their paths.
[[nodiscard]] std::vector<PortInfo> list_ports();

/// How an adapter is known wherever it is plugged in.
struct UsbPort {
  std::string vendor;   ///< four hex digits
  std::string product;  ///< four hex digits
  std::string serial;   ///< empty: any
};
/// The path of the one adapter that fits: its by-id link where it has one, else its device.
[[nodiscard]] PortResult<std::string> find_port(const UsbPort& wanted);
/// The same, among given ports.
[[nodiscard]] PortResult<std::string> find_port(const UsbPort& wanted, const std::vector<PortInfo>& ports);

/// How long to wait between tries to open a port that is not to be had: 0.2 s, doubling up to 10 s. A re-plugged
/// adapter is there before udev has given it its link and rights, so the first tries come soon.
class PortBackOff {
 public:
  static constexpr Duration first_wait{200'000};
  static constexpr Duration longest_wait{10'000'000};
  /// The wait before the next try.
  [[nodiscard]] Duration next();
  /// The port was opened.
  void reset() { wait_ = first_wait; }

 private:
  Duration wait_ = first_wait;
};

}  // namespace nightwatt::drivers
