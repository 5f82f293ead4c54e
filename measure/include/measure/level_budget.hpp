// The uncertainty of a level, made from its readings as the GUM asks: part by part, each with its share.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "measure/meter_profile.hpp"

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

struct BudgetInput {
  PowerSeries power;      ///< of the whole segment; the first third is dropped here
  CounterSeries counter;  ///< of the same time; may be empty
  MeterTraits traits;
  double step_w = 0.0;     ///< the display's; 0: as the traits say, else learnt from the readings
  bool truncates = false;  ///< the meter cuts digits off instead of rounding
};

/// One source of uncertainty.
struct BudgetPart {
  std::string name;            ///< "statistics", "display step", "meter accuracy", "energy counter", "drift"
  double uncertainty_w = 0.0;  ///< standard, as it enters the sum
  double freedom = 0.0;        ///< degrees of freedom; infinite where the uncertainty is itself certain
  bool rectangular = false;    ///< else about normal
  double share = 0.0;          ///< of the combined variance
  std::string how;             ///< one phrase for the reader: from what it was made
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
  double standard_w = 0.0;       ///< combined standard uncertainty
  double coverage_factor = 2.0;  ///< for 95 %
  double uncertainty_w = 0.0;    ///< expanded, 95 %; never 0
  double freedom = 0.0;          ///< Welch-Satterthwaite
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
  std::vector<std::string> warnings;
};

/// nullopt without a reading.
[[nodiscard]] std::optional<LevelBudget> level_budget(const BudgetInput& input);

/// Between the first tick and the last the energy is exact to the tick; each instant is known to the time between two
/// readings. nullopt below two ticks. `step_wh` 0: the smallest change seen.
[[nodiscard]] std::optional<CounterLevel> counter_level(const CounterSeries& counter, double step_wh);

/// Half-width of the interval that holds 95 % of the sum of the parts: rectangular and normal parts convolved (the
/// numerical way of GUM supplement 1), few degrees of freedom made good by Student's t.
[[nodiscard]] double expanded_uncertainty(std::span<const BudgetPart> parts, double probability = 0.95);

/// The step of the readings: the smallest difference between two different ones; 0 for constant readings.
[[nodiscard]] double learnt_step(std::span<const double> power_w);

}  // namespace nightwatt
