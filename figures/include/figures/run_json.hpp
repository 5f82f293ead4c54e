// Runs, segments and summaries as the outside contract's JSON.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string_view>

#include "figures/budget.hpp"
#include "figures/figures.hpp"
#include "text/json_text.hpp"

namespace nightwatt::figures {

void write_figure(JsonWriter& json, std::string_view name,
                  const std::optional<Figure>& figure);  ///< NAME_w, NAME_uncertainty_w
/// `"run": 12, "device": "...", "meter": "..."`: how every object about one run begins.
void write_run_name(JsonWriter& json, const storage::RunInfo& info);
void write_segment(JsonWriter& json, const Segment& segment, const Calendar& calendar);
void write_segments(JsonWriter& json, std::span<const Segment> segments, const Calendar& calendar);  ///< an array
/// The object of `summary RUN --json`. `budgets` may be null: not asked for.
void write_summary(JsonWriter& json, const RunRecord& record, const RunBudgets* budgets);
/// One of `runs --json`; `more` may add to it.
void write_run(JsonWriter& json, const storage::RunInfo& info, const Calendar& calendar,
               const std::function<void(JsonWriter&)>& more = {});

}  // namespace nightwatt::figures
