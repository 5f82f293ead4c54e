// A Modbus meter of the test's own on a bad line: late, doubled, cut, garbled and missing answers, restarts in the
// middle of an answer, a second master. No volt may ever be stored as a watt.

#include <catch2/catch.hpp>
#include <deque>
#include <functional>

#include "crc16.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using namespace std::chrono_literals;

/// Register pairs as in the shipped profile of whole numbers: power 18, voltage 0, energy 52, low word first.
constexpr unsigned power_register = 18;
constexpr unsigned voltage_register = 0;
constexpr unsigned energy_register = 52;

MeterProfile profile_with(Duration timeout) {
  MeterProfile profile = test::modbus_profile(
      {test::modbus_read(Quantity::power, 3, power_register, RegisterType::s32, RegisterOrder::cdab, {1, -1}),
       test::modbus_read(Quantity::voltage, 3, voltage_register, RegisterType::s32, RegisterOrder::cdab, {1, -1}),
       test::modbus_read(Quantity::energy, 3, energy_register, RegisterType::u32, RegisterOrder::cdab, {1, 2})},
      1);
  profile.protocol.find<ModbusRtuSettings>()->timeout = timeout;
  profile.line.baud = 19200;
  return profile;
}

enum class Mishap { none, missing, cut, garbled, late, twice, previous };

/// Answers in the order it was asked, each after a while; what mishap an answer meets is asked of `mishap`.
class BadMeter {
 public:
  std::function<Duration()> latency = [] { return Duration(60ms); };
  std::function<Mishap()> mishap = [] { return Mishap::none; };
  bool knows_halves = true;      ///< answers for one register of a pair; refuses it else
  bool speaks_of_halves = true;  ///< says nothing at all about it else
  unsigned watts_tenths = 251;
  bool counter_runs = false;                 ///< another number each time it is read
  bool high_first = false;                   ///< each pair's high word is its first
  bool steady = false;                       ///< else the power moves a little from answer to answer
  Duration longest_queue = Duration::max();  ///< busy for longer than this, it hears no question
  unsigned good_powers = 0;                  ///< answers that left the meter whole

  void ask(const Bytes& request, Duration now) {
    for (std::size_t at = 0; at + 8 <= request.size(); at += 8) answer(request.data() + at, now);
  }
  /// What has arrived by `now`.
  Bytes arrived(Duration now) {
    Bytes bytes;
    while (!wire_.empty() && wire_.front().first <= now) {
      bytes = test::operator+(std::move(bytes), wire_.front().second);
      wire_.pop_front();
    }
    return bytes;
  }

 private:
  void answer(const std::byte* request, Duration now) {
    const auto word = [&](std::size_t at) {
      return std::to_integer<unsigned>(request[at]) * 256 + std::to_integer<unsigned>(request[at + 1]);
    };
    const unsigned first = word(2);
    const unsigned count = word(4);
    if (busy_until_ - now > longest_queue) return;
    if (count != 2 && !speaks_of_halves) return;
    Bytes frame = {request[0], request[1]};
    if (count == 2 || knows_halves) {
      frame.push_back(static_cast<std::byte>(2 * count));
      for (unsigned i = 0; i < count; ++i) {
        const unsigned value = register_value(high_first && count == 2 ? first + 1 - i : first + i);
        frame.push_back(static_cast<std::byte>(value >> 8U));
        frame.push_back(static_cast<std::byte>(value & 0xFFU));
      }
    } else {
      frame = {request[0], request[1] | std::byte{0x80}, std::byte{2}};
    }
    const std::uint16_t crc = crc16_modbus(frame);
    frame.push_back(static_cast<std::byte>(crc & 0xFFU));
    frame.push_back(static_cast<std::byte>(crc >> 8U));
    busy_until_ = std::max(busy_until_, now) + latency();
    deliver(std::move(frame), count == 2 && first == power_register);
  }

  void deliver(Bytes frame, bool is_power) {
    const Mishap met = mishap();
    if (met == Mishap::missing) return;
    if (met == Mishap::late) busy_until_ += 650ms;
    const Bytes before = std::exchange(before_, frame);
    if (met == Mishap::previous && !before.empty()) frame = before;
    if (met == Mishap::cut) frame.resize(frame.size() / 2);
    if (met == Mishap::garbled) frame[frame.size() / 2] ^= std::byte{0x10};
    if (is_power && met != Mishap::cut && met != Mishap::garbled) ++good_powers;
    wire_.emplace_back(busy_until_, frame);
    if (met == Mishap::twice) wire_.emplace_back(busy_until_ + 20ms, frame);
  }

