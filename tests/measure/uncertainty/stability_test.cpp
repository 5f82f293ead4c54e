#include "measure/uncertainty/stability.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace nightwatt;

namespace {

struct Data {
  std::vector<double> times_s, power_w;
  [[nodiscard]] StabilityVerdict verdict(double step_w = 0.0001) const {
    BudgetInput input;
    input.power = {times_s, power_w};
    input.step_w = step_w;
    return *stability(input);
  }
};

Data sloping(double level_w, double slope_w_per_h, double noise_w, int seconds, double step_w = 0.0001) {
  std::mt19937 random(9);
  std::normal_distribution<double> normal(0.0, 1.0);
  Data data;
  for (int i = 0; i < seconds; ++i) {
    data.times_s.push_back(i);
    const double p = level_w + slope_w_per_h * (i - seconds * 2.0 / 3.0) / 3600.0 + noise_w * normal(random);
    data.power_w.push_back(std::round(p / step_w) * step_w);
  }
  return data;
}

}  // namespace

TEST_CASE("the limit is 10 mW/h up to 1 W and 1 % an hour above") {
  // IEC 62301 ed. 2, thresholds from memory, arithmetic recomputed.
  CHECK(stability_limit_w_per_h(0.5) == Approx(0.010));
  CHECK(stability_limit_w_per_h(1.0) == Approx(0.010));
  CHECK(stability_limit_w_per_h(5.0) == Approx(0.050));
  CHECK(stability_limit_w_per_h(50.0) == Approx(0.500));
}

