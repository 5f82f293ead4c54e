#include "measure/uncertainty/level_budget.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/long_run.hpp"
#include "measure/uncertainty/statistics.hpp"

using namespace nightwatt;

namespace {

struct Data {
  std::vector<double> times_s, power_w, counter_wh;
  void add(double t, double p) {
    times_s.push_back(t);
    power_w.push_back(p);
  }
  [[nodiscard]] LevelBudget budget(MeterTraits traits = {}) const {
    BudgetInput input;
    input.power = {times_s, power_w};
    if (!counter_wh.empty()) input.counter = {times_s, counter_wh};
    input.traits = std::move(traits);
    return *level_budget(input);
  }
};

double round_to(double value, double step) {
  return std::round(value / step) * step;
}

const BudgetPart* part(const LevelBudget& budget, PartKind kind) {
  for (const BudgetPart& p : budget.parts)
    if (p.kind == kind) return &p;
  return nullptr;
}

bool warns(const LevelBudget& budget, WarningKind kind) {
  return std::any_of(budget.warnings.begin(), budget.warnings.end(),
                     [&](const BudgetWarning& warning) { return warning.kind == kind; });
}

Data noisy(double level, double noise, double step, int seconds, unsigned seed = 1, double correlation = 0.0) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  Data data;
  double state = normal(random);
  for (int i = 0; i <= seconds; ++i) {
    state = correlation * state + std::sqrt(1.0 - correlation * correlation) * normal(random);
    data.add(i, round_to(level + noise * state, step));
  }
  return data;
}

}  // namespace

TEST_CASE("k is 2 for a normal distribution and Student's t of 95.45 % for few degrees of freedom") {
  // GUM table G.2 (95.45 %): 13.97, 4.53, 2.65, 2.28, 2.17, 2.13 (21: recomputed), 2.05.
  const std::vector<std::pair<double, double>> known = {{1, 13.968}, {2, 4.527},  {5, 2.649}, {10, 2.284},
                                                        {16, 2.169}, {21, 2.126}, {50, 2.051}};
  for (const auto& [degrees_of_freedom, k] : known)
    CHECK(coverage_factor(degrees_of_freedom) == Approx(k).margin(5.1e-4));
  for (double degrees_of_freedom = 1.0; degrees_of_freedom < 200.0; degrees_of_freedom += 1.0)
    CHECK(coverage_factor(degrees_of_freedom) ==
          Approx(coverage_factor(coverage_of_two, degrees_of_freedom)).epsilon(1e-12));
  CHECK(coverage_factor(std::numeric_limits<double>::infinity()) == 2.0);
  CHECK(coverage_factor(2.9) == coverage_factor(2.0));  // GUM G.4.1: cut, not rounded
}

TEST_CASE("a published composition: 42.3 W, s 0.35 W, 600 readings worth 150, 0.1 W display, 1 % + 0.1 W") {
  // 600 (1 - 0.6) / (1 + 0.6) = 150 (Zwiers & von Storch, J. Climate 8 (1995) 336). Recomputed: u_A 0.028577, u_res
  // 0.028868, u_acc 0.301954, u_c 0.304674, U (k = 2) 0.609349.
  const double inf = std::numeric_limits<double>::infinity();
  LevelBudget budget;
  budget.readings = 600;
  budget.parts = {random_part(PartKind::statistics, 0.35 / std::sqrt(150.0), inf),
                  rectangular_part(PartKind::display_step, 0.05),
                  rectangular_part(PartKind::meter_accuracy, (Accuracy{1.0, 0.1, ""}).half_width(42.3))};
  complete(budget);
  CHECK(budget.parts[0].uncertainty_w == Approx(0.028577).margin(1e-6));
  CHECK(budget.parts[1].uncertainty_w == Approx(0.028868).margin(1e-6));
  CHECK(budget.parts[2].uncertainty_w == Approx(0.301954).margin(1e-6));
  CHECK(budget.standard_w == Approx(0.304674).margin(1e-6));
  CHECK(budget.uncertainty_w == Approx(0.609349).margin(1e-6));
}

