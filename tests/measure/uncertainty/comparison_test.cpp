#include "measure/uncertainty/comparison.hpp"

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include "measure/uncertainty/distributions.hpp"

using namespace nightwatt;

TEST_CASE("repeats that agree are as sure as their mean") {
  const std::array<Measured, 4> repeats = {{{10.00, 0.02}, {10.01, 0.02}, {10.00, 0.02}, {9.99, 0.02}}};
  const auto pooled = pool(repeats);
  REQUIRE(pooled.has_value());
  CHECK(pooled->value == Approx(10.0));
  // Four times 0.02 W standard are 0.01 W; that the level itself may differ a little from run to run is allowed for.
  CHECK(pooled->uncertainty >= 2.0 * 0.01);
  CHECK(pooled->uncertainty <= 1.4 * 2.0 * 0.01);
  CHECK(pooled->repeats == 4);
}

TEST_CASE("repeats that differ are as unsure as their spread") {
  // GUM 4.2.3 and G.3: mean of five, s / sqrt(5), t95(4) = 2.776; the volts of GUM H.2.
  std::vector<Measured> repeats;
  for (const double volts : {5.007, 4.994, 5.005, 4.990, 4.999}) repeats.push_back({volts, 1e-6});
  const auto pooled = pool(repeats);
  CHECK(pooled->value == Approx(4.999));
  CHECK(pooled->uncertainty == Approx(2.869 * 0.0032094).epsilon(1e-3));
}

TEST_CASE("the meter's promise is not averaged away") {
  std::vector<Measured> repeats(100, Measured{10.0, 0.001, 1e9, 0.1 / std::sqrt(3.0)});
  CHECK(pool(repeats)->uncertainty == Approx(2.0 * 0.1 / std::sqrt(3.0)).epsilon(1e-3));
}

TEST_CASE("one figure from a whole-watt display is half a step either way") {
  const std::array<Measured, 1> one = {measured_on_display(25.0, 1.0)};
  CHECK(pool(one)->uncertainty ==
        Approx(2.0 / std::sqrt(12.0)).epsilon(1e-9));  // 1.96 / sqrt(12): a little more than the half step
  CHECK_FALSE(pool({}).has_value());
}

TEST_CASE("differences and ratios carry both sides' uncertainties") {
  const Compared a{30.0, 0.3, 0.15, 100.0, 0.0, 1};
  const Compared b{20.0, 0.4, 0.2, 50.0, 0.0, 1};
  CHECK(difference(a, b).value == Approx(10.0));
  CHECK(difference(a, b).uncertainty == Approx(0.5));
  const auto quotient = ratio(a, b);
  REQUIRE(quotient.has_value());
  CHECK(quotient->value == Approx(1.5));
  CHECK(quotient->uncertainty == Approx(1.5 * std::hypot(0.01, 0.02)).epsilon(1e-3));
  CHECK_FALSE(ratio(a, Compared{0.1, 0.2, 0.1, 10.0, 0.0, 1}).has_value());
  CHECK_FALSE(ratio(a, Compared{}).has_value());
}

TEST_CASE("a difference of repeats has the degrees of freedom of both sides") {
  // Welch-Satterthwaite (GUM G.2b): two means of three with equal spread have 2 + 2, and t for 95.45 % is 2.869.
  // With two degrees t has a closed form.
  const double of_two = coverage_of_two * std::sqrt(2.0 / (1.0 - coverage_of_two * coverage_of_two));
  const Compared a{30.0, of_two * 0.1, 0.1, 2.0, 0.1, 3};
  const Compared b{20.0, of_two * 0.1, 0.1, 2.0, 0.1, 3};
  CHECK(difference(a, b).uncertainty == Approx(2.869 * 0.1 * std::sqrt(2.0)).epsilon(1e-3));
  CHECK(difference(a, b).degrees_of_freedom == Approx(4.0));
}

TEST_CASE("figures whose intervals overlap are tied") {
  CHECK(tied({10.0, 0.3, 0, 0, 0, 1}, {10.5, 0.3, 0, 0, 0, 1}));
  CHECK_FALSE(tied({10.0, 0.2, 0, 0, 0, 1}, {10.5, 0.2, 0, 0, 0, 1}));
}

TEST_CASE("pooled intervals of a few repeats hold the truth, however much the runs differ") {
  // Runs that differ by a few of their own uncertainties are the worst: they may agree by chance. Two say next to
  // nothing of how far others may be; over spreads as real repeats have them the odds are right, see the next case.
  const double between = GENERATE(0.0, 1.0, 2.0, 3.0, 5.0, 10.0);
  const int count = GENERATE(2, 3, 4, 6);
  CAPTURE(between, count);
  std::mt19937 random(23);
  std::normal_distribution<double> normal;
  int held = 0;
  for (int run = 0; run < 2000; ++run) {
    std::vector<Measured> repeats;
    for (int i = 0; i < count; ++i) repeats.push_back({1000.0 + between * normal(random) + normal(random), 1.0});
    const auto pooled = pool(repeats);
    held += std::abs(pooled->value - 1000.0) <= pooled->uncertainty ? 1 : 0;
  }
  CHECK(held >= 2000 * 0.935);
}

TEST_CASE("over spreads as real repeats have them, pooled intervals hold the truth as they should") {
  // Half-Cauchy with a median of a quarter of a per cent, the likeliest for the repeats in real runs; own uncertainties
  // of 0.01 to 1 %.
  const int count = GENERATE(2, 3, 6);
  CAPTURE(count);
  std::mt19937 random(31);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even(0.0, 1.0);
  int held = 0;
  for (int run = 0; run < 4000; ++run) {
    const double own = std::pow(10.0, 2.0 * even(random) - 1.0);
    const double between = std::min(20.0, 2.5 * std::tan(M_PI / 2.0 * even(random)));  // more is another state
    std::vector<Measured> repeats;
    for (int i = 0; i < count; ++i) repeats.push_back({1000.0 + between * normal(random) + own * normal(random), own});
    const auto pooled = pool(repeats);
    held += std::abs(pooled->value - 1000.0) <= pooled->uncertainty ? 1 : 0;
  }
  CHECK(held >= 4000 * 0.935);
}

TEST_CASE("a few runs that do not differ are a few times less sure than if that were known, and no worse") {
  // Two that agree may have done so by chance: Student's t of one degree of freedom would say seven times and more.
  std::mt19937 random(29);
  std::normal_distribution<double> normal;
  const int count = GENERATE(2, 3);
  std::vector<double> widths;
  for (int run = 0; run < 2000; ++run) {
    std::vector<Measured> repeats;
    for (int i = 0; i < count; ++i) repeats.push_back({1000.0 + normal(random), 1.0});
    widths.push_back(pool(repeats)->uncertainty);
  }
  std::nth_element(widths.begin(), widths.begin() + 1000, widths.end());
  CHECK(widths[1000] < (count == 2 ? 4.5 : 2.0) * 2.0 / std::sqrt(count));
}
