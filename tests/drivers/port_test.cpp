#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <cerrno>
#include <filesystem>
#include <fstream>

#include "drivers/message_port.hpp"
#include "drivers/port.hpp"
#include "drivers/tcp_port.hpp"
#include "port/port_list.hpp"

namespace nightwatt::drivers {

namespace {

/// The controlling side of a pseudo-terminal.
class Master {
 public:
  Master() : fd_(::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC)) {
    REQUIRE(fd_ >= 0);
    REQUIRE(::grantpt(fd_) == 0);
    REQUIRE(::unlockpt(fd_) == 0);
    std::array<char, 128> name{};
    REQUIRE(::ptsname_r(fd_, name.data(), name.size()) == 0);
    path_ = name.data();
  }
  ~Master() { hang_up(); }
  Master(const Master&) = delete;
  Master& operator=(const Master&) = delete;
  void hang_up() {
    if (fd_ >= 0) ::close(fd_);
    fd_ = -1;
  }
  void write(std::string_view text) const {
    REQUIRE(::write(fd_, text.data(), text.size()) == static_cast<ssize_t>(text.size()));
  }
  [[nodiscard]] std::string read() const { return read_from(fd_); }
  [[nodiscard]] static std::string read_from(int fd) {
    std::array<char, 256> bytes{};
    const ssize_t count = ::read(fd, bytes.data(), bytes.size());
    REQUIRE(count >= 0);
    return {bytes.data(), static_cast<std::size_t>(count)};
  }
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  int fd_;
  std::string path_;
};

/// A folder that goes away with the test.
class Folder {
 public:
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "nightwatt-port-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  ~Folder() { std::filesystem::remove_all(path_); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string operator/(const std::string& name) const { return (path_ / name).string(); }
  [[nodiscard]] std::string text() const { return path_.string(); }

 private:
  std::filesystem::path path_;
};

PortProblem problem_of(const std::string& path) {
  const PortResult<OpenPort> port = open_port(path, LineSettings{});
  REQUIRE_FALSE(port.has_value());
  INFO(port.error().message);
  CHECK(port.error().message.find(path) == 0);
  return port.error().problem;
}

}  // namespace

TEST_CASE("bytes go both ways through a pseudo-terminal, binary and unchanged") {
  const Master master;
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  const std::string all("\x00\x03\x04\x0A\x0D\x11\x13\x1A\x1B\x7F\xFF", 11);
  master.write(all);
  CHECK(Master::read_from(port.fd()) == all);
  REQUIRE(::write(port.fd(), all.data(), all.size()) == 11);
  CHECK(master.read() == all);
}

TEST_CASE("a read on an idle port says that there is nothing yet, not that the port is gone") {
  const Master master;
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  std::array<char, 8> bytes{};
  errno = 0;
  CHECK(::read(port.fd(), bytes.data(), bytes.size()) == -1);
  CHECK(errno == EAGAIN);
}

TEST_CASE("a port that is gone reads as its end") {
  Master master;
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  master.hang_up();
  std::array<char, 8> bytes{};
  const ssize_t count = ::read(port.fd(), bytes.data(), bytes.size());
  CHECK((count == 0 || (count == -1 && errno == EIO)));
}

TEST_CASE("the descriptor is closed in programs we start") {
  const Master master;
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  CHECK((::fcntl(port.fd(), F_GETFD) & FD_CLOEXEC) != 0);
  CHECK((::fcntl(port.fd(), F_GETFL) & O_NONBLOCK) != 0);
}

TEST_CASE("a port is opened by one holder only, and again once it is let go") {
  const Master master;
  {
    PortResult<OpenPort> first = open_port(master.path(), LineSettings{});
    REQUIRE(first.has_value());
    CHECK(problem_of(master.path()) == PortProblem::busy);
    // A moved port is still held, once.
    const OpenPort moved = std::move(*first);
    CHECK(problem_of(master.path()) == PortProblem::busy);
  }
  CHECK(open_port(master.path(), LineSettings{}).has_value());
}

TEST_CASE("a holder that was killed leaves no mark on a pseudo-terminal") {
  // TIOCEXCL would stay as long as the other side is open, and refuse every user but root.
  const Master master;
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  int exclusive = -1;
  REQUIRE(::ioctl(port.fd(), TIOCGEXCL, &exclusive) == 0);
  CHECK(exclusive == 0);
}