TEST_CASE("a budget's parts add up to the whole, with shares of one") {
  MeterTraits traits;
  traits.resolution_w = 0.1;
  traits.accuracy = Accuracy{1.0, 0.1, ""};
  const LevelBudget budget = noisy(42.3, 0.35, 0.1, 899, 3, 0.6).budget(traits);
  // A worked example, recomputed: 42.3 W, s 0.35 W, r1 0.6, 0.1 W display, 1 % + 0.1 W: u_A 0.0286 W, the meter's
  // promise 0.302 W dominates; averaging does not reduce it.
  double statistics = 0.0, effective = 0.0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    const LevelBudget one = noisy(42.3, 0.35, 0.1, 899, seed, 0.6).budget(traits);
    statistics += part(one, PartKind::statistics)->uncertainty_w / 20.0;
    effective += one.effective_readings / 20.0;
  }
  CHECK(statistics > 0.0286 * 0.9);  // one record does not tell its memory: a little more
  CHECK(statistics < 0.0286 * 1.4);
  CHECK(part(budget, PartKind::meter_accuracy)->uncertainty_w == Approx(0.302).epsilon(0.01));
  CHECK(budget.readings == Approx(600).margin(32));  // whole bins
  CHECK(effective == Approx(150.0).epsilon(0.5));    // a mean of inverses
  double share = 0.0, squares = 0.0;
  for (const BudgetPart& p : budget.parts) {
    share += p.share;
    squares += p.uncertainty_w * p.uncertainty_w;
  }
  CHECK(share == Approx(1.0));
  CHECK(std::sqrt(squares) == Approx(budget.standard_w));
  CHECK(budget.coverage_factor * budget.standard_w == Approx(budget.uncertainty_w));
  CHECK(budget.coverage_factor == Approx(2.0).margin(0.01));
}

TEST_CASE(
    "a display that stands still leaves step / sqrt 12: 0.288675 W of 1 W, 0.0288675 of 0.1, 0.00288675 of 0.01") {
  // GUM F.2.2.1, recomputed.
  const std::vector<std::pair<double, double>> steps = {{1.0, 0.288675}, {0.1, 0.0288675}, {0.01, 0.00288675}};
  for (const auto& [step, u] : steps) {
    Data still;
    for (int i = 0; i < 600; ++i) still.add(i, 25.0);
    MeterTraits traits;
    traits.resolution_w = step;
    CHECK(still.budget(traits).standard_w == Approx(u).epsilon(1e-5));
  }
}

TEST_CASE("constant readings are unsure by the display, never by nothing") {
  Data still;
  for (int i = 0; i < 600; ++i) still.add(i, 25.0);
  MeterTraits whole;
  whole.resolution_w = 1.0;
  const LevelBudget known = still.budget(whole);
  CHECK(known.level_w == Approx(25.0).margin(1e-3));
  CHECK(known.uncertainty_w == Approx(2.0 / std::sqrt(12.0)));
  CHECK(known.bounded_by_display);
  CHECK_FALSE(known.noise_w.has_value());
  const LevelBudget unknown = still.budget();
  CHECK(unknown.uncertainty_w == Approx(2.0 / std::sqrt(12.0)));  // no digit says that it is finer than a watt
  CHECK(warns(unknown, WarningKind::step_not_known));
}

TEST_CASE("two readings, one reading and none") {
  Data two;
  two.add(0, 25.0);
  two.add(1, 25.4);
  CHECK(two.budget().uncertainty_w > 0.4);
  CHECK(warns(two.budget(), WarningKind::fewer_than_three_readings));
  Data one;
  one.add(0, 25.0);
  CHECK(one.budget().uncertainty_w > 0.0);
  CHECK_FALSE(level_budget(BudgetInput{}).has_value());
}