  [[nodiscard]] unsigned register_value(unsigned address) {
    if (address == power_register) return watts_tenths + (steady ? 0 : ++reads_ % 7);
    if (address == voltage_register) return 2304;
    if (address == energy_register) return counter_runs ? 4711 + ++reads_ : 4711;
    return 0;  // the high words
  }

  Duration busy_until_{0};
  Bytes before_;  ///< the answer to the question before
  unsigned reads_ = 0;
  std::deque<std::pair<Duration, Bytes>> wire_;
};

/// Runs a decoder against the meter in steps of a millisecond; at each of `restarts` a new service opens the port.
struct Night {
  BadMeter& meter;
  MeterProfile profile;
  Output out{};
  std::vector<Duration> handed_out{};  ///< when, of each reading
  std::function<void(Duration)> at_each_step = [](Duration) {};

  void run(Duration length, const std::vector<Duration>& restarts = {}) {
    auto decoder = make_decoder(profile).value();
    decoder->reset(Duration{0});
    std::size_t next_restart = 0;
    for (Duration now{0}; now < length; now += 1ms) {
      at_each_step(now);
      if (next_restart < restarts.size() && now >= restarts[next_restart]) {
        ++next_restart;
        decoder = make_decoder(profile).value();
        decoder->reset(now);
      }
      const Bytes bytes = meter.arrived(now);
      if (!bytes.empty()) decoder->feed(bytes, now, out);
      decoder->tick(now, out);
      if (!out.send.empty()) meter.ask(std::exchange(out.send, {}), now);
      handed_out.resize(out.readings.size(), now);
    }
  }

  /// Readings with a value that is another register's.
  [[nodiscard]] unsigned wrong() const {
    unsigned count = 0;
    for (const Measurement& reading : out.readings) {
      const auto differs = [&](Quantity quantity, double right) {
        const auto value = reading.values.get(quantity);
        return value && value->value() != Approx(right).margin(quantity == Quantity::power ? 0.7 : 0.0);
      };
      if (!reading.values.has(Quantity::power) || differs(Quantity::power, meter.watts_tenths * 0.1) ||
          differs(Quantity::voltage, 230.4) || differs(Quantity::energy, 471100.0))
        ++count;
    }
    return count;
  }
  [[nodiscard]] std::ptrdiff_t wrong_powers() const {
    return std::count_if(out.readings.begin(), out.readings.end(), [&](const Measurement& reading) {
      const auto power = reading.values.get(Quantity::power);
      return !power || power->value() != Approx(meter.watts_tenths * 0.1).margin(0.7);
    });
  }
  /// As they came over the line.
  [[nodiscard]] bool in_order() const {
    return std::is_sorted(out.readings.begin(), out.readings.end(),
                          [](const Measurement& a, const Measurement& b) { return a.at < b.at; });
  }
  [[nodiscard]] unsigned whole() const {
    unsigned count = 0;
    for (const Measurement& reading : out.readings)
      if (reading.values.has(Quantity::voltage) && reading.values.has(Quantity::energy)) ++count;
    return count;
  }
};

Mishap one_in_six(std::mt19937& random) {
  if (random() % 6 != 0) return Mishap::none;
  return std::array{Mishap::missing, Mishap::cut, Mishap::garbled, Mishap::late}[random() % 4];
}

}  // namespace

TEST_CASE("a meter slower than the time-out gives no volt for a watt, and its values are had all the same") {
  for (const bool knows_halves : {true, false}) {
    BadMeter meter;
    meter.latency = [] { return Duration(650ms); };
    meter.knows_halves = knows_halves;
    Night night{meter, profile_with(500ms)};
    night.run(60s);
    CAPTURE(knows_halves, night.out.readings.size(), night.whole());
    CHECK(night.wrong() == 0);
    CHECK(night.out.readings.size() >= 25);
    const auto has_voltage = [](const Measurement& m) { return m.values.has(Quantity::voltage); };
    CHECK(std::any_of(night.out.readings.begin(), night.out.readings.end(), has_voltage));
  }
}

