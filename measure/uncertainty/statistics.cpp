#include "measure/uncertainty/statistics.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "measure/signal/running_sum.hpp"

namespace nightwatt {

namespace {

/// Two-sided 95 % point of the normal distribution: the white-noise band of an autocorrelation is this over sqrt(n).
constexpr double normal_95 = 1.959963984540054;

/// Running sums of values less their mean: sums[i] is that of the first i. What Allan deviations call phase.
std::vector<double> phase_of(std::span<const double> values) {
  const double mean = values.empty() ? 0.0 : spread_of(values).mean;  // a constant drops out; less is lost without it
  std::vector<double> sums(values.size() + 1, 0.0);
  RunningSum sum;
  for (std::size_t i = 0; i < values.size(); ++i) {
    sum.add(values[i] - mean);
    sums[i + 1] = sum.value();
  }
  return sums;
}

/// Root of half the mean squared second difference of phase, divided by m; `step` from one difference to the next.
std::optional<double> second_differences(std::span<const double> values, std::size_t m, std::size_t step) {
  if (m == 0 || values.size() < 2 * m) return std::nullopt;
  const std::vector<double> phase = phase_of(values);
  double squares = 0.0;
  std::size_t count = 0;
  for (std::size_t i = 0; i + 2 * m < phase.size(); i += step, ++count) {
    const double difference = phase[i + 2 * m] - 2.0 * phase[i + m] + phase[i];
    squares += difference * difference;
  }
  const auto length = static_cast<double>(m);
  return std::sqrt(squares / (2.0 * static_cast<double>(count))) / length;
}

}  // namespace

void Moments::add(double value) {
  ++count_;
  const double off = value - mean_;
  mean_ += off / static_cast<double>(count_);
  squares_ += off * (value - mean_);
}

void Moments::merge(const Moments& other) {
  if (other.count_ == 0) return;
  const auto ours = static_cast<double>(count_);
  const auto theirs = static_cast<double>(other.count_);
  const double off = other.mean_ - mean_;
  count_ += other.count_;
  mean_ += off * theirs / (ours + theirs);
  squares_ += other.squares_ + off * off * ours * theirs / (ours + theirs);
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

double effective_count(double count, double lag1) {
  if (!(lag1 > 0.0)) return count;
  return count * (1.0 - std::min(lag1, 1.0)) / (1.0 + std::min(lag1, 1.0));
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

std::optional<double> allan_deviation(std::span<const double> values, std::size_t m) {
  return second_differences(values, m, m);
}

std::optional<double> overlapping_allan_deviation(std::span<const double> values, std::size_t m) {
  return second_differences(values, m, 1);
}

std::optional<double> modified_allan_deviation(std::span<const double> values, std::size_t m) {
  if (m == 0 || values.size() + 1 < 3 * m) return std::nullopt;
  const std::vector<double> phase = phase_of(values);
  const std::size_t count = phase.size() - 3 * m + 1;
  double squares = 0.0;
  for (std::size_t j = 0; j < count; ++j) {
    double sum = 0.0;
    for (std::size_t i = j; i < j + m; ++i) sum += phase[i + 2 * m] - 2.0 * phase[i + m] + phase[i];
    squares += sum * sum;
  }
  const auto length = static_cast<double>(m);
  return std::sqrt(squares / (2.0 * static_cast<double>(count))) / (length * length);
}

double trapezoid(std::span<const double> times_s, std::span<const double> values) {
  RunningSum sum;
  for (std::size_t i = 1; i < std::min(times_s.size(), values.size()); ++i)
    sum.add(0.5 * (values[i - 1] + values[i]) * (times_s[i] - times_s[i - 1]));
  return sum.value();
}

std::optional<double> time_weighted_mean(std::span<const double> times_s, std::span<const double> values) {
  const std::size_t size = std::min(times_s.size(), values.size());
  if (size < 2 || !(times_s[size - 1] > times_s[0])) return std::nullopt;
  return trapezoid(times_s, values) / (times_s[size - 1] - times_s[0]);
}

}  // namespace nightwatt
