#include "measure/uncertainty/display_hysteresis.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <map>
#include <random>
#include <vector>

#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/statistics.hpp"

using namespace nightwatt;

namespace {

struct Seen {
  std::vector<double> shares;
  double equal = 0.0, singles = 0.0;
  [[nodiscard]] std::optional<DisplayHysteresis> found() const { return display_hysteresis({shares, equal, singles}); }
};

/// A display simulated reading by reading: it moves, to the nearest count, only when the power is 0.5 + past from it.
Seen simulated(double level, double noise, double past, int readings) {
  std::mt19937_64 random(11);
  std::normal_distribution<double> normal(level, noise);
  std::map<int, double> counts;
  std::vector<int> shown;
  for (int i = 0; i < readings; ++i) {
    const double power = normal(random);
    const int nearest = static_cast<int>(std::lround(power));
    shown.push_back(shown.empty() || std::abs(power - shown.back()) > 0.5 + past ? nearest : shown.back());
    counts[shown.back()] += 1.0 / readings;
  }
  Seen seen;
  seen.shares.resize(static_cast<std::size_t>(counts.rbegin()->first - counts.begin()->first + 1));
  for (const auto& [count, share] : counts)
    seen.shares[static_cast<std::size_t>(count - counts.begin()->first)] = share;
  for (std::size_t i = 1; i < shown.size(); ++i) {
    if (shown[i] == shown[i - 1]) seen.equal += 1.0 / readings;
    if (i > 1 && shown[i - 1] != shown[i - 2] && shown[i - 1] != shown[i]) seen.singles += 1.0 / readings;
  }
  return seen;
}

}  // namespace

TEST_CASE("how far past the edge a display moves is found from its repeats, with its single readings and its noise") {
  const double past = GENERATE(0.15, 0.3, 0.5, 0.7);
  const double noise = GENERATE(0.4, 0.7);
  CAPTURE(past, noise);
  const Seen seen = simulated(25.3, noise, past, 200'000);
  const auto found = seen.found();
  REQUIRE(found);
  CHECK(found->past_edge == Approx(past).margin(0.03));
  CHECK(found->noise == Approx(noise).margin(0.03));
  CHECK(found->singles == Approx(seen.singles).epsilon(0.1));
}

TEST_CASE("the level of a sticking display is off by what taking it for a rounding one makes") {
  // 25.3 with noise 0.4 and an edge that is passed by 0.5: the counts alone look like 25.2.
  const auto found = simulated(25.3, 0.4, 0.5, 200'000).found();
  REQUIRE(found);
  CHECK(found->off > 0.05);
  CHECK(found->off < 0.15);
  const auto mirrored = simulated(24.7, 0.4, 0.5, 200'000).found();
  REQUIRE(mirrored);
  CHECK(mirrored->off == Approx(-found->off).margin(0.01));
  // Half way between two counts it is not off at all.
  const auto half = simulated(25.5, 0.4, 0.5, 200'000).found();
  REQUIRE(half);
  CHECK(std::abs(half->off) < 0.03);
}

TEST_CASE("how much less a sticking display's readings are worth is what the means of simulated records scatter") {
  const double past = GENERATE(0.0, 0.3, 0.7);
  CAPTURE(past);
  const Seen seen = simulated(25.3, 0.5, past, 200'000);
  const auto found = seen.found();
  if (past == 0.0) {
    CHECK((!found || found->inflation < 1.1));
    return;
  }
  REQUIRE(found);
  // Batch means of another record, long beside what the display remembers.
  constexpr int batch = 400, batches = 500;
  std::mt19937_64 random(12);
  std::normal_distribution<double> normal(25.3, 0.5);
  Moments single, means;
  double shown = 25.0;
  for (int b = 0; b < batches; ++b) {
    double sum = 0.0;
    for (int i = 0; i < batch; ++i) {
      const double power = normal(random);
      if (std::abs(power - shown) > 0.5 + past) shown = std::round(power);
      single.add(shown);
      sum += shown / batch;
    }
    means.add(sum);
  }
  CHECK(found->inflation == Approx(means.variance() * batch / single.variance()).epsilon(0.15));
}

TEST_CASE("a display that rounds and repeats itself by chance does not stick") {
  const auto found = simulated(25.3, 0.4, 0.0, 200'000).found();
  CHECK((!found || found->past_edge < 0.02));
}

TEST_CASE("two counts, one and none say nothing of sticking") {
  const std::vector<double> two = {0.3, 0.7}, one = {1.0};
  CHECK_FALSE(display_hysteresis({two, 0.9, 0.01}));
  CHECK_FALSE(display_hysteresis({one, 1.0, 0.0}));
  CHECK_FALSE(display_hysteresis({}));
}

TEST_CASE("slow noise behind a display that rounds is not taken for sticking, nor is a display that holds") {
  std::mt19937_64 random(3);
  std::normal_distribution<double> normal;
  std::vector<double> times_s, slow, held;
  double state = normal(random), kept = 25.0;
  for (int i = 0; i <= 7200; ++i) {
    state = 0.97 * state + std::sqrt(1.0 - 0.97 * 0.97) * normal(random);
    if (i % 5 == 0) kept = std::round(25.3 + 0.4 * normal(random));
    times_s.push_back(i);
    slow.push_back(std::round(25.5 + 0.35 * state));
    held.push_back(kept);
  }
  for (const std::vector<double>& power : {slow, held}) {
    BudgetInput input;
    input.power = {times_s, power};
    input.step_w = 1.0;
    const auto budget = level_budget(input);
    REQUIRE(budget);
    for (const BudgetPart& part : budget->parts) CHECK(part.kind != PartKind::sticking_display);
  }
}
