#include "measure/segment/states.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>
#include <random>

#include "made_segments.hpp"

using namespace nightwatt;
using made::Made;

namespace {

std::vector<double> levels_of(const std::vector<LevelState>& states) {
  std::vector<double> levels;
  for (const LevelState& state : states) levels.push_back(state.level.value);
  return levels;
}

}  // namespace

TEST_CASE("a device asleep and one switched off softly are two states") {
  // Worked: 2.9 W and 1.1 W are 1.8 W apart, 5 % of 1.1 W is 0.055 W. 2.90 and 2.94 W are 0.04 W apart, 5 % of 2.9 W is
  // 0.145 W: one state, (1800 x 2.90 + 600 x 2.94) / 2400 = 2.91 W.
  const auto states = states_of(made::segments({{SegmentKind::standby, 1800, 2.9, 0.02},
                                                {SegmentKind::idle, 3600, 41.0, 0.2},
                                                {SegmentKind::standby, 600, 2.94, 0.02},
                                                {SegmentKind::standby, 900, 1.1, 0.02}}),
                                0.01);
  REQUIRE(states.size() == 3);
  CHECK(states[0].kind == SegmentKind::standby);
  CHECK(states[0].level.value == Approx(1.1));
  CHECK(states[0].level.uncertainty == 0.02);
  CHECK(states[1].level.value == Approx(2.91));
  CHECK(states[1].time_s == Approx(2400.0));
  CHECK(states[1].segments == std::vector<std::size_t>{0, 2});
  CHECK(states[2].kind == SegmentKind::idle);
  REQUIRE(longest_state(states, SegmentKind::standby) != nullptr);
  CHECK(longest_state(states, SegmentKind::standby)->level.value == Approx(2.91));
  CHECK(longest_state(states, SegmentKind::plateau) == nullptr);
}

TEST_CASE("levels are one state up to five per cent or half a display step apart, and no further") {
  const auto count = [](double a, double b, double step_w) {
    return states_of(made::segments({{SegmentKind::idle, 600, a}, {SegmentKind::idle, 600, b}}), step_w).size();
  };
  CHECK(count(20.0, 21.0, 0.01) == 1);  // 5 % of 20 W is 1 W
  CHECK(count(20.0, 21.02, 0.01) == 2);
  CHECK(count(2.0, 2.5, 1.0) == 1);  // half of a step of 1 W
  CHECK(count(2.0, 2.52, 1.0) == 2);
  CHECK(count(-0.5, 0.0, 1.0) == 1);
}

TEST_CASE("a row of levels is parted where they lie furthest apart, in whatever order they were held") {
  // 10.0 to 10.6 W is more than 5 %; the widest step is the first, 0.4 W.
  std::vector<Made> row = {{SegmentKind::plateau, 60, 10.0},
                           {SegmentKind::plateau, 60, 10.4},
                           {SegmentKind::plateau, 60, 10.5},
                           {SegmentKind::plateau, 60, 10.6}};
  std::mt19937 random(11);
  for (int order = 0; order < 12; ++order) {
    std::shuffle(row.begin(), row.end(), random);
    const auto levels = levels_of(states_of(made::segments(row), 0.01));
    REQUIRE(levels.size() == 2);
    CHECK(levels[0] == Approx(10.0));
    CHECK(levels[1] == Approx(10.5));
  }
}

TEST_CASE("of two states held alike the lower is quoted") {
  const auto states = states_of(made::segments({{SegmentKind::idle, 600, 8.0}, {SegmentKind::idle, 600, 7.0}}), 0.01);
  CHECK(longest_state(states, SegmentKind::idle)->level.value == Approx(7.0));
}

TEST_CASE("every level is in one state, and no state is wider than it may be, seed 5") {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> power(0.1, 30.0);
  for (int run = 0; run < 200; ++run) {
    std::vector<Made> acts;
    for (int i = 0; i < 40; ++i)
      acts.push_back({i % 3 == 0 ? SegmentKind::idle : SegmentKind::plateau, 60.0 + i, power(random)});
    const std::vector<Segment> segments = made::segments(acts);
    const double step_w = run % 2 == 0 ? 0.01 : 1.0;
    std::vector<int> seen(segments.size(), 0);
    double time_s = 0.0;
    for (const LevelState& state : states_of(segments, step_w)) {
      double low = 1e9, high = 0.0;
      for (const std::size_t i : state.segments) {
        ++seen[i];
        CHECK(segments[i].kind == state.kind);
        low = std::min(low, *segments[i].level_w);
        high = std::max(high, *segments[i].level_w);
      }
      time_s += state.time_s;
      CHECK(high - low <= std::max(step_w / 2.0, 0.05 * low) * 1.000001);
      CHECK(state.level.value >= low - 1e-9);
      CHECK(state.level.value <= high + 1e-9);
    }
    CHECK(std::accumulate(seen.begin(), seen.end(), 0) == 40);
    CHECK(*std::max_element(seen.begin(), seen.end()) == 1);
    CHECK(time_s == Approx(40 * 60 + 39 * 40 / 2));
  }
}
