#include "measure/signal/gap_rule.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <random>

using nightwatt::Duration;
using nightwatt::GapRule;
using nightwatt::UtcTime;

namespace {

Duration seconds(double s) {
  return Duration{static_cast<std::int64_t>(s * 1e6)};
}

}  // namespace

TEST_CASE("a gap is longer than ten seconds and than five median intervals") {
  for (const auto& [interval_s, limit_s] : {std::pair{1.0, 10.0}, {60.0, 300.0}}) {
    GapRule rule;
    UtcTime now;
    for (int i = 0; i < 100; ++i) CHECK_FALSE(rule.push(now = now + seconds(interval_s)));
    CHECK_FALSE(rule.push(now = now + seconds(limit_s)));
    CHECK(rule.push(now = now + seconds(limit_s + 1e-6)));
    CHECK_FALSE(rule.push(now = now + seconds(interval_s)));
  }
}

TEST_CASE("an outage behind the first reading is a gap, a slow meter's first interval is none") {
  GapRule rule;
  CHECK_FALSE(rule.push(UtcTime{0}));
  CHECK_FALSE(rule.is_gap(UtcTime{60'000'000}));
  CHECK(rule.push(UtcTime{3'600'000'000}));
  CHECK_FALSE(rule.push(UtcTime{3'615'000'000}));
  GapRule slow;
  CHECK_FALSE(slow.push(UtcTime{0}));
  CHECK_FALSE(slow.push(UtcTime{60'000'000}));
}

TEST_CASE("the online median is the sorted one to a 16th of an octave, and exact for a regular meter") {
  const unsigned seed = GENERATE(1U, 2U, 3U);
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::lognormal_distribution<double> interval(0.0, 1.5);
  std::vector<double> all;
  GapRule rule;
  UtcTime now;
  (void)rule.push(now);
  for (int i = 0; i < 3000; ++i) {
    const Duration d = std::max(Duration{1}, seconds(interval(random)));
    all.push_back(static_cast<double>(d.count()) * 1e-6);
    (void)rule.push(now = now + d);
    if (i % 97 != 0) continue;
    std::vector<double> sorted = all;
    std::sort(sorted.begin(), sorted.end());
    REQUIRE(rule.median_interval_s() == Approx(sorted[(sorted.size() - 1) / 2]).epsilon(1.0 / 16));
  }
  GapRule regular;
  for (int i = 0; i < 50; ++i) (void)regular.push(UtcTime{i * 3'700'000});
  CHECK(regular.median_interval_s() == Approx(3.7).epsilon(1e-15));
}

TEST_CASE("a saved and restored gap rule goes on as if nothing had happened") {
  std::mt19937 random(11);
  GapRule whole, half;
  UtcTime now;
  for (int i = 0; i < 500; ++i) {
    now = now + Duration{1 + static_cast<std::int64_t>(random() % 90'000'000)};
    const bool gap = whole.push(now);
    REQUIRE(half.push(now) == gap);
    auto next = GapRule::restore(half.save());
    REQUIRE(next.has_value());
    half = *next;
    REQUIRE(half.median_interval_s() == whole.median_interval_s());
  }
}

TEST_CASE("any cut of a saved gap rule is refused, not believed") {
  GapRule rule;
  for (int i = 1; i < 40; ++i) (void)rule.push(UtcTime{i * i * 100'000});
  const std::string bytes = rule.save();
  for (std::size_t length = 0; length < bytes.size(); ++length)
    CHECK_FALSE(GapRule::restore(std::string_view(bytes).substr(0, length)).has_value());
}
