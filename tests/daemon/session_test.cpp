#include "daemon/meter_session.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "daemon/control_request.hpp"
#include "drivers/protocols.hpp"
#include "tests/daemon/support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

// One meter on the loop, without a loop.
struct Bench {
  explicit Bench(std::size_t room = ReadingQueue::reading_limit, std::optional<UtcTime> newest = {})
      : queue(clock, room),
        time(clock, queue, log.sink(), newest, {Duration{0}}),
        session(7, "bench", 1s, std::make_unique<LetterDecoder>(), time, queue, log.sink(), newest) {}

  void hear(std::string_view text) { session.feed(bytes(text), clock.monotonic()); }
  void open() { session.port_opened(clock.monotonic(), "/dev/ttyUSB0"); }
  void lose() { session.port_failed(clock.monotonic(), "missing", "lost: the other end hung up"); }

  JumpingClock clock;
  Log log;
  ReadingQueue queue;
  TimeKeeper time;
  MeterSession session;
};

}  // namespace

TEST_CASE("a reading is stamped with its arrival, cut to the millisecond") {
  Bench bench;
  bench.clock.pass(1234567us);
  bench.hear("k");
  const auto readings = only<QueuedReading>(bench.queue.take());
  REQUIRE(readings.size() == 1);
  CHECK(readings[0].meter == 7);
  CHECK(readings[0].reading.time == evening + 1234ms);
  CHECK(readings[0].reading.values == power(10000));
}

TEST_CASE("readings that arrive together are a millisecond apart, and the next is not earlier than they") {
  Bench bench;
  bench.hear("abc");
  bench.clock.pass(1ms);
  bench.hear("d");
  const auto readings = only<QueuedReading>(bench.queue.take());
  REQUIRE(readings.size() == 4);
  for (std::size_t i = 0; i < 4; ++i) CHECK(readings[i].reading.time == evening + static_cast<int>(i) * 1ms);
}

TEST_CASE("the calendar set by hours either way, often: no negative and no long interval, every step an event") {
  constexpr unsigned seed = 42;
  CAPTURE(seed);
  std::mt19937 random(seed);
  Bench bench;
  int steps = 0;
  for (int i = 0; i < 500; ++i) {
    bench.clock.pass(1s);
    if (random() % 10 == 0) {
      const auto hours = static_cast<int>(random() % 20000) - 10000;
      bench.clock.set_calendar(hours == 0 ? 1h : hours * 1h);
      ++steps;
    }
    bench.hear("a");
  }
  const auto items = bench.queue.take();
  const auto readings = only<QueuedReading>(items);
  REQUIRE(readings.size() == 500);
  for (std::size_t i = 1; i < readings.size(); ++i)
    CHECK(readings[i].reading.time - readings[i - 1].reading.time == 1s);
  const auto events = only<storage::Event>(items);
  REQUIRE(events.size() == static_cast<std::size_t>(steps));
  double sum_s = 0.0;
  for (const auto& event : events) {
    CHECK(event.kind == storage::EventKind::clock_step);
    sum_s += event.amount;
  }
  // Shown times are the calendar's, whatever it was set to.
  CHECK(readings.back().reading.time + bench.time.utc_offset() == bench.clock.utc());
  CHECK(to_seconds(bench.time.utc_offset()).value == Approx(sum_s));
  CHECK(only<QueuedUtcOffset>(items).back().utc_offset == bench.time.utc_offset());
}

TEST_CASE("a calendar that lies before the store's last reading does not make readings go back") {
  const UtcTime newest = evening + 5h;
  Bench bench(10, newest);
  bench.clock.pass(2s);
  bench.hear("a");
  const auto items = bench.queue.take();
  const auto readings = only<QueuedReading>(items);
  REQUIRE(readings.size() == 1);
  CHECK(readings[0].reading.time > newest);
  const auto utc_offsets = only<QueuedUtcOffset>(items);
  REQUIRE_FALSE(utc_offsets.empty());
  // Shown with it, the reading lies within a step of the calendar (stamps are cut to the millisecond).
  CHECK(std::abs((readings[0].reading.time + utc_offsets.back().utc_offset - bench.clock.utc()).count()) <= 1000);
}

TEST_CASE("readings without room are counted, and the count is told with the next that has room") {
  Bench bench(2);
  bench.hear("ab");
  bench.clock.pass(1s);
  bench.hear("c");
  bench.clock.pass(1s);
  bench.hear("d");
  CHECK(bench.session.status(bench.clock.monotonic()).lost == 2);
  CHECK(bench.session.status(bench.clock.monotonic()).readings == 4);
  CHECK(only<QueuedReading>(bench.queue.take()).size() == 2);
  bench.clock.pass(1s);
  bench.hear("e");
  const auto items = bench.queue.take();
  REQUIRE(items.size() == 2);
  const auto& event = std::get<storage::Event>(items[1]);
  CHECK(event.kind == storage::EventKind::readings_lost);
  CHECK(event.amount == 2.0);
  CHECK(event.at == evening + 1s);
  CHECK(event.meter == "bench");
  CHECK(std::get<QueuedReading>(items[0]).reading.values == power(4000));
  CHECK(bench.log.count("reading lost") == 1);
}

TEST_CASE("a fault that repeats is counted each time and logged once a minute with what was swallowed") {
  Bench bench;
  for (int i = 0; i < 130; ++i) {
    bench.hear("!");
    bench.clock.pass(1s);
  }
  CHECK(bench.session.status(bench.clock.monotonic()).faults == 130);
  CHECK(bench.log.count("checksum") == 3);
  CHECK(bench.log.count("(59 more like it") == 2);
}

