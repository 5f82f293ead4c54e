#include "measure/uncertainty/statistics.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "measure/signal/running_sum.hpp"

namespace nightwatt {

namespace {

/// Two-sided 95 % point of the normal distribution: the white-noise band of an autocorrelation is this over sqrt(n).
constexpr double normal_95 = 1.959963984540054;

}  // namespace

void Moments::add(double value) {
  ++count_;
  const double off = value - mean_;
  mean_ += off / static_cast<double>(count_);
  squares_ += off * (value - mean_);
}

double Moments::variance() const {
  return count_ < 2 ? 0.0 : squares_ / static_cast<double>(count_ - 1);
}
double Moments::standard_deviation() const {
  return std::sqrt(variance());
}

double median_of(std::vector<double> values) {
  if (values.empty()) return 0.0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

Spread spread_of(std::span<const double> values) {
  if (values.empty()) return {};
  const auto count = static_cast<double>(values.size());
  RunningSum sum;
  for (const double value : values) sum.add(value);
  const double mean = sum.value() / count;
  RunningSum squares, rest;
  for (const double value : values) {
    squares.add((value - mean) * (value - mean));
    rest.add(value - mean);
  }
  if (values.size() < 2) return {mean, 0.0};
  const double corrected = squares.value() - rest.value() * rest.value() / count;  // the mean was itself rounded
  return {mean + rest.value() / count, std::sqrt(std::max(0.0, corrected) / (count - 1.0))};
}

double autocorrelation(std::span<const double> values, std::size_t lag) {
  if (values.size() <= lag) return 0.0;
  const double mean = spread_of(values).mean;
  double products = 0.0, squares = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    squares += (values[i] - mean) * (values[i] - mean);
    if (i + lag < values.size()) products += (values[i] - mean) * (values[i + lag] - mean);
  }
  return squares > 0.0 ? products / squares : 0.0;
}

double variance_inflation(std::span<const double> correlations, double count) {
  double sum = 0.0;
  for (std::size_t i = 0; i < correlations.size(); ++i) sum += (count - static_cast<double>(i + 1)) * correlations[i];
  return std::max(1.0, 1.0 + 2.0 / count * sum);
}

double variance_inflation(std::span<const double> values) {
  if (values.size() < 4) return 1.0;
  const auto count = static_cast<double>(values.size());
  const double band = normal_95 / std::sqrt(count);
  const std::size_t last = values.size() / 4;
  std::vector<double> correlations;
  std::size_t kept = 0;
  // "The last lag outside the band" taken literally would keep one of twenty lags of pure noise; the first run of lags
  // outside it, ended by two inside, is what the formula means for noise that forgets.
  for (std::size_t lag = 1; lag <= last && correlations.size() < kept + 2; ++lag) {
    correlations.push_back(autocorrelation(values, lag));
    if (std::abs(correlations.back()) > band) kept = lag;
  }
  return variance_inflation(std::span(correlations).first(kept), count);
}

}  // namespace nightwatt
