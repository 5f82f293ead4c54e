// Was it stable? The regression rule of low-power measurement as a verdict that knows its own uncertainty.
#pragma once

#include <optional>
#include <string>

#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

enum class Stability : std::uint8_t { met, not_met, cannot_be_judged };

struct StabilityVerdict {
  Stability verdict = Stability::cannot_be_judged;
  double slope_w_per_h = 0.0;
  double slope_uncertainty_w_per_h = 0.0;  ///< 95 %
  double limit_w_per_h = 0.0;
  /// How long the whole record (first third counted) would have to be for a verdict; only where it cannot be judged,
  /// and nothing where the slope is known but lies too near the limit.
  std::optional<double> needed_s;
  std::optional<double> cycle_s;  ///< period, where the load cycles and whole cycles were averaged
  int cycles = 0;                 ///< whole ones in the last two thirds
  std::string words;              ///< one sentence
};

/// |slope| below 10 mW/h up to 1 W, below 1 % of the level per hour above (IEC 62301 ed. 2, 5.3.2; from memory), by
/// least squares over the last two thirds of at least 15 minutes. A steady load's slope is judged with its uncertainty:
/// correlation counted, and what a coarse display hides. A cycling load needs four whole cycles, whose means are
/// fitted. nullopt below three readings.
[[nodiscard]] std::optional<StabilityVerdict> stability(const BudgetInput& input);

/// The limit of the rule at a level.
[[nodiscard]] double stability_limit_w_per_h(double level_w);

/// The period of a cycling load in seconds, from the first high peak of the autocorrelation; nullopt for a steady one.
[[nodiscard]] std::optional<double> cycle_period_s(const PowerSeries& power, double step_w);

}  // namespace nightwatt
