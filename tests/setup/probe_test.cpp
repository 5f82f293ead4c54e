// Asking an instrument on a USB test port, whose other side is the test's own: messages keep their bounds, as on USB.
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <string_view>
#include <thread>

#include "config/config.hpp"
#include "drivers/message_port.hpp"
#include "drivers/protocols.hpp"
#include "setup/modbus_probe.hpp"

using namespace nightwatt;

namespace {

/// Answers as IEEE 488.2 and SCPI-99 want it: a query it knows by a number, SYSTem:ERRor? by its queue, another by
/// nothing.
void play_instrument(int device) {
  std::string error = "0,\"No error\"\n";
  std::array<char, 512> bytes{};
  for (ssize_t got = 0; (got = ::read(device, bytes.data(), bytes.size())) > 0;) {
    const std::string_view asked(bytes.data(), static_cast<std::size_t>(got));
    std::string answer;
    if (asked == "MEAS:POW?\n") answer = "+2.50200E+01\n";
    if (asked == "MEAS:VOLT?\n") answer = "230.4\n";
    if (asked == "SYST:ERR?\n") answer = std::exchange(error, "0,\"No error\"\n");
    if (answer.empty() && asked.ends_with("?\n")) error = "-113,\"Undefined header\"\n";
    if (!answer.empty() && ::write(device, answer.data(), answer.size()) < 0) return;
  }
}

}  // namespace

TEST_CASE("an instrument on a USB test port is found by its queries, also where it knows not all of them") {
  int sides[2] = {-1, -1};
  REQUIRE(::socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, sides) == 0);
  const timeval driver_timeout{0, 50'000};
  ::setsockopt(sides[0], SOL_SOCKET, SO_RCVTIMEO, &driver_timeout, sizeof driver_timeout);
  const std::jthread instrument([end = sides[1]] {
    play_instrument(end);
    ::close(end);
  });
  {
    const auto port = drivers::MessagePort::carry(sides[0]);
    REQUIRE(port);
    const auto profile =
        config::load_profile(std::string(NIGHTWATT_PROFILES) + "/scpi-wattmeter.toml", "", drivers::protocol_readers());
    REQUIRE(profile);
    REQUIRE(setup::is_asked(*profile));
    const auto answer = setup::ask_on(port->fd(), *profile, setup::probe_wait);
    REQUIRE(answer);
    REQUIRE_FALSE(answer->readings.empty());
    CHECK(answer->readings.front().values.get(Quantity::power)->text() == "25.0200");
    CHECK(answer->readings.front().values.get(Quantity::voltage)->text() == "230.4");
    CHECK_FALSE(answer->readings.front().values.get(Quantity::current).has_value());
  }
}

TEST_CASE("a USB test port that is not there is named, and nothing is tried at other speeds") {
  const auto profile =
      config::load_profile(std::string(NIGHTWATT_PROFILES) + "/scpi-wattmeter.toml", "", drivers::protocol_readers());
  REQUIRE(profile);
  int tried = 0;
  const auto answers = setup::probe_others("/dev/usbtmc-none", {*profile}, [&](std::string_view) { ++tried; });
  REQUIRE_FALSE(answers);
  CHECK(answers.error().problem == drivers::PortProblem::missing);
  CHECK(tried == 1);
}
