// Asking an instrument on a USB test port, whose other side is the test's own: messages keep their bounds, as on USB.
// Asking a Modbus line, whose other side is the simulated meter's.
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <stop_token>
#include <string_view>
#include <thread>

#include "config/config.hpp"
#include "drivers/message_port.hpp"
#include "drivers/protocols.hpp"
#include "setup/modbus_probe.hpp"
#include "sim/meter.hpp"

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

MeterProfile shipped(std::string_view name) {
  return config::load_profile(std::string(NIGHTWATT_PROFILES) + "/" + std::string(name) + ".toml", "",
                              drivers::protocol_readers())
      .value();
}

void play_meter(int line, sim::Meter& meter, const std::stop_token& stop) {
  std::array<std::byte, 512> bytes{};
  std::vector<sim::Chunk> said;
  while (!stop.stop_requested()) {
    pollfd waits{line, POLLIN, 0};
    if (::poll(&waits, 1, 20) <= 0) continue;
    const ssize_t got = ::read(line, bytes.data(), bytes.size());
    if (got <= 0) return;
    meter.receive(std::span(bytes).first(static_cast<std::size_t>(got)), 1.0, said);
    for (const sim::Chunk& chunk : said)
      if (::write(line, chunk.bytes.data(), chunk.bytes.size()) < 0) return;
    said.clear();
  }
}

}  // namespace

TEST_CASE("a SunSpec meter, which refuses the registers of other profiles, is found by its map at that unit") {
  const int line = ::posix_openpt(O_RDWR | O_NOCTTY);
  REQUIRE(line >= 0);
  REQUIRE((::grantpt(line) == 0 && ::unlockpt(line) == 0));
  const std::string port = ::ptsname(line);
  const int kept = ::open(port.c_str(), O_RDWR | O_NOCTTY);  // without it the line is dead between two openings
  MeterProfile profile = shipped("sunspec");
  profile.protocol.find<SunSpecSettings>()->unit = 2;
  const auto meter = sim::make_meter(profile, sim::parse_script("level 38.2 for 600", "s").value(), 1).value();
  {
    const std::jthread plays([&](const std::stop_token& stop) { play_meter(line, *meter, stop); });
    MeterProfile other = shipped("modbus-float32");
    other.protocol.find<ModbusRtuSettings>()->unit = 2;
    const auto answers = setup::probe_modbus(port, {other, shipped("sunspec")}, [](std::string_view) {});
    REQUIRE(answers);
    REQUIRE_FALSE(answers->empty());
    CHECK(answers->front().profile.name == "sunspec");
    REQUIRE_FALSE(answers->front().readings.empty());
    CHECK(answers->front().profile.protocol.find<SunSpecSettings>()->unit == 2);
  }
  ::close(kept);
  ::close(line);
}

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
