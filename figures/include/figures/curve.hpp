// A run's power curve, made small: equal stretches of time with lowest, mean and highest.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "figures/figures.hpp"

namespace nightwatt::figures {

/// What one column of a chart, or one point of a trace, stands for.
struct Bin {
  UtcTime begin;
  std::int64_t samples = 0;
  double mean_w = 0.0, lowest_w = 0.0, highest_w = 0.0;  ///< where samples > 0
  std::optional<SegmentKind> kind;                       ///< of the segment at the middle of the bin
};

/// Record time, both ends included.
struct Window {
  UtcTime from;
  UtcTime to;
};
/// From the run's begin to its end or, while it is open, to its last reading.
[[nodiscard]] Result<Window> whole_run(const storage::StoreReader& store, const RunRecord& record);

/// At most `most` equal stretches of the window, from the sums the store keeps, so that a year costs no more than an
/// hour.
[[nodiscard]] Result<std::vector<Bin>> bins_of(const storage::StoreReader& store, const RunRecord& record,
                                               Window window, std::size_t most);
/// The same, in one pass over the readings where that is quicker.
[[nodiscard]] Result<std::vector<Bin>> curve_of(const storage::StoreReader& store, const RunRecord& record,
                                                Window window, std::size_t most);

}  // namespace nightwatt::figures
