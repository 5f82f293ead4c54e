// Curves that are neither level nor ramp, and what they are called: settling, cycles that end, loads with a wild start.
#include <catch2/catch.hpp>

#include "night.hpp"

using namespace nightwatt;
using night::Act;

namespace {

Act level(double length_s, double level_w, double noise_w, double correlation = 0.8) {
  Act act;
  act.length_s = length_s;
  act.level_w = level_w;
  act.noise_w = noise_w;
  act.correlation = correlation;
  return act;
}

Act settling(double length_s, double limit_w, double away_w, double tau_s, double noise_w) {
  Act act = level(length_s, limit_w, noise_w);
  act.settle_w = away_w;
  act.settle_tau_s = tau_s;
  return act;
}

std::vector<SegmentKind> kinds_of(const Classified& result) {
  std::vector<SegmentKind> kinds;
  for (const Segment& segment : result.segments) kinds.push_back(segment.kind);
  return kinds;
}

}  // namespace

TEST_CASE("a charging curve is one segment without a level, whatever its time constant") {
  const double tau_s = GENERATE(600.0, 1200.0, 2400.0);
  const double noise_w = GENERATE(0.05, 0.4);
  CAPTURE(tau_s, noise_w);
  const night::Night n =
      night::play({settling(3.0 * tau_s, 24.0, 40.0, tau_s, noise_w), level(1800, 6.1, 0.1)}, {1.0, 0.0, 0.1}, 21);
  const Classified result = night::segment(n, {});
  REQUIRE(result.segments.size() == 2);
  CHECK(result.segments[0].kind == SegmentKind::charging);
  CHECK_FALSE(result.segments[0].level_w);
  CHECK(*result.segments[1].level_w == Approx(6.1).margin(0.05));
}

TEST_CASE("a level that settles from far below is one plateau that tells its limit") {
  const double tau_s = GENERATE(150.0, 300.0, 600.0);
  CAPTURE(tau_s);
  const night::Night n =
      night::play({level(900, 20.0, 0.1), settling(6.0 * tau_s, 90.0, -30.0, tau_s, 0.05)}, {1.0, 0.0, 1.0}, 22);
  const Classified result = night::segment(n, {});
  REQUIRE(kinds_of(result) == std::vector{SegmentKind::idle, SegmentKind::plateau});
  CHECK_FALSE(result.segments[1].settling_unfinished);
  CHECK(*result.segments[1].settled_w == Approx(90.0).margin(0.5));
}

TEST_CASE("a long straight ramp stays a ramp") {
  Act ramp = level(900, 20.0, 0.05);
  ramp.end_level_w = 60.0;
  const night::Night n = night::play({level(900, 20.0, 0.1), ramp, level(1800, 60.0, 0.05)}, {1.0, 0.0, 0.1}, 23);
  CHECK(kinds_of(night::segment(n, {})) == std::vector{SegmentKind::idle, SegmentKind::ramp, SegmentKind::plateau});
}

TEST_CASE("a ramp is a ramp and a battery fills in one piece, however seldom the meter speaks") {
  const double interval_s = GENERATE(1.0, 10.0, 30.0, 60.0);
  CAPTURE(interval_s);
  Act ramp = level(1500, 18.0, 0.05);
  ramp.end_level_w = 60.0;
  const night::Night n =
      night::play({level(1800, 18.0, 0.05), ramp, level(1800, 60.0, 0.1), level(1800, 18.0, 0.05),
                   level(1830, 100.0, 0.1), settling(2400, 18.0, 82.0, 600.0, 0.1), level(1800, 18.0, 0.05)},
                  {interval_s, 0.0, 0.1}, 31);
  CHECK(kinds_of(night::segment(n, {})) == std::vector{SegmentKind::idle, SegmentKind::ramp, SegmentKind::plateau,
                                                       SegmentKind::idle, SegmentKind::charging, SegmentKind::idle});
}

TEST_CASE("a night of fast cycles is one segment with the mean of its whole cycles, as sure as they are alike") {
  std::vector<Act> acts;
  acts.push_back(level(20, 1.2, 0.02));  // cut short
  for (int i = 0; i < 180; ++i) {
    acts.push_back(level(36, 96.2, 0.3));
    acts.push_back(level(54, 1.2, 0.02));
  }
  const Classified result = night::segment(night::play(acts, {1.0, 0.0, 0.1}, 27), {});
  REQUIRE(result.segments.size() == 1);
  const Segment& only = result.segments[0];
  CHECK(*only.duty == Approx(0.4).margin(0.01));
  CHECK(*only.level_w == Approx(39.2).margin(*only.uncertainty_w));
  CHECK(*only.uncertainty_w < 1.0);
}

TEST_CASE("a device that cycles and then rests is not one that cycles to the end") {
  std::vector<Act> acts;
  for (int i = 0; i < 6; ++i) {
    acts.push_back(level(50, 8.2, 0.05));
    acts.push_back(level(30, 25.0, 0.2));
  }
  acts.push_back(level(600, 8.2, 0.05));
  const Classified result = night::segment(night::play(acts, {1.0, 0.0, 0.1}, 24), {});
  REQUIRE(result.segments.size() == 2);
  CHECK(*result.segments[0].duty == Approx(3.0 / 8.0).margin(0.02));
  CHECK(result.segments[1].kind == SegmentKind::idle);
  CHECK_FALSE(result.segments[1].duty);
  CHECK(*result.segments[1].level_w == Approx(8.2).margin(0.03));
}

TEST_CASE("a load that begins as wildly as it goes on is no start-up, and the level before it is idle") {
  Act wild = level(90, 65.0, 1.0);
  wild.kind = SegmentKind::unsteady;
  wild.wander_w = 50.0;
  const night::Night n = night::play(
      {level(1800, 36.0, 0.3), wild, level(3600, 96.0, 8.0, 0.5), level(1800, 36.0, 0.3)}, {1.0, 0.0, 0.1}, 25);
  const Classified result = night::segment(n, {});
  CHECK(result.segments.front().kind == SegmentKind::idle);
  CHECK(result.segments.back().kind == SegmentKind::idle);
}

TEST_CASE("what sleeps far below its working level is on standby, a board that works at some times its idle is not") {
  const auto kind_at = [](double low_w, double high_w) {
    const night::Night n = night::play(
        {level(1800, low_w, 0.005), level(1800, high_w, 0.05), level(1800, low_w, 0.005)}, {1.0, 0.0, 0.01}, 26);
    return night::segment(n, {}).segments.front().kind;
  };
  CHECK(kind_at(0.31, 23.2) == SegmentKind::standby);
  CHECK(kind_at(2.9, 41.0) == SegmentKind::standby);
  CHECK(kind_at(1.1, 4.6) == SegmentKind::idle);
  CHECK(kind_at(7.2, 26.0) == SegmentKind::idle);
}
