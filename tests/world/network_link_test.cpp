// A meter behind a device server on a network that fails without a word: the other end is gone, and nobody says so.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cerrno>
#include <string_view>

#include "daemon/time_keeper.hpp"
#include "port_link.hpp"
#include "sim_world.hpp"
#include "tests/daemon/support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::world;
using namespace std::chrono_literals;

namespace {

class Connection;

/// The other end. It knows the newest connection alone, as a device server of one port does.
struct DeviceServer {
  bool reachable = true;  ///< answers a new connection
  int tries = 0;
  Connection* known = nullptr;
};

/// Takes all that is written to it, and tells of nothing but bytes and of what the system says of a dead peer.
class Connection final : public Port {
 public:
  Connection(Scheduler& scheduler, DeviceServer& server) : scheduler_(scheduler), server_(server) {}
  ~Connection() override {
    if (server_.known == this) server_.known = nullptr;
  }
  Connection(const Connection&) = delete;
  Connection& operator=(const Connection&) = delete;

  [[nodiscard]] const std::string& where() const override { return where_; }
  [[nodiscard]] bool connecting() const override { return true; }
  // A question that no one hears is asked once more by the system a second later, then after two and four more.
  void wait_writable(std::function<void(const std::string&)> call) override {
    for (const Duration asked : {0ms, 1000ms, 3000ms, 7000ms})
      scheduler_.after(asked, [this, pass = std::weak_ptr(pass_), call] {
        if (pass.expired() || !server_.reachable || server_.known == this) return;
        server_.known = this;
        call({});
      });
  }
  void wait_readable(std::function<void(const std::string&)> call) override { readable_ = std::move(call); }
  std::ptrdiff_t read(std::span<std::byte> into) override {
    if (error_ != 0) return -error_;
    const std::size_t count = std::min(into.size(), received_.size());
    std::copy_n(received_.begin(), count, into.begin());
    received_.erase(received_.begin(), received_.begin() + static_cast<std::ptrdiff_t>(count));
    return count == 0 ? -EAGAIN : static_cast<std::ptrdiff_t>(count);
  }
  std::ptrdiff_t write(std::span<const std::byte> bytes) override { return static_cast<std::ptrdiff_t>(bytes.size()); }

  void receive(std::string_view text) {
    const auto bytes = test::bytes(text);
    received_.insert(received_.end(), bytes.begin(), bytes.end());
    call();
  }
  /// What the system makes of signs of life that were not answered.
  void time_out() {
    error_ = ETIMEDOUT;
    call();
  }

 private:
  void call() {
    if (readable_) std::exchange(readable_, nullptr)({});
  }

  Scheduler& scheduler_;
  DeviceServer& server_;
  const std::string where_ = "tcp://192.0.2.7:4001";
  std::vector<std::byte> received_;
  int error_ = 0;
  std::function<void(const std::string&)> readable_;
  std::shared_ptr<char> pass_ = std::make_shared<char>();
};

class Network final : public SimEnvironment {
 public:
  Network(Scheduler& scheduler, SimClock& clock, SimDisk& disk, DeviceServer& server)
      : SimEnvironment(scheduler, clock, disk), scheduler_(scheduler), server_(server) {}
  [[nodiscard]] PortResult open_port(const config::MeterConfig&) override {
    ++server_.tries;
    return std::make_unique<Connection>(scheduler_, server_);
  }