TEST_CASE("an unknown accuracy is said") {
  CHECK(warns(noisy(25, 0.1, 0.01, 600).budget(), WarningKind::accuracy_not_known));
  MeterTraits traits;
  traits.accuracy = *Accuracy::from_class("B");
  CHECK(warns(noisy(25, 0.1, 0.01, 600).budget(traits), WarningKind::class_below_minimum_current));
}

TEST_CASE("a few stray readings do not move the level") {
  Data data = noisy(25.0, 0.05, 0.01, 900);
  for (int i = 400; i < 410; ++i) data.power_w[static_cast<std::size_t>(i)] = 60.0;
  CHECK(data.budget().level_w == Approx(25.0).margin(0.01));
}

TEST_CASE("readings taken unevenly count by their time") {
  Data data;
  for (int i = 0; i < 900; ++i) data.add(i * 0.1, 10.0 + 0.01 * (i % 2));
  for (int i = 0; i < 270; ++i) data.add(90.0 + i, 20.0 + 0.01 * (i % 2));
  // From 120 s on it is 20 W throughout; from 30 s (a whole-record level would be): 60 s of 10 W, 270 s of 20 W.
  CHECK(data.budget().level_w == Approx(20.005).margin(0.01));
}

TEST_CASE("a held reading is not counted twice") {
  Data held;
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  double shown = 0.0;
  for (int i = 0; i < 3000; ++i) {
    if (i % 5 == 0) shown = round_to(25.0 + 0.2 * normal(random), 0.001);
    held.add(i, shown);
  }
  const LevelBudget budget = held.budget();
  CHECK(budget.effective_readings == Approx(400.0).epsilon(0.5));
}

TEST_CASE("a drift is found with its slope, and the level is that of the middle") {
  Data data;
  std::mt19937 random(6);
  std::normal_distribution<double> normal(0.0, 0.05);
  for (int i = 0; i <= 3600; ++i) data.add(i, round_to(25.0 + i / 3600.0 + normal(random), 0.001));
  const LevelBudget budget = data.budget();
  CHECK(budget.slope_w_per_h == Approx(1.0).margin(3 * budget.slope_uncertainty_w_per_h));
  CHECK(budget.slope_uncertainty_w_per_h < 0.02);
  CHECK(budget.level_w == Approx(25.0 + 2.0 / 3.0).margin(0.01));
  CHECK(part(budget, PartKind::drift) != nullptr);
}

TEST_CASE(
    "a level that creeps over whole watts without noise is known to the broken counts at both ends, wherever it "
    "began") {
  const double begin_w = GENERATE(25.0, 25.2, 25.5, 25.8);
  CAPTURE(begin_w);
  Data data;
  for (int i = 0; i <= 7200; ++i) data.add(i, std::round(begin_w + 2.0 * i / 3600.0));
  MeterTraits whole;
  whole.resolution_w = 1.0;
  const LevelBudget budget = data.budget(whole);
  const double middle_w = begin_w + 2.0 * (7200.0 * 2.0 / 3.0) / 3600.0;
  CHECK(std::abs(budget.level_w - middle_w) < budget.uncertainty_w);
  CHECK(budget.uncertainty_w < 0.35);  // of the whole step it would be 0.58
}

TEST_CASE("the energy counter makes a long level of a still whole-watt display exact to a thousandth") {
  Data data;
  double energy = 0.3;
  for (int i = 0; i <= 8 * 3600; ++i) {
    data.add(i, 25.0);
    energy += 25.31 / 3600.0;
    data.counter_wh.push_back(std::floor(energy));
  }
  MeterTraits traits;
  traits.resolution_w = 1.0;
  traits.energy_step_wh = 1.0;
  const LevelBudget budget = data.budget(traits);
  CHECK(budget.level_w == Approx(25.31).epsilon(1e-3));
  CHECK(budget.uncertainty_w < 25.31e-3);
  CHECK(part(budget, PartKind::energy_counter)->share > 0.9);
  CHECK(budget.counter->ticks > 100);
}

