// Whether a display rounds or cuts digits off, where nobody told: what an energy counter beside it says.
#pragma once

#include <vector>

#include "measure/uncertainty/level_budget.hpp"
#include "uncertainty/display_hypothesis.hpp"
#include "uncertainty/level_readings.hpp"

namespace nightwatt {

struct RoundingAnswer {
  double posterior = 0.0;
  double offset_w = 0.0;  ///< to add to the level
};

/// The likeliest first, as many as hold coverage_of_two of the posterior; one alone where it is told. `level`: of the
/// power readings, as of a display that rounds.
[[nodiscard]] std::vector<RoundingAnswer> rounding_beside(const CounterLevel& counter, const DisplayLevel& level,
                                                          const LevelReadings& readings);

}  // namespace nightwatt
