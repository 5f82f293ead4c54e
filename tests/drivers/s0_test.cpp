#include <catch2/catch.hpp>

#include "port/line_watch.hpp"
#include "s0/decoder.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using namespace std::chrono_literals;

MeterProfile profile_of(double pulses_per_kwh = 1000.0) {
  MeterProfile profile;
  S0PulseSettings settings;
  settings.pulses_per_kwh = pulses_per_kwh;
  profile.protocol = settings;
  profile.reads.resize(2);
  profile.reads[1].quantity = Quantity::energy;
  return profile;
}

/// An injected source of edges: what a watching thread would say.
struct Source {
  std::vector<s0::Edge> edges;
  void pulse(std::uint64_t at_us, std::uint64_t on_us = 50'000) {
    edges.push_back({true, at_us, 0});
    edges.push_back({false, at_us + on_us, 0});
  }
  /// A contact that bounces: short closings before and after.
  void bouncing_pulse(std::uint64_t at_us) {
    pulse(at_us - 6'000, 1'000);
    pulse(at_us - 3'000, 800);
    pulse(at_us);
    pulse(at_us + 52'000, 700);
  }
};

Output play(const MeterProfile& profile, const Source& source, Duration length) {
  auto decoder = make_decoder(profile).value();
  Output out;
  std::size_t next = 0;
  for (Duration now{0}; now < length; now += 1ms) {
    while (next < source.edges.size() && source.edges[next].at_us <= static_cast<std::uint64_t>(now.count())) {
      const auto bytes = s0::edge_bytes(source.edges[next++]);
      decoder->feed(bytes, now, out);
    }
    decoder->tick(now, out);
  }
  return out;
}

double last_power(const Output& out) {
  return out.readings.back().values.get(Quantity::power)->value();
}

}  // namespace

TEST_CASE("an edge is read back from its bytes, and a damaged one is none") {
  const s0::Edge edge{true, 0x0123456789ABCDEFU, 77};
  auto bytes = s0::edge_bytes(edge);
  CHECK(s0::read_edge(bytes) == edge);
  bytes[5] ^= std::byte{1};
  CHECK_FALSE(s0::read_edge(bytes).has_value());
}

TEST_CASE("power is 3.6e6 over constant and interval, and energy is exact") {
  // IEC 62053-31's constant K: P = 3.6e6 / (K T); 1000 pulses a kWh and 3.6 s apart are 1000 W.
  Source source;
  for (int i = 0; i < 100; ++i) source.pulse(1'000'000U + static_cast<std::uint64_t>(i) * 3'600'000U);
  const Output out = play(profile_of(), source, 360s);
  REQUIRE(out.faults.empty());
  CHECK(last_power(out) == Approx(1000.0));
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "100");
  // Constants that do not divide 1000 keep their digits.
  const Output odd = play(profile_of(800.0), source, 360s);
  CHECK(odd.readings.back().values.get(Quantity::energy)->text() == "125.00");
}

