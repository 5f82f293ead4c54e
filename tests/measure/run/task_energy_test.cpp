#include "measure/run/task_energy.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <random>

using namespace nightwatt;

namespace {

struct Bench {
  double idle_w = 5.0, task_w = 17.0, noise_w = 0.05, step_w = 0.01, task_s = 60.0, settle_s = 30.0;
  double gain = 1.0, drift_w_per_h = 0.0;
  int repeats = 1;
  std::vector<double> times_s, power_w;
  TaskInput input;

  void record(unsigned seed) {
    std::mt19937 random(seed);
    std::normal_distribution<double> noise(0.0, noise_w);
    std::uniform_real_distribution<double> phase(0.0, 1.0);
    const double begin = settle_s + phase(random), period = task_s + settle_s;
    for (int i = 0; i < repeats; ++i) {
      const double at = begin + i * period;
      input.repeats.push_back({at - settle_s, at, at + task_s, at + period});
    }
    for (double t = 0.0; t <= begin + repeats * period + 2.0; t += 1.0) {
      const double since = t - begin;
      const bool busy = since >= 0.0 && since < repeats * period && std::fmod(since, period) < task_s;
      const double power = gain * ((busy ? task_w : idle_w) + drift_w_per_h * t / 3600.0 + noise(random));
      times_s.push_back(t);
      power_w.push_back(std::round(power / step_w) * step_w);
    }
    input.power = {times_s, power_w};
    input.traits.resolution_w = step_w;
  }
};

/// A load that changes while the command runs, and its energy above idle, integrated by hand.
struct Changing {
  const char* name;
  double seconds;
  std::function<double(double)> above_idle_w;  ///< since the command began
  double above_idle_wh;
};

const std::vector<Changing>& changing_loads() {
  static const std::vector<Changing> loads = {
      // A climb from 0 to 30 W: half base times height.
      {"ramp", 120.0, [](double t) { return 0.25 * t; }, 0.5 * 30.0 * 120.0 / 3600.0},
      // 20 + 10 sin(2 pi t / 25) over 4 whole swings: the sine sums to nothing.
      {"swings", 100.0, [](double t) { return 20.0 + 10.0 * std::sin(2.0 * M_PI * t / 25.0); }, 20.0 * 100.0 / 3600.0},
      // 80 e^(-t/15): 80 * 15 (1 - e^-6).
      {"decay", 90.0, [](double t) { return 80.0 * std::exp(-t / 15.0); }, 1200.0 * (1.0 - std::exp(-6.0)) / 3600.0},
      // 90 W for 8 s, then 6 W for 52 s.
      {"burst", 60.0, [](double t) { return t < 8.0 ? 90.0 : 6.0; }, (90.0 * 8.0 + 6.0 * 52.0) / 3600.0},
      // The same the other way round: the command ends at its highest power.
      {"late burst", 60.0, [](double t) { return t < 52.0 ? 6.0 : 90.0; }, (90.0 * 8.0 + 6.0 * 52.0) / 3600.0}};
  return loads;
}

/// Readings of such a load, 5 W idle, a reading a second at any phase to the command.
TaskEnergy measured(const Changing& load, unsigned seed, std::vector<double>& times_s, std::vector<double>& power_w) {
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.0, 0.05);
  const double begin = 30.0 + std::uniform_real_distribution<double>(0.0, 1.0)(random);
  times_s.clear();
  power_w.clear();
  for (double t = 0.0; t <= begin + load.seconds + 32.0; t += 1.0) {
    const double since = t - begin;
    const double above = since >= 0.0 && since < load.seconds ? load.above_idle_w(since) : 0.0;
    times_s.push_back(t);
    power_w.push_back(std::round((5.0 + above + noise(random)) * 100.0) / 100.0);
  }
  TaskInput input;
  input.power = {times_s, power_w};
  input.repeats = {{begin - 30.0, begin, begin + load.seconds, begin + load.seconds + 30.0}};
  input.traits.resolution_w = 0.01;
  const auto energy = task_energy(input);
  REQUIRE(energy.has_value());
  return *energy;
}

}  // namespace

TEST_CASE("the energy of a load that changes is its integral by hand, within its interval about 95 times in 100") {
  for (const Changing& load : changing_loads()) {
    CAPTURE(load.name);
    constexpr int runs = 200;
    int held = 0;
    double sum_wh = 0.0;
    std::vector<double> times_s, power_w;
    for (unsigned seed = 1; seed <= runs; ++seed) {
      const TaskEnergy energy = measured(load, seed, times_s, power_w);
      sum_wh += energy.above_idle_wh.value / runs;
      held += std::abs(energy.above_idle_wh.value - load.above_idle_wh) <= energy.above_idle_wh.uncertainty ? 1 : 0;
    }
    CHECK(held >= runs * 91 / 100);  // 95 % less three deviations of a binomial
    CHECK(sum_wh == Approx(load.above_idle_wh).epsilon(0.01));
  }
}

