// Coverage of the 95 % intervals: for each case 1000 seeded records, how often the interval holds the truth and how
// wide it is beside the best possible (Cramer and Rao's bound for the estimate at hand, or what the display leaves).
#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "measure/run/baseline.hpp"
#include "measure/segment/segmenter.hpp"
#include "measure/uncertainty/comparison.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/pooled_level.hpp"
#include "tests/bench/level_bounds.hpp"

using namespace nightwatt;

namespace {

struct Record {
  std::vector<double> times_s;
  std::vector<double> power_w;
  std::vector<double> counter_wh;
  double truth_w = 0.0;
  double best_w = 0.0;  ///< half-width
  MeterTraits traits;
};

/// Noise that forgets by e^(-t / memory): first-order, or a load that switches between two states by chance, each held
/// for twice the memory on average.
struct SlowNoise {
  double standard_deviation_w = 0.0;
  double correlation_time_s = 1.0;
  bool two_states = false;

  /// Variance of its mean over a time, that of a reading being 1.
  [[nodiscard]] double of_mean(double seconds) const {
    const double x = correlation_time_s / seconds;
    return 2.0 * x * (1.0 - x * (1.0 - std::exp(-1.0 / x)));
  }
};

struct Recipe {
  double level_w = 25.0;
  double jitter_w = 1.0;  ///< the level is drawn evenly within half of it either way
  double noise_w = 0.05;
  double correlation = 0.0;  ///< of neighbouring readings
  double white_w = 0.0;      ///< noise that forgets at once, beside it
  double step_w = 0.001;
  double slope_w_per_h = 0.0;
  int seconds = 1800;
  int hold = 1;
  double hysteresis = 0.0;  ///< steps by which the power must be past a count's edge before the display moves
  double filter_s = 0.0;    ///< time constant of a first-order filter before the display
  bool dithers = false;     ///< the meter adds an even step itself before it rounds
  bool truncates = false;
  bool rule_told = true;  ///< whether the display rounds or truncates
  double counter_step_wh = 0.0;
  bool step_known = true;
  double interval_s = 1.0;      ///< between readings
  std::vector<SlowNoise> slow;  ///< beside all that
  double ripple_w = 0.0;        ///< amplitude of a sine: a fan that cycles
  double ripple_s = 60.0;
};

using Random = std::mt19937_64;

/// The meter between the power and the reading.
class Display {
 public:
  explicit Display(const Recipe& recipe) : recipe_(recipe) {}

  double shown_w(double power_w, Random& random) {
    const double first = recipe_.filter_s > 0.0 ? 1.0 - std::exp(-1.0 / recipe_.filter_s) : 1.0;
    filtered_w_ = begun_ ? filtered_w_ + first * (power_w - filtered_w_) : power_w;
    double steps = filtered_w_ / recipe_.step_w;
    if (recipe_.dithers) steps += std::uniform_real_distribution<double>(-0.5, 0.5)(random);
    const double count = recipe_.truncates ? std::floor(steps) : std::round(steps);
    if (!begun_ || recipe_.hysteresis == 0.0 || std::abs(steps - count_) > 0.5 + recipe_.hysteresis) count_ = count;
    begun_ = true;
    return count_ * recipe_.step_w;
  }

 private:
  const Recipe& recipe_;
  bool begun_ = false;
  double filtered_w_ = 0.0, count_ = 0.0;
};

/// What drifts and swings beside the noise of single readings.
class Swings {
 public:
  Swings(const Recipe& recipe, Random& random) : recipe_(recipe) {
    for (const SlowNoise& slow : recipe.slow)
      states_.push_back(slow.two_states ? (random() % 2 == 0 ? 1.0 : -1.0) : normal_(random));
    phase_ = std::uniform_real_distribution<double>(0.0, 2.0 * M_PI)(random);
  }

  double next_w(double at_s, Random& random) {
    double sum = recipe_.ripple_w * std::sin(2.0 * M_PI * at_s / recipe_.ripple_s + phase_);
    for (std::size_t i = 0; i < states_.size(); ++i) {
      const SlowNoise& slow = recipe_.slow[i];
      const double r = std::exp(-recipe_.interval_s / slow.correlation_time_s);
      if (!slow.two_states)
        states_[i] = r * states_[i] + std::sqrt(1.0 - r * r) * normal_(random);
      else if (std::uniform_real_distribution<double>(0.0, 1.0)(random) < 0.5 * (1.0 - r))
        states_[i] = -states_[i];
      sum += slow.standard_deviation_w * states_[i];
    }
    return sum;
  }

  /// Variance of their mean.
  [[nodiscard]] static double of_mean(const Recipe& recipe, double seconds) {
    double sum = std::pow(recipe.ripple_w * recipe.ripple_s / (M_PI * seconds), 2) / 2.0;
    for (const SlowNoise& slow : recipe.slow)
      sum += slow.standard_deviation_w * slow.standard_deviation_w * slow.of_mean(seconds);
    return sum;
  }

