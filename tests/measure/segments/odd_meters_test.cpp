// Meters that do not do as one would expect: figures must not be surer than what they show.
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "tests/measure/segments/night.hpp"

using namespace nightwatt;

namespace {

SegmenterSettings told(double resolution_w, bool truncates = false) {
  SegmenterSettings settings;
  settings.traits.resolution_w = resolution_w;
  settings.traits.rounding = truncates ? Rounding::truncates : Rounding::rounds;
  return settings;
}

/// A reading a second; `show` is the meter's.
template <class Show>
night::Night hour_of(double level_w, double noise_w, unsigned seed, Show&& show) {
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.0, noise_w);
  night::Night n;
  for (int i = 0; i < 3600; ++i) n.readings.emplace_back(UtcTime{i * 1'000'000LL}, show(level_w + noise(random)));
  return n;
}

}  // namespace

// Between changes nobody knows how long a value was shown: the counts are those of changes.
TEST_CASE("a meter that sends only what has changed has the display's whole interval") {
  int held = 0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    const double level_w = 25.0 + 0.05 * seed;
    night::Night all = hour_of(level_w, 0.4, seed, [](double w) { return std::round(w); });
    night::Night sent;
    for (const auto& reading : all.readings)
      if (sent.readings.empty() || reading.second != sent.readings.back().second ||
          reading.first - sent.readings.back().first >= Duration(10'000'000))
        sent.readings.push_back(reading);
    const Classified result = night::segment(sent, told(1.0));
    REQUIRE(result.segments.size() == 1);
    CHECK(*result.segments[0].uncertainty_w > 0.55);
    if (std::abs(*result.segments[0].level_w - level_w) <= *result.segments[0].uncertainty_w) ++held;
  }
  CHECK(held >= 19);
}

TEST_CASE("a meter that loses one reading in ten is no such meter") {
  night::Night all = hour_of(25.3, 0.4, 4, [](double w) { return std::round(w); });
  std::mt19937 random(9);
  night::Night kept;
  for (const auto& reading : all.readings)
    if (random() % 10 != 0) kept.readings.push_back(reading);
  const Segment level = night::segment(kept, told(1.0)).segments.at(0);
  CHECK(*level.uncertainty_w < 0.1);
  CHECK(*level.level_w == Approx(25.3).margin(*level.uncertainty_w));
}

TEST_CASE("the level of a drift is that of the middle of the last two thirds to half an interval, and says so") {
  for (const int interval_s : {1, 5, 8}) {
    night::Night n;
    const auto at = [&](double seconds) { return 25.0 + 2.0 * seconds / 3600.0; };
    for (int t = 0; t <= 1800; t += interval_s)
      n.readings.emplace_back(UtcTime{t * 1'000'000LL}, std::round(at(t) * 1e6) / 1e6);
    const Segment level = night::segment(n, told(1e-6)).segments.at(0);
    const double half_w = 0.5 * interval_s * 2.0 / 3600.0;
    CHECK(*level.level_w == Approx(at(1200.0)).margin(1.1 * half_w));
    CHECK(*level.uncertainty_w > std::abs(*level.level_w - at(1200.0)));
  }
}

TEST_CASE("a step that is told finer than the display is not believed once the display moves") {
  const night::Night n = hour_of(25.3, 0.4, 5, [](double w) { return std::round(w); });
  const Segment as_told = night::segment(n, told(1.0)).segments.at(0);
  const Segment too_fine = night::segment(n, told(0.01)).segments.at(0);
  CHECK(*too_fine.uncertainty_w == Approx(*as_told.uncertainty_w).epsilon(0.2));
  CHECK(*too_fine.level_w == Approx(25.3).margin(*too_fine.uncertainty_w));
  // One digit shown is enough to believe it.
  night::Night finer = n;
  finer.readings.back().second += 0.37;
  CHECK(*night::segment(finer, told(0.01)).segments.at(0).level_w == Approx(*as_told.shown_w).margin(0.01));
}

TEST_CASE("a display that cuts off and shows 0 and 1 by turns is not off, one that shows 0 is") {
  const auto cut = [](double w) { return std::max(0.0, std::floor(w)); };
  for (const double level_w : {0.6, 0.7, 0.9}) {
    const Segment level = night::segment(hour_of(level_w, 1.0 / 3.0, 6, cut), told(1.0, true)).segments.at(0);
    CHECK(level.kind == SegmentKind::idle);
    CHECK(*level.level_w == Approx(level_w).margin(*level.uncertainty_w));
  }
  CHECK(night::segment(hour_of(0.0, 0.2, 6, cut), told(1.0, true)).segments.at(0).kind == SegmentKind::off);
}