TEST_CASE("a task's energy is what it takes above idle, by hand: 12 W for 60 s are 0.2 Wh") {
  Bench bench;
  bench.noise_w = 0.0;
  bench.record(1);
  const auto energy = task_energy(bench.input);
  REQUIRE(energy.has_value());
  CHECK(energy->above_idle_wh.value == Approx(0.2).margin(energy->above_idle_wh.uncertainty));
  CHECK(energy->above_idle_wh.uncertainty < 0.005);  // the edges: sqrt(2/12) s of 12 W, 1.4 mWh, twice
  CHECK(energy->seconds.value == Approx(60.0));
  CHECK(energy->idle_w.value == Approx(5.0).margin(0.006));
}

TEST_CASE("the interval of a task's energy holds the truth about 95 times in 100") {
  int held_once = 0, held_repeated = 0;
  for (unsigned seed = 1; seed <= 200; ++seed) {
    Bench once;
    once.noise_w = 0.5;
    once.record(seed);
    const auto one = task_energy(once.input);
    held_once += std::abs(one->above_idle_wh.value - 0.2) <= one->above_idle_wh.uncertainty ? 1 : 0;
    Bench five;
    five.noise_w = 0.5;
    five.repeats = 5;
    five.record(seed);
    const auto many = task_energy(five.input);
    held_repeated += std::abs(many->above_idle_wh.value - 0.2) <= many->above_idle_wh.uncertainty ? 1 : 0;
    if (seed == 1) CHECK(many->above_idle_wh.uncertainty < one->above_idle_wh.uncertainty);
  }
  CHECK(held_once >= 182);  // 95 % of 200 less three deviations of a binomial
  CHECK(held_repeated >= 182);
}

TEST_CASE("a slow drift of the idle cancels") {
  Bench bench;
  bench.noise_w = 0.02;
  bench.drift_w_per_h = 10.0;
  bench.record(1);
  const auto energy = task_energy(bench.input);
  CHECK(energy->above_idle_wh.value == Approx(0.2).margin(0.003));
}

TEST_CASE("a meter's scale is wrong for idle and task alike: one per cent of the difference, not of both") {
  Bench bench;
  bench.gain = 1.01;
  bench.noise_w = 0.0;
  bench.idle_w = 100.0;
  bench.task_w = 112.0;
  bench.task_s = 600.0;
  bench.record(1);
  bench.input.traits.accuracy = Accuracy{1.0, 0.0, ""};
  const auto energy = task_energy(bench.input);
  CHECK(energy->above_idle_wh.value == Approx(2.0).margin(energy->above_idle_wh.uncertainty));
  CHECK(energy->above_idle_wh.uncertainty < 0.05);
}

TEST_CASE("repeats that differ make the interval as wide as their spread asks") {
  Bench bench;
  bench.noise_w = 0.0;
  bench.repeats = 2;
  bench.record(1);
  for (std::size_t i = 0; i < bench.times_s.size(); ++i)
    if (bench.times_s[i] > bench.input.repeats[1].begin_s && bench.times_s[i] < bench.input.repeats[1].end_s)
      bench.power_w[i] += 2.0;
  const auto energy = task_energy(bench.input);
  CHECK(energy->above_idle_wh.value == Approx(0.2 + 1.0 / 60.0).margin(0.003));
  CHECK(energy->above_idle_wh.uncertainty > 0.1);  // half the difference is 0.017 Wh, and two say little
}

TEST_CASE("what cannot be known is refused in one line") {
  Bench bench;
  bench.record(1);
  TaskInput early = bench.input;
  early.repeats[0].quiet_from_s = early.repeats[0].begin_s - 3.0;
  CHECK(task_energy(early).error().message.find("--settle") != std::string::npos);
  Bench hole;
  hole.record(1);
  hole.times_s.erase(hole.times_s.begin() + 40, hole.times_s.begin() + 70);
  hole.power_w.erase(hole.power_w.begin() + 40, hole.power_w.begin() + 70);
  hole.input.power = {hole.times_s, hole.power_w};
  CHECK(task_energy(hole.input).error().message.find("missing") != std::string::npos);
  TaskInput none = bench.input;
  none.power = {};
  CHECK_FALSE(task_energy(none).has_value());
  CHECK_FALSE(task_energy(TaskInput{}).has_value());
}