TEST_CASE("a counter and a power that disagree are told of, and the interval reaches both") {
  Data data = noisy(25.0, 0.05, 0.01, 8 * 3600);
  double energy = 0.3;
  for (std::size_t i = 0; i < data.times_s.size(); ++i) {
    energy += 26.0 / 3600.0;
    data.counter_wh.push_back(std::floor(energy));
  }
  const LevelBudget budget = data.budget();
  CHECK(warns(budget, WarningKind::counter_disagrees));
  CHECK(budget.level_w - budget.uncertainty_w < 25.001);
  CHECK(budget.level_w + budget.uncertainty_w > 25.99);
}

TEST_CASE("a counter beside a display of which nothing was told says whether it cuts digits off") {
  const bool cuts_off = GENERATE(false, true), still = GENERATE(false, true);
  const double level_w = GENERATE(25.31, 25.77);
  CAPTURE(cuts_off, still, level_w);
  std::mt19937 random(11);
  std::normal_distribution<double> normal(0.0, still ? 0.0 : 0.4);
  Data data;
  double energy = 0.3;
  for (int i = 0; i <= 2 * 3600; ++i) {
    const double power_w = level_w + normal(random);
    data.add(i, cuts_off ? std::floor(power_w) : std::round(power_w));
    energy += level_w / 3600.0;
    data.counter_wh.push_back(std::floor(energy));
  }
  MeterTraits traits;
  traits.resolution_w = 1.0;
  const LevelBudget budget = data.budget(traits);
  CHECK(std::abs(budget.level_w - level_w) < budget.uncertainty_w);
  CHECK(budget.uncertainty_w < 0.1);
  CHECK_FALSE(warns(budget, WarningKind::counter_disagrees));
  // A still display that shows 25 for 25.31 W may do either.
  CHECK(warns(budget, WarningKind::counter_says_cut_off) == (cuts_off && (!still || level_w > 25.5)));
}

TEST_CASE("a counter that goes back or hardly moves does not help and does not harm") {
  Data data = noisy(25.0, 0.05, 0.01, 600);
  data.counter_wh.assign(data.times_s.size(), 100.0);
  const double alone = noisy(25.0, 0.05, 0.01, 600).budget().uncertainty_w;
  CHECK(data.budget().uncertainty_w == Approx(alone));
  for (std::size_t i = 500; i < data.counter_wh.size(); ++i) data.counter_wh[i] = 3.0;
  CHECK(data.budget().uncertainty_w == Approx(alone));
  CHECK_FALSE(data.budget().counter.has_value());
}

TEST_CASE("a mean's uncertainty under first-order noise is that of (1 + r) / (1 - r), or a little more") {
  const double r = GENERATE(0.0, 0.3, 0.6, 0.9);
  CAPTURE(r);
  std::mt19937 random(17);
  std::normal_distribution<double> normal;
  double sum = 0.0;
  for (int run = 0; run < 20; ++run) {
    std::vector<double> values;
    double state = normal(random) / std::sqrt(1.0 - r * r);
    for (int i = 0; i < 2000; ++i) values.push_back(state = r * state + normal(random));
    const double u = long_run(values).mean.uncertainty;
    sum += u * u * 2000.0 * (1.0 - r * r) / 20.0;
  }
  // Zwiers & von Storch, J. Climate 8 (1995) 336; the memory lies between two of those that are looked at.
  const double truth = (1.0 + r) / (1.0 - r);
  CHECK(sum > 0.85 * truth);
  CHECK(sum < 2.0 * truth);
}

