// Statistics of readings: moments that do not cancel, correlation, and what it does to a mean.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace nightwatt {

/// Count, mean and spread of values that come one by one, without cancellation (Welford 1962, from memory). A value;
/// any unit.
class Moments {
 public:
  void add(double value);

  [[nodiscard]] std::int64_t count() const { return count_; }
  [[nodiscard]] double mean() const { return mean_; }
  /// Sum of squared deviations from the mean.
  [[nodiscard]] double squares() const { return squares_; }
  /// Experimental variance, divisor n - 1 (GUM 4.2.2); 0 below two values.
  [[nodiscard]] double variance() const;
  [[nodiscard]] double standard_deviation() const;

 private:
  std::int64_t count_ = 0;
  double mean_ = 0.0;
  double squares_ = 0.0;
};

/// Two passes over values at hand: more exact than Moments by a digit or two where the mean is large.
struct Spread {
  double mean = 0.0;
  double standard_deviation = 0.0;  ///< divisor n - 1
};
[[nodiscard]] Spread spread_of(std::span<const double> values);

/// The upper one of the two middle values where their number is even; 0 of none.
[[nodiscard]] double median_of(std::vector<double> values);

/// Autocorrelation at a lag: sum of products of deviations over their sum of squares (NIST StRD's definition at lag 1).
/// 0 for constant values and for lags that leave no pair.
[[nodiscard]] double autocorrelation(std::span<const double> values, std::size_t lag = 1);

/// How many times the variance of the mean exceeds s^2/n: 1 + 2/n sum (n - i) rho_i over lags 1 to the last whose rho
/// lies outside the 95 % band of white noise, at most a quarter of n (N.F. Zhang, Metrologia 43 (2006) S276). At least
/// 1: apparent anticorrelation never makes an interval narrower.
[[nodiscard]] double variance_inflation(std::span<const double> values);
/// The same from known autocorrelations at lags 1, 2, ...
[[nodiscard]] double variance_inflation(std::span<const double> correlations, double count);

}  // namespace nightwatt