TEST_CASE("an hour of garbage leaves counts and no more, and the next good frame is a reading") {
  Bench bench;
  (void)bench.queue.take();  // what the clock tells the store at the start
  const std::string noise(1000, '!');
  for (int i = 0; i < 3600; ++i) {
    bench.hear(noise);
    bench.clock.pass(1s);
  }
  CHECK(bench.queue.take().empty());
  bench.hear("b");
  CHECK(only<QueuedReading>(bench.queue.take()).size() == 1);
  CHECK(bench.session.status(bench.clock.monotonic()).faults == 3'600'000);
  CHECK(bench.log.count("checksum") <= 61);
}

TEST_CASE("a port that is lost and comes back is one event each, however often it was tried in between") {
  Bench bench;
  bench.open();
  bench.hear("a");
  for (int i = 0; i < 5; ++i) {
    bench.clock.pass(5s);
    bench.lose();
  }
  CHECK(bench.session.status(bench.clock.monotonic()).state == "missing");
  bench.clock.pass(1s);
  bench.open();
  const auto events = only<storage::Event>(bench.queue.take());
  REQUIRE(events.size() == 2);
  CHECK(events[0].kind == storage::EventKind::port_lost);
  CHECK(events[0].at == evening + 5s);
  CHECK(events[1].kind == storage::EventKind::port_back);
  CHECK(events[1].at == evening + 26s);
  CHECK(bench.log.count("port missing") == 1);
}

TEST_CASE("the state tells recording, nothing good yet, silent and why a port cannot be used apart") {
  Bench bench;
  const auto state = [&] { return bench.session.status(bench.clock.monotonic()).state; };
  CHECK(state() == "opening");
  bench.open();
  CHECK(state() == "no reading yet");
  bench.hear("!");
  CHECK(state() == "no reading yet");
  bench.clock.pass(11s);
  CHECK(state() == "silent");
  bench.hear("a");
  CHECK(state() == "recording");
  bench.clock.pass(9s);
  CHECK(state() == "recording");
  CHECK(bench.session.status(bench.clock.monotonic()).age_s == Approx(9.0));
  bench.session.port_failed(bench.clock.monotonic(), "denied", "no right to open it");
  CHECK(state() == "denied");
}

TEST_CASE(
    "a port that was not to be had and is lost soon after it was is told both times, a flapping one once a minute") {
  Bench bench;
  bench.session.port_failed(bench.clock.monotonic(), "denied", "no right to open it");
  for (int i = 0; i < 10; ++i) {
    bench.clock.pass(2s);
    bench.open();
    bench.clock.pass(1s);
    bench.lose();
  }
  CHECK(bench.log.count("port denied") == 1);
  CHECK(bench.log.count("port missing") == 1);
}

TEST_CASE("a port that does not say what the profile says is told in the status until a reading comes") {
  JumpingClock clock;
  Log log;
  ReadingQueue queue(clock);
  TimeKeeper time(clock, queue, log.sink(), {}, {Duration{0}});
  MeterProfile csv;
  csv.protocol = TextLineSettings{};
  csv.reads.resize(1);
  csv.reads[0].column = 2;
  MeterSession session(7, "bench", 1s, drivers::make_decoder(csv).value(), time, queue, log.sink(), {});
  session.port_opened(clock.monotonic(), "/dev/ttyUSB0");
  for (int second = 0; second < 60; ++second) {
    clock.pass(1s);
    session.feed(bytes("{\"p\":118}\r\n"), clock.monotonic());
  }
  const MeterStatus status = session.status(clock.monotonic());
  CHECK(status.trouble.find("this looks like JSON lines") != std::string::npos);
  ServiceStatus service;
  service.meters = {status};
  const auto told = troubles_of(status_answer(service));
  REQUIRE(told.size() == 1);
  CHECK(told[0] == std::pair<std::string, std::string>("bench", status.trouble));
  session.feed(bytes("1,118\n1,119\n"), clock.monotonic());
  CHECK(session.status(clock.monotonic()).trouble.empty());
  CHECK(troubles_of("no answer").empty());
}

TEST_CASE(
    "who watches a meter that reports on change sees what it shows until it says something else, or is too still") {
  Bench bench;
  MeterSession session(8, "tern", 1s, std::make_unique<LetterDecoder>(), bench.time, bench.queue, bench.log.sink(), {},
                       Reporting{true, 60.0});
  const auto live = [&] {
    std::vector<std::pair<double, double>> seen;  // seconds, W
    for (const LivePoint& point : session.take_live(bench.clock.monotonic()))
      seen.emplace_back(to_seconds(point.at - evening).value, point.power_w);
    return seen;
  };
  session.watch(true);
  session.port_opened(bench.clock.monotonic(), "/dev/ttyUSB0");
  session.feed(bytes("b"), bench.clock.monotonic());
  bench.clock.pass(3s);
  using Seen = std::vector<std::pair<double, double>>;
  CHECK(live() == Seen{{0.0, 1.0}, {1.0, 1.0}, {2.0, 1.0}, {3.0, 1.0}});
  bench.clock.pass(2500ms);
  session.feed(bytes("c"), bench.clock.monotonic());
  bench.clock.pass(1500ms);
  CHECK(live() == Seen{{4.0, 1.0}, {5.0, 1.0}, {6.0, 2.0}, {7.0, 2.0}});
  // Longer than gap_s: what it shows is not known any more.
  bench.clock.pass(70s);
  CHECK(live().empty());
  // One that always reports is seen when it does.
  bench.session.watch(true);
  bench.open();
  bench.hear("d");
  bench.clock.pass(3s);
  CHECK(bench.session.take_live(bench.clock.monotonic()).size() == 1);
}
