#include "measure/uncertainty/mixture.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace nightwatt;

TEST_CASE("one answer's interval is two standard uncertainties either way") {
  const std::array one = {Answer{0.3, 25.0, 0.1}};
  const MixtureInterval interval = mixture_interval(one);
  CHECK(interval.middle == Approx(25.0).epsilon(1e-9));
  CHECK(interval.half_width == Approx(0.2).epsilon(1e-9));
}

TEST_CASE("two even answers far apart are both held, and one of little weight is left out") {
  // Each tail outside holds 2.275 % of the mixture, 4.55 % of its own answer: 1.6901 deviations (normal table).
  const std::array even = {Answer{1.0, 0.0, 0.1}, Answer{1.0, 10.0, 0.1}};
  const MixtureInterval both = mixture_interval(even);
  CHECK(both.middle == Approx(5.0).epsilon(1e-6));
  CHECK(both.half_width == Approx(5.0 + 0.16901).epsilon(1e-5));
  // 0.9545 of the whole are 0.9642 of the first alone: 2.0985 deviations.
  const std::array uneven = {Answer{0.99, 0.0, 0.1}, Answer{0.01, 10.0, 0.1}};
  const MixtureInterval first = mixture_interval(uneven);
  CHECK(first.middle == Approx(0.0).margin(2e-3));
  CHECK(first.half_width == Approx(0.20985).epsilon(5e-3));
}

TEST_CASE("the interval holds 95.45 % of what a mixture draws, whatever its answers") {
  const std::array answers = {Answer{0.5, 1.0, 0.3}, Answer{0.3, 2.0, 0.1}, Answer{0.2, 1.2, 0.0}};
  const MixtureInterval interval = mixture_interval(answers);
  std::mt19937 random(4);
  std::discrete_distribution<std::size_t> which({0.5, 0.3, 0.2});
  std::normal_distribution<double> normal;
  int held = 0;
  constexpr int draws = 100'000;
  for (int i = 0; i < draws; ++i) {
    const Answer& answer = answers[which(random)];
    held += std::abs(answer.level + answer.standard * normal(random) - interval.middle) <= interval.half_width ? 1 : 0;
  }
  CHECK(held / static_cast<double>(draws) == Approx(0.9545).margin(0.003));
}
