// Count, extremes, mean, spread and energy of a quantity over a stretch of readings, and how two stretches add up.
#pragma once

#include <cstdint>
#include <optional>

#include "columns.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// Of one quantity over readings that follow each other. `m2` is the sum of squared deviations from the mean, which
/// does not cancel for large counters (Chan, Golub, LeVeque 1983 for the addition).
struct BlockAggregates {
  std::int64_t count = 0;
  std::int64_t first_us = 0, last_us = 0;
  double first = 0.0, last = 0.0;
  double min = 0.0, max = 0.0;
  double mean = 0.0, m2 = 0.0;
  std::optional<double> energy_wh;  ///< power only: trapezoid over the pairs that are no gap; none below two readings
};

/// Rows [begin, end) of `columns`.
[[nodiscard]] BlockAggregates aggregates_of(const Columns& columns, Quantity quantity, std::size_t begin,
                                            std::size_t end);

/// Adds what follows. `gap_us`: how long a hole between the two is bridged by their trapezoid.
void add(BlockAggregates& aggregates, const BlockAggregates& next, Quantity quantity, std::int64_t gap_us);

/// A hole longer than this is a gap: max(10 s, 5 x the median interval).
[[nodiscard]] std::int64_t gap_limit_us(const Columns& columns);

[[nodiscard]] double trapezoid_wh(double from_w, double to_w, std::int64_t step_us);

[[nodiscard]] WindowAggregates window_aggregates(const BlockAggregates& aggregates);

}  // namespace nightwatt::storage
