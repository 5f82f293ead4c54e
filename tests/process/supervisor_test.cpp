// What the service tells a service manager, heard on a socket as sd_notify(3) describes it.
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <csignal>
#include <cstdlib>
#include <cstring>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

/// A service manager's ear: the socket, and the environment that tells a program of it.
class Ear {
 public:
  Ear(const std::string& path, int watchdog_ms) : socket_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    REQUIRE(path.size() < sizeof address.sun_path);
    std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
    REQUIRE(::bind(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
    ::setenv("NOTIFY_SOCKET", path.c_str(), 1);
    ::setenv("WATCHDOG_USEC", std::to_string(watchdog_ms * 1000).c_str(), 1);
  }
  ~Ear() {
    ::unsetenv("NOTIFY_SOCKET");
    ::unsetenv("WATCHDOG_USEC");
    ::close(socket_);
  }
  Ear(const Ear&) = delete;
  Ear& operator=(const Ear&) = delete;

  /// Words heard so far, a message each.
  const std::vector<std::string>& heard() {
    std::array<char, 512> buffer{};
    for (;;) {
      const ssize_t size = ::recv(socket_, buffer.data(), buffer.size(), 0);
      if (size <= 0) return heard_;
      heard_.emplace_back(buffer.data(), static_cast<std::size_t>(size));
    }
  }
  long count(const std::string& beginning) {
    const auto& words = heard();
    return std::count_if(words.begin(), words.end(),
                         [&](const std::string& word) { return word.rfind(beginning, 0) == 0; });
  }

 private:
  int socket_;
  std::vector<std::string> heard_;
};

constexpr const char* script = "level 25 for 2h\n";

TEST_CASE("the service manager is told of readiness, of life, of a reload and of the stop, in that order") {
  Bench bench(line_profile());
  Ear ear(bench.dir().path("notify.sock"), 600);
  bench.start_meter(script, 20.0);
  bench.start_service();
  REQUIRE(eventually(5.0, [&] { return ear.count("READY=1") == 1; }));
  // Three pings in the time that would otherwise mean death: half of it is what sd_watchdog_enabled(3) asks for.
  REQUIRE(eventually(5.0, [&] { return ear.count("WATCHDOG=1") >= 6; }));
  bench.service().signal(SIGHUP);
  REQUIRE(eventually(5.0, [&] { return ear.count("RELOADING=1") == 1 && ear.count("READY=1") == 2; }));
  CHECK(ear.count("STOPPING=1") == 0);
  CHECK(bench.stop_service() == 0);
  CHECK(ear.count("STOPPING=1") == 1);
  const auto& heard = ear.heard();
  CHECK(heard.front() == "READY=1");
  const auto reloading = std::find_if(heard.begin(), heard.end(),
                                      [](const std::string& word) { return word.rfind("RELOADING=1", 0) == 0; });
  // Type=notify-reload of systemd.service(5) wants the monotonic time beside it.
  CHECK(reloading->find("\nMONOTONIC_USEC=") != std::string::npos);
}

TEST_CASE("pings go on while the store is idle, and end with a service that is stopped in its tracks") {
  Bench bench(line_profile());  // no meter: nothing to store
  Ear ear(bench.dir().path("notify.sock"), 300);
  bench.start_service();
  REQUIRE(eventually(5.0, [&] { return ear.count("WATCHDOG=1") >= 6; }));
  bench.service().signal(SIGSTOP);
  // Whatever was under way is heard; then nothing more for twice the time-out.
  double last_s = unix_now_s();
  long before = ear.count("WATCHDOG=1");
  CHECK(eventually(5.0, [&] {
    if (const long now = ear.count("WATCHDOG=1"); now != before) {
      before = now;
      last_s = unix_now_s();
    }
    return unix_now_s() - last_s > 0.6;
  }));
  bench.service().signal(SIGCONT);
  CHECK(bench.stop_service() == 0);
}

}  // namespace
}  // namespace nightwatt::process
