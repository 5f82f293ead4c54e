// A level and its uncertainty, made from what is kept of its readings as the GUM asks: part by part, each with its
// share.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/budget_part.hpp"
#include "measure/uncertainty/level_parts.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// A series of power readings: equal sizes, times in seconds from any zero, rising.
struct PowerSeries {
  std::span<const double> times_s;
  std::span<const double> power_w;
};
/// The same of a cumulative energy counter.
struct CounterSeries {
  std::span<const double> times_s;
  std::span<const double> counter_wh;
};

/// The readings of one steady stretch.
struct BudgetInput {
  PowerSeries power;      ///< of the whole stretch; the first third is dropped here
  CounterSeries counter;  ///< of the same time; may be empty
  MeterTraits traits;
  double step_w = 0.0;  ///< the display's; 0: as the traits say, else learnt from the readings
};

/// What an energy counter alone says of a level.
struct CounterLevel {
  double level_w = 0.0;
  double uncertainty_w = 0.0;  ///< standard, the meter's accuracy left out
  std::int64_t ticks = 0;      ///< steps of the counter whose instants are used
  double covered_s = 0.0;      ///< from the first tick to the last
};

struct LevelBudget {
  double level_w = 0.0;
  double standard_w = 0.0;          ///< combined standard uncertainty
  double coverage_factor = 2.0;     ///< see coverage_factor()
  double uncertainty_w = 0.0;       ///< expanded; never 0
  double degrees_of_freedom = 0.0;  ///< Welch-Satterthwaite
  std::vector<BudgetPart> parts;
  std::int64_t readings = 0;        ///< used
  double effective_readings = 0.0;  ///< independent ones they are worth
  double step_w = 0.0;
  std::optional<double> noise_w;  ///< before rounding, where the readings tell it
  bool bounded_by_display =
      false;  ///< the readings do not tell level and noise apart: the interval is what the display leaves
  double slope_w_per_h = 0.0;
  double slope_uncertainty_w_per_h = 0.0;  ///< expanded, 95 %
  std::optional<CounterLevel> counter;
  std::vector<BudgetWarning> warnings;
};

/// Of a steady stretch; nullopt without a reading. `step_w`: the display's, 0 while unknown. Every figure of a level,
/// wherever it is quoted, is made here.
[[nodiscard]] std::optional<LevelBudget> level_budget(const Regime& regime, const MeterTraits& traits, double step_w);
/// The same from readings at hand.
[[nodiscard]] std::optional<LevelBudget> level_budget(const BudgetInput& input);

/// What of it is chance, display and accuracy.
[[nodiscard]] LevelParts level_parts(const LevelBudget& budget);
/// Combined uncertainty, coverage factor and shares from the budget's parts.
void complete(LevelBudget& budget);

/// The coverage factor of k = 2: two for a normal distribution, and for few degrees of freedom what Student's t needs
/// for the same 95.45 % (GUM G.4.1: cut to a whole number).
[[nodiscard]] double coverage_factor(double degrees_of_freedom);
/// The other way round: the most whole degrees of freedom (at least 1, or infinite) whose factor is no smaller.
[[nodiscard]] double degrees_of_freedom_for(double k);

/// The step of the readings: the smallest difference between two different ones; 0 for constant readings.
[[nodiscard]] double learnt_step(std::span<const double> power_w);

}  // namespace nightwatt
