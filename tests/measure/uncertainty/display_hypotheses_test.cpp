// The list of what a display may have done: it leaves no readings unexplained, and no two of it claim the same.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "measure/uncertainty/level_budget.hpp"
#include "uncertainty/display_hypothesis.hpp"
#include "uncertainty/reading_trail.hpp"

using namespace nightwatt;

namespace {

using Random = std::mt19937_64;

double even(Random& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

/// A level on a display of whole watts, of any noise, drift, hold, hysteresis and way of reporting.
Regime drawn_level(Random& random) {
  const double level_w = even(random, 0.0, 30.0), noise_w = std::exp(even(random, -6.0, 1.0));
  const double drift_w = random() % 3 == 0 ? even(random, -3.0, 3.0) : 0.0;
  const double past_edge = random() % 3 == 0 ? even(random, 0.1, 0.8) : 0.0;
  const int hold = random() % 4 == 0 ? 4 : 1, readings = static_cast<int>(even(random, 1.0, 2000.0));
  const bool on_change = random() % 5 == 0;
  std::normal_distribution<double> normal;
  Regime regime;
  regime.shape = RegimeShape::steady;
  ReadingTrail trail;
  double shown = std::round(level_w);
  UtcTime before;
  for (int i = 0; i < readings; ++i) {
    const double power_w = level_w + drift_w * i / readings + noise_w * normal(random);
    const double last = shown;
    if (i % hold == 0 && std::abs(power_w - shown) > 0.5 + past_edge) shown = std::round(power_w);
    if (on_change && i > 0 && shown == last) continue;
    SketchEntry entry;
    entry.time = UtcTime{1'000'000LL * i};
    entry.mean = shown;
    if (regime.samples > 0) {
      entry.covered_s = to_seconds(entry.time - before).value;
      entry.integral_ws = 0.5 * entry.covered_s * (last + shown);
    }
    entry.repeats = trail.power(shown);
    regime.sketch.add(entry);
    regime.end = before = entry.time;
    ++regime.samples;
  }
  return regime;
}

}  // namespace

TEST_CASE("any readings are explained by one usual display, and what else may have shown them is named") {
  Random random(20);
  std::vector<int> claimed(display_hypotheses().size(), 0);
  for (int i = 0; i < 400; ++i) {
    const Regime regime = drawn_level(random);
    const LevelReadings readings(regime, 1.0, Rounding::rounds);
    REQUIRE_FALSE(readings.none());
    int usual = 0;
    for (std::size_t h = 0; h < claimed.size(); ++h)
      if (const auto found = display_hypotheses()[h].hypothesis->explain(readings)) {
        CHECK(std::isfinite(found->log_evidence));
        usual += found->doubt ? 0 : 1;
        ++claimed[h];
      }
    CAPTURE(i);
    CHECK(usual == 1);
  }
  CHECK(std::all_of(claimed.begin(), claimed.end(), [](int times) { return times > 0; }));
}

TEST_CASE("a meter that dithers is told by its counts where its level drifts over several, and its mean is the level") {
  // With a whole step of dither the mean of what is shown is the level; Gaussian noise of the same counts would put it
  // up to a fifth of a step elsewhere (Widrow, Kollar & Liu 1996).
  Random random(21);
  constexpr int records = 50, readings = 3000;
  int held = 0;
  std::vector<double> widths;
  for (int run = 0; run < records; ++run) {
    std::vector<double> times_s, shown_w;
    const double level_w = even(random, 24.5, 25.5);
    double sum_w = 0.0;
    for (int i = 0; i < readings; ++i) {
      const double power_w = level_w + i / static_cast<double>(readings);
      if (3 * i >= readings) sum_w += power_w / (readings / 1.5);
      times_s.push_back(i);
      shown_w.push_back(std::round(power_w + even(random, -0.5, 0.5)));
    }
    BudgetInput input;
    input.power = {times_s, shown_w};
    input.step_w = 1.0;
    const LevelBudget budget = *level_budget(input);
    widths.push_back(budget.uncertainty_w);
    held += std::abs(budget.level_w - sum_w) <= budget.uncertainty_w ? 1 : 0;
  }
  CHECK(held >= 46);  // of 95.45 % of 50 it is 47.7 +- 1.5
  std::nth_element(widths.begin(), widths.begin() + records / 2, widths.end());
  CHECK(widths[records / 2] < 0.05);  // of even chances a mean of 2000 is known to 2 sqrt(1/4 / 2000) = 0.022
}

TEST_CASE("a meter that speaks on change is told by a few dozen readings, and its interval holds the level") {
  // Whole watts of white noise of 0.36 W, of which only what differs from the reading before is sent: the shares of the
  // counts are then those of how often each is come to, which puts the likeliest level up to a fifth of a watt off.
  Random random(22);
  constexpr int records = 100;
  int held = 0, untimed = 0;
  for (int run = 0; run < records; ++run) {
    std::vector<double> times_s, shown_w;
    const double level_w = even(random, 24.8, 25.2);
    std::normal_distribution<double> normal(level_w, 0.36);
    for (int second = 0; shown_w.size() < 90; ++second) {
      const double power_w = std::round(normal(random));
      if (!shown_w.empty() && shown_w.back() == power_w) continue;
      times_s.push_back(second);
      shown_w.push_back(power_w);
    }
    BudgetInput input;
    input.power = {times_s, shown_w};
    input.step_w = 1.0;
    const LevelBudget budget = *level_budget(input);
    held += std::abs(budget.level_w - level_w) <= budget.uncertainty_w ? 1 : 0;
    untimed += std::any_of(budget.parts.begin(), budget.parts.end(),
                           [](const BudgetPart& part) { return part.basis == PartBasis::times_not_known; });
  }
  CHECK(held >= 94);
  CHECK(untimed >= 94);
}

TEST_CASE("a level that other answers are added to holds them, and is never surer for it") {
  DisplayLevel level;
  level.level_w = 25.0;
  level.parts = {systematic_part(PartKind::statistics, 0.05)};
  const std::vector<OtherAnswer> others = {{0.5, 25.3, 0.2}, {0.2, 24.9, 0.1}};
  widen_to(level, 0.3, 2.0, others, systematic_part(PartKind::sticking_display, 0.0));
  REQUIRE(level.parts.size() == 2);
  CHECK(level.parts[0].uncertainty_w == 0.05);
  const double whole_w = 2.0 * std::hypot(level.parts[0].uncertainty_w, level.parts[1].uncertainty_w);
  CHECK(whole_w > 0.1);
  CHECK(level.level_w - whole_w < 24.9);
  CHECK(level.level_w + whole_w > 25.4);
}