 private:
  const Recipe& recipe_;
  std::normal_distribution<double> normal_;
  std::vector<double> states_;
  double phase_ = 0.0;
};

Record make(const Recipe& recipe, Random& random) {
  Display display(recipe);
  Swings swings(recipe, random);
  Record record;
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even(-0.5, 0.5);
  const double level = recipe.level_w + recipe.jitter_w * even(random);
  const double phase_wh = recipe.counter_step_wh * (even(random) + 0.5);
  const double innovation = std::sqrt(1.0 - recipe.correlation * recipe.correlation);
  double noise = normal(random), shown = 0.0, energy_wh = 1000.0 * recipe.counter_step_wh + phase_wh, sum = 0.0;
  // Where a counter is there, swings are the device's own: it counts them, and they are part of what is true.
  const bool swings_are_true = recipe.counter_step_wh > 0.0;
  int counted = 0;
  const int readings = static_cast<int>(recipe.seconds / recipe.interval_s);
  for (int i = 0; i <= readings; ++i) {
    const double at_s = i * recipe.interval_s;
    const double swing = swings.next_w(at_s, random);
    const double power =
        level + recipe.slope_w_per_h * (at_s - recipe.seconds / 2.0) / 3600.0 + (swings_are_true ? swing : 0.0);
    noise = recipe.correlation * noise + innovation * normal(random);
    if (i % recipe.hold == 0) {
      shown = display.shown_w(
          power + (swings_are_true ? 0.0 : swing) + recipe.noise_w * noise + recipe.white_w * normal(random), random);
    }
    record.times_s.push_back(at_s);
    record.power_w.push_back(shown);
    energy_wh += power * recipe.interval_s / 3600.0;
    if (recipe.counter_step_wh > 0.0)
      record.counter_wh.push_back(std::floor(energy_wh / recipe.counter_step_wh) * recipe.counter_step_wh);
    if (3 * i >= readings) {
      sum += power;
      ++counted;
    }
  }
  record.truth_w = sum / counted;
  if (recipe.rule_told) record.traits.rounding = recipe.truncates ? Rounding::truncates : Rounding::rounds;
  if (recipe.step_known) record.traits.resolution_w = recipe.step_w;
  if (recipe.counter_step_wh > 0.0) record.traits.energy_step_wh = recipe.counter_step_wh;
  const double filtered = recipe.filter_s > 0.0 ? std::exp(-1.0 / recipe.filter_s) : 0.0;
  const double correlation_time = std::max(recipe.correlation, filtered);  // no case has both
  const double n = counted / static_cast<double>(recipe.hold) * (1.0 - correlation_time) / (1.0 + correlation_time);
  const double noise_steps =
      std::hypot(recipe.noise_w * std::sqrt((1.0 - filtered) / (1.0 + filtered)), recipe.white_w) / recipe.step_w;
  const double in_steps = level / recipe.step_w - (recipe.truncates ? 0.5 : 0.0);
  double power_best = 0.0;
  if (recipe.hysteresis > 0.0)
    power_best = recipe.step_w * std::min(0.475, hysteresis_or_slow_bound(in_steps, noise_steps, recipe.hysteresis, n));
  else if (recipe.white_w > 0.0)
    power_best = z95 * std::hypot(recipe.noise_w / std::sqrt(n), recipe.white_w / std::sqrt(counted));
  else if (noise_steps >= 0.25)
    power_best = z95 * recipe.step_w *
                 std::sqrt(noise_steps > 3.0 ? (noise_steps * noise_steps + 1.0 / 12.0) / n
                                             : rounded_bound(in_steps, noise_steps) / n);
  else if (recipe.slope_w_per_h == 0.0)
    power_best = std::min(0.475, std::abs(std::fmod(in_steps + 1000.0, 1.0) - 0.5) < 3.0 * noise_steps
                                     ? two_count_bound(in_steps, noise_steps, n)
                                     : 0.475) *
                 recipe.step_w;
  else
    power_best = 0.475 * recipe.step_w / std::max(1.0, recipe.slope_w_per_h * recipe.seconds / 5400.0 / recipe.step_w);
  power_best = std::hypot(power_best, z95 * std::sqrt(Swings::of_mean(recipe, counted * recipe.interval_s)));
  record.best_w = power_best;
  if (recipe.counter_step_wh > 0.0) {
    const double ticks = level * counted * recipe.interval_s / 3600.0 / recipe.counter_step_wh;
    if (ticks >= 2.0) {
      // `ticks` of them fall into the time on average, with one whole step less between the first and the last.
      const double covered_s = std::max(1.0, ticks - 1.0) * recipe.counter_step_wh / level * 3600.0;
      // Two instants, each even within an interval: 95 % of a triangle of that half-width.
      const double counted_s = counted * recipe.interval_s;
      // What the counter does not cover may have had another mean.
      const double uncovered = std::max(0.0, counted_s / covered_s - 1.0) * Swings::of_mean(recipe, counted_s);
      const double counter_best = std::hypot(level * 0.776 * recipe.interval_s / covered_s, z95 * std::sqrt(uncovered));
      record.best_w = 1.0 / std::sqrt(1.0 / (power_best * power_best) + 1.0 / (counter_best * counter_best));
    }
  }
  return record;
}

LevelBudget budget_of(const Record& record) {
  BudgetInput input;
  input.power = {record.times_s, record.power_w};
  if (!record.counter_wh.empty()) input.counter = {record.times_s, record.counter_wh};
  input.traits = record.traits;
  return *level_budget(input);
}

struct Outcome {
  double off_w, half_width_w, best_w;
};

struct Case {
  std::string name;
  std::function<Outcome(Random&)> run;
};

Case level_case(std::string name, Recipe recipe) {
  return {std::move(name), [recipe](Random& random) {
            const Record record = make(recipe, random);
            const LevelBudget budget = budget_of(record);
            return Outcome{budget.level_w - record.truth_w, budget.uncertainty_w, record.best_w};
          }};
}

/// The same level in a night that has a load before and after it, cut by the segmenter and quoted by classify(): the
/// figure that `segments` and `summary` print.
Outcome quoted_in_a_night(const Recipe& recipe, Random& random) {
  constexpr int load_s = 300;
  const Record inner = make(recipe, random);
  std::normal_distribution<double> normal;
  SegmenterSettings settings;
  settings.traits = inner.traits;
  Segmenter segmenter(settings);
  const auto load_w = [&] {
    return std::round((inner.truth_w + 30.0 + recipe.noise_w * normal(random)) / recipe.step_w) * recipe.step_w;
  };
  const auto push = [&](int second, double power_w) { segmenter.push(UtcTime{second * 1'000'000LL}, power_w); };
  for (int i = 0; i < load_s; ++i) push(i, load_w());
  for (std::size_t i = 0; i < inner.power_w.size(); ++i) {
    const int second = load_s + static_cast<int>(i);
    if (!inner.counter_wh.empty()) segmenter.push_counter(UtcTime{second * 1'000'000LL}, inner.counter_wh[i]);
    push(second, inner.power_w[i]);
  }
  const int end_s = load_s + static_cast<int>(inner.power_w.size());
  for (int i = 0; i < load_s; ++i) push(end_s + i, load_w());
  segmenter.finish(UtcTime{(end_s + load_s) * 1'000'000LL});
  const std::vector<Regime> regimes = segmenter.take_final();
  ClassifyInput input;
  input.settings = settings;
  input.learnt = segmenter.learnt();
  input.run_begin = regimes.front().begin;
  input.run_end = regimes.back().end;
  input.final_count = regimes.size();
  const UtcTime middle{(load_s + 2 * static_cast<int>(inner.power_w.size()) / 3) * 1'000'000LL};
  for (const Segment& segment : classify(regimes, input).segments)
    if (segment.begin <= middle && middle < segment.end && segment.level_w)
      return {*segment.level_w - inner.truth_w, *segment.uncertainty_w, inner.best_w};
  return {1e9, 0.0, inner.best_w};  // no level was quoted: a miss
}

Case night_case(std::string name, Recipe recipe) {
  return {"night: " + std::move(name), [recipe](Random& random) { return quoted_in_a_night(recipe, random); }};
}

Recipe with(Recipe recipe, const std::function<void(Recipe&)>& change) {
  change(recipe);
  return recipe;
}

Compared one(const LevelBudget& budget) {
  const std::array<Measured, 1> single = {measured(budget)};
  return *pool(single);
}

/// Displays of which nobody told whether they round or cut off.
std::vector<Case> untold_cases(const Recipe& fine, const Recipe& whole) {
  std::vector<Case> all;
  for (const bool truncates : {false, true}) {
    const std::string rule = truncates ? ", cuts off" : ", rounds";
    const auto untold = [&](const Recipe& recipe, const std::function<void(Recipe&)>& change) {
      return with(with(recipe, change), [&](Recipe& r) { r.truncates = truncates, r.rule_told = false; });
    };
    all.push_back(level_case("not told: whole watts, noise 0.4" + rule, untold(whole, [](Recipe&) {})));
    all.push_back(
        level_case("not told: whole watts, still" + rule, untold(whole, [](Recipe& r) { r.noise_w = 0.01; })));
    all.push_back(level_case("not told: half watts, noise 0.15" + rule,
                             untold(whole, [](Recipe& r) { r.step_w = 0.5, r.noise_w = 0.15; })));
    all.push_back(level_case("not told: 0.1 W display, noise 0.05" + rule,
                             untold(fine, [](Recipe& r) { r.step_w = 0.1, r.noise_w = 0.05; })));
    for (const double noise_w : {0.01, 0.4})
      all.push_back(level_case(
          "not told: 1 Wh counter, 2 h, whole watts, noise " + std::to_string(noise_w).substr(0, 4) + rule,
          untold(whole, [&](Recipe& r) { r.noise_w = noise_w, r.counter_step_wh = 1.0, r.seconds = 7200; })));
  }
  return all;
}

/// Noises of other sorts than those that the formulas are made for, other intervals and other displays.
std::vector<Case> strange_cases(const Recipe& fine, const Recipe& whole) {
  const auto noise = [&](std::vector<SlowNoise> slow, int seconds = 1800, double white_w = 0.05) {
    return with(fine, [&](Recipe& r) { r.slow = std::move(slow), r.seconds = seconds, r.noise_w = white_w; });
  };
  const std::vector<SlowNoise> flicker = {{0.02, 1.0}, {0.02, 4.0}, {0.02, 16.0}, {0.02, 64.0}, {0.02, 256.0}};
  return {
      level_case("white 0.05 W, 0.01 W of 100 s", noise({{0.01, 100.0}})),
      level_case("white 0.05 W, 0.02 W of 30 s", noise({{0.02, 30.0}})),
      level_case("white 0.05 W, 0.003 W of 600 s, 2 h", noise({{0.003, 600.0}}, 7200)),
      level_case("white 0.05 W, 0.002 W of 1 h, 8 h", noise({{0.002, 3600.0}}, 28800)),
      level_case("white 0.05 W, 0.1 W of 5 s and 0.02 W of 150 s", noise({{0.1, 5.0}, {0.02, 150.0}})),
      level_case("memory 10 s, 10 min", noise({{0.05, 10.0}}, 600, 0.001)),
      level_case("memory 60 s, 10 min", noise({{0.05, 60.0}}, 600, 0.001)),
      level_case("memory 100 s, 1 h", noise({{0.05, 100.0}}, 3600, 0.001)),
      level_case("flicker: memories 1 to 256 s, 1 h", noise(flicker, 3600, 0.02)),
      level_case("two states 0.1 W apart, 20 s each", noise({{0.05, 10.0, true}}, 1800, 0.02)),
      level_case("two states 0.4 W apart, 100 s each, 1 h", noise({{0.2, 50.0, true}}, 3600)),
      level_case("a fan that cycles in 37 s, 0.2 W",
                 with(fine, [](Recipe& r) { r.ripple_w = 0.2, r.ripple_s = 37.0; })),
      level_case("a fan that cycles in 400 s, 0.05 W",
                 with(fine, [](Recipe& r) { r.ripple_w = 0.05, r.ripple_s = 400.0, r.seconds = 3600; })),
      level_case("every 10 s, white", with(fine, [](Recipe& r) { r.interval_s = 10.0, r.seconds = 3600; })),
      level_case("every 10 s, memory 60 s",
                 with(noise({{0.05, 60.0}}, 7200, 0.001), [](Recipe& r) { r.interval_s = 10.0; })),
      level_case("twice a second, memory 20 s", with(noise({{0.05, 20.0}}), [](Recipe& r) { r.interval_s = 0.5; })),
      level_case("every 60 s, white, 3 h", with(fine, [](Recipe& r) { r.interval_s = 60.0, r.seconds = 10800; })),
      level_case("36 readings", with(fine, [](Recipe& r) { r.seconds = 35; })),
      level_case("0.1 W display, noise 0.02 W", with(fine, [](Recipe& r) { r.step_w = 0.1, r.noise_w = 0.02; })),
      level_case("0.1 W display, noise 0.04 W, memory 30 s",
                 with(noise({{0.03, 30.0}}, 1800, 0.03), [](Recipe& r) { r.step_w = 0.1; })),
      level_case("0.5 W display, noise 0.2 W", with(fine, [](Recipe& r) { r.step_w = 0.5, r.noise_w = 0.2; })),
      level_case("whole watts, truncating, holds 4 s", with(whole, [](Recipe& r) { r.truncates = true, r.hold = 4; })),
      level_case("whole watts, 0.3 W, noise 0.33",
                 with(whole, [](Recipe& r) { r.level_w = 0.3, r.jitter_w = 0.0, r.noise_w = 1.0 / 3.0; })),
      level_case("whole watts, 0.85 W, noise 0.4", with(whole, [](Recipe& r) { r.level_w = 0.85, r.jitter_w = 0.0; })),
      level_case("whole watts, 0.5 and 200 s slow noise 0.2, 2 h",
                 with(whole,
                      [](Recipe& r) {
                        r.noise_w = 0.5, r.slow = {{0.2, 200.0}}, r.seconds = 7200;
                      })),
      level_case(
          "whole watts, drift 0.3 W/h, dithers by itself",
          with(whole, [](Recipe& r) { r.noise_w = 0.01, r.dithers = true, r.slope_w_per_h = 0.3, r.seconds = 7200; })),
      level_case("whole watts, slow noise 0.4 alone (300 s), 2 h",
                 with(whole,
                      [](Recipe& r) {
                        r.noise_w = 0.02, r.slow = {{0.4, 300.0}}, r.seconds = 7200;
                      })),
      level_case("drift 0.1 W/h and slow noise",
                 with(noise({{0.01, 100.0}}), [](Recipe& r) { r.slope_w_per_h = 0.1; })),
      level_case("1 Wh counter, 2 h, slow noise",
                 with(noise({{0.05, 200.0}}, 7200), [](Recipe& r) { r.counter_step_wh = 1.0; })),
      level_case("10 Wh counter, 8 h, slow noise, 0.1 W display",
                 with(noise({{0.2, 600.0}}, 28800), [](Recipe& r) { r.counter_step_wh = 10.0, r.step_w = 0.1; })),
      night_case("white 0.05 W, 0.01 W of 100 s", noise({{0.01, 100.0}})),
      night_case("memory 60 s, 10 min", noise({{0.05, 60.0}}, 600, 0.001)),
      night_case("whole watts, holds 4 s", with(whole, [](Recipe& r) { r.hold = 4; }))};
}

/// Idles of one run, whose levels differ by a share of the level: 0, as real repeats do (half-Cauchy, 0.25 %), or
/// fixed.
Outcome idles_pooled(const Recipe& fine, int count, double share, bool as_real, Random& random) {
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even(0.0, 1.0);
  const double spread_w = 25.0 * (as_real ? std::min(0.02, 0.0025 * std::tan(M_PI / 2.0 * even(random))) : share);
  std::vector<PooledLevel> levels;
  double within_w = 0.0;
  for (int i = 0; i < count; ++i) {
    const double level_w = 25.0 + spread_w * normal(random);
    const Record record = make(with(fine, [=](Recipe& r) { r.jitter_w = 0.0, r.level_w = level_w; }), random);
    within_w = record.best_w / z95;
    const LevelBudget budget = budget_of(record);
    levels.push_back({budget.level_w, 1.0, level_parts(budget)});
  }
  const Pooled pooled = pool_levels(levels);
  // The best would know the spread.
  return {pooled.level_w - 25.0, pooled.parts.expanded_w(), z95 * std::hypot(within_w, spread_w) / std::sqrt(count)};
}

/// A baseline of some hours, 14.25 W more for 20 to 100 s every quarter of an hour, by the clock or by chance.
Outcome baseline_with_bursts(double hours, bool by_clock, Random& random) {
  std::uniform_real_distribution<double> even(0.0, 1.0);
  std::vector<Segment> span;
  double at_s = 0.0, squares_ws2 = 0.0;
  const auto add = [&](SegmentKind kind, double length_s, double power_w) {
    Segment s;
    s.kind = kind;
    s.begin = UtcTime{static_cast<std::int64_t>(at_s * 1e6)};
    at_s += length_s;
    s.end = UtcTime{static_cast<std::int64_t>(at_s * 1e6)};
    s.mean_w = power_w;
    s.level_w = power_w;
    s.uncertainty_w = 0.01;
    s.parts = LevelParts{0.005, 1e9, 0.0, 0.0};
    span.push_back(s);
  };
  const auto rest_s = [&] { return by_clock ? 840.0 * (0.95 + 0.1 * even(random)) : -840.0 * std::log(even(random)); };
  double rest = by_clock ? rest_s() * even(random) : rest_s();
  while (at_s + rest + 100.0 < hours * 3600.0) {
    const double burst_s = 20.0 + 80.0 * even(random);
    add(SegmentKind::idle, std::max(1.0, rest), 7.30);
    add(SegmentKind::plateau, burst_s, 21.55);
    squares_ws2 += std::pow(14.25 * burst_s, 2);
    rest = rest_s();
  }
  add(SegmentKind::idle, std::max(1.0, hours * 3600.0 - at_s), 7.30);
  const auto baseline = baseline_of(span, {});
  const double best_w =
      z95 * std::sqrt(by_clock ? squares_ws2 / std::max<double>(1.0, baseline->departures) / 6.0 : squares_ws2) / at_s;
  return {baseline->budget.level_w - 8.25, baseline->budget.uncertainty_w, std::max(best_w, 1e-6)};
}

std::vector<Case> pooled_cases(const Recipe& fine) {
  std::vector<Case> all;
  for (const int count : {2, 3, 6}) {
    const std::string name = std::to_string(count) + " idles of one run, ";
    all.push_back({name + "alike", [=](Random& r) { return idles_pooled(fine, count, 0.0, false, r); }});
    all.push_back({name + "0.2 % apart", [=](Random& r) { return idles_pooled(fine, count, 0.002, false, r); }});
    all.push_back({name + "1 % apart", [=](Random& r) { return idles_pooled(fine, count, 0.01, false, r); }});
    all.push_back({name + "as real repeats are", [=](Random& r) { return idles_pooled(fine, count, 0.0, true, r); }});
  }
  for (const double hours : {2.0, 8.0})
    for (const bool by_clock : {true, false})
      all.push_back({"baseline, " + std::to_string(static_cast<int>(hours)) + " h, bursts by " +
                         (by_clock ? "the clock" : "chance"),
                     [=](Random& r) { return baseline_with_bursts(hours, by_clock, r); }});
  return all;
}

std::vector<Case> cases() {
  const Recipe fine;
  const auto slow = [&](double correlation_time_s, int seconds) {
    return with(fine, [&](Recipe& r) { r.correlation = std::exp(-1.0 / correlation_time_s), r.seconds = seconds; });
  };
  const Recipe whole = with(fine, [](Recipe& r) { r.step_w = 1.0, r.noise_w = 0.4; });
  std::vector<Case> all = {
      level_case("fine meter, white noise, 30 min", fine),
      level_case("fine meter, white noise, 2 min", with(fine, [](Recipe& r) { r.seconds = 120; })),
      level_case("fine meter, correlation 0.6", with(fine, [](Recipe& r) { r.correlation = 0.6; })),
      level_case("fine meter, correlation 0.9", with(fine, [](Recipe& r) { r.correlation = 0.9; })),
      level_case("fine meter, correlation 0.97", with(fine, [](Recipe& r) { r.correlation = 0.97, r.seconds = 7200; })),
      level_case("fine meter, memory 20 s, 30 min", slow(20.0, 1800)),
      level_case("fine meter, memory 60 s, 30 min", slow(60.0, 1800)),
      level_case("fine meter, memory 200 s, 30 min", slow(200.0, 1800)),
      level_case("fine meter, memory 20 s, 2 h", slow(20.0, 7200)),
      level_case("fine meter, memory 60 s, 2 h", slow(60.0, 7200)),
      level_case("fine meter, memory 200 s, 2 h", slow(200.0, 7200)),
      level_case("fine meter, memory 600 s, 2 h", slow(600.0, 7200)),
      level_case("fine meter, memory 200 s, 2 h, white too",
                 with(slow(200.0, 7200), [](Recipe& r) { r.white_w = 0.05; })),
      level_case("fine meter, white 0.05 W, 0.005 W slow (200 s)",
                 with(slow(200.0, 1800), [](Recipe& r) { r.white_w = 0.05, r.noise_w = 0.005; })),
      level_case("0.1 W display, noise 0.05 W", with(fine, [](Recipe& r) { r.step_w = 0.1; })),
      level_case("0.1 W display, step learnt", with(fine, [](Recipe& r) { r.step_w = 0.1, r.step_known = false; })),
      level_case("0.1 W display, noise 0.2 W", with(fine, [](Recipe& r) { r.step_w = 0.1, r.noise_w = 0.2; })),
      level_case("whole watts, dithered 0.4", whole),
      level_case("whole watts, dithered 0.7", with(whole, [](Recipe& r) { r.noise_w = 0.7; })),
      level_case("whole watts, slow noise (0.95)",
                 with(whole, [](Recipe& r) { r.correlation = 0.95, r.seconds = 7200; })),
      level_case("whole watts, still", with(whole, [](Recipe& r) { r.noise_w = 0.01; })),
      level_case("whole watts, two counts",
                 with(whole, [](Recipe& r) { r.noise_w = 0.15, r.level_w = 25.5, r.jitter_w = 0.5; })),
      level_case("whole watts, two counts, noise 0.05",
                 with(whole, [](Recipe& r) { r.noise_w = 0.05, r.level_w = 25.5, r.jitter_w = 0.15; })),
      level_case("whole watts, two counts or three, 0.22",
                 with(whole, [](Recipe& r) { r.noise_w = 0.22, r.level_w = 25.5, r.jitter_w = 0.7; })),
      level_case("whole watts, dithers by itself", with(whole, [](Recipe& r) { r.noise_w = 0.01, r.dithers = true; })),
      level_case("whole watts, dithers by itself, noise 0.1",
                 with(whole, [](Recipe& r) { r.noise_w = 0.1, r.dithers = true; })),
      level_case("whole watts, dithers by itself, noise 0.3",
                 with(whole, [](Recipe& r) { r.noise_w = 0.3, r.dithers = true; })),
      level_case("whole watts, noise 0.28", with(whole, [](Recipe& r) { r.noise_w = 0.28; })),
      level_case("whole watts, correlation 0.3", with(whole, [](Recipe& r) { r.correlation = 0.3; })),
      level_case("whole watts, correlation 0.6", with(whole, [](Recipe& r) { r.correlation = 0.6; })),
      level_case("whole watts, correlation 0.9", with(whole, [](Recipe& r) { r.correlation = 0.9; })),
      level_case("hysteresis 0.3, noise 0.4", with(whole, [](Recipe& r) { r.hysteresis = 0.3; })),
      level_case("hysteresis 0.3, noise 0.7", with(whole, [](Recipe& r) { r.hysteresis = 0.3, r.noise_w = 0.7; })),
      level_case("hysteresis 0.3, slow noise (0.95)",
                 with(whole, [](Recipe& r) { r.hysteresis = 0.3, r.correlation = 0.95; })),
      level_case("hysteresis 0.7, noise 0.4", with(whole, [](Recipe& r) { r.hysteresis = 0.7; })),
      level_case("hysteresis 0.7, noise 0.7", with(whole, [](Recipe& r) { r.hysteresis = 0.7, r.noise_w = 0.7; })),
      level_case("hysteresis 0.7, slow noise (0.95)",
                 with(whole, [](Recipe& r) { r.hysteresis = 0.7, r.correlation = 0.95; })),
      level_case("hysteresis 0.7, noise 0.2", with(whole, [](Recipe& r) { r.hysteresis = 0.7, r.noise_w = 0.2; })),
      level_case("filter 5 s, whole watts, noise 1", with(whole, [](Recipe& r) { r.filter_s = 5.0, r.noise_w = 1.0; })),
      level_case("filter 5 s, whole watts, noise 0.4", with(whole, [](Recipe& r) { r.filter_s = 5.0; })),
      level_case("filter 5 s, 0.1 W display",
                 with(fine, [](Recipe& r) { r.filter_s = 5.0, r.step_w = 0.1, r.noise_w = 0.2; })),
      level_case("whole watts, truncating", with(whole, [](Recipe& r) { r.truncates = true; })),
      level_case(
          "whole watts, 0.6 W, 1 h",
          with(whole, [](Recipe& r) { r.level_w = 0.6, r.jitter_w = 0.0, r.noise_w = 1.0 / 3.0, r.seconds = 3600; })),
      level_case("fine meter, drift 0.5 W/h", with(fine, [](Recipe& r) { r.slope_w_per_h = 0.5; })),
      level_case("whole watts, drift 1 W/h, noise 0.4",
                 with(whole, [](Recipe& r) { r.slope_w_per_h = 1.0, r.seconds = 7200; })),
      level_case("whole watts, drift 2 W/h, still",
                 with(whole, [](Recipe& r) { r.slope_w_per_h = 2.0, r.noise_w = 0.02, r.seconds = 7200; })),
      level_case("meter holds 5 s", with(fine, [](Recipe& r) { r.hold = 5; })),
      level_case("0.1 W display, holds 3 s",
                 with(fine, [](Recipe& r) { r.hold = 3, r.step_w = 0.1, r.noise_w = 0.1; })),
      level_case("whole watts, holds 4 s", with(whole, [](Recipe& r) { r.hold = 4; }))};
  for (const double step_wh : {1.0, 10.0})
    for (const int seconds : {900, 7200, 28800}) {
      const std::string name = (step_wh > 5.0 ? "10 Wh" : "1 Wh") + std::string(" counter, ") +
                               (seconds == 900 ? "15 min" : std::to_string(seconds / 3600) + " h");
      all.push_back(level_case(name + ", still whole watts", with(whole, [&](Recipe& r) {
                                 r.noise_w = 0.01, r.counter_step_wh = step_wh, r.seconds = seconds;
                               })));
      all.push_back(level_case(name + ", 0.1 W display", with(fine, [&](Recipe& r) {
                                 r.step_w = 0.1, r.counter_step_wh = step_wh, r.seconds = seconds;
                               })));
    }
  all.push_back(night_case("fine meter, white noise, 30 min", fine));
  all.push_back(night_case("fine meter, correlation 0.9", with(fine, [](Recipe& r) { r.correlation = 0.9; })));
  all.push_back(
      night_case("0.1 W display, step learnt", with(fine, [](Recipe& r) { r.step_w = 0.1, r.step_known = false; })));
  all.push_back(night_case("whole watts, dithered 0.4", whole));
  all.push_back(night_case("whole watts, 0.6 W, 1 h", with(whole, [](Recipe& r) {
                             r.level_w = 0.6, r.jitter_w = 0.0, r.noise_w = 1.0 / 3.0, r.seconds = 3600;
                           })));
  all.push_back(night_case("whole watts, truncating", with(whole, [](Recipe& r) { r.truncates = true; })));
  all.push_back(night_case("whole watts, still", with(whole, [](Recipe& r) { r.noise_w = 0.01; })));
  all.push_back(night_case("1 Wh counter, 2 h, still whole watts", with(whole, [](Recipe& r) {
                             r.noise_w = 0.01, r.counter_step_wh = 1.0, r.seconds = 7200;
                           })));
  all.push_back(night_case("drift 0.5 W/h", with(fine, [](Recipe& r) { r.slope_w_per_h = 0.5; })));
  all.push_back(night_case("meter holds 5 s", with(fine, [](Recipe& r) { r.hold = 5; })));
  for (Case& one : strange_cases(fine, whole)) all.push_back(std::move(one));
  for (Case& one : untold_cases(fine, whole)) all.push_back(std::move(one));
  all.push_back({"two idles pooled", [fine](Random& random) {
                   const Record a = make(with(fine, [](Recipe& r) { r.jitter_w = 0.0; }), random);
                   const Record b = make(with(fine, [](Recipe& r) { r.jitter_w = 0.0; }), random);
                   const std::array<Measured, 2> both = {measured(budget_of(a)), measured(budget_of(b))};
                   const Compared pooled = *pool(both);
                   return Outcome{pooled.value - a.truth_w, pooled.uncertainty, a.best_w / std::sqrt(2.0)};
                 }});
  all.push_back(
      {"less: device less its adapter", [fine](Random& random) {
         const Record a = make(fine, random);
         const Record b = make(with(fine, [](Recipe& r) { r.level_w = 2.0, r.noise_w = 0.03; }), random);
         const Compared less = difference(one(budget_of(a)), one(budget_of(b)));
         return Outcome{less.value - (a.truth_w - b.truth_w), less.uncertainty, std::hypot(a.best_w, b.best_w)};
       }});
  for (const int repeats : {3, 5})
    all.push_back(
        {"compare: " + std::to_string(repeats) + " repeats that differ by 0.2 W", [fine, repeats](Random& random) {
           std::normal_distribution<double> normal;
           std::vector<Measured> runs;
           for (int i = 0; i < repeats; ++i)
             runs.push_back(measured(budget_of(make(
                 with(fine,
                      [&](Recipe& r) { r.jitter_w = 0.0, r.level_w = 25.0 + 0.2 * normal(random), r.seconds = 600; }),
                 random))));
           const Compared pooled = *pool(runs);
           // The best that does not know the spread beforehand: Student's t of these repeats.
           const double median_deviation = 0.2 * std::sqrt(chi_squared_quantile(0.5, repeats - 1) / (repeats - 1));
           return Outcome{pooled.value - 25.0, pooled.uncertainty,
                          coverage_factor(0.95, repeats - 1) * median_deviation / std::sqrt(repeats)};
         }});
  // What only compare and its options quote.
  const auto with_slow = [fine](double level_w) {
    return with(fine, [=](Recipe& r) { r.level_w = level_w, r.slow = {{0.01, 100.0}}; });
  };
  all.push_back(
      {"less: both with slow noise", [with_slow](Random& random) {
         const Record a = make(with_slow(25.0), random), b = make(with_slow(2.0), random);
         const Compared less = difference(one(budget_of(a)), one(budget_of(b)));
         return Outcome{less.value - (a.truth_w - b.truth_w), less.uncertainty, std::hypot(a.best_w, b.best_w)};
       }});
  all.push_back({"against: ratio of two levels", [with_slow](Random& random) {
                   const Record a = make(with_slow(25.0), random), b = make(with_slow(8.0), random);
                   const Compared times = *ratio(one(budget_of(a)), one(budget_of(b)));
                   const double truth = a.truth_w / b.truth_w;
                   return Outcome{times.value - truth, times.uncertainty,
                                  std::hypot(a.best_w / b.truth_w, truth * b.best_w / b.truth_w)};
                 }});
  all.push_back({"three idles pooled, slow noise", [with_slow](Random& random) {
                   std::vector<Measured> runs;
                   double off = 0.0, best = 0.0;
                   for (int i = 0; i < 3; ++i) {
                     const Record record = make(with(with_slow(25.0), [](Recipe& r) { r.jitter_w = 0.0; }), random);
                     runs.push_back(measured(budget_of(record)));
                     off = record.truth_w, best = record.best_w / std::sqrt(3.0);
                   }
                   const Compared pooled = *pool(runs);
                   return Outcome{pooled.value - off, pooled.uncertainty, best};
                 }});
  for (const double spread_w : {0.002, 0.005, 0.02})
    all.push_back({"compare: 3 repeats that differ by " + std::to_string(spread_w).substr(0, 5) + " W",
                   [fine, spread_w](Random& random) {
                     std::normal_distribution<double> normal;
                     std::vector<Measured> runs;
                     double within = 0.0;
                     for (int i = 0; i < 3; ++i) {
                       const double level_w = 25.0 + spread_w * normal(random);
                       const Record record =
                           make(with(fine, [=](Recipe& r) { r.jitter_w = 0.0, r.level_w = level_w; }), random);
                       within = record.best_w / z95;
                       runs.push_back(measured(budget_of(record)));
                     }
                     const Compared pooled = *pool(runs);
                     const double standard_deviation = std::hypot(within, spread_w) * std::sqrt(std::log(2.0));
                     return Outcome{pooled.value - 25.0, pooled.uncertainty,
                                    coverage_factor(0.95, 2.0) * standard_deviation / std::sqrt(3.0)};
                   }});
  all.push_back(
      {"against: difference of two devices, 3 repeats each", [fine](Random& random) {
         std::normal_distribution<double> normal;
         std::array<std::vector<Measured>, 2> runs;
         for (int i = 0; i < 6; ++i) {
           const double level_w = (i % 2 == 0 ? 25.0 : 20.0) + 0.05 * normal(random);
           runs[static_cast<std::size_t>(i % 2)].push_back(measured(budget_of(
               make(with(fine, [=](Recipe& r) { r.jitter_w = 0.0, r.level_w = level_w, r.seconds = 600; }), random))));
         }
         const Compared apart = difference(*pool(runs[0]), *pool(runs[1]));
         const double standard_deviation = 0.05 * std::sqrt(chi_squared_quantile(0.5, 4.0) / 4.0);
         return Outcome{apart.value - 5.0, apart.uncertainty,
                        coverage_factor(0.95, 4.0) * standard_deviation * std::sqrt(2.0 / 3.0)};
       }});
  for (Case& one : pooled_cases(fine)) all.push_back(std::move(one));
  return all;
}

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

int main(int argc, char** argv) {
  const int runs = argc > 1 ? std::max(1, std::atoi(argv[1])) : 1000;
  const std::string only = argc > 2 ? argv[2] : "";
  const int first = argc > 3 ? std::max(1, std::atoi(argv[3])) : 1;  // seeds that nobody has looked at
  std::printf(
      "Coverage of the intervals (k = 2), %d seeded records a case from seed %d; wanted: 94 to 99 %%, median "
      "half-width <= 1.5 x "
      "best\n",
      runs, first);
  std::printf("%-52s %9s %13s %11s %6s %10s %8s\n", "case", "holds", "half-width", "best", "ratio", "|off| 95%",
              "ms each");
  for (const Case& test : cases()) {
    if (!only.empty() && test.name.find(only) == std::string::npos) continue;
    std::vector<double> widths, bests, offs;
    int held = 0;
    double budget_ms = 0.0;
    for (int seed = first; seed < first + runs; ++seed) {
      Random random(static_cast<std::uint64_t>(seed));
      const auto begin = std::chrono::steady_clock::now();
      const Outcome outcome = test.run(random);
      budget_ms += std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - begin).count();
      held += std::abs(outcome.off_w) <= outcome.half_width_w ? 1 : 0;
      widths.push_back(outcome.half_width_w);
      bests.push_back(outcome.best_w);
      offs.push_back(std::abs(outcome.off_w));
    }
    std::sort(offs.begin(), offs.end());
    const double share = 100.0 * held / runs;
    const double ratio = median_of(widths) / median_of(bests);
    std::printf("%-52s %7.1f %% %11.5f W %9.5f W %6.2f %8.5f W %8.2f%s%s\n", test.name.c_str(), share,
                median_of(widths), median_of(bests), ratio, offs[static_cast<std::size_t>(0.95 * runs)],
                budget_ms / runs,
                share < 94.0   ? "  LOW"
                : share > 99.0 ? "  over"
                               : "",
                ratio > 1.5 ? "  WIDE" : "");
    std::fflush(stdout);
  }
  return 0;
}
