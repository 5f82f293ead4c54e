// `during` where the meter says nothing, since it shows the same all the time. What needs a real service and a real
// clock is in tests/process.
#include <poll.h>
#include <pthread.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <catch2/catch.hpp>
#include <chrono>
#include <csignal>
#include <cstring>
#include <nlohmann/json.hpp>
#include <thread>

#include "live_store.hpp"

using namespace nightwatt;
using namespace nightwatt::test;
using namespace std::chrono_literals;

namespace {

/// Says of one meter that it is being recorded, and yes to all else.
class SaysRecording {
 public:
  SaysRecording(const std::string& socket, std::string state) : state_(std::move(state)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    REQUIRE(socket.size() < sizeof address.sun_path);
    std::memcpy(address.sun_path, socket.c_str(), socket.size() + 1);
    listener_ = ::socket(AF_UNIX, SOCK_STREAM, 0);
    REQUIRE(::bind(listener_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
    REQUIRE(::listen(listener_, 8) == 0);
    // The end of the command is for the thread that waits for it.
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    thread_ = std::thread([this] { serve(); });
    pthread_sigmask(SIG_SETMASK, &before, nullptr);
  }
  SaysRecording(const SaysRecording&) = delete;
  SaysRecording& operator=(const SaysRecording&) = delete;
  ~SaysRecording() {
    ::shutdown(listener_, SHUT_RDWR);
    thread_.join();
    ::close(listener_);
  }
  [[nodiscard]] int marks() const { return marks_; }

 private:
  void serve() {
    for (int client = ::accept(listener_, nullptr, nullptr); client >= 0;
         client = ::accept(listener_, nullptr, nullptr)) {
      std::array<char, 4096> asked{};
      const ssize_t got = ::recv(client, asked.data(), asked.size(), 0);
      const auto json = nlohmann::json::parse(asked.data(), asked.data() + std::max<ssize_t>(got, 0), nullptr, false);
      nlohmann::json answer = {{"ok", true}};
      if (json.is_object() && json.value("do", "") == "status")
        answer["meters"] = {{{"name", "bench"}, {"state", state_}, {"readings", 1}, {"faults", 0}}};
      else
        ++marks_;
      const std::string line = answer.dump() + "\n";
      (void)::send(client, line.data(), line.size(), MSG_NOSIGNAL);
      ::close(client);
    }
  }

  std::string state_;
  int listener_ = -1;
  std::atomic<int> marks_ = 0;
  std::thread thread_;
};

}  // namespace

TEST_CASE("during measures a meter that has said nothing for minutes, since it still shows the same") {
  LiveStore store;
  store.configure({"bench"}, "reports = \"on-change\"\ngap_s = 600\n");
  store.record("bench", evening, 25.0);
  const SaysRecording service(store.path("control.sock"), "recording");
  store.now = evening + Duration(300s);
  const auto answer = store.ask_and_wait({"--json", "during", "render", "--settle", "30", "--", "true"});
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  const auto json = nlohmann::json::parse(answer.out);
  CHECK(json["idle_w"].get<double>() == Approx(25.0));
  CHECK(json["energy_above_idle_wh"].get<double>() == Approx(0.0).margin(1e-6));
  CHECK(json["repeats"].size() == 1);
  CHECK(service.marks() == 2);
  CHECK(store.now - evening < Duration(370s));  // nobody waited for a reading that need not come
}

TEST_CASE("a silence longer than the meter's gap, or a port that is lost, is no figure and no run of the command") {
  LiveStore store;
  store.configure({"bench"}, "reports = \"on-change\"\ngap_s = 600\n");
  store.record("bench", evening, 25.0);
  const std::string trace = store.path("ran");
  const auto refused = [&](const std::string& state, Duration later) {
    const SaysRecording service(store.path("control.sock"), state);
    store.now = evening + later;
    const auto answer = store.ask_and_wait({"during", "render", "--settle", "30", "--", "touch", trace});
    ::unlink(store.path("control.sock").c_str());
    return answer.status == 3 && answer.out.empty() && ::access(trace.c_str(), F_OK) != 0;
  };
  CHECK(refused("recording", 601s));
  CHECK(refused("missing", 300s));
}