TEST_CASE("restarts in the middle of an answer give no volt for a watt") {
  std::mt19937 random(20260105);
  INFO("seed 20260105");
  for (const auto latency : {60ms, 120ms, 200ms}) {
    BadMeter meter;
    meter.latency = [latency] { return Duration(latency); };
    Night night{meter, profile_with(500ms)};
    std::vector<Duration> restarts;
    Duration at{0};
    for (int i = 0; i < 40; ++i) restarts.push_back(at += Duration(1'200'000 + random() % 1'500'000));
    night.run(120s, restarts);
    CAPTURE(latency.count(), night.out.readings.size());
    CHECK(night.wrong() == 0);
    CHECK(night.out.readings.size() >= 50);
  }
}

TEST_CASE("a meter slower than the time-out and restarted gives no volt for a watt") {
  constexpr unsigned seeds = 20;
  std::size_t readings = 0;
  for (unsigned seed = 1; seed <= seeds; ++seed) {
    std::mt19937 random(seed);
    BadMeter meter;
    meter.latency = [] { return Duration(650ms); };
    Night night{meter, profile_with(500ms)};
    std::vector<Duration> restarts;
    Duration at{0};
    for (int i = 0; i < 30; ++i) restarts.push_back(at += Duration(2'000'000 + random() % 5'000'000));
    night.run(180s, restarts);
    CAPTURE(seed, night.out.readings.size());
    CHECK(night.wrong() == 0);
    readings += night.out.readings.size();
  }
  CHECK(readings >= 15 * seeds);
}

// Found by the simulated world, seed 675219 of 60 minutes and 120 faults: the lost ones were waited for ever after, so
// that the other registers had no turn and readings were handed out late.
TEST_CASE("a meter that was slow and lost answers for a while is read as before soon after") {
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 random(seed);
    BadMeter meter;
    bool bad = false;
    meter.latency = [&] { return bad ? Duration(1ms * (500 + random() % 5000)) : Duration(60ms); };
    meter.mishap = [&] { return bad && random() % 2 == 0 ? Mishap::missing : Mishap::none; };
    MeterProfile profile = profile_with(500ms);
    profile.interval = 2s;
    meter.longest_queue = 8s;
    Night night{meter, profile};
    constexpr Duration slow_from = 60s;
    constexpr Duration slow_until = 120s;
    constexpr Duration well_again = 200s;
    night.at_each_step = [&](Duration now) { bad = now >= slow_from && now < slow_until; };
    night.run(300s);
    const auto is_well = [&](const Measurement& reading) { return *reading.at >= well_again; };
    const auto first = std::find_if(night.out.readings.begin(), night.out.readings.end(), is_well);
    const auto count = night.out.readings.end() - first;
    CAPTURE(seed, count);
    CHECK(night.wrong() == 0);
    CHECK(count >= 48);
    CHECK(std::count_if(first, night.out.readings.end(),
                        [](const Measurement& reading) { return reading.values.has(Quantity::energy); }) >= count - 2);
    for (std::size_t i = night.out.readings.size() - static_cast<std::size_t>(count); i < night.out.readings.size();
         ++i)
      CHECK(night.handed_out[i] - *night.out.readings[i].at <= profile.interval);
  }
}

TEST_CASE("answers sent twice, 20 ms apart, are no other question's answers") {
  for (const auto latency : {5ms, 15ms, 25ms, 60ms, 150ms}) {
    BadMeter meter;
    meter.latency = [latency] { return Duration(latency); };
    meter.mishap = [] { return Mishap::twice; };
    Night night{meter, profile_with(500ms)};
    night.run(63s);
    CAPTURE(latency.count(), night.out.readings.size(), night.whole());
    CHECK(night.wrong() == 0);
    CHECK(night.out.readings.size() >= 60);
    CHECK(night.whole() >= 50);
  }
}

TEST_CASE("registers with equal contents are read all the same") {
  BadMeter meter;
  meter.watts_tenths = 2304;  // as the voltage
  meter.steady = true;
  Night night{meter, profile_with(500ms)};
  night.run(20s);
  CHECK(night.wrong() == 0);
  CHECK(night.out.faults.empty());
  CHECK(night.whole() >= 18);
}

// Found by the simulated world, seed 19 of 5 minutes and 30 faults: the answer that was never seen came a round later.
TEST_CASE("answers that all come one question late, for a while, give no volt for a watt") {
  for (unsigned seed = 1; seed <= 20; ++seed)
    for (const bool knows_halves : {true, false}) {
      std::mt19937 random(seed);
      BadMeter meter;
      meter.knows_halves = knows_halves;
      meter.counter_runs = true;
      unsigned late = 0;
      meter.mishap = [&] {
        if (late == 0 && random() % 30 == 0) late = static_cast<unsigned>(1 + random() % 20);
        if (late == 0) return Mishap::none;
        --late;
        return Mishap::previous;
      };
      Night night{meter, profile_with(500ms)};
      night.run(120s);
      CAPTURE(seed, knows_halves, night.out.readings.size());
      CHECK(night.wrong_powers() == 0);
      CHECK(night.out.readings.size() >= 50);
    }
}

