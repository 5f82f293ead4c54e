// A few readings away from a level that comes back: counted, in the energy and the mean, and in no level.
#include <catch2/catch.hpp>
#include <functional>

#include "night.hpp"

using namespace nightwatt;

namespace {

/// One reading a second of noise about 50 W, `extra_w(i)` on top, shown to 0.01 W.
night::Night noisy(int seconds, std::uint64_t seed, const std::function<double(int)>& extra_w) {
  night::Act level;
  level.length_s = seconds;
  level.level_w = 50.0;
  level.noise_w = 0.05;
  night::Night n = night::play({level}, {1.0, 0.0, 0.01}, seed);
  for (std::size_t i = 0; i < n.readings.size(); ++i) n.readings[i].second += extra_w(static_cast<int>(i));
  return n;
}

}  // namespace

TEST_CASE("one wild reading spoils no figure") {
  const double extra_w = GENERATE(460.0, 10.0, 2.0, -30.0);
  CAPTURE(extra_w);
  const Classified result = night::segment(noisy(600, 1, [&](int i) { return i == 300 ? extra_w : 0.0; }), {});
  REQUIRE(result.segments.size() == 1);
  const Segment& only = result.segments[0];
  CHECK(only.kind == SegmentKind::idle);
  CHECK(only.excursions == 1);
  CHECK(*only.level_w == Approx(50.0).margin(*only.uncertainty_w + 0.005));
  CHECK(*only.uncertainty_w < 0.02);
  // It was there all the same.
  CHECK(*only.mean_w == Approx(50.0 + extra_w / 599.0).margin(0.01));
  CHECK((extra_w > 0.0 ? *only.highest_w : *only.lowest_w) == Approx(50.0 + extra_w).margin(0.3));
}

TEST_CASE("short bursts all night long are counted and left out of the level") {
  const int length = GENERATE(1, 3, 7);
  CAPTURE(length);
  const Classified result =
      night::segment(noisy(7200, 2, [&](int i) { return i % 100 >= 50 && i % 100 < 50 + length ? 40.0 : 0.0; }), {});
  REQUIRE(result.segments.size() == 1);
  const Segment& only = result.segments[0];
  CHECK(only.excursions >= 70);
  CHECK(*only.level_w == Approx(50.0).margin(0.02));
  CHECK(*only.mean_w == Approx(50.0 + 0.4 * length).margin(0.05));
}

TEST_CASE("bursts that come as often as rest are how the level is") {
  const Classified result = night::segment(noisy(3600, 3, [](int i) { return i % 6 < 2 ? 3.0 : 0.0; }), {});
  REQUIRE(result.segments.size() == 1);  // the first block of the engine as all later ones
  CHECK(result.segments[0].excursions == 0);
  CHECK(*result.segments[0].level_w == Approx(51.0).margin(0.1));
}

TEST_CASE("a reading that toggles between neighbouring counts is no excursion") {
  night::Night n;
  for (int i = 0; i < 3600; ++i) n.readings.emplace_back(UtcTime{i * 1'000'000LL}, i % 40 == 0 ? 1.0 : 0.0);
  const Classified result = night::segment(n, {});
  REQUIRE(result.segments.size() == 1);
  CHECK(result.segments[0].excursions == 0);
}
