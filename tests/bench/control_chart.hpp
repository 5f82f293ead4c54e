// Control charts: the exponentially weighted moving average and the cumulative sum, and how long they take to signal.
#pragma once

#include <span>
#include <vector>

namespace nightwatt {

struct EwmaSettings {
  double centre = 0.0;
  double standard_deviation = 1.0;  ///< of one value
  double weight = 0.3;              ///< of the newest value; (0, 1]
  double reach = 3.0;               ///< limits, in deviations of the average
};
struct EwmaChart {
  std::vector<double> averages;  ///< after each value
  double lower = 0.0, upper = 0.0;
};
/// NIST/SEMATECH e-Handbook 6.3.2.4: z_i = weight x_i + (1 - weight) z_(i-1), limits of a long record.
[[nodiscard]] EwmaChart ewma_chart(std::span<const double> values, const EwmaSettings& settings);

struct CusumSettings {
  double target = 0.0;
  double allowance = 0.5;  ///< k, in the values' unit
  double limit = 5.0;      ///< h, in the values' unit
};
struct CusumRow {
  double high = 0.0, low = 0.0;
  bool speaks = false;  ///< either is above the limit
};
/// The tabular form, e-Handbook 6.3.2.3: what goes beyond target + k or below target - k adds up, never below 0.
[[nodiscard]] std::vector<CusumRow> cusum_chart(std::span<const double> values, const CusumSettings& settings);

/// Mean number of values until the two-sided chart speaks, of independent normal values whose mean is `shift` of their
/// deviations off target from the first on; allowance and limit in deviations. A Markov chain of the chart's state
/// (Brook & Evans 1972, doi 10.1093/biomet/59.3.539, from memory).
[[nodiscard]] double cusum_run_length(double shift, double allowance, double limit);
/// The same of the moving average with constant limits (Lucas & Saccucci 1990, doi 10.1080/00401706.1990.10484583, from
/// memory).
[[nodiscard]] double ewma_run_length(double shift, double weight, double reach);

}  // namespace nightwatt