 private:
  Scheduler& scheduler_;
  DeviceServer& server_;
};

config::MeterConfig behind_device_server(MeterProfile profile) {
  config::MeterConfig meter;
  meter.name = "bench";
  meter.port = "tcp://192.0.2.7:4001";
  meter.profile = std::move(profile);
  return meter;
}

MeterProfile every(Duration interval) {
  MeterProfile profile;
  profile.interval = interval;
  return profile;
}

/// A link to a meter that says a byte each interval, and time that passes as it is told to.
struct Bench {
  explicit Bench(MeterProfile profile)
      : interval(profile.interval),
        link(network, behind_device_server(profile),
             std::make_unique<MeterSession>(7, "bench", profile.interval, std::make_unique<test::LetterDecoder>(), time,
                                            queue, log.sink(), std::nullopt,
                                            Reporting{profile.on_change, profile.gap_s}),
             time) {
    link.start();
    speak();
  }
  void speak() {
    if (speaking && server.known != nullptr) server.known->receive("k");
    scheduler.after(interval, [this] { speak(); });
  }
  void pass(Duration duration) {
    const std::int64_t until_us = scheduler.now_us() + duration.count();
    while (scheduler.step(until_us)) {
    }
  }
  /// How long it takes until `happened`, looked at ten times a second; `at_most` if it does not.
  template <class Condition>
  Duration wait_for(Duration at_most, Condition&& happened) {
    Duration waited{0};
    for (; waited < at_most && !happened(); waited += 100ms) pass(100ms);
    return waited;
  }
  [[nodiscard]] std::string state() { return link.session().status(clock.monotonic()).state; }
  [[nodiscard]] std::uint64_t readings() { return link.session().status(clock.monotonic()).readings; }
  /// The cable is cut: what either side sends is gone, and no connection knows.
  void cut() {
    server.reachable = false;
    server.known = nullptr;
  }

  Duration interval;
  bool speaking = true;
  Scheduler scheduler{1};
  SimClock clock{scheduler, test::evening};
  SimDisk disk{1};
  DeviceServer server;
  Network network{scheduler, clock, disk, server};
  test::Log log;
  ReadingQueue queue{clock, ReadingQueue::reading_limit};
  TimeKeeper time{clock, queue, log.sink(), std::nullopt, {Duration{0}}};
  PortLink link;
};

}  // namespace

TEST_CASE("world: a device server that has forgotten its client is noticed by half a minute's silence") {
  Bench bench(every(1s));
  bench.pass(10min);
  REQUIRE(bench.server.tries == 1);
  REQUIRE(bench.readings() >= 599);
  bench.server.known = nullptr;  // it was switched off and on; new connections are welcome
  const Duration noticed = bench.wait_for(2min, [&] { return bench.server.tries == 2; });
  CHECK(noticed >= 29s);
  CHECK(noticed <= 38s);
  CHECK(bench.log.count("nothing heard: connecting anew") == 1);
  const std::uint64_t before = bench.readings();
  bench.pass(3s);
  CHECK(bench.readings() >= before + 2);
  CHECK(bench.state() == "recording");
  bench.pass(1h);
  CHECK(bench.server.tries == 2);
}

TEST_CASE("world: a meter that speaks seldom, or on change alone, is given its own time before it counts as gone") {
  Bench slow(every(60s));
  slow.pass(1h);
  CHECK(slow.server.tries == 1);
  slow.server.known = nullptr;
  const Duration noticed = slow.wait_for(1h, [&] { return slow.server.tries == 2; });
  CHECK(noticed > 8min);
  CHECK(noticed <= 13min);

  MeterProfile on_change = every(1s);
  on_change.on_change = true;
  on_change.gap_s = 900.0;
  Bench still(on_change);
  still.pass(1min);
  still.speaking = false;
  still.pass(14min);
  CHECK(still.server.tries == 1);
  CHECK(still.wait_for(1h, [&] { return still.server.tries == 2; }) <= 5min);
}

TEST_CASE(
    "world: a cable that was cut is noticed by the system's signs of life, and the meter is back 2 s after it is "
    "mended") {
  // However long the cable was cut, to the tenth of a second: some tries are on their way when it is mended.
  for (Duration cut_for = 30s; cut_for < 36s; cut_for += 100ms) {
    CAPTURE(cut_for.count());
    Bench bench(every(1s));
    bench.pass(60s);
    Connection* connection = bench.server.known;
    bench.cut();
    bench.pass(22s);
    REQUIRE(bench.server.tries == 1);
    connection->time_out();
    CHECK(bench.state() == "missing");
    CHECK(bench.log.count("Connection timed out") == 1);
    bench.pass(cut_for - 22s);
    bench.server.reachable = true;
    const Duration back = bench.wait_for(20s, [&] { return bench.server.known != nullptr; });
    CHECK(back <= 2s);
    bench.pass(2s);
    CHECK(bench.state() == "recording");
    // One packet a second, no more.
    CHECK(bench.server.tries <= 2 + static_cast<int>(cut_for / 1s));
  }
}
