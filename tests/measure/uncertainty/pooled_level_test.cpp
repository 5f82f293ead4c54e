#include "measure/uncertainty/pooled_level.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

using namespace nightwatt;

namespace {

constexpr double sure = std::numeric_limits<double>::infinity();

PooledLevel by_chance(double level_w, double expanded_w, double weight = 1.0) {
  return {level_w, weight, {expanded_w / 2.0, sure, 0.0, 0.0}};
}

}  // namespace

TEST_CASE("two idles that agree within their own uncertainties are about as sure as one") {
  // 9.253 ± 0.019 and 9.275 ± 0.030 W lie 0.022 W apart, 1.2 of the standard uncertainty of that difference (0.0178 W).
  // Student's t with one degree of freedom made it ± 0.16 W. Both intervals lie within 9.234 and 9.305 W.
  const std::vector<PooledLevel> idles = {by_chance(9.253, 0.019), by_chance(9.275, 0.030)};
  const Pooled pooled = pool_levels(idles);
  CHECK(pooled.level_w == Approx(9.264));
  CHECK(pooled.parts.expanded_w() < 0.045);
  CHECK(pooled.parts.expanded_w() > 0.5 * std::hypot(0.019, 0.030));
}

TEST_CASE("levels that differ for sure have an interval that holds them, and no absurd one") {
  // A quarter of a per cent apart, each sure to 0.002 W: Student's t would say ± 0.15 W.
  const std::vector<PooledLevel> idles = {by_chance(9.253, 0.002), by_chance(9.275, 0.002)};
  const double expanded_w = pool_levels(idles).parts.expanded_w();
  CHECK(expanded_w > 0.022);
  CHECK(expanded_w < 0.07);
}

TEST_CASE("a long level is not made unsure by a short one beside it") {
  // Ten hours and five minutes: the mean is the long one's.
  const std::vector<PooledLevel> idles = {by_chance(9.253, 0.003, 36000.0), by_chance(9.275, 0.008, 300.0)};
  const Pooled pooled = pool_levels(idles);
  CHECK(pooled.level_w == Approx(9.2532).epsilon(1e-5));
  CHECK(pooled.parts.expanded_w() < 0.022);
}

TEST_CASE("one level split in two keeps its figure") {
  // The halves of a level of 600 independent readings: each as unsure as its half of them is, apart by chance.
  std::mt19937 random(17);
  std::normal_distribution<double> normal;
  const double display_w = GENERATE(0.0, 0.003, 0.05);
  CAPTURE(display_w);
  const double whole_w = 2.0 * std::hypot(0.05 / std::sqrt(600.0), display_w);
  std::vector<double> moved, wider;
  for (int run = 0; run < 500; ++run) {
    const double half = 0.05 / std::sqrt(300.0);
    const double a = 9.26 + half * normal(random), b = 9.26 + half * normal(random);
    const std::vector<PooledLevel> halves = {{a, 300.0, {half, sure, display_w, 0.0}},
                                             {b, 300.0, {half, sure, display_w, 0.0}}};
    const Pooled pooled = pool_levels(halves);
    moved.push_back(std::abs(pooled.level_w - (a + b) / 2.0) / whole_w);
    wider.push_back(pooled.parts.expanded_w() / whole_w);
  }
  CHECK(*std::max_element(moved.begin(), moved.end()) < 0.01);
  std::sort(wider.begin(), wider.end());
  CHECK(wider[250] < 3.1);
  CHECK(wider[0] >= 0.999);
}

TEST_CASE("what a display hides of the difference is counted once") {
  // Whole watts, still: 9.25 and 9.45 W are both somewhere in half a step either way.
  const std::vector<PooledLevel> levels = {{9.25, 1.0, {0.01, sure, 1.0 / std::sqrt(12.0), 0.0}},
                                           {9.45, 1.0, {0.01, sure, 1.0 / std::sqrt(12.0), 0.0}}};
  CHECK(pool_levels(levels).parts.expanded_w() == Approx(2.0 / std::sqrt(12.0)).epsilon(0.02));
}

TEST_CASE("the meter's promise explains no difference and is not averaged away") {
  const std::vector<PooledLevel> levels = {{9.25, 1.0, {0.01, sure, 0.0, 0.05}}, {9.25, 1.0, {0.01, sure, 0.0, 0.05}}};
  CHECK(pool_levels(levels).parts.accuracy_w == Approx(0.05));
}

TEST_CASE("the order of the levels moves nothing, and none is wider than the widest could make it, seed 7") {
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  for (int run = 0; run < 200; ++run) {
    std::vector<PooledLevel> levels;
    double low = 1e9, high = 0.0, widest = 0.0;
    for (int i = 0; i < 2 + run % 5; ++i) {
      const double expanded_w = std::pow(10.0, -3.0 + 2.0 * std::abs(std::sin(run + i)));
      levels.push_back(by_chance(20.0 + 0.1 * normal(random), expanded_w, 60.0 + 40.0 * i));
      low = std::min(low, levels.back().level_w);
      high = std::max(high, levels.back().level_w);
      widest = std::max(widest, expanded_w);
    }
    const Pooled pooled = pool_levels(levels);
    // Never beyond what Student's t of two, cut at the usual spread, allows: far less than 14 times the distance.
    CHECK(pooled.parts.expanded_w() < 2.0 * widest + 4.0 * (high - low));
    std::reverse(levels.begin(), levels.end());
    CHECK(pool_levels(levels).parts.expanded_w() == Approx(pooled.parts.expanded_w()).epsilon(1e-6));
    CHECK(pool_levels(levels).level_w == Approx(pooled.level_w));
  }
}
