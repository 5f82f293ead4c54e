// Round trips of every state that measure/ saves by one list of its fields, over generated records.
#include <algorithm>
#include <catch2/catch.hpp>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "measure/run/auto_run.hpp"
#include "measure/run/run_totals.hpp"
#include "measure/segment/change_points.hpp"
#include "measure/segment/segmenter.hpp"
#include "measure/signal/held_power.hpp"
#include "signal/archive.hpp"

using namespace nightwatt;

namespace {

/// A night's readings as meters may send them: holes, spikes, counters that wrap and start anew, powers that are
/// missing; fast or slow, in whole watts or finer.
std::vector<Reading> generated(unsigned seed, std::size_t count) {
  std::mt19937 random(seed);
  const auto below = [&](std::uint32_t limit) { return static_cast<std::int64_t>(random() % limit); };
  const std::int64_t interval_us = 1 + below(20) * below(1'000'000);
  const auto exponent = static_cast<std::int8_t>(-below(4));
  std::vector<Reading> readings;
  UtcTime time{1'795'000'000'000'000 + below(1'000'000'000)};
  std::int64_t counter = below(1'000'000);
  for (std::size_t i = 0; i < count; ++i) {
    time = time + Duration{1 + interval_us + below(1000) + (below(100) == 0 ? 200'000'000 : 0)};
    Reading reading;
    reading.time = time;
    if (below(20) != 0) reading.values.set(Quantity::power, Decimal{below(3) == 0 ? 0 : below(5000), exponent});
    counter = below(300) == 0 ? 0 : (counter + below(20)) % 1'000'000;
    if (below(5) != 0) reading.values.set(Quantity::energy, Decimal{counter, -1});
    readings.push_back(reading);
  }
  return readings;
}

double power_of(const Reading& reading) {
  const auto power = reading.values.get(Quantity::power);
  return power ? power->value() : 0.0;
}

// What each state is made from, pushed to and brought back with; the profile says how long a gap is for every second
// seed, and that the meter reports on change for every third.
std::optional<double> gap_of(unsigned seed) {
  return seed % 2 == 0 ? std::optional(30.0) : std::nullopt;
}
struct Gaps {
  static GapRule make(unsigned seed) { return GapRule(gap_of(seed)); }
  static void push(GapRule& rule, const Reading& reading) { (void)rule.push(reading.time); }
  static auto restore(const std::string& bytes, unsigned seed) { return GapRule::restore(bytes, gap_of(seed)); }
};
struct Held {
  static HeldPower make(unsigned seed) { return HeldPower(gap_of(seed)); }
  static void push(HeldPower& held, const Reading& reading) {
    held.push(reading.time, power_of(reading), [](UtcTime, double) {});
  }
  static auto restore(const std::string& bytes, unsigned seed) { return HeldPower::restore(bytes, gap_of(seed)); }
};
struct Totals {
  static Reporting reporting(unsigned seed) { return {seed % 3 == 0, gap_of(seed)}; }
  static RunTotals make(unsigned seed) { return RunTotals(reporting(seed)); }
  static void push(RunTotals& totals, const Reading& reading) { totals.push(reading); }
  static auto restore(const std::string& bytes, unsigned seed) { return RunTotals::restore(bytes, reporting(seed)); }
};
struct Automatic {
  static AutoRun::Settings settings(unsigned seed) {
    AutoRun::Settings settings;
    settings.traits.on_change = seed % 3 == 0;
    settings.traits.gap_s = gap_of(seed);
    return settings;
  }
  static AutoRun make(unsigned seed) { return AutoRun(settings(seed)); }
  static void push(AutoRun& run, const Reading& reading) { (void)run.push(reading.time, power_of(reading)); }
  static auto restore(const std::string& bytes, unsigned seed) { return AutoRun::restore(settings(seed), bytes); }
};
/// The segmenter; its stretches are taken as they become final, so that its own state alone is looked at.
struct Segments {
  static SegmenterSettings settings(unsigned seed) {
    SegmenterSettings settings;
    settings.traits.gap_s = gap_of(seed);
    if (seed % 3 == 0) settings.traits.resolution_w = 0.1;
    return settings;
  }
  static Segmenter make(unsigned seed) { return Segmenter(settings(seed)); }
  static void push(Segmenter& segmenter, const Reading& reading) {
    if (const auto counter = reading.values.get(Quantity::energy))
      segmenter.push_counter(reading.time, counter->value());
    if (const auto power = reading.values.get(Quantity::power)) segmenter.push(reading.time, power->value());
    (void)segmenter.take_final();
  }
  static auto restore(const std::string& bytes, unsigned seed) { return Segmenter::restore(settings(seed), bytes); }
};
/// The engine alone, which has no settings but what it was told before its first number.
struct Engine {
  struct State {
    ChangePoints points;
    [[nodiscard]] std::string save() const { return saved(points); }
  };
  static State make(unsigned seed) {
    State state;
    if (seed % 2 == 0) state.points.judge_locally(4, 0.015, 20.0);
    if (seed % 3 == 0) state.points.set_step(0.1);
    return state;
  }
  static void push(State& state, const Reading& reading) {
    if (reading.time.us % 97 == 0) state.points.cut();
    state.points.push(power_of(reading));
  }
  static std::optional<State> restore(const std::string& bytes, unsigned) {
    State state;
    return restored(bytes, state.points) ? std::optional(state) : std::nullopt;
  }
};

