#include "tests/bench/control_chart.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "measure/signal/matrix.hpp"
#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

namespace {

/// States of the chain: with these the run lengths tested against published ones are exact to half a percent.
constexpr int chain_states = 151;

/// (I - R) L = 1: mean number of steps until the chain leaves its states.
std::vector<double> steps_to_leave(const Matrix& transitions) {
  const std::size_t n = transitions.rows();
  Matrix left(n, n);
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = 0; j < n; ++j) left(i, j) = (i == j ? 1.0 : 0.0) - transitions(i, j);
  return solve_general(std::move(left), std::vector<double>(n, 1.0))
      .value_or(std::vector<double>(n, std::numeric_limits<double>::infinity()));
}

double one_sided_cusum(double shift, double allowance, double limit) {
  const int n = chain_states;
  const double width = 2.0 * limit / (2.0 * n - 1.0);
  Matrix transitions(static_cast<std::size_t>(n), static_cast<std::size_t>(n));
  for (int i = 0; i < n; ++i) {
    const auto up_to = [&](double edge) { return normal_cdf(edge * width + allowance - shift); };
    transitions(static_cast<std::size_t>(i), 0) = up_to(0.5 - i);
    for (int j = 1; j < n; ++j)
      transitions(static_cast<std::size_t>(i), static_cast<std::size_t>(j)) = up_to(j - i + 0.5) - up_to(j - i - 0.5);
  }
  return steps_to_leave(transitions).front();
}

}  // namespace

EwmaChart ewma_chart(std::span<const double> values, const EwmaSettings& settings) {
  EwmaChart chart;
  const double half =
      settings.reach * settings.standard_deviation * std::sqrt(settings.weight / (2.0 - settings.weight));
  chart.lower = settings.centre - half;
  chart.upper = settings.centre + half;
  double average = settings.centre;
  for (const double value : values) {
    average = settings.weight * value + (1.0 - settings.weight) * average;
    chart.averages.push_back(average);
  }
  return chart;
}

std::vector<CusumRow> cusum_chart(std::span<const double> values, const CusumSettings& settings) {
  std::vector<CusumRow> rows;
  CusumRow row;
  for (const double value : values) {
    row.high = std::max(0.0, row.high + value - settings.target - settings.allowance);
    row.low = std::max(0.0, row.low + settings.target - settings.allowance - value);
    row.speaks = row.high > settings.limit || row.low > settings.limit;
    rows.push_back(row);
  }
  return rows;
}

double cusum_run_length(double shift, double allowance, double limit) {
  // Of two sides that never speak together the rates add up (van Dobben de Bruyn 1968, from memory).
  return 1.0 / (1.0 / one_sided_cusum(shift, allowance, limit) + 1.0 / one_sided_cusum(-shift, allowance, limit));
}

double ewma_run_length(double shift, double weight, double reach) {
  const int n = chain_states;  // odd: the middle state is the centre
  const double limit = reach * std::sqrt(weight / (2.0 - weight));
  const double width = 2.0 * limit / n;
  Matrix transitions(static_cast<std::size_t>(n), static_cast<std::size_t>(n));
  for (int i = 0; i < n; ++i) {
    const double from = -limit + (i + 0.5) * width;
    const auto up_to = [&](double edge) { return normal_cdf((edge - (1.0 - weight) * from) / weight - shift); };
    for (int j = 0; j < n; ++j)
      transitions(static_cast<std::size_t>(i), static_cast<std::size_t>(j)) =
          up_to(-limit + (j + 1.0) * width) - up_to(-limit + j * width);
  }
  return steps_to_leave(transitions)[static_cast<std::size_t>(n / 2)];
}

}  // namespace nightwatt
