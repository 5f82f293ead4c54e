#include "measure/uncertainty/quick_noise.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

using namespace nightwatt;

namespace {

double power_at(const std::vector<double>& powers, std::size_t back) {
  return powers[powers.size() - 1 - back];
}

/// Whole watts of first-order noise about 25.2 W, each held for so many readings.
LevelSketch shown(double noise, double correlation_time, int hold, int readings, double step = 1.0) {
  std::mt19937 random(41);
  std::normal_distribution<double> normal;
  LevelSketch sketch;
  double state = normal(random);
  std::vector<double> powers;
  for (int i = 0; i < readings; ++i) {
    state = correlation_time * state + std::sqrt(1.0 - correlation_time * correlation_time) * normal(random);
    powers.push_back(i % hold == 0 ? std::round((25.2 + noise * state) / step) * step : powers.back());
    SketchEntry entry;
    entry.time = UtcTime{i * 1'000'000LL};
    entry.mean = powers.back();
    if (i > 1) {
      const bool alike = power_at(powers, 1) == power_at(powers, 0),
                 before = power_at(powers, 2) == power_at(powers, 1);
      entry.repeats = {1, alike ? 1 : 0, !alike && !before ? 1 : 0};
    }
    sketch.add(entry);
  }
  return sketch;
}

/// What has nearly all of the weight.
double readings_per_independent(const LevelSketch& sketch, double step_w) {
  const std::vector<QuickNoise> all = quick_noise_of(sketch, step_w);
  REQUIRE(all.size() == 1);
  CHECK(all[0].weight > 0.99);
  return all[0].readings_per_independent;
}

}  // namespace

TEST_CASE("readings that repeat themselves by chance are each worth one") {
  CHECK(readings_per_independent(shown(0.4, 0.0, 1, 3000), 1.0) == 1.0);
  CHECK(readings_per_independent(shown(0.05, 0.0, 1, 3000, 0.001), 0.001) == 1.0);
  CHECK(readings_per_independent(LevelSketch{}, 1.0) == 1.0);
}

TEST_CASE("a meter that holds its readings needs as many for one") {
  const int hold = GENERATE(2, 4, 10);
  CAPTURE(hold);
  const auto likeliest = [](const LevelSketch& sketch, double step_w) {
    const std::vector<QuickNoise> all = quick_noise_of(sketch, step_w);
    REQUIRE_FALSE(all.empty());
    return *std::max_element(all.begin(), all.end(),
                             [](const QuickNoise& a, const QuickNoise& b) { return a.weight < b.weight; });
  };
  const QuickNoise fine = likeliest(shown(0.05, 0.0, hold, 4000, 0.001), 0.001);
  CHECK(fine.weight > 0.9);
  CHECK(fine.readings_per_independent == Approx(hold).epsilon(0.05));
  const QuickNoise whole = likeliest(shown(0.4, 0.0, hold, 4000), 1.0);
  CHECK(whole.weight > 0.9);
  CHECK(whole.readings_per_independent == Approx(hold).epsilon(0.15));
}

TEST_CASE("first-order noise behind whole watts is found from how often they repeat themselves") {
  const double correlation_time = GENERATE(0.3, 0.6, 0.9);
  CAPTURE(correlation_time);
  const std::vector<QuickNoise> all = quick_noise_of(shown(0.5, correlation_time, 1, 20000), 1.0);
  // Zwiers & von Storch, J. Climate 8 (1995) 336.
  const double expected = (1.0 + correlation_time) / (1.0 - correlation_time);
  CHECK(std::any_of(all.begin(), all.end(), [&](const QuickNoise& one) {
    return one.weight > 0.2 && one.readings_per_independent == Approx(expected).epsilon(0.15);
  }));
}
