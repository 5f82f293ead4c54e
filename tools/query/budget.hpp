// `summary RUN --budget`: what the uncertainty of each level of a run is made of.
#pragma once

#include <vector>

#include "context.hpp"
#include "figures.hpp"
#include "measure/level_budget.hpp"
#include "measure/stability.hpp"

namespace nightwatt::query {

/// The budget of one steady segment, made anew from its readings.
struct SegmentBudget {
  Segment segment;
  LevelBudget budget;
  std::optional<StabilityVerdict> stability;
};

/// Of every steady segment of a run whose readings are still there, in order.
[[nodiscard]] Result<std::vector<SegmentBudget>> run_budgets(const storage::StoreReader& store,
                                                             const RunRecord& record);

/// An array.
void write_budgets(JsonWriter& json, const std::vector<SegmentBudget>& budgets, Duration shift);
/// For people: a line a part with its share.
void write_budgets(Context& context, const std::vector<SegmentBudget>& budgets, Duration shift);

}  // namespace nightwatt::query
