// Publishing to a real broker of Debian's package: what is recorded arrives, whatever happens to the broker meanwhile.
#include <fcntl.h>
#include <mosquitto.h>
#include <netinet/in.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <chrono>
#include <condition_variable>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <mutex>
#include <set>
#include <string>
#include <vector>

#include "figures/run_recorder.hpp"
#include "publish/publisher.hpp"
#include "publish/reconnect_pause.hpp"
#include "storage/store.hpp"

namespace nightwatt::publish::test {
namespace {

namespace fs = std::filesystem;
using Steady = std::chrono::steady_clock;

constexpr std::int64_t night_us = 1'767'646'800'000'000;  // 2026-01-05T21:00:00Z
constexpr const char* broker_program = "/usr/sbin/mosquitto";

template <class T>
T must(Result<T> result) {
  if (!result) FAIL(result.error().message);
  return std::move(*result);
}
void must(const Result<void>& result) {
  if (!result) FAIL(result.error().message);
}

int free_port() {
  const int descriptor = ::socket(AF_INET, SOCK_STREAM, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  socklen_t size = sizeof address;
  REQUIRE(::bind(descriptor, reinterpret_cast<sockaddr*>(&address), size) == 0);
  REQUIRE(::getsockname(descriptor, reinterpret_cast<sockaddr*>(&address), &size) == 0);
  ::close(descriptor);
  return ntohs(address.sin_port);
}

class Folder {
 public:
  Folder() {
    std::string name = (fs::temp_directory_path() / "nightwatt-publish-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
    fs::permissions(path_, fs::perms(0755));  // the broker drops root's rights
  }
  ~Folder() { fs::remove_all(path_); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string path(const std::string& name) const { return path_ + "/" + name; }

 private:
  std::string path_;
};

/// Debian's broker with the lines of a config, on a port of its own.
class BrokerProgram {
 public:
  BrokerProgram(const Folder& folder, const std::string& lines)
      : port(free_port()), config_(folder.path("broker.conf")), log_(folder.path("broker.log")) {
    std::ofstream(config_) << "listener " << port << " 127.0.0.1\n" << lines;
    start();
  }
  ~BrokerProgram() { kill(); }
  BrokerProgram(const BrokerProgram&) = delete;
  BrokerProgram& operator=(const BrokerProgram&) = delete;
  void start() {
    const char* const words[] = {broker_program, "-c", config_.c_str(), nullptr};
    // Its words are not the test's; and whoever waits for the test's end does not wait for the broker's.
    posix_spawn_file_actions_t files;
    ::posix_spawn_file_actions_init(&files);
    ::posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, log_.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0644);
    ::posix_spawn_file_actions_adddup2(&files, STDOUT_FILENO, STDERR_FILENO);
    const int started =
        ::posix_spawn(&process_, broker_program, &files, nullptr, const_cast<char* const*>(words), environ);
    ::posix_spawn_file_actions_destroy(&files);
    REQUIRE(started == 0);
  }
  void kill() {
    if (process_ <= 0) return;
    ::kill(process_, SIGKILL);
    ::waitpid(process_, nullptr, 0);
    process_ = 0;
  }
  const int port;

 private:
  std::string config_, log_;
  pid_t process_ = 0;
};

/// Hears everything, with the same library's own thread.
class Listener {
 public:
  Listener(int port, const std::string& ca_file = {}) {
    mosquitto_lib_init();
    client_ = mosquitto_new(nullptr, true, this);
    mosquitto_message_callback_set(client_, [](mosquitto*, void* self, const mosquitto_message* message) {
      static_cast<Listener*>(self)->take(*message);
    });
    mosquitto_connect_callback_set(client_,
                                   [](mosquitto* client, void*, int) { mosquitto_subscribe(client, nullptr, "#", 1); });
    mosquitto_reconnect_delay_set(client_, 1, 1, false);
    if (!ca_file.empty()) mosquitto_tls_set(client_, ca_file.c_str(), nullptr, nullptr, nullptr, nullptr);
    const auto limit = Steady::now() + std::chrono::seconds(20);
    while (mosquitto_connect(client_, "localhost", port, 10) != MOSQ_ERR_SUCCESS) REQUIRE(Steady::now() < limit);
    mosquitto_loop_start(client_);
  }
  ~Listener() {
    mosquitto_loop_stop(client_, true);
    mosquitto_destroy(client_);
  }
  Listener(const Listener&) = delete;
  Listener& operator=(const Listener&) = delete;
  [[nodiscard]] std::vector<std::string> heard(const std::string& topic) const {
    const std::lock_guard lock(mutex_);
    const auto found = heard_.find(topic);
    return found == heard_.end() ? std::vector<std::string>{} : found->second;
  }

 private:
  void take(const mosquitto_message& message) {
    const std::lock_guard lock(mutex_);
    heard_[message.topic].emplace_back(static_cast<const char*>(message.payload),
                                       static_cast<std::size_t>(message.payloadlen));
  }
  mosquitto* client_;
  mutable std::mutex mutex_;
  std::map<std::string, std::vector<std::string>> heard_;
};

bool eventually(const std::function<bool()>& true_at_last) {
  const auto limit = Steady::now() + std::chrono::seconds(40);
  std::mutex mutex;
  std::condition_variable waiting;
  std::unique_lock lock(mutex);
  while (Steady::now() < limit) {
    if (true_at_last()) return true;
    waiting.wait_for(lock, std::chrono::milliseconds(50));
  }
  return false;
}

struct Rig {
  Folder folder;
  storage::StoreWriter store;
  storage::StreamId stream = 0;
  int recorded = 0;
  Rig() : store(must(storage::StoreWriter::open(folder.path("rig.db"), {}))) {
    must(store.begin());
    stream = must(store.stream_for_meter("bench/1"));
    must(store.commit());
  }
  void record(int count) {
    std::vector<Reading> readings;
    for (int i = 0; i < count; ++i, ++recorded) {
      Reading reading;
      reading.time = UtcTime{night_us + std::int64_t{recorded} * 1'000'000};
      reading.values.set(Quantity::power, {2500 + recorded, -2});
      readings.push_back(reading);
    }
    must(store.begin());
    must(store.apply(storage::AppendReadings{stream, readings}));
    must(store.commit());
  }
  [[nodiscard]] PublishSettings settings(int port) const {
    PublishSettings settings;
    settings.host = "localhost";
    settings.port = port;
    settings.topic = "lab/{rig}/{meter}";
    settings.rig = "north";
    settings.store = folder.path("rig.db");
    return settings;
  }
};

bool broker_is_here() {
  if (fs::exists(broker_program)) return true;
  WARN("SKIPPED: no broker here; Debian's package mosquitto has it");
  return false;
}

const Publisher::Say quiet = [](Publisher::Tone, const std::string&) {};

}  // namespace

TEST_CASE("topics hold the rig and the meter, and nothing that a topic may not hold") {
  CHECK(topic_of("nightwatt/{rig}/{meter}", "north", "bench") == "nightwatt/north/bench");
  CHECK(topic_of("{meter}", "a", "x+y/z#") == "x_y_z_");
  CHECK(topic_of("a/{rig}/{meter}", "{meter}", "b") == "a/b/b");
  CHECK(online_topic("nightwatt/{rig}/{meter}", "north") == "nightwatt/north/online");
  CHECK(online_topic("lab", "north") == "lab/online");
}

TEST_CASE(
    "a client id is one that every broker takes, the same at every start, another for each rig, machine and store") {
  PublishSettings settings;
  settings.rig = "north";
  settings.store = "/var/lib/nightwatt/nightwatt.db";
  const std::string machine = "0123456789abcdef0123456789abcdef";
  const std::string id = client_id(settings, machine);
  CHECK(client_id(settings, machine) == id);
  // MQTT 3.1.1, 3.1.3.1.
  CHECK(id.size() >= 1);
  CHECK(id.size() <= 23);
  CHECK(id.find_first_not_of("0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ") == std::string::npos);
  PublishSettings other_rig = settings, other_store = settings, shifted = settings;
  other_rig.rig = "south";
  other_store.store = "/home/lab/second.db";
  shifted.rig = "north/";
  shifted.store = "var/lib/nightwatt/nightwatt.db";
  CHECK(client_id(other_rig, machine) != id);
  CHECK(client_id(other_store, machine) != id);
  CHECK(client_id(shifted, machine) != id);
  CHECK(client_id(settings, "fedcba9876543210fedcba9876543210") != id);
  // 10,000 rigs of one image, told apart by their names alone.
  std::set<std::string> all;
  for (int i = 0; i < 10'000; ++i) {
    settings.rig = "rig" + std::to_string(i);
    all.insert(client_id(settings, machine));
  }
  CHECK(all.size() == 10'000);
}

TEST_CASE("a broker is tried again more and more seldom, until a connection has held") {
  using std::chrono::minutes;
  using std::chrono::seconds;
  ReconnectPause pause;
  for (const int wanted_s : {1, 2, 4, 8, 16, 32, 60, 60}) CHECK(pause.next() == seconds(wanted_s));
  CHECK_FALSE(pause.cut_often());  // it was never there, so nobody cut anything
  pause.holds(minutes(5));
  // Another of the same name: whoever connects ends the other's connection. At their longest pauses each of two holds
  // it for a minute, which is still no good connection.
  for (const int wanted_s : {1, 2}) {
    pause.holds(seconds(wanted_s));
    pause.cut();
    CHECK_FALSE(pause.cut_often());
    CHECK(pause.next() == seconds(wanted_s));
  }
  for (const int wanted_s : {4, 8, 16, 32, 60, 60}) {
    pause.holds(minutes(1));
    pause.cut();
    CHECK(pause.cut_often());
    CHECK(pause.next() == seconds(wanted_s));
  }
  pause.holds(minutes(5));
  CHECK_FALSE(pause.cut_often());
  CHECK(pause.next() == seconds(1));
}

TEST_CASE("a connection that a network cut left open at the broker does not take a rig for gone after it is back") {
  if (!broker_is_here()) return;
  Rig rig;
  const BrokerProgram broker(rig.folder, "allow_anonymous true\n");
  const Listener listener(broker.port);
  std::ifstream file("/etc/machine-id");
  std::string machine;
  std::getline(file, machine);
  // The rig's connection of before the cut: the broker holds it open, and nobody is at its other end.
  mosquitto* const before = mosquitto_new(client_id(rig.settings(broker.port), machine).c_str(), true, nullptr);
  REQUIRE(mosquitto_will_set(before, "lab/north/online", 1, "0", 1, true) == MOSQ_ERR_SUCCESS);
  REQUIRE(mosquitto_connect(before, "localhost", broker.port, 30) == MOSQ_ERR_SUCCESS);
  REQUIRE(mosquitto_publish(before, nullptr, "lab/north/online", 1, "1", 1, true) == MOSQ_ERR_SUCCESS);
  constexpr int step_ms = 10;
  REQUIRE(eventually([&] {
    return mosquitto_loop(before, step_ms, 1) == MOSQ_ERR_SUCCESS && !listener.heard("lab/north/online").empty();
  }));
  Publisher publisher(rig.settings(broker.port), quiet);
  publisher.start();
  CHECK(eventually([&] { return listener.heard("lab/north/online") == std::vector<std::string>{"1", "0", "1"}; }));
  mosquitto_destroy(before);
}

TEST_CASE("readings and ends of runs arrive in order and are retained, what was there before is not told") {
  if (!broker_is_here()) return;
  for (const int version : {4, 5}) {
    Rig rig;
    const BrokerProgram broker(rig.folder, "allow_anonymous true\n");
    const Listener listener(broker.port);
    rig.record(5);
    storage::NewRun fresh;
    fresh.stream = rig.stream;
    fresh.device = "Gannet board";
    fresh.begin = UtcTime{night_us};
    must(rig.store.begin());
    const auto run = must(rig.store.open_run(fresh));
    must(rig.store.commit());
    PublishSettings settings = rig.settings(broker.port);
    settings.version = version;
    Publisher publisher(settings, quiet);
    publisher.start();
    REQUIRE(eventually([&] { return listener.heard("lab/north/online") == std::vector<std::string>{"1"}; }));
    rig.record(250);
    REQUIRE(eventually([&] { return listener.heard("lab/north/bench_1/reading").size() >= 250; }));
    const auto heard = listener.heard("lab/north/bench_1/reading");
    CHECK(heard.front() == R"({"time": "2026-01-05T21:00:05.000Z", "power_w": 25.05})");
    CHECK(heard.back() == R"({"time": "2026-01-05T21:04:14.000Z", "power_w": 27.54})");
    auto builder = must(figures::RunRecorder::over(rig.store.reader(), must(rig.store.reader().run(run))));
    must(rig.store.begin());
    must(rig.store.apply(storage::ClearRunState{run}));
    must(builder.finish(rig.store, UtcTime{night_us + 254'000'000}));
    must(rig.store.commit());
    REQUIRE(eventually([&] { return listener.heard("lab/north/bench_1/run").size() == 1; }));
    CHECK_THAT(listener.heard("lab/north/bench_1/run")[0], Catch::Contains("\"device\": \"Gannet board\""));
    // Whoever comes later is told the newest at once.
    const Listener late(broker.port);
    CHECK(
        eventually([&] { return late.heard("lab/north/bench_1/reading") == std::vector<std::string>{heard.back()}; }));
    publisher.stop();
    CHECK(eventually([&] { return listener.heard("lab/north/online").back() == "0"; }));
  }
}

TEST_CASE("a broker that was away is told what was recorded meanwhile, at least once, in order") {
  if (!broker_is_here()) return;
  Rig rig;
  BrokerProgram broker(rig.folder, "allow_anonymous true\n");
  const Listener listener(broker.port);
  Publisher publisher(rig.settings(broker.port), quiet);
  publisher.start();
  REQUIRE(eventually([&] { return !listener.heard("lab/north/online").empty(); }));
  rig.record(20);
  REQUIRE(eventually([&] { return listener.heard("lab/north/bench_1/reading").size() >= 20; }));
  broker.kill();
  rig.record(300);
  broker.start();
  const auto heard = [&] {
    const auto all = listener.heard("lab/north/bench_1/reading");
    return std::set<std::string>(all.begin(), all.end()).size();
  };
  // The listener, too, has to come back: what is told before it does is retained, the newest alone.
  CHECK(eventually([&] {
    return heard() > 20 && listener.heard("lab/north/bench_1/reading").back().find("28.19") != std::string::npos;
  }));
}

TEST_CASE("a wrong password is said in a line, and costs the recording nothing, the right one is taken, over TLS too") {
  if (!broker_is_here()) return;
  Rig rig;
  const std::string key = rig.folder.path("key.pem"), certificate = rig.folder.path("cert.pem");
  const bool tls = std::system(("openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext "
                                "subjectAltName=DNS:localhost -keyout " +
                                key + " -out " + certificate + " 2>/dev/null && chmod 644 " + key)
                                   .c_str()) == 0;
  if (!tls) WARN("SKIPPED in part: no openssl here to make a certificate");
  REQUIRE(std::system(("mosquitto_passwd -c -b " + rig.folder.path("users") + " rig secret && chmod 644 " +
                       rig.folder.path("users"))
                          .c_str()) == 0);
  const BrokerProgram broker(rig.folder, "allow_anonymous false\npassword_file " + rig.folder.path("users") + "\n" +
                                             (tls ? "certfile " + certificate + "\nkeyfile " + key + "\n" : ""));
  std::mutex mutex;
  std::vector<std::string> said;
  const Publisher::Say listen = [&](Publisher::Tone, const std::string& text) {
    const std::lock_guard lock(mutex);
    said.push_back(text);
  };
  const auto says = [&](const std::string& part) {
    const std::lock_guard lock(mutex);
    for (const std::string& text : said)
      if (text.find(part) != std::string::npos && text.find('\n') == std::string::npos) return true;
    return false;
  };
  PublishSettings settings = rig.settings(broker.port);
  settings.tls = tls;
  settings.ca_file = tls ? certificate : "";
  settings.user = "rig";
  settings.password = "wrong";
  {
    Publisher publisher(settings, listen);
    publisher.start();
    CHECK(eventually([&] { return says("not publishing, tried again: the broker: Connection Refused"); }));
    rig.record(10);
  }
  settings.password = "secret";
  Publisher publisher(settings, listen);
  publisher.start();
  CHECK(eventually([&] { return says("publishing to localhost"); }));
}

}  // namespace nightwatt::publish::test
