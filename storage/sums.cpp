#include "sums.hpp"

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

Sums sums_of(const Columns& columns, Quantity quantity, std::size_t begin, std::size_t end) {
  Sums sums;
  const Columns::Column& column = columns.column(quantity);
  if (column.count == 0) return sums;
  const bool power = quantity == Quantity::power;
  const std::int64_t gap_us = power ? gap_limit_us(columns) : 0;
  double energy_wh = 0.0;
  // Deviations from the first value, so that neither sum cancels: a counter far from zero moves little in a block.
  double sum = 0.0;
  for (std::size_t row = begin; row < end; ++row) {
    if (column.present[row] == 0) continue;
    const double value = columns.value(quantity, row);
    const std::int64_t time = columns.times[row];
    if (sums.count == 0) {
      sums.first_us = time;
      sums.first = sums.min = sums.max = value;
    } else if (power && time - sums.last_us <= gap_us) {
      energy_wh += trapezoid_wh(sums.last, value, time - sums.last_us);
    }
    sums.min = std::min(sums.min, value);
    sums.max = std::max(sums.max, value);
    sum += value - sums.first;
    sums.last = value;
    sums.last_us = time;
    ++sums.count;
  }
  if (sums.count == 0) return sums;
  const double shifted_mean = sum / static_cast<double>(sums.count);
  sums.mean = sums.first + shifted_mean;
  for (std::size_t row = begin; row < end; ++row) {
    if (column.present[row] == 0) continue;
    const double deviation = columns.value(quantity, row) - sums.first - shifted_mean;
    sums.m2 += deviation * deviation;
  }
  if (power && sums.count > 1) sums.energy_wh = energy_wh;
  return sums;
}

void add(Sums& sums, const Sums& next, Quantity quantity, std::int64_t gap_us) {
  if (next.count == 0) return;
  if (sums.count == 0) {
    sums = next;
    return;
  }
  const auto a = static_cast<double>(sums.count);
  const auto b = static_cast<double>(next.count);
  if (quantity == Quantity::power) {
    double energy_wh = sums.energy_wh.value_or(0.0) + next.energy_wh.value_or(0.0);
    if (next.first_us - sums.last_us <= gap_us)
      energy_wh += trapezoid_wh(sums.last, next.first, next.first_us - sums.last_us);
    sums.energy_wh = energy_wh;
  }
  const double difference = next.mean - sums.mean;
  sums.m2 += next.m2 + difference * difference * a * b / (a + b);
  sums.mean += difference * b / (a + b);
  sums.count += next.count;
  sums.min = std::min(sums.min, next.min);
  sums.max = std::max(sums.max, next.max);
  sums.last = next.last;
  sums.last_us = next.last_us;
}

WindowSums window_sums(const Sums& sums) {
  WindowSums window;
  window.count = sums.count;
  if (sums.count == 0) return window;
  const auto n = static_cast<double>(sums.count);
  window.min = sums.min;
  window.max = sums.max;
  window.mean = sums.mean;
  window.m2 = sums.m2;
  window.sum = sums.mean * n;
  window.sum_of_squares = sums.m2 + sums.mean * sums.mean * n;
  window.energy_wh = sums.energy_wh;
  window.first = UtcTime{sums.first_us};
  window.last = UtcTime{sums.last_us};
  return window;
}

}  // namespace nightwatt::storage
