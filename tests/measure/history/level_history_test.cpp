#include "measure/history/level_history.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <utility>
#include <vector>

#include "tests/measure/drawn_histories.hpp"

using namespace nightwatt;
using namespace nightwatt::drawn;

namespace {

std::vector<NightLevel> levels(const std::vector<DrawnNight>& nights) {
  std::vector<NightLevel> all;
  for (const DrawnNight& night : nights) all.push_back({night.day, night.shown_w, night.random_w, 0.0, {}});
  return all;
}

std::vector<NightLevel> nights_of(const std::vector<double>& watts, double random_w = 0.01) {
  std::vector<NightLevel> all;
  for (std::size_t i = 0; i < watts.size(); ++i) all.push_back({static_cast<double>(i), watts[i], random_w, 0.0, {}});
  return all;
}

/// Of `histories` with seeds from `seed` on: the share in which a change is found.
double share_with_change(const HistoryWorld& world, int histories, std::uint64_t seed) {
  int found = 0;
  for (int i = 0; i < histories; ++i) {
    Dice dice(seed + static_cast<std::uint64_t>(i));
    found += judge_history(levels(draw(world, dice)), {}).changes.empty() ? 0 : 1;
  }
  return static_cast<double>(found) / histories;
}

}  // namespace

TEST_CASE("a device that never changes is said to have changed in one history of 200 at most") {
  for (const double between_w : {0.0, 0.05})
    for (const double random_spread : {1.0, 8.0}) {
      HistoryWorld world;
      world.nights = 12;
      world.between_w = between_w;
      world.random_spread = random_spread;
      INFO("between " << between_w << ", chance up to " << random_spread << " times");
      // 1 in 200 of 3000 is 15 +- 4.
      CHECK(share_with_change(world, 3000, 700'001) <= 0.009);
    }
}

TEST_CASE("0.05 W is seen at 40 W on a meter that promises 1 %") {
  HistoryWorld world;
  world.nights = 20;
  world.random_w = 0.005;
  world.between_w = 0.005;
  world.meter_share = 0.01 / std::sqrt(3.0);
  world.step_at = 10;
  world.step_w = 0.05;
  int seen = 0, held = 0;
  constexpr int histories = 300;
  for (int i = 0; i < histories; ++i) {
    Dice dice(710'001 + static_cast<std::uint64_t>(i));
    const HistoryVerdict verdict = judge_history(levels(draw(world, dice)), {1.0 / 200.0, world.meter_share});
    if (verdict.changes.size() != 1 || verdict.changes[0].shape != ChangeShape::step) continue;
    ++seen;
    held += std::abs(verdict.changes[0].change_w - 0.05) <= verdict.changes[0].uncertainty_w ? 1 : 0;
    CHECK(verdict.changes[0].uncertainty_w < 0.035);  // of 0.05, where a creep besides is not ruled out
  }
  CHECK(seen >= histories * 98 / 100);
  CHECK(held >= seen * 92 / 100);
}

TEST_CASE("a step is told with the nights between which it lies") {
  const auto nights = nights_of({38.20, 38.21, 38.19, 38.20, 39.10, 39.11, 39.09, 39.10});
  const HistoryVerdict verdict = judge_history(nights, {});
  REQUIRE(verdict.changes.size() == 1);
  const LevelChange& change = verdict.changes[0];
  CHECK(change.shape == ChangeShape::step);
  CHECK(change.shape_sure);
  CHECK(change.from == 3);
  CHECK(change.to == 4);
  CHECK(change.earliest == 3);
  CHECK(change.latest == 4);
  CHECK(change.before_w == Approx(38.2).margin(0.01));
  CHECK(change.after_w == Approx(39.1).margin(0.01));
  CHECK(change.change_w == Approx(0.9).margin(0.01));
}

TEST_CASE("a creep is no step") {
  std::vector<double> watts;
  for (int i = 0; i < 12; ++i) watts.push_back(38.0 + 0.05 * i + (i % 2 == 0 ? 0.006 : -0.006));
  const HistoryVerdict verdict = judge_history(nights_of(watts), {});
  REQUIRE(verdict.changes.size() == 1);
  CHECK(verdict.changes[0].shape == ChangeShape::creep);
  CHECK(verdict.changes[0].shape_sure);
  CHECK(verdict.changes[0].w_per_day == Approx(0.05).epsilon(0.05));
}

// Simulation. With other seeds 94.5 % held; 85 % while a creep that was told as a step had the step's interval, which
// knows of half the way only.
TEST_CASE("the interval of a change holds, also where the nights do not tell a creep from a step") {
  HistoryWorld world;
  world.nights = 20;
  world.between_w = 0.01;
  world.creep_w = 4.0 * std::hypot(world.random_w, world.between_w);
  int told = 0, held = 0, unsure = 0;
  for (int i = 0; i < 600; ++i) {
    Dice dice(790'000'001 + static_cast<std::uint64_t>(i));
    const HistoryVerdict verdict = judge_history(levels(draw(world, dice)), {1.0 / 200.0, world.meter_share});
    if (verdict.changes.size() != 1) continue;
    const LevelChange& change = verdict.changes[0];
    ++told;
    unsure += change.shape_sure ? 0 : 1;
    held += std::abs(change.change_w - world.creep_w) <= change.uncertainty_w ? 1 : 0;
  }
  INFO("told " << told << ", unsure " << unsure << ", held " << held);
  CHECK(told > 500);
  CHECK(unsure > 200);
  CHECK(held >= 0.92 * told);
}

TEST_CASE("one night out of line stands apart and leaves the rest as it was") {
  const auto nights = nights_of({20.00, 20.01, 19.99, 20.00, 23.10, 20.01, 20.00, 19.99, 20.01});
  const HistoryVerdict verdict = judge_history(nights, {});
  REQUIRE(verdict.changes.size() == 1);
  CHECK(verdict.changes[0].shape == ChangeShape::apart);
  CHECK(verdict.changes[0].from == 4);
  CHECK(verdict.changes[0].to == 4);
  CHECK(verdict.changes[0].change_w == Approx(3.1).margin(0.02));
}

// The floors lie below what was measured with other seeds: 98 and 42 % told (90 and 19 % while nights were judged among
// stretches).
TEST_CASE("one night far out of line among twenty is told, and its interval holds") {
  HistoryWorld world;
  world.nights = 20;
  world.between_w = 0.01;
  world.apart_at = 10;
  constexpr int histories = 400;
  const double standard_deviation = std::hypot(world.random_w, world.between_w);
  for (const auto& [times, least_told] : {std::pair{8.0, 0.95}, std::pair{5.0, 0.35}}) {
    world.apart_w = times * standard_deviation;
    int told = 0, held = 0;
    for (int i = 0; i < histories; ++i) {
      Dice dice(775'000'001 + static_cast<std::uint64_t>(i));
      const HistoryVerdict verdict = judge_history(levels(draw(world, dice)), {1.0 / 200.0, world.meter_share});
      if (verdict.changes.size() != 1 || verdict.changes[0].shape != ChangeShape::apart) continue;
      ++told;
      held += std::abs(verdict.changes[0].change_w - world.apart_w) <= verdict.changes[0].uncertainty_w ? 1 : 0;
    }
    INFO(times << " deviations: told " << told << ", held " << held);
    CHECK(told >= least_told * histories);
    CHECK(held >= 0.9 * told);
  }
}

TEST_CASE("nights that take turns between two levels are their device's scatter and no change") {
  for (const double apart_w : {0.05, 0.5}) {
    int told = 0;
    for (int i = 0; i < 400; ++i) {
      Dice dice(776'000'001 + static_cast<std::uint64_t>(i));
      std::vector<NightLevel> nights = levels(draw(HistoryWorld{}, dice));
      for (std::size_t n = 0; n < nights.size(); n += 2) nights[n].level_w += apart_w;
      told += judge_history(nights, {}).changes.empty() ? 0 : 1;
    }
    CHECK(told <= 2);
  }
}

TEST_CASE("a step in a level that creeps is told without what crept") {
  int told = 0, held = 0;
  for (std::uint64_t seed = 1; seed <= 100; ++seed) {
    Dice dice(seed);
    std::vector<double> watts;
    for (int i = 0; i < 21; ++i) watts.push_back(12.0 + 0.02 * i + (i >= 14 ? 0.25 : 0.0) + 0.01 * dice.normal());
    for (const LevelChange& change : judge_history(nights_of(watts), {}).changes) {
      if (change.shape != ChangeShape::step || change.to != 14) continue;
      ++told;
      held += std::abs(change.change_w - 0.25) <= change.uncertainty_w ? 1 : 0;
    }
  }
  CHECK(told >= 95);
  CHECK(held >= told * 91 / 100);  // 95 wanted, less two deviations of a hundred throws
}

TEST_CASE("two steps are found one after the other") {
  std::vector<double> watts;
  for (int i = 0; i < 24; ++i) watts.push_back((i < 8 ? 38.2 : i < 16 ? 39.1 : 38.7) + (i % 3 - 1) * 0.01);
  const HistoryVerdict verdict = judge_history(nights_of(watts), {});
  REQUIRE(verdict.changes.size() == 2);
  CHECK(verdict.changes[0].to == 8);
  CHECK(verdict.changes[1].to == 16);
}

TEST_CASE("two or three nights are compared and not judged: they do not tell their own scatter") {
  const HistoryVerdict verdict = judge_history(nights_of({40.00, 40.05}), {});
  CHECK_FALSE(verdict.judged);
  CHECK(verdict.changes.empty());
  REQUIRE(verdict.last_w.has_value());
  CHECK(*verdict.last_w == Approx(0.05));
  // 2 sqrt(2) times the chance of one: what both share is left out.
  CHECK(verdict.last_uncertainty_w == Approx(2.0 * M_SQRT2 * 0.01).epsilon(1e-3));
  CHECK_FALSE(judge_history(nights_of({40.0}), {}).last_w.has_value());
}

TEST_CASE("what a display leaves is not the same at another level") {
  auto nights = nights_of({38.0, 38.0, 38.0, 38.0, 39.0, 39.0, 39.0, 39.0}, 0.001);
  for (NightLevel& night : nights) night.display_w = 1.0 / std::sqrt(12.0);
  const HistoryVerdict verdict = judge_history(nights, {});
  // Whole watts that moved by one count: 0.1 W or 1.9 W; nothing is said of it.
  CHECK(verdict.changes.empty());
}

TEST_CASE("what the room's temperature does is not taken for a change, and has its slope") {
  Dice dice(720'001);
  std::vector<NightLevel> nights;
  for (int i = 0; i < 20; ++i) {
    const double celsius = i < 10 ? 18.0 + dice.uniform() : 24.0 + dice.uniform();
    nights.push_back({static_cast<double>(i), 40.0 + 0.1 * celsius + 0.01 * dice.normal(), 0.01, 0.0, celsius});
  }
  const HistoryVerdict verdict = judge_history(nights, {});
  CHECK(verdict.changes.empty());
  REQUIRE(verdict.w_per_degree.has_value());
  CHECK(std::abs(verdict.w_per_degree->value - 0.1) <= verdict.w_per_degree->uncertainty);
  for (NightLevel& night : nights) night.temperature.reset();
  CHECK(judge_history(nights, {}).changes.size() == 1);
}

TEST_CASE("a step is told once, at the end of the night that brought it to light") {
  std::vector<double> watts;
  for (int i = 0; i < 16; ++i) watts.push_back((i < 10 ? 38.2 : 39.1) + (i % 3 - 1) * 0.01);
  const auto nights = nights_of(watts);
  int told = 0;
  for (std::size_t n = 1; n <= nights.size(); ++n) {
    const auto moved = newly_moved(std::span(nights).first(n), {});
    if (!moved) continue;
    ++told;
    CHECK(n == 11);
  }
  CHECK(told == 1);
}

TEST_CASE("numbers without scatter or meaning do not stop the judge") {
  CHECK_FALSE(judge_history({}, {}).judged);
  CHECK(judge_history(nights_of(std::vector<double>(10, 5.0), 0.0), {}).changes.empty());
  CHECK(judge_history(nights_of(std::vector<double>(1000, 0.0), 0.0), {}).changes.empty());
  std::vector<NightLevel> same_day = nights_of({1.0, 1.1, 1.0, 1.1, 1.0, 1.1});
  for (NightLevel& night : same_day) night.day = 0.0;
  CHECK(judge_history(same_day, {}).changes.empty());
}
