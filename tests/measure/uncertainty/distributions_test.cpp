#include "measure/uncertainty/distributions.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace nightwatt;

TEST_CASE("Student's t at the published points") {
  // GUM table G.2 (two-sided 95 % and 95.45 %), recomputed.
  const std::array<double, 7> degrees_of_freedom = {1, 2, 5, 10, 16, 21, 50};
  const std::array<double, 7> t95 = {12.706, 4.303, 2.571, 2.228, 2.120, 2.080, 2.009};
  const std::array<double, 7> t9545 = {13.968, 4.527, 2.649, 2.284, 2.169, 2.126, 2.051};
  for (std::size_t i = 0; i < degrees_of_freedom.size(); ++i) {
    CAPTURE(degrees_of_freedom[i]);
    CHECK(coverage_factor(0.95, degrees_of_freedom[i]) == Approx(t95[i]).margin(5.1e-4));
    CHECK(coverage_factor(coverage_of_two, degrees_of_freedom[i]) == Approx(t9545[i]).margin(5.1e-4));
  }
  CHECK(coverage_factor(0.99, 16) == Approx(2.921).margin(5e-4));  // GUM H.1.6
  CHECK(coverage_factor(0.95, std::numeric_limits<double>::infinity()) == Approx(1.959963984540054).epsilon(1e-12));
  CHECK(coverage_factor(coverage_of_two, 1e9) == Approx(2.0).epsilon(1e-9));
}

TEST_CASE("quantiles undo distribution functions") {
  for (const double p : {1e-12, 1e-6, 0.01, 0.2, 0.5, 0.7, 0.975, 0.999999}) {
    CAPTURE(p);
    CHECK(normal_cdf(normal_quantile(p)) == Approx(p).epsilon(1e-11));
    for (const double degrees_of_freedom : {0.7, 1.0, 3.5, 30.0, 5000.0})
      CHECK(student_cdf(student_quantile(p, degrees_of_freedom), degrees_of_freedom) == Approx(p).epsilon(1e-9));
  }
  // Student's t with one degree is Cauchy's distribution, with two it has a closed form.
  CHECK(student_quantile(0.9, 1) == Approx(std::tan(M_PI * 0.4)).epsilon(1e-10));
  CHECK(student_quantile(0.9, 2) == Approx(0.8 / std::sqrt(2.0 * 0.9 * 0.1)).epsilon(1e-10));
  // Chi-squared with two degrees is exponential.
  CHECK(chi_squared_quantile(0.95, 2) == Approx(-2.0 * std::log(0.05)).epsilon(1e-10));
  CHECK(chi_squared_quantile(0.05, 1) == Approx(std::pow(normal_quantile(0.525), 2)).epsilon(1e-9));
}

TEST_CASE("GUM H.1: the end gauge's combined uncertainty and degrees of freedom") {
  const double inf = std::numeric_limits<double>::infinity();
  const std::array<UncertaintyPart, 3> comparison = {{{5.8, 24}, {3.9, 5}, {6.7, 8}}};
  CHECK(combined_uncertainty(comparison) == Approx(9.6819).margin(5e-5));
  CHECK(effective_degrees_of_freedom(comparison) == Approx(25.4).margin(0.05));  // GUM 25.6, from rounded parts
  const std::array<UncertaintyPart, 4> gauge = {
      {{25.0, 18},
       {combined_uncertainty(comparison), effective_degrees_of_freedom(comparison)},
       {2.8868, 50},
       {16.5990, 2}}};
  const double combined = combined_uncertainty(gauge);
  CHECK(combined * combined == Approx(1002.6).margin(0.05));
  CHECK(combined == Approx(31.66).margin(5e-3));
  CHECK(effective_degrees_of_freedom(gauge) == Approx(16.75).margin(0.01));
  const double degrees_of_freedom = std::floor(effective_degrees_of_freedom(gauge));  // GUM G.4.1
  CHECK(degrees_of_freedom == 16);
  CHECK(coverage_factor(0.99, degrees_of_freedom) * combined ==
        Approx(92.5).margin(0.05));  // GUM prints 93 = 2.92 x 32
  const std::array<UncertaintyPart, 2> certain = {{{1.0, inf}, {2.0, inf}}};
  CHECK(std::isinf(effective_degrees_of_freedom(certain)));
}

TEST_CASE("NIST TN 1900 E2: the interval of twenty-two daily maxima") {
  // s 4.09235, n 22 (data from memory, sums recomputed): 0.872491 x 2.080 = 1.8144.
  const double uncertainty = 4.09235 / std::sqrt(22.0);
  CHECK(uncertainty == Approx(0.872491).margin(1e-6));
  CHECK(coverage_factor(0.95, 21) * uncertainty == Approx(1.8144).margin(1e-4));
}

TEST_CASE("a worked budget: 42.3 W on a 0.1 W display with 1 % + 0.1 W") {
  // Recomputed: s 0.35, n 600, r1 0.6: n_eff 150, u_A 0.028577, u_res 0.028868, u_acc 0.301954, u_c 0.304674, U
  // 0.609349.
  const double inf = std::numeric_limits<double>::infinity();
  const std::array<UncertaintyPart, 3> parts = {
      {{0.35 / std::sqrt(150.0), inf}, {0.1 / std::sqrt(12.0), inf}, {(0.423 + 0.1) / std::sqrt(3.0), inf}}};
  CHECK(parts[0].uncertainty == Approx(0.028577).margin(5e-7));
  CHECK(parts[1].uncertainty == Approx(0.028868).margin(5e-7));
  CHECK(parts[2].uncertainty == Approx(0.301954).margin(5e-7));
  CHECK(combined_uncertainty(parts) == Approx(0.304674).margin(5e-7));
  CHECK(2.0 * combined_uncertainty(parts) == Approx(0.609349).margin(1e-6));
}
