#include "measure/uncertainty/quantised_level.hpp"

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "measure/uncertainty/distributions.hpp"

using namespace nightwatt;

namespace {

CountGroup counts_of(std::int64_t lowest, std::vector<double> counts) {
  return {0.0, lowest, std::move(counts)};
}

QuantisedLevel level_of(const CountGroup& group, double inflation = 1.0) {
  const std::array<CountGroup, 1> groups = {group};
  return quantised_level(groups, inflation, 1e6);
}

/// What a rounded Gaussian shows in n readings, exactly in proportion.
CountGroup expected_counts(double level, double noise, double n, double offset = 0.0) {
  CountGroup group{offset, static_cast<std::int64_t>(std::floor(level + offset)) - 8, {}};
  for (int i = 0; i <= 17; ++i) {
    const double k = static_cast<double>(group.lowest + i);
    const double p = normal_cdf((k + 0.5 - level - offset) / noise) - normal_cdf((k - 0.5 - level - offset) / noise);
    group.counts.push_back(p * n > 0.5 ? p * n : 0.0);
  }
  return group;
}

}  // namespace

TEST_CASE("the bias of a rounded mean follows the published series") {
  // Exact values of E[Q] - mu, verified against direct summation: (noise, level) of one step.
  CHECK(0.25 + rounding_bias(0.25, 0.1) == Approx(0.006210).margin(5e-7));
  CHECK(0.4 + rounding_bias(0.4, 0.1) == Approx(0.158655).margin(5e-7));
  CHECK(0.1 + rounding_bias(0.1, 0.2) == Approx(0.021400).margin(5e-7));
  CHECK(0.25 + rounding_bias(0.25, 0.2) == Approx(0.105561).margin(5e-7));
  CHECK(0.4 + rounding_bias(0.4, 0.2) == Approx(0.308534).margin(5e-7));
  CHECK(0.25 + rounding_bias(0.25, 0.3) == Approx(0.196134).margin(5e-7));
  CHECK(0.25 + rounding_bias(0.25, 0.5) == Approx(0.247711).margin(5e-7));
  CHECK(0.4 + rounding_bias(0.4, 0.5) == Approx(0.398654).margin(5e-7));
}

TEST_CASE("the largest bias for each noise is the tabulated one") {
  const std::array<std::array<double, 2>, 11> table = {{{0.05, 0.377},
                                                        {0.10, 0.2855},
                                                        {0.15, 0.2092},
                                                        {0.20, 0.1451},
                                                        {0.25, 0.0927},
                                                        {0.30, 0.0539},
                                                        {0.40, 0.01353},
                                                        {0.50, 0.002289},
                                                        {1.0 / 3.0, 0.0355},
                                                        {0.60, 2.61e-4},
                                                        {1.00, 8.5e-10}}};
  for (const auto& [noise, largest] : table) {
    double found = 0.0;
    for (int i = 1; i < 5000; ++i) found = std::max(found, std::abs(rounding_bias(0.0001 * i, noise)));
    CAPTURE(noise);
    CHECK(found == Approx(largest).epsilon(0.006));
  }
  // How much noise brings the largest bias down to a tenth, a twentieth, a hundredth and a thousandth of a step.
  const std::array<std::array<double, 2>, 4> enough = {{{0.242, 0.1}, {0.306, 0.05}, {0.419, 0.01}, {0.540, 0.001}}};
  for (const auto& [noise, largest] : enough) {
    double found = 0.0;
    for (int i = 1; i < 5000; ++i) found = std::max(found, std::abs(rounding_bias(0.0001 * i, noise)));
    CAPTURE(noise);
    CHECK(found == Approx(largest).epsilon(0.02));
  }
}

TEST_CASE("a third count hardly shows half way between two counts while noise is below a quarter of a step") {
  // Recomputed: its probability on either side is 5.7e-7 for noise 0.2 and 6.3e-5 for noise 0.25; a million readings
  // that show one count more on each side therefore have a noise about there.
  CHECK(level_of(expected_counts(25.5, 0.25, 1e6)).noise == Approx(0.25).margin(0.003));
  CHECK(level_of(expected_counts(25.5, 0.2, 1e7)).noise == Approx(0.2).margin(0.003));
  CHECK_FALSE(level_of(expected_counts(25.5, 0.2, 1e5)).separated);
}

TEST_CASE("one count leaves the whole step open") {
  const QuantisedLevel level = level_of(counts_of(25, {1200.0}));
  CHECK_FALSE(level.separated);
  CHECK(level.level == Approx(25.0).margin(1e-3));
  CHECK(level.half_width == Approx(0.5).margin(0.01));
}

TEST_CASE("two counts half and half are the edge between them, whatever the noise") {
  const QuantisedLevel level = level_of(counts_of(25, {600.0, 600.0}));
  CHECK(level.level == Approx(25.5).margin(2e-3));
  CHECK_FALSE(level.separated);
}

TEST_CASE("two uneven counts leave all levels from the edge to where a third count would have shown") {
  // Upper share 0.25: noise 0.1 would make it 25.43255 (recomputed: k + 0.5 + noise x quantile), no noise 25.5.
  const QuantisedLevel level = level_of(counts_of(25, {1800.0, 600.0}));
  CHECK_FALSE(level.separated);
  CHECK(level.level - level.half_width < 25.43255);
  CHECK(level.level + level.half_width > 25.499);
  CHECK(level.level - level.half_width > 25.25);  // which the plain mean would say
}

