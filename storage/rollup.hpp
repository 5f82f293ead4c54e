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
};

/// A block's readings by buckets of `step_s`, one list a quantity (empty: not carried).
using Buckets = std::array<std::vector<Bucket>, quantity_count>;

[[nodiscard]] std::string encode_rollup(const Columns& columns, std::int64_t step_s, Compression compression);
/// Any bytes may come in: an error of kind unusable for all that encode_rollup() did not write.
[[nodiscard]] Result<Buckets> decode_rollup(std::string_view bytes, std::int64_t step_s);

}  // namespace nightwatt::storage
