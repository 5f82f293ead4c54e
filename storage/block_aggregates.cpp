#include "block_aggregates.hpp"

#include <algorithm>
#include <vector>

namespace nightwatt::storage {
namespace {

constexpr std::int64_t shortest_gap_us = 10'000'000;
constexpr std::int64_t highest_step_us = 320'000'000'000'000'000;  // longer than year 1 to 9999
constexpr double us_per_hour = 3.6e9;

}  // namespace

double trapezoid_wh(double from_w, double to_w, std::int64_t step_us) {
  return (from_w + to_w) / 2.0 * (static_cast<double>(step_us) / us_per_hour);
}

std::int64_t gap_limit_us(const Columns& columns) {
  if (columns.size() < 2) return shortest_gap_us;
  std::vector<std::int64_t> steps;
  steps.reserve(columns.size());
  for (std::size_t i = 1; i < columns.size(); ++i) steps.push_back(columns.times[i] - columns.times[i - 1]);
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return std::max(shortest_gap_us, *middle > highest_step_us / 5 ? highest_step_us : *middle * 5);
}

BlockAggregates aggregates_of(const Columns& columns, Quantity quantity, std::size_t begin, std::size_t end) {
  BlockAggregates aggregates;
  const Columns::Column& column = columns.column(quantity);
  if (column.count == 0) return aggregates;
  const bool power = quantity == Quantity::power;
  const std::int64_t gap_us = power ? gap_limit_us(columns) : 0;
  double energy_wh = 0.0;
  // Deviations from the first value, so that neither sum cancels: a counter far from zero moves little in a block.
  double sum = 0.0;
  for (std::size_t row = begin; row < end; ++row) {
    if (column.present[row] == 0) continue;
    const double value = columns.value(quantity, row);
    const std::int64_t time = columns.times[row];
    if (aggregates.count == 0) {
      aggregates.first_us = time;
      aggregates.first = aggregates.min = aggregates.max = value;
    } else if (power && time - aggregates.last_us <= gap_us) {
      energy_wh += trapezoid_wh(aggregates.last, value, time - aggregates.last_us);
    }
    aggregates.min = std::min(aggregates.min, value);
    aggregates.max = std::max(aggregates.max, value);
    sum += value - aggregates.first;
    aggregates.last = value;
    aggregates.last_us = time;
    ++aggregates.count;
  }
  if (aggregates.count == 0) return aggregates;
  const double shifted_mean = sum / static_cast<double>(aggregates.count);
  aggregates.mean = aggregates.first + shifted_mean;
  for (std::size_t row = begin; row < end; ++row) {
    if (column.present[row] == 0) continue;
    const double standard_deviation = columns.value(quantity, row) - aggregates.first - shifted_mean;
    aggregates.m2 += standard_deviation * standard_deviation;
  }
  if (power && aggregates.count > 1) aggregates.energy_wh = energy_wh;
  return aggregates;
}

void add(BlockAggregates& aggregates, const BlockAggregates& next, Quantity quantity, std::int64_t gap_us) {
  if (next.count == 0) return;
  if (aggregates.count == 0) {
    aggregates = next;
    return;
  }
  const auto a = static_cast<double>(aggregates.count);
  const auto b = static_cast<double>(next.count);
  if (quantity == Quantity::power) {
    double energy_wh = aggregates.energy_wh.value_or(0.0) + next.energy_wh.value_or(0.0);
    if (next.first_us - aggregates.last_us <= gap_us)
      energy_wh += trapezoid_wh(aggregates.last, next.first, next.first_us - aggregates.last_us);
    aggregates.energy_wh = energy_wh;
  }
  const double difference = next.mean - aggregates.mean;
  aggregates.m2 += next.m2 + difference * difference * a * b / (a + b);
  aggregates.mean += difference * b / (a + b);
  aggregates.count += next.count;
  aggregates.min = std::min(aggregates.min, next.min);
  aggregates.max = std::max(aggregates.max, next.max);
  aggregates.last = next.last;
  aggregates.last_us = next.last_us;
}

WindowAggregates window_aggregates(const BlockAggregates& aggregates) {
  WindowAggregates window;
  window.count = aggregates.count;
  if (aggregates.count == 0) return window;
  const auto n = static_cast<double>(aggregates.count);
  window.min = aggregates.min;
  window.max = aggregates.max;
  window.mean = aggregates.mean;
  window.m2 = aggregates.m2;
  window.sum = aggregates.mean * n;
  window.sum_of_squares = aggregates.m2 + aggregates.mean * aggregates.mean * n;
  window.energy_wh = aggregates.energy_wh;
  window.first = UtcTime{aggregates.first_us};
  window.last = UtcTime{aggregates.last_us};
  return window;
}

}  // namespace nightwatt::storage
