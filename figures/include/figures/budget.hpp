// The uncertainty budgets of a run's levels: `summary --budget`.
#pragma once

#include <optional>
#include <string>

#include "figures/figures.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/stability.hpp"
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
  std::optional<FigureBudget> idle, load, standby, sustained, baseline;
  MeterTraits traits;
  std::vector<std::string> warnings;  ///< what of them is missing
};

/// Of a record with all sketches. Made from what is kept of each segment; the raw readings, where they are still there,
/// say whether it was stable.
[[nodiscard]] Result<RunBudgets> run_budgets(const storage::StoreReader& store, const RunRecord& record);

/// Degrees of freedom, cut to a whole number as GUM G.4.1 has it, or `inf`.
[[nodiscard]] std::string degrees_of_freedom_text(double degrees_of_freedom);

/// The key "budgets" and its object.
void write_budgets(JsonWriter& json, const RunBudgets& budgets);

}  // namespace nightwatt::figures