TEST_CASE("jitter of a polled line does not move the mean, and fast pulses are averaged within a reading") {
  std::mt19937 random(62053);
  INFO("seed 62053");
  Source source;
  for (int i = 0; i < 1000; ++i)
    source.pulse(1'000'000U + static_cast<std::uint64_t>(i) * 100'000U + random() % 2'000U, 40'000);
  const Output out = play(profile_of(), source, 100s);
  double sum = 0.0;
  int count = 0;
  for (const Measurement& reading : out.readings)
    if (const auto power = reading.values.get(Quantity::power)) {
      sum += power->value();
      ++count;
    }
  CHECK(count >= 97);
  CHECK(sum / count == Approx(36000.0).epsilon(0.005));
}

TEST_CASE("a pulse that has begun when a reading is due does not make the wait for it longer") {
  // Four a second, of 50 ms: 14,400 W by P = 3.6e6 / (K T), at whatever instant of them the readings fall.
  for (std::uint64_t phase_us = 0; phase_us < 250'000; phase_us += 10'000) {
    Source source;
    for (std::uint64_t i = 0; i < 40; ++i) source.pulse(1'000'000U + phase_us + i * 250'000U);
    const Output out = play(profile_of(), source, 10s);
    INFO("phase " << phase_us << " us");
    int powers = 0;
    for (const Measurement& reading : out.readings)
      if (const auto power = reading.values.get(Quantity::power)) {
        CHECK(power->value() == Approx(14'400.0));
        ++powers;
      }
    CHECK(powers >= 7);
  }
}

TEST_CASE("bounces are no pulses") {
  Source source;
  for (int i = 0; i < 50; ++i) source.bouncing_pulse(1'000'000U + static_cast<std::uint64_t>(i) * 2'000'000U);
  const Output out = play(profile_of(), source, 101s);
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "50");
  CHECK(last_power(out) == Approx(1800.0));
}

TEST_CASE("a pulse that chatters is one, begins with its first contact and is as long as its contacts in sum") {
  // From a generator of bouncing contacts that was written from the standard's times alone (on and off 30 ms at least).
  Source source;
  for (std::uint64_t i = 0; i < 20; ++i) {
    const std::uint64_t begin = 1'000'000U + i * 3'600'000U;
    const std::uint64_t late = i % 2 == 0 ? 4'000U : 0U;  // every second one bounces before it closes
    if (late > 0) source.pulse(begin, 1'500);
    source.pulse(begin + late, 13'000);
    source.pulse(begin + late + 14'000, 14'000);  // opened for 1 ms in its middle
  }
  const Output out = play(profile_of(), source, 72s);
  REQUIRE(out.faults.empty());
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "20");
  int powers = 0;
  for (const Measurement& reading : out.readings)
    if (const auto power = reading.values.get(Quantity::power)) {
      CHECK(power->value() == Approx(1000.0));
      ++powers;
    }
  CHECK(powers > 60);
  // A long pulse opened for a moment is not two.
  Source two_halves;
  two_halves.pulse(1'000'000, 50'000);
  two_halves.pulse(1'051'000, 49'000);
  CHECK(play(profile_of(), two_halves, 5s).readings.back().values.get(Quantity::energy)->text() == "1");
}

TEST_CASE("edges of another opening, earlier or in the far future, make no pulse of what lies between") {
  // Found by the fuzzer: times that go back by half of all there are.
  Output out;
  auto decoder = make_capture_decoder(profile_of()).value();
  for (const s0::Edge& edge :
       {s0::Edge{true, 5'000'000, 0}, s0::Edge{false, 1'000'000, 0}, s0::Edge{true, 2'000'000, 0},
        s0::Edge{false, 0xFFFF'FFFF'0000'0000U, 0}, s0::Edge{true, 3'000'000, 0}, s0::Edge{false, 3'050'000, 0}})
    decoder->feed(s0::edge_bytes(edge), out);
  decoder->finish(out);
  REQUIRE(out.readings.size() == 1);
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "1");
}

TEST_CASE("while no pulse comes the power falls as the wait grows") {
  Source source;
  source.pulse(1'000'000);
  source.pulse(4'600'000);  // 1000 W
  const Output out = play(profile_of(), source, 60s);
  CHECK(last_power(out) == Approx(3600.0 / (59.0 - 4.6)).epsilon(0.02));
  for (std::size_t i = 6; i < out.readings.size(); ++i)
    CHECK(out.readings[i].values.get(Quantity::power)->value() <=
          out.readings[i - 1].values.get(Quantity::power)->value());
}

TEST_CASE("a contact that stays closed is a fault and no pulse") {
  Source source;
  source.pulse(1'000'000);
  source.pulse(5'000'000, 3'000'000);
  source.pulse(9'000'000);
  const Output out = play(profile_of(), source, 12s);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].message.find("the contact was closed for 3000 ms") == 0);
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "2");
}

TEST_CASE("edges that nobody saw in time are counted by the kernel's count, and told") {
  auto decoder = make_decoder(profile_of()).value();
  Output out;
  const auto say = [&](bool on, std::uint64_t at_us, std::uint32_t changes) {
    decoder->feed(s0::edge_bytes({on, at_us, changes}), Duration(static_cast<std::int64_t>(at_us)), out);
  };
  say(true, 1'000'000, 11);
  say(false, 1'050'000, 12);
  say(true, 7'000'000, 17);  // four changes in between: two pulses
  say(false, 7'050'000, 18);
  decoder->tick(8s, out);
  CHECK(out.readings.back().values.get(Quantity::energy)->text() == "4");
  CHECK(out.faults.size() == 1);
}

TEST_CASE("a lost port makes no interval of the time without it") {
  auto decoder = make_decoder(profile_of()).value();
  Output out;
  const auto pulse = [&](std::uint64_t at_us) {
    decoder->feed(s0::edge_bytes({true, at_us, 0}), Duration(static_cast<std::int64_t>(at_us)), out);
    decoder->feed(s0::edge_bytes({false, at_us + 50'000, 0}), Duration(static_cast<std::int64_t>(at_us + 50'000)), out);
  };
  pulse(1'000'000);
  pulse(4'600'000);
  decoder->reset(100s);
  pulse(101'000'000);
  decoder->tick(102s, out);
  CHECK_FALSE(out.readings.back().values.has(Quantity::power));
  pulse(104'600'000);
  decoder->tick(105s, out);
  CHECK(last_power(out) == Approx(1000.0));
}

TEST_CASE("captured edges are a reading a pulse") {
  Source source;
  for (int i = 0; i < 3; ++i) source.pulse(1'000'000U + static_cast<std::uint64_t>(i) * 3'600'000U);
  Bytes bytes;
  for (const s0::Edge& edge : source.edges) {
    const auto part = s0::edge_bytes(edge);
    bytes.insert(bytes.end(), part.begin(), part.end());
  }
  CHECK(test::described(test::decode_whole(profile_of(), bytes)) ==
        "@15 energy_wh=1\n@45 power_w=1000.000 energy_wh=2\n@75 power_w=1000.000 energy_wh=3\n");
}

namespace {

/// A line that plays changes: by waiting for them or, where it cannot, by being looked at.
class PlayedLine : public ModemInput {
 public:
  PlayedLine(std::vector<std::uint64_t> changes_us, bool waits) : changes_us_(std::move(changes_us)), waits_(waits) {}
  std::optional<bool> level() override {
    if (now_us_ >= end_us) return std::nullopt;
    return changes() % 2 == 1;
  }
  std::uint32_t changes() override {
    return static_cast<std::uint32_t>(std::upper_bound(changes_us_.begin(), changes_us_.end(), now_us_) -
                                      changes_us_.begin());
  }
  Woken wait() override {
    if (!waits_) return Woken::cannot;
    const auto next = std::upper_bound(changes_us_.begin(), changes_us_.end(), now_us_);
    if (next == changes_us_.end()) return Woken::gone;
    now_us_ = *next + 40;  // a thread wakes up so soon
    return Woken::changed;
  }
  void pause() override {
    ++looks;
    now_us_ += 2'000;
  }
  std::uint64_t now_us() override { return now_us_; }
  bool stopped() override { return false; }

  void skip(std::uint64_t us) { now_us_ += us; }
  int looks = 0;
  static constexpr std::uint64_t end_us = 40'000'000;

 private:
  std::vector<std::uint64_t> changes_us_;
  bool waits_;
  std::uint64_t now_us_ = 0;
};

}  // namespace

TEST_CASE("a line is waited for where its driver can, and looked at where it cannot, both count every pulse") {
  std::vector<std::uint64_t> changes;
  std::mt19937 random(17);
  // 1000 pulses a kWh, 1 kW: one each 3.6 s, with 2 ms of jitter; the contact bounces for 600 us.
  for (int pulse = 0; pulse < 10; ++pulse) {
    const std::uint64_t at = 1'000'000U + static_cast<std::uint64_t>(pulse) * 3'600'000U + random() % 2000U;
    changes.insert(changes.end(), {at, at + 300, at + 600, at + 50'000});
  }
  for (const bool waits : {true, false}) {
    PlayedLine line(changes, waits);
    Source source;
    watch_line(line, [&](const s0::Edge& edge) {
      source.edges.push_back(edge);
      return true;
    });
    CAPTURE(waits);
    CHECK((line.looks == 0) == waits);
    Output out;
    const auto decoder = make_capture_decoder(profile_of()).value();
    for (const s0::Edge& edge : source.edges) decoder->feed(s0::edge_bytes(edge), out);
    REQUIRE(out.readings.size() == 10);
    CHECK(out.readings.back().values.get(Quantity::energy) == Decimal{10, 0});
    CHECK(last_power(out) == Approx(1000.0).epsilon(0.002));
  }
}

TEST_CASE("a pulse that came and went while nobody looked is counted, and told") {
  // Looked at each 2 ms, but for 200 ms, in which a whole pulse passes.
  class Stalled final : public PlayedLine {
   public:
    using PlayedLine::PlayedLine;
    void pause() override {
      PlayedLine::pause();
      if (looks == 600) skip(200'000);
    }
  };
  std::vector<std::uint64_t> changes;
  for (const std::uint64_t at : {500'000U, 1'250'000U, 2'000'000U}) changes.insert(changes.end(), {at, at + 50'000});
  Stalled line(changes, false);
  Output out;
  const auto decoder = make_capture_decoder(profile_of()).value();
  watch_line(line, [&](const s0::Edge& edge) {
    decoder->feed(s0::edge_bytes(edge), out);
    return true;
  });
  REQUIRE_FALSE(out.readings.empty());
  CHECK(out.readings.back().values.get(Quantity::energy) == Decimal{3, 0});
  CHECK(out.faults.size() == 1);
}

TEST_CASE("the watch ends when nobody takes its edges") {
  PlayedLine line({1'000, 50'000, 100'000}, true);
  int edges = 0;
  watch_line(line, [&](const s0::Edge&) { return ++edges < 2; });
  CHECK(edges == 2);
}

}  // namespace nightwatt::drivers