/// Readings of a record: the engine decides nothing before its first block of 2048 is full.
template <class Kind>
constexpr std::size_t many = 300;
template <>
constexpr std::size_t many<Segments> = 2500;
template <>
constexpr std::size_t many<Engine> = 2500;
/// Records looked at; the segmenter's are the dear ones.
template <class Kind>
constexpr unsigned records = 60;
template <>
constexpr unsigned records<Segments> = 10;

/// FNV-1a over the states of some records.
template <class Kind>
std::uint64_t fingerprint() {
  std::uint64_t hash = 0xcbf29ce484222325U;
  for (unsigned seed = 1; seed <= std::min(records<Kind>, 20U); ++seed) {
    auto state = Kind::make(seed);
    for (const Reading& reading : generated(seed, many<Kind>)) Kind::push(state, reading);
    for (const char byte : state.save()) hash = (hash ^ static_cast<unsigned char>(byte)) * 0x100000001b3U;
  }
  return hash;
}

}  // namespace

TEMPLATE_TEST_CASE("a state that is saved and restored anywhere goes on as if nothing had happened", "", Gaps, Held,
                   Totals, Automatic, Segments, Engine) {
  for (unsigned seed = 1; seed <= records<TestType>; ++seed) {
    CAPTURE(seed);
    std::mt19937 random(seed + 1000);
    auto whole = TestType::make(seed);
    auto broken = TestType::make(seed);
    for (const Reading& reading : generated(seed, many<TestType>)) {
      if (random() % (many<TestType> / 30) == 0) {
        auto again = TestType::restore(broken.save(), seed);
        REQUIRE(again.has_value());
        broken = std::move(*again);
      }
      TestType::push(whole, reading);
      TestType::push(broken, reading);
    }
    REQUIRE(broken.save() == whole.save());
  }
}

TEMPLATE_TEST_CASE("a saved state that was cut, or is longer than it was, is refused", "", Gaps, Held, Totals,
                   Automatic, Segments, Engine) {
  for (unsigned seed = 1; seed <= 6; ++seed) {
    CAPTURE(seed);
    auto state = TestType::make(seed);
    for (const Reading& reading : generated(seed, 40)) TestType::push(state, reading);
    const std::string bytes = state.save();
    for (std::size_t length = 0; length < bytes.size(); ++length)
      REQUIRE_FALSE(TestType::restore(bytes.substr(0, length), seed).has_value());
    REQUIRE_FALSE(TestType::restore(bytes + '\0', seed).has_value());
  }
}

TEMPLATE_TEST_CASE("any bytes at all are restored or refused, and what is restored can be saved and restored again", "",
                   Gaps, Held, Totals, Automatic, Segments, Engine) {
  for (unsigned seed = 1; seed <= 40; ++seed) {
    CAPTURE(seed);
    std::mt19937 random(seed);
    auto state = TestType::make(seed);
    for (const Reading& reading : generated(seed, 30)) TestType::push(state, reading);
    std::string bytes = state.save();
    bytes[random() % bytes.size()] ^= static_cast<char>(1U << (random() % 8));
    const auto restored = TestType::restore(bytes, seed);
    if (!restored) continue;
    const std::string again = restored->save();
    const auto twice = TestType::restore(again, seed);
    REQUIRE(twice.has_value());
    REQUIRE(twice->save() == again);
  }
}

TEST_CASE("saved states have the bytes that stores hold already") {
  // Made by the program of before the fields were listed once (commit e0107e0), for these very records.
  CHECK(fingerprint<Gaps>() == 0xbb4129b792d2d156U);
  CHECK(fingerprint<Held>() == 0xbdb3f290d632eea5U);
  CHECK(fingerprint<Totals>() == 0x6df4727341c65d3eU);
  CHECK(fingerprint<Automatic>() == 0x3b30928951cb7fb7U);
  // As above, of commit dba3281. What the engine decides goes into them too: where that is changed on purpose, make
  // them anew with the new decisions and the old list of fields.
  CHECK(fingerprint<Segments>() == 0xf9d50a0f9a85e970U);
  CHECK(fingerprint<Engine>() == 0xc21298dfba4f76f7U);
}
