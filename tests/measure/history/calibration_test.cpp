#include "measure/history/calibration.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "tests/measure/drawn_histories.hpp"

using namespace nightwatt;
using namespace nightwatt::drawn;

namespace {

std::vector<CalibrationLevel> levels_of(const CalibrationWorld& world, const std::vector<DrawnLevel>& drawn) {
  std::vector<CalibrationLevel> levels;
  for (const DrawnLevel& one : drawn) {
    CalibrationLevel level;
    level.shown_w = one.shown_w;
    level.reference_w = one.reference_w;
    level.random_w = std::hypot(world.meter_random_w, world.reference_random_w);
    levels.push_back(level);
  }
  return levels;
}

ReferenceTrust trust_of(const CalibrationWorld& world) {
  Accuracy permissible_error;
  permissible_error.percent = world.reference_percent;
  permissible_error.floor = world.reference_floor_w;
  return ReferenceTrust::of(permissible_error);
}

/// The share of levels within the range, not those it was made from, whose corrected value is within its interval.
double share_held(const CalibrationWorld& world, int calibrations, std::uint64_t seed) {
  int held = 0, all = 0;
  for (int i = 0; i < calibrations; ++i) {
    Dice dice(seed + static_cast<std::uint64_t>(i));
    const auto made = calibrate(levels_of(world, draw(world, dice)), trust_of(world), std::nullopt);
    REQUIRE(made.has_value());
    const double truth = dice.between(world.lowest_w, world.highest_w);
    const double shown = world.offset_w + world.gain * truth + world.bend * truth * truth / world.highest_w;
    held += std::abs(made->correction.at(shown) - truth) <= 2.0 * made->correction.standard_deviation_at(shown) ? 1 : 0;
    ++all;
  }
  return static_cast<double>(held) / all;
}

}  // namespace

TEST_CASE("95 % intervals of corrected levels hold 94 to 99 % of the time") {
  CalibrationWorld world;
  world.reference_percent = 0.02;
  world.reference_floor_w = 0.005;
  for (const int levels : {3, 4, 6, 12}) {
    world.levels = levels;
    const double share = share_held(world, 1000, 800'001);
    INFO(levels << " levels");
    CHECK(share >= 0.93);  // 94 %, and 1000 tell it to 0.7 %
    CHECK(share <= 0.995);
  }
}

TEST_CASE("what the reference promises is not averaged away by more levels") {
  CalibrationWorld world;
  world.levels = 30;
  world.reference_percent = 1.0;
  Dice dice(810'001);
  const auto made = calibrate(levels_of(world, draw(world, dice)), trust_of(world), std::nullopt);
  REQUIRE(made.has_value());
  CHECK(made->correction.standard_deviation_at(100.0) >= 0.98 / std::sqrt(3.0));
}

TEST_CASE("a bend counts where it is one, and is not found in a straight meter") {
  CalibrationWorld world;
  world.levels = 8;
  int straight = 0, bent = 0;
  constexpr int calibrations = 400;
  for (int i = 0; i < calibrations; ++i) {
    Dice dice(820'001 + static_cast<std::uint64_t>(i));
    world.bend = 0.0;
    straight += calibrate(levels_of(world, draw(world, dice)), trust_of(world), std::nullopt)->bent ? 1 : 0;
    world.bend = 0.02;
    bent += calibrate(levels_of(world, draw(world, dice)), trust_of(world), std::nullopt)->bent ? 1 : 0;
  }
  CHECK(straight <= 4);
  CHECK(bent == calibrations);
}

TEST_CASE("a meter that is crooked beyond its line has wider intervals for it") {
  std::vector<CalibrationLevel> levels;
  for (int i = 0; i < 6; ++i) {
    CalibrationLevel level;
    level.shown_w = 20.0 * (i + 1);
    level.reference_w = level.shown_w + (i % 2 == 0 ? 0.5 : -0.5);
    level.random_w = 0.01;
    levels.push_back(level);
  }
  const auto made = calibrate(levels, {}, std::nullopt);
  REQUIRE(made.has_value());
  CHECK(made->chi_squared > 100.0 * made->degrees_of_freedom);
  CHECK(made->correction.standard_deviation_at(60.0) > 0.5);
}

TEST_CASE("whether the maker's promise was kept is said level by level, or that it cannot be told") {
  const auto permissible_error = Accuracy::parse("1% + 0.1W");
  REQUIRE(permissible_error.has_value());
  std::vector<CalibrationLevel> levels(3);
  levels[0].shown_w = 10.05, levels[0].reference_w = 10.0;   // allowed 0.2
  levels[1].shown_w = 50.55, levels[1].reference_w = 50.0;   // allowed 0.6, off by 0.55 +- 0.1
  levels[2].shown_w = 103.0, levels[2].reference_w = 100.0;  // allowed 1.13
  for (CalibrationLevel& level : levels) level.random_w = 0.05;
  const auto made = calibrate(levels, {}, *permissible_error);
  REQUIRE(made.has_value());
  CHECK(made->points[0].permissible_error == Conformity::kept);
  CHECK(made->points[1].permissible_error == Conformity::cannot_tell);
  CHECK(made->points[2].permissible_error == Conformity::broken);
  CHECK(made->permissible_error == Conformity::broken);
}

TEST_CASE("one level, levels too near, and levels of different loads are refused with the reason") {
  CalibrationLevel one;
  one.shown_w = 60.0, one.reference_w = 60.3, one.random_w = 0.01;
  const auto single = calibrate(std::vector{one}, {}, std::nullopt);
  REQUIRE_FALSE(single.has_value());
  CHECK(single.error().message.find("one level only") != std::string::npos);
  CalibrationLevel near = one;
  near.shown_w = 61.0, near.reference_w = 61.3;
  const auto twice = calibrate(std::vector{one, near}, {}, std::nullopt);
  REQUIRE_FALSE(twice.has_value());
  CHECK(twice.error().message.find("too near") != std::string::npos);
  CalibrationLevel other = one;
  other.shown_w = 120.0, other.reference_w = 12.0;
  const auto wrong = calibrate(std::vector{one, other}, {}, std::nullopt);
  REQUIRE_FALSE(wrong.has_value());
  CHECK(wrong.error().message.find("same load") != std::string::npos);
}

TEST_CASE("a correction knows its range, and which numbers are none") {
  Correction correction;
  correction.coefficients = {0.1, 1.01};
  correction.covariance = {1e-4, -1e-6, 1e-6};
  correction.from_w = 5.0;
  correction.to_w = 100.0;
  CHECK(correction.sound());
  CHECK(correction.at(50.0) == Approx(50.6));
  CHECK(correction.standard_deviation_at(50.0) == Approx(std::sqrt(1e-4 - 2.0 * 50.0 * 1e-6 + 2500.0 * 1e-6)));
  CHECK(correction.covers(4.6));
  CHECK_FALSE(correction.covers(4.0));
  CHECK_FALSE(correction.covers(120.0));
  correction.covariance = {1e-4, 1e-4, 1e-6};  // no covariance: the two are more than one with each other
  CHECK_FALSE(correction.sound());
  correction.covariance = {1e-4, -1e-6, 1e-6};
  correction.coefficients[1] = 10.0;
  CHECK_FALSE(correction.sound());
}
