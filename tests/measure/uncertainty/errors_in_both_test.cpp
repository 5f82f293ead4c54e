#include "measure/uncertainty/errors_in_both.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

using namespace nightwatt;

namespace {

Matrix variances(const std::vector<double>& weights) {
  std::vector<double> all;
  for (const double weight : weights) all.push_back(1.0 / weight);
  return Matrix::diagonal(all);
}

UncertainPoints pearson() {
  // K. Pearson's points of 1901 (doi 10.1080/14786440109462720) with D. York's weights of 1966 (doi 10.1139/p66-090).
  UncertainPoints points;
  points.x = {0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4};
  points.y = {5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5};
  points.x_covariance = variances({1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0});
  points.y_covariance = variances({1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500});
  return points;
}

}  // namespace

TEST_CASE("Pearson's data with York's weights: the exact line with errors in both") {
  // -0.48053341 and 5.47991022 (Williamson 1968, Reed 1989, Lybanon 1984 agree); standard errors 0.0580 and 0.295 and
  // chi-squared 11.87 of 8 by York's formulas of 2004.
  const auto fit = fit_curve(pearson(), 1);
  REQUIRE(fit.has_value());
  CHECK(fit->coefficients[1] == Approx(-0.480533407).margin(2e-9));
  CHECK(fit->coefficients[0] == Approx(5.479910224).margin(2e-8));
  CHECK(std::sqrt(fit->covariance(0, 0)) == Approx(0.29497).margin(1e-5));
  CHECK(std::sqrt(fit->covariance(1, 1)) == Approx(0.05799).margin(1e-5));
  CHECK(fit->chi_squared == Approx(11.87).margin(0.005));
  CHECK(fit->degrees_of_freedom == 8.0);
}

TEST_CASE("which coordinate is called x does not matter where both have errors") {
  UncertainPoints turned = pearson();
  std::swap(turned.x, turned.y);
  std::swap(turned.x_covariance, turned.y_covariance);
  const auto fit = fit_curve(pearson(), 1), other = fit_curve(turned, 1);
  REQUIRE(other.has_value());
  CHECK(1.0 / other->coefficients[1] == Approx(fit->coefficients[1]).epsilon(1e-9));
  CHECK(other->chi_squared == Approx(fit->chi_squared).epsilon(1e-9));
}

TEST_CASE("GUM H.3: with exact x the thermometer's curve has its published covariance") {
  // The GUM prints -0.1712(29), 0.00218(67), r -0.930, s 0.0035, b(30) -0.1494(41).
  const std::vector<double> t = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                                 24.513, 25.002, 25.503, 26.010, 26.511};
  UncertainPoints points;
  points.y = {-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160};
  for (const double celsius : t) points.x.push_back(celsius - 20.0);
  constexpr double s = 0.003497564;
  points.x_covariance = Matrix(11, 11);
  points.y_covariance = Matrix::diagonal(std::vector<double>(11, s * s));
  const auto fit = fit_curve(points, 1);
  REQUIRE(fit.has_value());
  CHECK(fit->coefficients[0] == Approx(-0.1712).margin(5e-5));
  CHECK(fit->coefficients[1] == Approx(0.00218).margin(5e-6));
  CHECK(std::sqrt(fit->covariance(0, 0)) == Approx(0.0029).margin(5e-5));
  CHECK(std::sqrt(fit->covariance(1, 1)) == Approx(0.00067).margin(5e-6));
  CHECK(fit->covariance(0, 1) / std::sqrt(fit->covariance(0, 0) * fit->covariance(1, 1)) ==
        Approx(-0.930).margin(5e-4));
  CHECK(std::sqrt(fit->chi_squared / fit->degrees_of_freedom) * s == Approx(0.0035).margin(5e-5));
  CHECK(fit->at(10.0) == Approx(-0.1494).margin(5e-5));
  CHECK(fit->standard_deviation_at(10.0) == Approx(0.0041).margin(5e-5));
}

TEST_CASE("NIST StRD Norris: the certified line comes out of the general fit too") {
  // Data from memory; that they meet the certified values shows that they are the published ones.
  UncertainPoints points;
  points.y = {0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
              0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
              0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};
  points.x = {0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
              0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
              0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
  constexpr double s = 0.884796396144373;
  points.x_covariance = Matrix(36, 36);
  points.y_covariance = Matrix::diagonal(std::vector<double>(36, s * s));
  const auto fit = fit_curve(points, 1);
  REQUIRE(fit.has_value());
  CHECK(fit->coefficients[0] == Approx(-0.262323073774029).epsilon(1e-9));
  CHECK(fit->coefficients[1] == Approx(1.00211681802045).epsilon(1e-11));
  CHECK(std::sqrt(fit->covariance(0, 0)) == Approx(0.232818234301152).epsilon(1e-9));
  CHECK(std::sqrt(fit->covariance(1, 1)) == Approx(0.429796848199937E-03).epsilon(1e-9));
  CHECK(fit->chi_squared == Approx(34.0).epsilon(1e-9));
}

TEST_CASE("an error that all points share moves the line and is not averaged away") {
  UncertainPoints points;
  for (int i = 0; i < 20; ++i) {
    points.x.push_back(10.0 * (i + 1));
    points.y.push_back(10.0 * (i + 1));
  }
  points.x_covariance = Matrix(20, 20);
  points.y_covariance = Matrix(20, 20);
  // All y off by the same share, 1 %, and each by 0.01 by chance.
  for (std::size_t i = 0; i < 20; ++i)
    for (std::size_t j = 0; j < 20; ++j)
      points.y_covariance(i, j) = 1e-4 * points.y[i] * points.y[j] + (i == j ? 1e-4 : 0.0);
  const auto fit = fit_curve(points, 1);
  REQUIRE(fit.has_value());
  CHECK(fit->standard_deviation_at(100.0) == Approx(1.0).epsilon(1e-3));
  CHECK(fit->standard_deviation_at(200.0) == Approx(2.0).epsilon(1e-3));
}

TEST_CASE("a parabola is found where there is one, and points that are none are refused") {
  UncertainPoints points;
  for (int i = 0; i < 8; ++i) {
    const double x = 5.0 * i;
    points.x.push_back(x);
    points.y.push_back(0.3 + 1.01 * x + 2e-4 * x * x);
  }
  points.x_covariance = Matrix::diagonal(std::vector<double>(8, 1e-4));
  points.y_covariance = Matrix::diagonal(std::vector<double>(8, 1e-4));
  const auto fit = fit_curve(points, 2);
  REQUIRE(fit.has_value());
  CHECK(fit->coefficients[0] == Approx(0.3).epsilon(1e-6));
  CHECK(fit->coefficients[1] == Approx(1.01).epsilon(1e-6));
  CHECK(fit->coefficients[2] == Approx(2e-4).epsilon(1e-5));
  std::fill(points.x.begin(), points.x.end(), 5.0);
  CHECK_FALSE(fit_curve(points, 1).has_value());
  CHECK_FALSE(fit_curve(UncertainPoints{}, 1).has_value());
}
