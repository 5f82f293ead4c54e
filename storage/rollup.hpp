// What stays of readings that were given up: count, min, mean, max and energy by the minute and by the hour.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "columns.hpp"
#include "measure/signal/result.hpp"
#include "packing.hpp"

namespace nightwatt::storage {

inline constexpr std::int64_t minute_s = 60;
inline constexpr std::int64_t hour_s = 3'600;

/// One quantity over the part of a block that lies in one minute or hour of UTC-aligned record time.
struct Bucket {
  std::int64_t begin_us = 0;
  std::int64_t count = 0;
  double min = 0.0, mean = 0.0, max = 0.0;
  std::optional<double> energy_wh;  ///< power only: the trapezoids that end in the bucket
  /// Power of a meter that reports on change: how long it was shown in the bucket. Then mean, extremes and energy are
  /// of what was shown, and `count` may be 0.
  std::optional<std::int64_t> shown_us;
};

/// Of a meter that reports on change: how its power goes on behind each reading.
struct Holding {
  std::int64_t limit_us = 0;  ///< what a silence longer than this shows is not known
  std::int64_t until_us = 0;  ///< the reading behind the block's last
};

/// A block's readings by buckets of `step_s`, one list a quantity (empty: not carried).
using Buckets = std::array<std::vector<Bucket>, quantity_count>;

[[nodiscard]] std::string encode_rollup(const Columns& columns, std::int64_t step_s, Compression compression,
                                        std::optional<Holding> holding = std::nullopt);
/// Any bytes may come in: an error of kind unusable for all that encode_rollup() did not write.
[[nodiscard]] Result<Buckets> decode_rollup(std::string_view bytes, std::int64_t step_s);

}  // namespace nightwatt::storage
