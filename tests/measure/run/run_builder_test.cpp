// A run goes on from its saved state at any reading as if nobody had stopped.
#include "measure/run/run_builder.hpp"

#include <catch2/catch.hpp>
#include <random>
#include <string>
#include <vector>

#include "measure/uncertainty/regime_codec.hpp"

using namespace nightwatt;

namespace {

constexpr std::int64_t begin_us = 1'767'646'800'000'000;
constexpr std::int64_t second_us = 1'000'000;

/// Three levels and a counter beside them, on a display of a tenth.
std::vector<Reading> some_readings(std::mt19937& random, std::size_t count) {
  std::vector<Reading> readings;
  std::int64_t counter = 100;
  for (std::size_t i = 0; i < count; ++i) {
    const std::int64_t level = i < count / 3 ? 52 : i < 2 * count / 3 ? 311 : 87;
    Values values;
    values.set(Quantity::power, {level + static_cast<std::int64_t>(random() % 3), -1});
    counter += level / 40;
    values.set(Quantity::energy, {counter, -1});
    readings.push_back({UtcTime{begin_us + static_cast<std::int64_t>(i + 1) * second_us}, values});
  }
  return readings;
}

/// What is kept of a run, and what it comes to.
struct Kept {
  std::vector<std::string> regimes;
  std::string totals;
  friend bool operator==(const Kept&, const Kept&) = default;
};

void take(RunBuilder& builder, Kept& kept) {
  for (const Regime& regime : builder.take_final()) kept.regimes.push_back(encode_regime(regime));
}

Kept run_of(const SegmenterSettings& settings, const std::vector<Reading>& readings, std::mt19937* stops) {
  Kept kept;
  RunBuilder builder(settings);
  builder.begin_held({UtcTime{begin_us - second_us}, 5.2}, UtcTime{begin_us});
  for (const Reading& reading : readings) {
    builder.push(reading);
    if (stops == nullptr || (*stops)() % 50 != 0) continue;
    take(builder, kept);
    auto again = RunBuilder::restore(settings, {builder.saved_segmenter(), builder.saved_totals(), reading.time});
    REQUIRE(again);
    builder = std::move(*again);
    CHECK(builder.last_pushed() == reading.time);
  }
  builder.finish(readings.back().time + Duration{5 * second_us});
  take(builder, kept);
  kept.totals = builder.saved_totals();
  return kept;
}

}  // namespace

TEST_CASE("a run that was saved and restored at any readings comes to the same as one that never was") {
  constexpr unsigned seed = 20261128;
  std::mt19937 random(seed);
  for (const bool on_change : {false, true}) {
    for (int round = 0; round < 4; ++round) {
      CAPTURE(seed, on_change, round);
      SegmenterSettings settings;
      settings.traits.resolution_w = 0.1;
      settings.traits.on_change = on_change;
      const std::vector<Reading> readings = some_readings(random, 600 + random() % 600);
      const Kept straight = run_of(settings, readings, nullptr);
      CHECK(straight.regimes.size() >= 3);
      CHECK(run_of(settings, readings, &random) == straight);
    }
  }
}

TEST_CASE("bytes that are no run's are refused as wrong input, whatever the meter") {
  for (const bool on_change : {false, true}) {
    SegmenterSettings settings;
    settings.traits.on_change = on_change;
    for (const std::string& bytes :
         {std::string(), std::string("x"), std::string("99999999999999999999 x"), std::string("5 ab")}) {
      CAPTURE(on_change, bytes);
      CHECK_FALSE(RunBuilder::restore(settings, {bytes, "", UtcTime{begin_us}}));
    }
  }
}
