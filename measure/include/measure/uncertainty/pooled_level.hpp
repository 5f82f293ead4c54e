// Several stretches of one level as one: what is chance in each averages out, what the display and the meter do stays.
#pragma once

#include <span>

#include "measure/uncertainty/level_parts.hpp"

namespace nightwatt {

struct PooledLevel {
  double level_w = 0.0;
  double weight = 1.0;  ///< any unit; seconds
  LevelParts parts;
};

struct Pooled {
  double level_w = 0.0;
  LevelParts parts;  ///< `between_w` counted in chance
  double between_w =
      0.0;  ///< standard uncertainty that the levels' spread adds to their own; 0 where theirs explains it
};

/// Of one level or more, weights above 0.
[[nodiscard]] Pooled pool_levels(std::span<const PooledLevel> levels);

}  // namespace nightwatt
