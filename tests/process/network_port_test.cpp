// A meter behind a serial device server: a socket of the test's own that says lines, goes away and comes back.

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <atomic>
#include <catch2/catch.hpp>
#include <string>
#include <thread>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

/// Says a line every 50 ms to whoever is connected; each line is a new number.
class DeviceServer {
 public:
  /// On a port of its own choice, or on the one it had before.
  explicit DeviceServer(std::uint16_t port = 0) {
    listener_ = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    const int on = 1;
    ::setsockopt(listener_, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons(port);
    REQUIRE(::bind(listener_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
    REQUIRE(::listen(listener_, 4) == 0);
    socklen_t length = sizeof address;
    REQUIRE(::getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &length) == 0);
    port_ = ntohs(address.sin_port);
    thread_ = std::thread([this] { serve(); });
  }
  ~DeviceServer() {
    stop_ = true;
    thread_.join();
    ::close(listener_);
  }
  DeviceServer(const DeviceServer&) = delete;
  DeviceServer& operator=(const DeviceServer&) = delete;
  [[nodiscard]] std::uint16_t port() const { return port_; }

 private:
  void serve() {
    int client = -1;
    for (int line = 0; !stop_; ++line) {
      pollfd waiting{listener_, POLLIN, 0};
      constexpr int line_every_ms = 50;
      if (::poll(&waiting, 1, line_every_ms) > 0) {
        if (client >= 0) ::close(client);
        client = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
      }
      const std::string text = std::to_string(line) + "," + std::to_string(20 + line % 9) + ".5\r\n";
      if (client >= 0) static_cast<void>(::send(client, text.data(), text.size(), MSG_NOSIGNAL));
    }
    if (client >= 0) ::close(client);
  }

  int listener_ = -1;
  std::uint16_t port_ = 0;
  std::atomic<bool> stop_{false};
  std::thread thread_;
};

constexpr const char* csv_profile =
    "protocol = \"text-line\"\n[text-line]\nform = \"csv\"\n[[read]]\nquantity = \"power\"\nfield = 2\n";

void put_on_network(const Bench& bench, std::uint16_t port) {
  std::string text = bench.dir().read("nightwatt.toml");
  const std::size_t begin = text.find("port = ");
  REQUIRE(begin != std::string::npos);
  text.replace(begin, text.find('\n', begin) - begin, "port = \"tcp://localhost:" + std::to_string(port) + "\"");
  bench.dir().write("nightwatt.toml", text);
}

TEST_CASE("a meter behind a device server is recorded, and is back within two seconds of the server's return") {
  auto server = std::make_unique<DeviceServer>();
  const std::uint16_t port = server->port();
  Bench bench(csv_profile);
  put_on_network(bench, port);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 20; }));
  CHECK(bench.meter_state() == "recording");

  server.reset();
  REQUIRE(eventually(5.0, [&] { return bench.meter_state() == "missing"; }));
  // Long enough for the wait between tries to have grown to its longest.
  const double until_s = unix_now_s() + 4.0;
  REQUIRE(eventually(10.0, [&] { return unix_now_s() > until_s; }));
  const long before = bench.readings();
  DeviceServer again(port);
  const double back_s = unix_now_s();
  REQUIRE(eventually(10.0, [&] { return bench.readings() > before; }));
  CHECK(unix_now_s() - back_s < 2.0 * slowness());
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("a host that does not exist is told, and the service goes on") {
  Bench bench(csv_profile);
  put_on_network(bench, 9);
  std::string text = bench.dir().read("nightwatt.toml");
  text.replace(text.find("localhost"), 9, "no-such-host.invalid");
  bench.dir().write("nightwatt.toml", text);
  bench.start_service();
  CHECK(eventually(15.0, [&] { return bench.meter_state() == "missing"; }));
  CHECK(bench.stop_service() == 0);
}

}  // namespace
}  // namespace nightwatt::process
