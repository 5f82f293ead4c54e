#include "measure/uncertainty/line_fit.hpp"

#include <catch2/catch.hpp>
#include <vector>

using namespace nightwatt;

TEST_CASE("GUM H.3: calibration of a thermometer") {
  // The GUM prints -0.1712(29), 0.00218(67), r -0.930, s 0.0035, b(30) -0.1494(41); full precision recomputed.
  const std::vector<double> celsius = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                                       24.513, 25.002, 25.503, 26.010, 26.511};
  const std::vector<double> b = {-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160};
  std::vector<double> x;
  for (const double t : celsius) x.push_back(t - 20.0);
  const auto fit = fit_line(x, b);
  REQUIRE(fit.has_value());
  CHECK(fit->intercept == Approx(-0.171203790).margin(5e-10));
  CHECK(fit->intercept_standard_deviation == Approx(0.002877598).margin(5e-10));
  CHECK(fit->slope == Approx(0.002182698).margin(5e-10));
  CHECK(fit->slope_standard_deviation == Approx(0.000667939).margin(5e-10));
  CHECK(fit->correlation == Approx(-0.930430).margin(5e-7));
  CHECK(fit->residual_standard_deviation == Approx(0.003497564).margin(5e-10));
  CHECK(fit->residual_squares == Approx(1.100966e-4).epsilon(5e-7));
  CHECK(fit->at(10.0) == Approx(-0.149376813).margin(5e-10));
  CHECK(fit->standard_deviation_at(10.0) == Approx(0.004138596).margin(5e-10));
}

TEST_CASE("NIST StRD: Norris") {
  // Data from memory; that they meet the certified values to ten digits shows that they are the published ones.
  const std::vector<double> y = {0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
                                 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
                                 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};
  const std::vector<double> x = {0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
                                 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
                                 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
  const auto fit = fit_line(x, y);
  REQUIRE(fit.has_value());
  CHECK(fit->intercept == Approx(-0.262323073774029).epsilon(1e-11));
  CHECK(fit->intercept_standard_deviation == Approx(0.232818234301152).epsilon(1e-11));
  CHECK(fit->slope == Approx(1.00211681802045).epsilon(1e-13));
  CHECK(fit->slope_standard_deviation == Approx(0.429796848199937E-03).epsilon(1e-11));
  CHECK(fit->residual_standard_deviation == Approx(0.884796396144373).epsilon(1e-11));
  CHECK(fit->r_squared == Approx(0.999993745883712).epsilon(1e-14));
  CHECK(fit->f_statistic == Approx(5436385.54079785).epsilon(1e-11));
}

TEST_CASE(
    "white noise of 0.05 W leaves a slope unsure by 42 mW/h after ten minutes and by 0.56 mW/h after three hours") {
  // s sqrt(12 / (n^3 - n)) / dt, recomputed.
  const std::vector<std::pair<int, double>> known = {{600, 42.0}, {10'800, 0.56}};
  for (const auto& [n, mw_per_h] : known) {
    std::vector<double> x, y;
    for (int i = 0; i < n; ++i) {
      x.push_back(i);
      y.push_back(i % 4 == 0 || i % 4 == 3 ? 25.05 : 24.95);  // 0.05 W about 25 W, without a slope of its own
    }
    CHECK(fit_line(x, y)->slope_standard_deviation * 3.6e6 == Approx(mw_per_h).epsilon(0.015));
  }
}

TEST_CASE("a line needs three points and two places") {
  const std::vector<double> two = {1, 2}, same = {3, 3, 3}, y = {1, 2, 3};
  CHECK_FALSE(fit_line(two, two).has_value());
  CHECK_FALSE(fit_line(same, y).has_value());
  const auto exact = fit_line(y, y);
  REQUIRE(exact.has_value());
  CHECK(exact->slope == Approx(1.0));
  CHECK(exact->slope_standard_deviation == Approx(0.0).margin(1e-15));
}