TEST_CASE("rates are written without an exponent, whatever their size") {
  for (const double level : {0.5, 99.99, 100.0, 250.0, 123'456.0}) {
    const std::string words = sloping(level, 0.0, 0.0005, 10'800).verdict().words;
    CAPTURE(words);
    CHECK(words.find("e+") == std::string::npos);
    CHECK(words.find("e-") == std::string::npos);
  }
  // 1 % of 99.99 W an hour: just below the limit from which W/h are written.
  CHECK(sloping(99.99, 0.0, 0.0, 10'800).verdict().words.find("limit 1000 mW/h") != std::string::npos);
  CHECK(sloping(250.0, 0.0, 0.0, 10'800).verdict().words.find("limit 2.5 W/h") != std::string::npos);
}

TEST_CASE("slopes of 8 and 12 mW/h pass and fail as the rule says, where the record can tell") {
  for (const double level : {0.5, 1.0, 5.0, 50.0}) {
    CAPTURE(level);
    CHECK(sloping(level, 0.008, 0.0005, 10'800).verdict().verdict == Stability::met);
    const Stability steep = sloping(level, 0.012, 0.0005, 10'800).verdict().verdict;
    CHECK(steep == (level <= 1.0 ? Stability::not_met : Stability::met));
  }
}

TEST_CASE("a record whose noise hides the limit is not judged, and is told how long it must be") {
  // White noise of 0.05 W over 600 readings gives a slope 42 mW/h of standard uncertainty (recomputed): the 10 mW/h
  // rule cannot be judged; three hours give 0.56 mW/h.
  const StabilityVerdict verdict = sloping(0.5, 0.0, 0.05, 900).verdict();
  CHECK(verdict.verdict == Stability::cannot_be_judged);
  // The few bins hardly tell whether the noise forgets, which costs up to half as much again.
  CHECK(verdict.slope_uncertainty_w_per_h > 0.9 * 1.96 * 0.042);
  CHECK(verdict.slope_uncertainty_w_per_h < 1.5 * 1.96 * 0.042);
  REQUIRE(verdict.needed_s.has_value());
  CHECK(*verdict.needed_s > 3000.0);
  CHECK(*verdict.needed_s < 8000.0);
  CHECK(sloping(0.5, 0.0, 0.05, static_cast<int>(*verdict.needed_s * 1.5)).verdict().verdict == Stability::met);
  CHECK(verdict.words.find("cannot be judged") != std::string::npos);
}

TEST_CASE("less than a quarter of an hour is not judged") {
  const StabilityVerdict verdict = sloping(50.0, 0.0, 0.001, 600).verdict();
  CHECK(verdict.verdict == Stability::cannot_be_judged);
  CHECK(*verdict.needed_s >= 900.0);
}

TEST_CASE("a whole-watt display that stands still does not prove stability") {
  Data still;
  for (int i = 0; i < 1800; ++i) {
    still.times_s.push_back(i);
    still.power_w.push_back(25.0);
  }
  const StabilityVerdict verdict = still.verdict(1.0);
  CHECK(verdict.verdict == Stability::cannot_be_judged);
  // One count hidden in two thirds of the record, a limit of 1 % of 25 W an hour: 1 / (2/3 T) = 0.25, T = 6 h.
  REQUIRE(verdict.needed_s.has_value());
  CHECK(*verdict.needed_s == Approx(6.0 * 3600.0).epsilon(0.01));
  CHECK(verdict.words.find("a record of 6 h would tell") != std::string::npos);
  for (int i = 1800; i <= 6.1 * 3600; ++i) {
    still.times_s.push_back(i);
    still.power_w.push_back(25.0);
  }
  CHECK(still.verdict(1.0).verdict == Stability::met);
}

TEST_CASE("a cycling load is judged by the means of its whole cycles") {
  std::mt19937 random(4);
  std::normal_distribution<double> normal(0.0, 0.1);
  Data data;
  for (int i = 0; i < 7200; ++i) {
    data.times_s.push_back(i);
    data.power_w.push_back((i % 300 < 120 ? 40.0 : 10.0) + normal(random));
  }
  const StabilityVerdict verdict = data.verdict(0.01);
  REQUIRE(verdict.cycle_s.has_value());
  CHECK(*verdict.cycle_s == Approx(300.0).epsilon(0.02));
  CHECK(verdict.cycles >= 14);
  CHECK(verdict.limit_w_per_h == Approx(0.22).epsilon(0.05));
  CHECK(verdict.words.find("whole cycles of 5 min") != std::string::npos);
  Data brief = data;
  brief.times_s.resize(1350);
  brief.power_w.resize(1350);
  CHECK(brief.verdict(0.01).verdict == Stability::cannot_be_judged);
  CHECK(brief.verdict(0.01).words.find("four whole cycles") != std::string::npos);
}

TEST_CASE("a slope that is known and lies near the limit asks for no record that it already has") {
  // 1 % of 25 W an hour is 250 mW/h.
  const StabilityVerdict near = sloping(25.0, 0.249, 0.4, 14'400).verdict();
  CHECK(near.verdict == Stability::cannot_be_judged);
  CHECK_FALSE(near.needed_s.has_value());
  CHECK(near.words.find("too near the limit") != std::string::npos);
  const StabilityVerdict off = sloping(25.0, 0.2, 0.4, 3600).verdict();
  CHECK(off.verdict == Stability::cannot_be_judged);
  REQUIRE(off.needed_s.has_value());
  CHECK(*off.needed_s > 3600.0);
}

TEST_CASE("the period of a cycle is found to a share of its length, short or long") {
  for (const int period_s : {40, 60, 300, 900}) {
    CAPTURE(period_s);
    Data data;
    for (int i = 0; i < 7200; ++i) {
      data.times_s.push_back(i);
      data.power_w.push_back((i + 17) % period_s < period_s / 3 ? 40.0 : 10.0);
    }
    const auto found = cycle_period_s({data.times_s, data.power_w}, 0.1);
    REQUIRE(found.has_value());
    CHECK(*found == Approx(period_s).epsilon(0.005));
  }
}

TEST_CASE("a steady level has no period") {
  const Data data = sloping(25.0, 0.5, 0.1, 3600);
  CHECK_FALSE(cycle_period_s({data.times_s, data.power_w}, 0.001).has_value());
  CHECK_FALSE(stability(BudgetInput{}).has_value());
}