TEST_CASE("no statistics reach further than half a count beyond what was shown") {
  const std::vector<CountGroup> groups = {{0.0, 8, {9000.0, 2700.0}}};
  const QuantisedLevel found = quantised_level(groups, 2000.0, 1.0, false);  // one flip: worth no degree of freedom
  CHECK(found.level - found.half_width >= 7.5);
  CHECK(found.level + found.half_width <= 9.5);
}

TEST_CASE("three counts and more tell level and noise apart") {
  const double noise = GENERATE(0.3, 1.0 / 3.0, 0.4, 0.6);
  const double share = GENERATE(0.0, 0.1, 0.25, 0.4, 0.6);
  CAPTURE(noise, share);
  const QuantisedLevel level = level_of(expected_counts(25.0 + share, noise, 1e6));
  CHECK(level.separated);
  CHECK(level.level == Approx(25.0 + share).margin(0.002));
  CHECK(level.noise == Approx(noise).epsilon(0.02));
}

TEST_CASE("a meter that cuts digits off is half a step higher than it says") {
  const std::array<CountGroup, 1> groups = {expected_counts(24.7, 0.4, 1e6)};
  CHECK(quantised_level(groups, 1.0, 1e6, true).level == Approx(25.2).margin(0.002));
}

TEST_CASE("readings worth fewer independent ones widen the interval by the root") {
  const CountGroup group = expected_counts(25.3, 0.4, 4e4);
  CHECK(level_of(group, 25.0).half_width == Approx(5.0 * level_of(group).half_width).epsilon(0.02));
}

TEST_CASE("a level that moves by a known amount is found for the middle") {
  std::vector<CountGroup> groups;
  for (const double offset : {-1.0, -0.5, 0.0, 0.5, 1.0}) groups.push_back(expected_counts(25.2, 0.35, 2e5, offset));
  const QuantisedLevel level = quantised_level(groups, 1.0, 1e6);
  CHECK(level.level == Approx(25.2).margin(0.003));
  CHECK(level.noise == Approx(0.35).epsilon(0.02));
}

TEST_CASE("a whole-watt display gives a 0.6 W device its level to 0.03 W within an hour, 95 times in 100") {
  // Noise of a third of a count; seeds 1 to 200, the last two thirds of 3600 readings.
  int good = 0, held = 0;
  for (unsigned seed = 1; seed <= 200; ++seed) {
    std::mt19937 random(seed);
    std::normal_distribution<double> reading(0.6, 1.0 / 3.0);
    CountGroup group = counts_of(-3, std::vector<double>(8, 0.0));
    for (int i = 0; i < 2400; ++i) group.counts[static_cast<std::size_t>(std::lround(reading(random)) + 3)] += 1.0;
    const QuantisedLevel level = level_of(group);
    good += std::abs(level.level - 0.6) < 0.03 ? 1 : 0;
    held += std::abs(level.level - 0.6) <= level.half_width ? 1 : 0;
  }
  CHECK(good >= 190);
  CHECK(held >= 182);  // 95 % of 200 less three deviations of a binomial
  CHECK(held <= 199);
}

TEST_CASE("no counts give nothing") {
  CHECK(quantised_level({}, 1.0, 1.0).half_width == 0.0);
}

TEST_CASE("a count behind a whole step of dither is as likely as the published characteristic function makes it") {
  // Even noise of a step and Gaussian noise, rounded: the sum of three independent parts whose characteristic functions
  // are sinc, sinc and Gaussian (Widrow, Kollar & Liu 1996); inverted by direct summation.
  for (const double noise : {0.1, 0.3, 0.8})
    for (const double above : {0.0, 0.3, 0.7, 1.2, -0.9}) {
      double sum = 0.0;
      constexpr double stride = 1e-3;
      for (double t = 0.5 * stride; t < 120.0; t += stride) {
        const double sinc = std::sin(0.5 * t) / (0.5 * t);
        sum += sinc * sinc * std::exp(-0.5 * noise * noise * t * t) * std::cos(t * above) * stride;
      }
      CAPTURE(noise, above);
      CHECK(count_probability(above, noise, Dither::whole_step) == Approx(sum / M_PI).margin(1e-5));
    }
  // Without noise a level a third of a step above a count is shown a third of the time as the next: no bias at all.
  CHECK(count_probability(2.0 / 3.0, 1e-3, Dither::whole_step) == Approx(1.0 / 3.0).margin(1e-9));
}

TEST_CASE("the evidence of counts is the integral of their likelihood over level and noise") {
  const std::array<CountGroup, 1> groups = {counts_of(0, {20.0, 70.0, 10.0})};
  const auto direct = [&](Dither dither) {
    double sum = 0.0;
    constexpr double stride = 0.01;
    for (double log_noise = std::log(0.01); log_noise < std::log(3.0); log_noise += stride)
      for (double level = -1.0; level < 3.0; level += stride) {
        double log_likelihood = 0.0;
        for (int k = 0; k < 3; ++k)
          log_likelihood += groups[0].counts[static_cast<std::size_t>(k)] *
                            std::log(std::max(count_probability(k - level, std::exp(log_noise), dither), 1e-12));
        sum += std::exp(log_likelihood + 90.0) * stride * stride;
      }
    return std::log(sum) - 90.0;
  };
  for (const Dither dither : {Dither::none, Dither::whole_step})
    CHECK(log_evidence(groups, 1.0, quantised_level(groups, 1.0, 1e6, false, dither), dither) ==
          Approx(direct(dither)).margin(0.1));
}
