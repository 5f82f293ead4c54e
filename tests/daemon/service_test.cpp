// The service in process: real threads, sockets and store; the port is one end of a socket pair.
#include "daemon/service.hpp"

#include <fcntl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstring>
#include <nlohmann/json.hpp>
#include <thread>

#include "daemon/control.hpp"
#include "daemon/system_environment.hpp"
#include "drivers/protocols.hpp"
#include "figures/store_proof.hpp"
#include "tests/daemon/store_support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;
using Json = nlohmann::json;

namespace {

/// Both ends of a meter's line.
class Line {
 public:
  Line() {
    REQUIRE(::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends_) == 0);
    ::fcntl(ends_[0], F_SETFL, O_NONBLOCK);
  }
  ~Line() {
    ::close(ends_[0]);
    ::close(ends_[1]);
  }
  Line(const Line&) = delete;
  Line& operator=(const Line&) = delete;
  [[nodiscard]] int service_end() const { return ends_[0]; }
  void say(const std::string& text) const {
    REQUIRE(::write(ends_[1], text.data(), text.size()) == static_cast<ssize_t>(text.size()));
  }

 private:
  int ends_[2] = {-1, -1};
};

config::MeterConfig meter_config(const std::string& name) {
  config::MeterConfig meter;
  meter.name = name;
  meter.port = "/dev/" + name;
  meter.profile.name = "lines";
  meter.profile.protocol = TextLineSettings{TextForm::csv, TextChecksum::none};
  ReadSpec read;
  read.column = 1;
  meter.profile.reads = {read};
  return meter;
}

/// A running service in a folder of its own, with the meter "bench" on a line.
class Running {
 public:
  Running() {
    config_.store.path = folder_.file("nightwatt.db");
    config_.store.flush_s = 0.1;
    config_.control_socket = folder_.file("control.sock");
    config_.meters = {meter_config("bench")};
    next_config_ = config_;
    service_ = must(make(config_));
    thread_ = std::thread([this] { clean_ = service_->run(); });
  }
  ~Running() {
    if (thread_.joinable()) stop();
  }

  Result<std::unique_ptr<Service>> make(const config::ServiceConfig& config) {
    environments_.push_back(make_system_environment([this](const config::MeterConfig& meter) { return open(meter); }));
    return Service::make(config,
                         {*environments_.back(), supervisor_, log_.sink(), [this] { return next_config_; }, false});
  }
  bool stop() {
    service_->stop();
    thread_.join();
    return clean_;
  }
  Json ask(const std::string& request) const {
    return Json::parse(must(control_call(config_.control_socket, request, 10.0)));
  }
  // Asks until the meter has counted so many readings; gives up after enough questions to know it never will.
  [[nodiscard]] bool counted(int readings) const {
    for (int tries = 0; tries < 20000; ++tries)
      if (ask(R"({"do":"status"})")["meters"][0]["readings"] >= readings) return true;
    return false;
  }
  void reload(Result<config::ServiceConfig> config) {
    next_config_ = std::move(config);
    service_->reload();
    (void)ask(R"({"do":"status"})");  // answered by the same thread, after it
  }

  [[nodiscard]] const config::ServiceConfig& config() const { return config_; }
  [[nodiscard]] storage::StoreReader store() const { return must(storage::StoreReader::open(config_.store.path)); }
  [[nodiscard]] const Line& line() const { return line_; }
  [[nodiscard]] const Log& log() const { return log_; }
  [[nodiscard]] int opened() const { return opened_; }
  [[nodiscard]] std::string file(std::string_view name) const { return folder_.file(name); }

 private:
  tl::expected<OpenedPort, PortTrouble> open(const config::MeterConfig& meter) {
    if (meter.name != "bench") return tl::unexpected(PortTrouble{"missing", "no such port"});
    ++opened_;
    return OpenedPort{line_.service_end(), meter.port, {}};
  }

  TempFolder folder_;
  std::vector<std::unique_ptr<Environment>> environments_;  ///< each service's own
  Supervisor supervisor_;
  Log log_;
  Line line_;
  config::ServiceConfig config_;
  Result<config::ServiceConfig> next_config_;
  std::atomic<int> opened_ = 0;
  std::unique_ptr<Service> service_;
  std::thread thread_;
  bool clean_ = false;
};

int connect_to(const std::string& path) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  REQUIRE(::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
  return fd;
}

}  // namespace

TEST_CASE("what a meter says is in the store, exactly and in order, after a clean stop") {
  Running service;
  std::string said;
  for (int i = 0; i < 200; ++i) said += std::to_string(i) + ".50\n";
  service.line().say("cut off\n" + said);
  REQUIRE(service.counted(200));
  REQUIRE(service.stop());
  const auto store = service.store();
  int next = 0;
  must(store.readings(**store.stream_of_meter("bench"), UtcTime{0}, UtcTime{INT64_MAX}, [&](const Reading& reading) {
    CHECK(reading.values.get(Quantity::power)->text() == std::to_string(next) + ".50");
    ++next;
    return true;
  }));
  CHECK(next == 200);
  CHECK(must(store.check(figures::prove_run)).ok);
}