// Found by the simulated world, seed 655932 of 60 minutes and 120 faults: the late answer, which nobody awaited any
// more, was not remembered, and came again in the next question's place.
TEST_CASE("an answer that came too late and comes once more, to the next question, gives no volt for a watt") {
  for (unsigned seed = 1; seed <= 40; ++seed) {
    std::mt19937 random(seed);
    BadMeter meter;
    meter.counter_runs = true;
    bool late = false;
    meter.mishap = [&] {
      const bool again = std::exchange(late, false);
      if (again && random() % 2 == 0) return Mishap::previous;
      late = random() % 5 == 0;
      return late ? Mishap::late : Mishap::none;
    };
    MeterProfile profile = profile_with(500ms);
    profile.interval = 5s;
    Night night{meter, profile};
    night.run(600s);
    CAPTURE(seed, night.out.readings.size());
    CHECK(night.wrong_powers() == 0);
    CHECK(night.out.readings.size() >= 100);
  }
}

// Found by the simulated world, seed 161: the late one was stamped behind the newer one.
TEST_CASE("an answer that comes while its question is asked anew counts at its own time, before the newer one") {
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 random(seed);
    BadMeter meter;
    meter.latency = [&] { return Duration(1ms * (random() % 2 == 0 ? 20 : 300 + static_cast<int>(random() % 500))); };
    Night night{meter, profile_with(500ms)};
    night.run(60s);
    CAPTURE(seed);
    CHECK(night.in_order());
    CHECK(night.wrong() == 0);
  }
}

TEST_CASE("an answer to the question before, given to this one, gives no volt for a watt") {
  for (const auto interval : {1s, 30s})
    for (const bool speaks : {true, false}) {
      constexpr unsigned seed = 5;
      std::mt19937 random(seed);
      BadMeter meter;
      meter.speaks_of_halves = speaks;
      bool last = false;
      // Two running, of a meter without clearing answers, cannot be told: docs/meters.md.
      meter.mishap = [&] {
        last = (speaks || !last) && random() % 4 == 0;
        return last ? Mishap::previous : Mishap::none;
      };
      MeterProfile profile = profile_with(500ms);
      profile.interval = interval;
      Night night{meter, profile};
      night.run(120 * interval);
      CAPTURE(seed, interval.count(), speaks, night.out.readings.size(), night.whole());
      CHECK(night.wrong() == 0);
      CHECK(night.out.readings.size() >= (speaks ? 105 : 60));
    }
}

TEST_CASE("an answer to the program before's question, given to the first one, gives no volt for a watt") {
  for (const bool speaks : {true, false}) {
    BadMeter meter;
    meter.speaks_of_halves = speaks;
    std::vector<Duration> restarts;
    for (Duration at = 10'300ms; at < 200s; at += 10'007ms) restarts.push_back(at);
    unsigned asked = 0;
    meter.mishap = [&] { return ++asked % 3 == 1 ? Mishap::previous : Mishap::none; };
    Night night{meter, profile_with(500ms)};
    night.run(200s, restarts);
    CAPTURE(speaks, night.out.readings.size());
    CHECK(night.wrong() == 0);
    // One that does not speak of halves is waited for until five seconds after each opening.
    CHECK(night.out.readings.size() >= (speaks ? 40 : 30));
  }
}

TEST_CASE("with one answer in six missing, cut, garbled or late, no wrong watt and next to no reading lost") {
  unsigned seconds = 0;
  unsigned good = 0;
  std::size_t readings = 0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 random(seed);
    BadMeter meter;
    meter.latency = [&random] { return Duration(40'000 + random() % 80'000); };
    meter.mishap = [&random] { return one_in_six(random); };
    Night night{meter, profile_with(500ms)};
    std::vector<Duration> restarts;
    if (seed % 2 == 0) restarts = {40s, 80s + 37ms, 120s + 111ms};
    night.run(180s, restarts);
    CAPTURE(seed, night.out.readings.size());
    CHECK(night.wrong() == 0);
    seconds += 178 - 2 * static_cast<unsigned>(restarts.size());
    readings += night.out.readings.size();
    // The first answer after a restart counts only when a clearing answer comes behind it.
    good += meter.good_powers - static_cast<unsigned>(restarts.size());
  }
  CAPTURE(readings, good, seconds);
  CHECK(readings * 100 >= good * 99);
  CHECK(readings * 100 >= seconds * 99);
}