TEST_CASE("the mean of white noise is as unsure as GUM 4.2.3 says, a little more where few values tell its memory") {
  std::mt19937 random(18);
  std::normal_distribution<double> normal;
  double many = 0.0, few = 0.0;
  for (int run = 0; run < 100; ++run) {
    std::vector<double> values;
    for (int i = 0; i < 500; ++i) values.push_back(normal(random));
    many += long_run(values).mean.uncertainty * std::sqrt(500.0) / 100.0;
    const std::array<QuickNoise, 1> independent = {};
    const LongRun short_run = long_run({.means = std::span(values).first(24),
                                        .before = 8,
                                        .readings = 64.0,
                                        .within = 64.0,
                                        .within_degrees_of_freedom = 16.0 * 63.0,
                                        .quick_noise = independent});
    few +=
        short_run.mean.uncertainty * coverage_factor(short_run.mean.degrees_of_freedom) / 2.0 * std::sqrt(16.0) / 100.0;
  }
  CHECK(many > 0.95);
  CHECK(many < 1.4);  // slow noise may hide even beneath many
  CHECK(few > 1.0);
  CHECK(few < 1.5);
}

TEST_CASE("a record of a few slow swings has few degrees of freedom and a wide interval, and holds the truth") {
  // First-order noise of memory 200 s, 20 min at a bin of 64 s; the truth is 0. Six memories are too few to hold it 94
  // times in 100; taken for independent they would hold it 64 times.
  const double r = std::exp(-64.0 / 200.0);
  std::mt19937 random(19);
  std::normal_distribution<double> normal;
  int held = 0;
  double degrees_of_freedom = 0.0;
  constexpr int runs = 400;
  for (int run = 0; run < runs; ++run) {
    std::vector<double> values;
    double state = normal(random);
    for (int i = 0; i < 19; ++i) values.push_back(state = r * state + std::sqrt(1.0 - r * r) * normal(random));
    const StandardUncertainty mean = long_run(values).mean;
    double sum = 0.0;
    for (const double value : values) sum += value / 19.0;
    held += std::abs(sum) <= coverage_factor(mean.degrees_of_freedom) * mean.uncertainty ? 1 : 0;
    degrees_of_freedom += mean.degrees_of_freedom / runs;
  }
  CHECK(held > runs * 89 / 100);
  CHECK(degrees_of_freedom < 8.0);
}

TEST_CASE("slow noise of a tenth of the quick noise is allowed for") {
  // A meter with white noise of 0.05 W, 0.005 W of slow noise (200 s) beneath it, half an hour; the truth is 25 W. What
  // the mean's uncertainty is follows from the two (first-order noise: Zwiers & von Storch, J. Climate 8 (1995) 336):
  // 2 sqrt(0.05^2 / 1200 + 0.005^2 2 200 / 1200) = 0.0064 W, of which white noise alone explains 0.0029 W.
  std::mt19937 random(29);
  std::normal_distribution<double> normal;
  const double r = std::exp(-1.0 / 200.0);
  int held = 0;
  double sum = 0.0;
  constexpr int runs = 200;
  for (int run = 0; run < runs; ++run) {
    Data data;
    double slow = normal(random);
    for (int i = 0; i <= 1800; ++i) {
      slow = r * slow + std::sqrt(1.0 - r * r) * normal(random);
      data.add(i, round_to(25.0 + 0.05 * normal(random) + 0.005 * slow, 0.001));
    }
    const LevelBudget budget = data.budget();
    held += std::abs(budget.level_w - 25.0) <= budget.uncertainty_w ? 1 : 0;
    sum += budget.uncertainty_w / runs;
  }
  CHECK(held >= runs * 91 / 100);  // 94 wanted; 91 is two deviations of 200 throws less
  CHECK(sum > 0.0050);
  CHECK(sum < 0.0096);
}

TEST_CASE("a device that had not settled in the first third has no wider interval for it") {
  Data data = noisy(25.0, 0.05, 0.001, 1800);
  const double settled = data.budget().uncertainty_w;
  for (std::size_t i = 0; i < 600; ++i)
    data.power_w[i] += std::round(300.0 * std::exp(-0.005 * static_cast<double>(i))) / 1000.0;
  CHECK(data.budget().uncertainty_w < 1.35 * settled);
}

