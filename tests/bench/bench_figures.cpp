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

#include "measure/comparison.hpp"
#include "measure/distributions.hpp"
#include "measure/level_budget.hpp"
#include "measure/segmenter.hpp"
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
  double counter_step_wh = 0.0;
  bool step_known = true;
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

Record make(const Recipe& recipe, Random& random) {
  Display display(recipe);
  Record record;
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even(-0.5, 0.5);
  const double level = recipe.level_w + recipe.jitter_w * even(random);
  const double phase_wh = recipe.counter_step_wh * (even(random) + 0.5);
  const double innovation = std::sqrt(1.0 - recipe.correlation * recipe.correlation);
  double noise = normal(random), shown = 0.0, energy_wh = 1000.0 * recipe.counter_step_wh + phase_wh, sum = 0.0;
  int counted = 0;
  for (int i = 0; i <= recipe.seconds; ++i) {
    const double power = level + recipe.slope_w_per_h * (i - recipe.seconds / 2.0) / 3600.0;
    noise = recipe.correlation * noise + innovation * normal(random);
    if (i % recipe.hold == 0) {
      shown = display.shown_w(power + recipe.noise_w * noise + recipe.white_w * normal(random), random);
    }
    record.times_s.push_back(i);
    record.power_w.push_back(shown);
    energy_wh += power / 3600.0;
    if (recipe.counter_step_wh > 0.0)
      record.counter_wh.push_back(std::floor(energy_wh / recipe.counter_step_wh) * recipe.counter_step_wh);
    if (3 * i >= recipe.seconds) {
      sum += power;
      ++counted;
    }
  }
  record.truth_w = sum / counted;
  record.traits.truncates = recipe.truncates;
  if (recipe.step_known) record.traits.resolution_w = recipe.step_w;
  if (recipe.counter_step_wh > 0.0) record.traits.energy_step_wh = recipe.counter_step_wh;
  const double filtered = recipe.filter_s > 0.0 ? std::exp(-1.0 / recipe.filter_s) : 0.0;
  const double memory = std::max(recipe.correlation, filtered);  // no case has both
  const double n = counted / static_cast<double>(recipe.hold) * (1.0 - memory) / (1.0 + memory);
  const double noise_steps =
      std::hypot(recipe.noise_w * std::sqrt((1.0 - filtered) / (1.0 + filtered)), recipe.white_w) / recipe.step_w;
  const double in_steps = level / recipe.step_w - (recipe.truncates ? 0.5 : 0.0);
  double power_best = 0.0;
  if (recipe.hysteresis > 0.0)
    power_best =
        recipe.step_w * std::min(0.475, z95 * std::sqrt(sticking_bound(in_steps, noise_steps, recipe.hysteresis) / n));
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
  record.best_w = power_best;
  if (recipe.counter_step_wh > 0.0) {
    const double ticks = level * counted / 3600.0 / recipe.counter_step_wh;
    if (ticks >= 2.0) {
      // `ticks` of them fall into the time on average, with one whole step less between the first and the last.
      const double covered_s = std::max(1.0, ticks - 1.0) * recipe.counter_step_wh / level * 3600.0;
      // Two instants, each even within a second: 95 % of a triangle of half-width 1 s.
      const double counter_best = level * 0.776 / covered_s;
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
  const std::vector<Stretch> stretches = segmenter.take_final();
  ClassifyInput input;
  input.settings = settings;
  input.learnt = segmenter.learnt();
  input.run_begin = stretches.front().begin;
  input.run_end = stretches.back().end;
  input.final_count = stretches.size();
  const UtcTime middle{(load_s + 2 * static_cast<int>(inner.power_w.size()) / 3) * 1'000'000LL};
  for (const Segment& segment : classify(stretches, input).segments)
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

std::vector<Case> cases() {
  const Recipe fine;
  const auto slow = [&](double memory_s, int seconds) {
    return with(fine, [&](Recipe& r) { r.correlation = std::exp(-1.0 / memory_s), r.seconds = seconds; });
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
  return all;
}

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

int main(int argc, char** argv) {
  const int runs = argc > 1 ? std::atoi(argv[1]) : 1000;
  const std::string only = argc > 2 ? argv[2] : "";
  std::printf(
      "Coverage of the intervals (k = 2), %d seeded records a case; wanted: 94 to 99 %%, median half-width <= 1.5 x "
      "best\n",
      runs);
  std::printf("%-42s %9s %13s %11s %6s %10s %8s\n", "case", "holds", "half-width", "best", "ratio", "|off| 95%",
              "ms each");
  for (const Case& test : cases()) {
    if (!only.empty() && test.name.find(only) == std::string::npos) continue;
    std::vector<double> widths, bests, offs;
    int held = 0;
    double budget_ms = 0.0;
    for (int seed = 1; seed <= runs; ++seed) {
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
    std::printf("%-42s %7.1f %% %11.5f W %9.5f W %6.2f %8.5f W %8.2f%s%s\n", test.name.c_str(), share,
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