TEST_CASE("begin and end over the socket make a run, and status tells its meter") {
  Running service;
  const Json begun =
      service.ask(R"({"do":"begin","device":"Gannet board","includes":["adapter"],"set":{"battery":"full"}})");
  REQUIRE(begun["ok"] == true);
  service.line().say("half\n5.0\n5.1\n5.2\n");
  REQUIRE(service.counted(3));
  const Json refused = service.ask(R"({"do":"begin","device":"Puffin mini"})");
  CHECK(refused["ok"] == false);
  CHECK(refused["exit"] == 1);
  const Json ended = service.ask(R"({"do":"end"})");
  CHECK(ended["run"] == begun["run"]);
  const Json status = service.ask(R"({"do":"status"})");
  CHECK(status["meters"][0]["name"] == "bench");
  CHECK(status["meters"][0]["state"] == "recording");
  CHECK(status["meters"][0]["readings"] == 3);
  REQUIRE(service.stop());
  const auto runs = must(service.store().runs());
  REQUIRE(runs.size() == 1);
  CHECK(runs[0].device == "Gannet board");
  CHECK(runs[0].samples == 3);
  CHECK(runs[0].includes == std::vector<std::string>{"adapter"});
  CHECK(runs[0].end);
}

TEST_CASE("the control socket is for its owner and group alone, and is gone after the stop") {
  Running service;
  struct stat info {};
  REQUIRE(::stat(service.config().control_socket.c_str(), &info) == 0);
  CHECK((info.st_mode & 0777U) == 0660U);
  REQUIRE(service.stop());
  CHECK(::stat(service.config().control_socket.c_str(), &info) != 0);
}

TEST_CASE("a second service on the same socket, or on the same store, is refused and the first goes on") {
  Running service;
  config::ServiceConfig second = service.config();
  SECTION("socket") {
    second.store.path = service.file("other.db");
  }
  SECTION("store") {
    second.control_socket = service.file("other.sock");
  }
  const auto refused = service.make(second);
  REQUIRE_FALSE(refused);
  CHECK(refused.error().kind == ErrorKind::unusable);
  CHECK(refused.error().message.find('\n') == std::string::npos);
  service.line().say("half\n5.0\n5.1\n");
  CHECK(service.counted(2));
  CHECK(service.ask(R"({"do":"status"})")["ok"] == true);
}

TEST_CASE("a socket that a killed service left behind is replaced") {
  TempFolder folder;
  const std::string path = folder.file("control.sock");
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  const int left_over = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  REQUIRE(::bind(left_over, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0);
  ::close(left_over);
  config::ServiceConfig config;
  config.store.path = folder.file("nightwatt.db");
  config.control_socket = path;
  Supervisor supervisor;
  Log log;
  const auto no_ports = [](const config::MeterConfig&) -> tl::expected<OpenedPort, PortTrouble> {
    return tl::unexpected(PortTrouble{"missing", "none"});
  };
  const auto environment = make_system_environment(no_ports);
  const ServiceParts parts{*environment, supervisor, log.sink(), [&] { return Result<config::ServiceConfig>(config); },
                           false};
  auto service = must(Service::make(config, parts));
  service->stop();
  CHECK(service->run());
}

TEST_CASE("callers that say nothing, half a request or too much harm nobody") {
  Running service;
  std::vector<int> hostile;
  for (int i = 0; i < 60; ++i) {
    hostile.push_back(connect_to(service.config().control_socket));
    if (i % 3 == 1) REQUIRE(::send(hostile.back(), "{\"do\":", 6, MSG_NOSIGNAL) >= -1);
    if (i % 3 == 2)
      (void)::send(hostile.back(), std::string(100'000, 'x').data(), 100'000, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (i % 10 == 0) CHECK(service.ask(R"({"do":"status"})")["ok"] == true);
  }
  service.line().say("half\n5.0\n5.1\n");
  CHECK(service.counted(2));
  CHECK(service.ask(R"({"do":"begin","device":"Gannet board"})")["ok"] == true);
  for (const int fd : hostile) ::close(fd);
  CHECK(service.ask(R"({"do":"end"})")["ok"] == true);
}

TEST_CASE("a reload with a bad config keeps the old, with a good one keeps the port of an unchanged meter") {
  Running service;
  service.line().say("half\n5.0\n5.1\n");
  REQUIRE(service.counted(2));
  service.reload(fail(ErrorKind::input, "nightwatt.toml:3: unknown key; see the example"));
  CHECK(service.log().count("nightwatt.toml:3") == 1);
  CHECK(service.ask(R"({"do":"status"})")["meters"].size() == 1);
  config::ServiceConfig wider = service.config();
  wider.meters.push_back(meter_config("spare"));
  service.reload(wider);
  const Json status = service.ask(R"({"do":"status"})");
  REQUIRE(status["meters"].size() == 2);
  CHECK(status["meters"][1]["state"] == "missing");
  CHECK(service.opened() == 1);
  service.line().say("5.2\n");
  CHECK(service.counted(3));
  REQUIRE(service.stop());
  std::size_t reloads = 0;
  for (const auto& event : must(service.store().events(UtcTime{0}, UtcTime{INT64_MAX})))
    if (event.kind == storage::EventKind::config_reloaded) ++reloads;
  CHECK(reloads == 1);
}

TEST_CASE("a call where no service is fails with the words to say so") {
  TempFolder folder;
  const auto answer = control_call(folder.file("none.sock"), R"({"do":"status"})", 1.0);
  REQUIRE_FALSE(answer);
  CHECK(answer.error().kind == ErrorKind::unusable);
  CHECK_FALSE(control_call(std::string(300, 'x'), R"({"do":"status"})", 1.0));
}
