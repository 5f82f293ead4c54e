// What a display may have done with the power it was to show. Each hypothesis is one type; display_hypotheses() lists
// them all, and level_behind_display() mixes those that explain the readings.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "measure/uncertainty/budget_part.hpp"
#include "uncertainty/level_readings.hpp"

namespace nightwatt {

/// What the level is if a hypothesis is right.
struct DisplayLevel {
  double level_w = 0.0;
  std::vector<BudgetPart> parts;
  std::optional<double> noise_w;  ///< before the display, where the readings tell it
  bool bounded_by_display = false;
  bool hides_slope = false;  ///< no noise averages the display's step out
  bool of_time = false;      ///< the mean of the time, not of the readings
  bool creeps = false;       ///< a drift, though the slope alone does not tell it
};

/// How likely the readings are under a hypothesis, and the level it gives.
struct Explanation {
  double log_evidence = 0.0;  ///< beside the usual display that explains them, as logarithm
  DisplayLevel level;
  /// What a budget says of the doubt whether it is this one; its uncertainty is put in where there is a doubt. None of
  /// the usual display.
  std::optional<BudgetPart> doubt = {};
};

class DisplayHypothesis {
 public:
  virtual ~DisplayHypothesis() = default;
  /// nullopt where it cannot have shown these readings.
  [[nodiscard]] virtual std::optional<Explanation> explain(const LevelReadings& readings) const = 0;
};

/// One row of the table of hypotheses.
struct ListedHypothesis {
  const DisplayHypothesis* hypothesis = nullptr;
  double prior = 0.0;  ///< counts only beside others that explain the same readings
};
/// Their order does not matter. Any readings are explained by one usual display, and by others beside it.
[[nodiscard]] std::span<const ListedHypothesis> display_hypotheses();

/// The mixture of what explains the readings, which are more than none: of the likeliest that hold coverage_of_two of
/// the posterior.
[[nodiscard]] DisplayLevel level_behind_display(const LevelReadings& readings);

/// One more answer to what a level is: how likely, and where.
struct OtherAnswer {
  double posterior = 0.0;
  double level_w = 0.0;
  double expanded_w = 0.0;
};
/// Widens a level of this posterior until its interval holds the others too; `difference` is the part it adds, whose
/// uncertainty is put in here. `k`: the coverage factor of the level's own parts.
void widen_to(DisplayLevel& level, double posterior, double k, std::span<const OtherAnswer> others,
              BudgetPart difference);

}  // namespace nightwatt