TEST_CASE("bytes that came while nobody listened are thrown away") {
  const Master master;
  { const OpenPort port = open_port(master.path(), LineSettings{}).value(); }
  // Keeps the terminal side alive, so that the bytes wait there.
  const int keeper = ::open(master.path().c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK);
  REQUIRE(keeper >= 0);
  master.write("stale");
  pollfd waiting{keeper, POLLIN, 0};
  REQUIRE(::poll(&waiting, 1, 1000) == 1);
  const OpenPort port = open_port(master.path(), LineSettings{}).value();
  std::array<char, 8> bytes{};
  CHECK(::read(port.fd(), bytes.data(), bytes.size()) == -1);
  ::close(keeper);
}

TEST_CASE("links to a port are followed") {
  const Master master;
  const Folder folder;
  const std::string link = folder / "usb-Gannet_board-if00";
  std::filesystem::create_symlink(master.path(), link);
  const OpenPort port = open_port(link, LineSettings{}).value();
  CHECK(port.path() == master.path());
}

TEST_CASE("line settings that a pseudo-terminal does not have are no hindrance") {
  const Master master;
  LineSettings line;
  line.baud = 12345;
  line.data_bits = 7;
  line.parity = Parity::even;
  CHECK(open_port(master.path(), line).has_value());
}

TEST_CASE("what cannot be opened says why") {
  const Folder folder;
  CHECK(problem_of(folder / "nothing-here") == PortProblem::missing);
  CHECK(problem_of((folder / "nothing-here") + "/either") == PortProblem::missing);
  std::filesystem::create_symlink(folder / "unplugged", folder / "dangling");
  CHECK(problem_of(folder / "dangling") == PortProblem::missing);
  CHECK(problem_of(folder.text()) == PortProblem::not_serial);
  std::ofstream(folder / "file") << "text";
  CHECK(problem_of(folder / "file") == PortProblem::not_serial);
  CHECK(problem_of("/dev/null") == PortProblem::not_serial);
  if (::geteuid() == 0) {
    WARN("run as root: permissions are not checked");
    return;
  }
  const Master master;
  REQUIRE(::chmod(master.path().c_str(), 0) == 0);
  CHECK(problem_of(master.path()) == PortProblem::denied);
}

TEST_CASE("by-id links are found by the device they point to") {
  const Folder folder;
  std::ofstream(folder / "ttyUSB0") << "";
  std::filesystem::create_directory(folder / "by-id");
  std::filesystem::create_symlink("../ttyUSB0", folder / "by-id/usb-b");
  std::filesystem::create_symlink("../ttyUSB0", folder / "by-id/usb-a");
  std::filesystem::create_symlink("../ttyUSB7", folder / "by-id/usb-dangling");
  const auto links = links_by_device(folder / "by-id");
  REQUIRE(links.size() == 1);
  const std::string device = std::filesystem::canonical(folder / "ttyUSB0").string();
  CHECK(links.at(device) == folder / "by-id/usb-a");
  CHECK(links_by_device(folder / "nothing-here").empty());
}

TEST_CASE("an adapter is found by its USB identity, and two that fit are not guessed between") {
  const std::vector<PortInfo> ports = {{"/dev/ttyS0", "", "", "", "", "a port"},
                                       {"/dev/ttyUSB0", "/dev/serial/by-id/usb-x", "1a2b", "3c4d", "A1", ""},
                                       {"/dev/ttyUSB1", "", "1a2b", "3c4d", "A2", ""},
                                       {"/dev/ttyACM0", "", "1a2b", "9999", "", ""}};
  CHECK(find_port({"1a2b", "3c4d", "A1"}, ports).value() == "/dev/serial/by-id/usb-x");
  CHECK(find_port({"1A2B", "3C4D", "A2"}, ports).value() == "/dev/ttyUSB1");
  CHECK(find_port({"1a2b", "9999", ""}, ports).value() == "/dev/ttyACM0");
  CHECK(find_port({"1a2b", "3c4d", ""}, ports).error().problem == PortProblem::ambiguous);
  CHECK(find_port({"1a2b", "3c4d", "A3"}, ports).error().problem == PortProblem::missing);
  CHECK(find_port({"", "", ""}, ports).error().problem == PortProblem::missing);
}

TEST_CASE("listed ports have a path each, in order") {
  const std::vector<PortInfo> ports = list_ports();
  for (std::size_t i = 0; i < ports.size(); ++i) {
    CHECK(ports[i].path.find("/dev/") == 0);
    if (i > 0) CHECK(ports[i - 1].path != ports[i].path);
  }
}

TEST_CASE("the wait between tries doubles from 0.2 s to 10 s and begins anew after success") {
  PortBackOff back_off;
  for (const int expected_ms : {200, 400, 800, 1600, 3200, 6400, 10000, 10000})
    CHECK(back_off.next() == Duration(expected_ms * 1000));
  back_off.reset();
  CHECK(back_off.next() == PortBackOff::first_wait);
}

