// What the energy counter beside the power readings says of a level, and how the two are joined.
#pragma once

#include <vector>

#include "measure/uncertainty/level_budget.hpp"
#include "uncertainty/display_hypothesis.hpp"
#include "uncertainty/level_readings.hpp"

namespace nightwatt {

/// nullopt where it hardly moved. `drifts`: the level does, over the time that the counter may not cover.
[[nodiscard]] std::optional<CounterLevel> counter_level(const LevelReadings& readings, bool drifts);

/// What is found out by joining them.
struct CounterJoin {
  double share = 0.0;  ///< of the counter in the level
  std::vector<BudgetWarning> warnings;
};
/// The level of the power readings becomes that of both.
[[nodiscard]] CounterJoin join_counter(DisplayLevel& level, const CounterLevel& counter, const LevelReadings& readings);

}  // namespace nightwatt
