// The uncertainty budgets of a run's levels, made from its raw readings: `summary --budget`.
#pragma once

#include <optional>
#include <string>

#include "figures/figures.hpp"
#include "measure/level_budget.hpp"
#include "measure/stability.hpp"
#include "text/json_text.hpp"

namespace nightwatt::figures {

using text::JsonWriter;

/// The budget of one of the summary's figures: of one segment, or of several of a kind as one level.
struct FigureBudget {
  LevelBudget budget;
  int segments = 0;
  std::optional<StabilityVerdict> stability;  ///< of the longest segment
};
struct RunBudgets {
  std::optional<FigureBudget> idle, load, standby;
  std::vector<std::string> warnings;      ///< why a budget is missing
  std::optional<double> counter_step_wh;  ///< the smallest step seen of the energy counter
};

/// Reads the raw readings of the segments behind the summary's figures. Where they have given way to minutes, there is
/// no budget and a warning.
[[nodiscard]] Result<RunBudgets> run_budgets(const storage::StoreReader& store, const RunRecord& record);

/// Makes the summary's uncertainties reach as far as the budgets do, with a warning where that changed one, and looks
/// again whether counter and integral agree.
void widen(RunRecord& record, const RunBudgets& budgets);

/// Degrees of freedom, cut to a whole number as GUM G.4.1 has it, or `inf`.
[[nodiscard]] std::string freedom_text(double freedom);

/// The key "budgets" and its object.
void write_budgets(JsonWriter& json, const RunBudgets& budgets);

}  // namespace nightwatt::figures