TEST_CASE("an adapter that is plugged in again under another name is found by its identity") {
  const UsbPort wanted{"1a2b", "3c4d", "A1"};
  const auto named = [](const std::string& path) {
    return std::vector<PortInfo>{{"/dev/ttyUSB0", "", "1a2b", "3c4d", "B7", ""}, {path, "", "1a2b", "3c4d", "A1", ""}};
  };
  CHECK(find_port(wanted, named("/dev/ttyUSB1")).value() == "/dev/ttyUSB1");
  CHECK(find_port(wanted, {named("").front()}).error().problem == PortProblem::missing);
  CHECK(find_port(wanted, named("/dev/ttyUSB2")).value() == "/dev/ttyUSB2");
}

TEST_CASE("an instrument that speaks in messages is a port of lines: answers, silence, and its end") {
  // The device's other side: messages keep their bounds, as on USB.
  int sides[2] = {-1, -1};
  REQUIRE(::socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, sides) == 0);
  const timeval patience{0, 50'000};  // the driver's time-out
  ::setsockopt(sides[0], SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
  const auto port = MessagePort::carry(sides[0]);
  REQUIRE(port);
  const auto wait_for = [&](int fd) {
    pollfd watched{fd, POLLIN, 0};
    return ::poll(&watched, 1, 2000) == 1;
  };
  const auto heard = [&](int fd) {
    REQUIRE(wait_for(fd));
    return Master::read_from(fd);
  };
  const auto say = [&](int fd, std::string_view text) {
    REQUIRE(::write(fd, text.data(), text.size()) == static_cast<ssize_t>(text.size()));
  };
  say(port->fd(), "*CLS\nMEAS:POW?\n");
  CHECK(heard(sides[1]) == "*CLS\n");  // no answer is waited for
  CHECK(heard(sides[1]) == "MEAS:POW?\n");
  say(sides[1], "25.02");  // its end is that of the message
  CHECK(heard(port->fd()) == "25.02\n");
  say(port->fd(), "WHAT?\nSYST:ERR?\n");
  CHECK(heard(sides[1]) == "WHAT?\n");
  CHECK(heard(sides[1]) == "SYST:ERR?\n");  // after the time-out
  say(sides[1], "-113,\"Undefined header\"\n");
  CHECK(heard(port->fd()) == "-113,\"Undefined header\"\n");
  ::close(sides[1]);
  say(port->fd(), "MEAS:POW?\n");
  REQUIRE(wait_for(port->fd()));
  char byte = 0;
  CHECK(::read(port->fd(), &byte, 1) == 0);
}

TEST_CASE("a USB test port that is not there says so") {
  CHECK(is_message_port("/dev/usbtmc0"));
  CHECK_FALSE(is_message_port("/dev/ttyUSB0"));
  CHECK(open_messages("/dev/usbtmc-none", Duration{1'000'000}).error().problem == PortProblem::missing);
}

namespace {

int option_of(const TcpPort& port, int level, int name) {
  int value = -1;
  socklen_t length = sizeof value;
  REQUIRE(::getsockopt(port.fd(), level, name, &value, &length) == 0);
  return value;
}

}  // namespace

// What the system then does is RFC 1122's, 4.2.3.6, and RFC 5482's: a peer that is gone ends the connection.
TEST_CASE("of a network peer that is gone the system is told to ask, and to give it up within half a minute") {
  // The connection is on its way, or refused at once: the descriptor is set up all the same.
  const auto port = begin_connect({"127.0.0.1", 9});
  REQUIRE(port);
  CHECK(option_of(*port, SOL_SOCKET, SO_KEEPALIVE) == 1);
  const int idle_s = option_of(*port, IPPROTO_TCP, TCP_KEEPIDLE);
  const int probes_s = option_of(*port, IPPROTO_TCP, TCP_KEEPINTVL) * option_of(*port, IPPROTO_TCP, TCP_KEEPCNT);
  CHECK(idle_s > 0);
  CHECK(probes_s > 0);
  CHECK(idle_s + probes_s <= 30);
  const int unacknowledged_ms = option_of(*port, IPPROTO_TCP, TCP_USER_TIMEOUT);
  CHECK(unacknowledged_ms > 0);
  CHECK(unacknowledged_ms <= 30'000);
  CHECK(option_of(*port, IPPROTO_TCP, TCP_NODELAY) != 0);  // a question leaves at once
}

}  // namespace nightwatt::drivers
