#include "tests/bench/control_chart.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "tests/measure/drawn_histories.hpp"

using namespace nightwatt;

TEST_CASE("NIST/SEMATECH e-Handbook 6.3.2.4: the moving average's worked example") {
  // Centre 50, s 2.0539, weight 0.3: limits 52.5884 and 47.4115 as printed.
  const std::vector<double> x = {52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                                 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};
  const std::vector<double> printed = {50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
                                       50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99};
  const EwmaChart chart = ewma_chart(x, {50.0, 2.0539, 0.3, 3.0});
  CHECK(chart.upper == Approx(52.5884).margin(2e-4));
  CHECK(chart.lower == Approx(47.4115).margin(2e-4));
  REQUIRE(chart.averages.size() == printed.size());
  for (std::size_t i = 0; i < printed.size(); ++i) CHECK(chart.averages[i] == Approx(printed[i]).margin(0.0051));
}

TEST_CASE("NIST/SEMATECH e-Handbook 6.3.2.3: the cumulative sum's worked example speaks at the fourteenth group") {
  // Target 325, k 0.3175, h 4.1959, as printed.
  const std::vector<double> x = {324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125,
                                 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250,
                                 327.825, 328.500, 326.675, 327.775, 326.875, 328.350};
  const std::vector<double> high = {0.00, 0.00, 0.00, 0.00, 0.03, 0.00,  0.00,  0.00,  0.00,  0.00,
                                    0.00, 0.00, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04};
  const std::vector<CusumRow> rows = cusum_chart(x, {325.0, 0.3175, 4.1959});
  REQUIRE(rows.size() == high.size());
  for (std::size_t i = 0; i < high.size(); ++i) {
    INFO("group " << i + 1);
    CHECK(rows[i].high == Approx(high[i]).margin(0.0051));
    CHECK(rows[i].speaks == (i >= 13));
  }
  // The lower sum of the same table: 0.56 after the seventh, 0.72 after the eighth group.
  CHECK(rows[6].low == Approx(0.56).margin(0.0051));
  CHECK(rows[7].low == Approx(0.72).margin(0.0051));
  CHECK(rows[12].low == 0.0);
}

TEST_CASE("run lengths of the cumulative sum are the published ones") {
  // Two-sided, k 0.5 (Montgomery, Introduction to Statistical Quality Control, from memory).
  CHECK(cusum_run_length(0.0, 0.5, 4.0) == Approx(168.0).epsilon(0.005));
  CHECK(cusum_run_length(0.0, 0.5, 5.0) == Approx(465.0).epsilon(0.005));
  CHECK(cusum_run_length(0.5, 0.5, 4.0) == Approx(26.6).epsilon(0.005));
  CHECK(cusum_run_length(1.0, 0.5, 4.0) == Approx(8.38).epsilon(0.005));
  CHECK(cusum_run_length(1.0, 0.5, 5.0) == Approx(10.4).epsilon(0.005));
  CHECK(cusum_run_length(3.0, 0.5, 5.0) == Approx(2.57).epsilon(0.005));
}

TEST_CASE("run lengths of the moving average are the published ones") {
  // Weight 0.25, reach 2.998 (Lucas & Saccucci 1990, as Montgomery quotes them, from memory).
  CHECK(ewma_run_length(0.0, 0.25, 2.998) == Approx(500.0).epsilon(0.01));
  CHECK(ewma_run_length(1.0, 0.25, 2.998) == Approx(11.1).epsilon(0.01));
  CHECK(ewma_run_length(2.0, 0.25, 2.998) == Approx(3.6).epsilon(0.02));
}

TEST_CASE("simulated charts take as long to speak as the theory says") {
  drawn::Dice dice(41);
  for (const double shift : {0.0, 1.0}) {
    double sum = 0.0;
    constexpr int charts = 4000;
    for (int i = 0; i < charts; ++i) {
      CusumRow row;
      int n = 0;
      while (row.high <= 4.0 && row.low <= 4.0) {
        const double x = dice.normal() + shift;
        row.high = std::max(0.0, row.high + x - 0.5);
        row.low = std::max(0.0, row.low - x - 0.5);
        ++n;
      }
      sum += n;
    }
    // A run length's deviation is about its mean: 1.6 % of 4000.
    CHECK(sum / charts == Approx(cusum_run_length(shift, 0.5, 4.0)).epsilon(0.06));
  }
}