TEST_CASE("a display that dithers by itself while the level drifts has its mean within the interval") {
  // Even dither of a step before rounding: the mean of what is shown is the level (Widrow, Kollar & Liu, IEEE Trans.
  // Instrum. Meas. 45 (1996) 353), and a Gaussian's likelihood is up to a tenth of a step off.
  int held = 0;
  constexpr int runs = 30;
  for (unsigned seed = 1; seed <= runs; ++seed) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<double> dither(-0.5, 0.5);
    const double level = 25.0 + dither(random);
    Data data;
    for (int i = 0; i <= 7200; ++i) data.add(i, std::round(level + 0.3 * (i - 4800) / 3600.0 + dither(random)));
    MeterTraits whole_watts;
    whole_watts.resolution_w = 1.0;
    const LevelBudget budget = data.budget(whole_watts);
    held += std::abs(budget.level_w - level) <= budget.uncertainty_w ? 1 : 0;
  }
  CHECK(held >= 26);  // 72 in 100 where the noise is taken for Gaussian
}

TEST_CASE("readings held for a while are worth as many fewer") {
  Data data;
  std::mt19937 random(31);
  std::normal_distribution<double> normal;
  for (int i = 0; i <= 1800; ++i)
    data.add(i, i % 5 == 0 ? round_to(25.0 + 0.05 * normal(random), 0.001) : data.power_w.back());
  // 2 sqrt(0.05^2 / 240): a reading every 5 s for the last 20 min.
  CHECK(data.budget().uncertainty_w > 0.00645 * 0.95);
  CHECK(data.budget().uncertainty_w < 0.00645 * 1.5);
}

TEST_CASE("degrees of freedom and coverage factor are each other's way back") {
  for (const double degrees_of_freedom : {1.0, 2.0, 7.0, 20.0, 21.0, 300.0})
    CHECK(degrees_of_freedom_for(coverage_factor(degrees_of_freedom)) == degrees_of_freedom);
  CHECK(degrees_of_freedom_for(99.0) == 1.0);
  CHECK(std::isinf(degrees_of_freedom_for(2.0)));
}

TEST_CASE("a slope's uncertainty in white noise is that of least squares") {
  // GUM H.3: thermometer readings, slope 0.00218 with 0.00067. Eleven residuals tell little of their memory, so a
  // little more.
  const std::vector<double> t = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                                 24.513, 25.002, 25.503, 26.010, 26.511};
  const std::vector<double> b = {-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160};
  const StandardUncertainty slope = *long_run(b, t).slope;
  const double expanded = slope.uncertainty * coverage_factor(slope.degrees_of_freedom);
  CHECK(expanded > 0.00067 * 2.32);  // t(9) for 95.45 %
  CHECK(expanded < 0.00067 * 2.32 * 1.9);
}

TEST_CASE("nothing and constants have no spread of their mean") {
  CHECK(long_run(std::vector<double>{}).mean.uncertainty == 0.0);
  CHECK(long_run(std::vector<double>{5.0}).mean.uncertainty == 0.0);
  CHECK(long_run(std::vector<double>(40, 5.0)).mean.uncertainty == 0.0);
  CHECK(long_run(std::vector<double>{1.0, 3.0}).mean.degrees_of_freedom == 1.0);
}

TEST_CASE("a reading between two levels, the last of its stretch, is no third count") {
  // 3.709 W on whole watts with a deviation of 0.104 W: 2.2 % of the readings show 3 (normal tail beyond two
  // deviations), none shows 5; the last one is the mean of an interval in which the load began.
  Data data;
  for (int i = 0; i < 600; ++i) data.add(i, i % 45 == 20 ? 3.0 : 4.0);
  data.add(600, 5.0);
  const LevelBudget budget = data.budget();
  CHECK(std::abs(budget.level_w - 3.709) <= budget.uncertainty_w);
  CHECK(budget.bounded_by_display);
}