TEST_CASE("a second master's answers are not ours") {
  // Its question is seen on the line, as on any two-wire bus: for the voltage, and one that an answer may begin with.
  const auto its_question = GENERATE("01 03 00 00 00 02", "01 03 04 00 00 02");
  std::mt19937 random(5);
  INFO("seed 5, " << its_question);
  BadMeter meter;
  Night night{meter, profile_with(500ms)};
  auto decoder = make_decoder(night.profile).value();
  decoder->reset(Duration{0});
  for (Duration now{0}; now < 60s; now += 1ms) {
    if (random() % 700 == 0) {
      Bytes question = test::from_hex(its_question);
      const std::uint16_t crc = crc16_modbus(question);
      question.push_back(static_cast<std::byte>(crc & 0xFFU));
      question.push_back(static_cast<std::byte>(crc >> 8U));
      decoder->feed(question, now, night.out);
      meter.ask(question, now);
    }
    const Bytes bytes = meter.arrived(now);
    if (!bytes.empty()) decoder->feed(bytes, now, night.out);
    decoder->tick(now, night.out);
    if (!night.out.send.empty()) meter.ask(std::exchange(night.out.send, {}), now);
  }
  CAPTURE(night.out.readings.size());
  CHECK(night.wrong() == 0);
  CHECK(night.out.readings.size() >= 40);
}

// Found in seed 89 of 5 minutes and 20 faults: 01 03 04 00 00 02 C5 30 would ask for registers 1024 and 1025.
TEST_CASE("a load that stands still at a number that begins like another master's question is read") {
  BadMeter meter;
  meter.steady = true;
  meter.high_first = true;
  meter.watts_tenths = 0x02C5;
  Night night{meter, profile_with(500ms)};
  for (ReadSpec& read : night.profile.reads) read.order = RegisterOrder::abcd;
  night.run(30s);
  CHECK(night.wrong() == 0);
  CHECK(night.out.readings.size() >= 29);
  CHECK(night.out.faults.empty());
}

TEST_CASE("an answer in two parts is put together, though the pause between them looks like its end") {
  BadMeter meter;
  Night night{
      meter,
      test::modbus_profile(
          {test::modbus_read(Quantity::power, 3, power_register, RegisterType::s32, RegisterOrder::cdab, {1, -1})}, 1)};
  auto decoder = make_decoder(night.profile).value();
  std::deque<std::pair<Duration, Bytes>> parts;  // a network bridge that hands over every 100 ms
  for (Duration now{0}; now < 30s; now += 1ms) {
    const Bytes bytes = meter.arrived(now);
    if (!bytes.empty()) {
      parts.emplace_back(now, Bytes(bytes.begin(), bytes.begin() + 4));
      parts.emplace_back(now + 100ms, Bytes(bytes.begin() + 4, bytes.end()));
    }
    while (!parts.empty() && parts.front().first <= now) {
      decoder->feed(parts.front().second, now, night.out);
      parts.pop_front();
    }
    decoder->tick(now, night.out);
    if (!night.out.send.empty()) meter.ask(std::exchange(night.out.send, {}), now);
  }
  CHECK(night.wrong() == 0);
  CHECK(night.out.readings.size() >= 28);
  // Each part that came first was waited for; only until the pause was known was a question asked twice.
  CHECK(meter.good_powers <= night.out.readings.size() + 4);
}

TEST_CASE("power is stored with its own time, whatever becomes of the rest") {
  BadMeter meter;
  meter.latency = [] { return Duration(100ms); };
  int asked = 0;
  // Of each second question on nothing is heard: the power is answered, the voltage never.
  meter.mishap = [&] { return asked++ % 2 == 0 ? Mishap::none : Mishap::missing; };
  Night night{meter, profile_with(300ms)};
  night.run(20s);
  CHECK(night.wrong() == 0);
  CHECK(night.out.readings.size() >= 12);
  for (const Measurement& reading : night.out.readings) REQUIRE(reading.at.has_value());
}

}  // namespace nightwatt::drivers
