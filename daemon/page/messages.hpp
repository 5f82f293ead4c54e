// The page's JSON: what goes to watchers and to lists.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "curve.hpp"
#include "state.hpp"

namespace nightwatt::daemon::page {

using Curves = std::map<std::string, Curve>;  ///< by the meter's name

// Times are Unix milliseconds. Text is hostile wherever it was typed by somebody: whoever shows it must not take it for
// markup.
//   {"now", "version", "since", "queue", "queue_limit", "flush_s", "lost", "paused",
//    "meters": [{"name", "state", "last", "age_s", "readings", "faults", "gaps", "lost", "gap_s", "power_w",
//                "run": null | {"run", "device", "note", "begin", "kind", "kind_since", "level_w", "uncertainty_w",
//                               "settling", "energy_wh", "marks": [{"at", "text", "kind"}]},
//                "curve": [[begin, lowest_w, mean_w, highest_w], ...]}]}
// "curve" has all bins, or with `fresh_only` those of first_changed().
[[nodiscard]] std::string state_json(const State& state, const Curves& curves, const std::vector<OpenRun>& runs,
                                     bool fresh_only);

/// {"runs": [{"run", "device", "meter", "begin", "end", "open", "pinned", "samples", "origin", "note", "includes"}]},
/// newest first, at most `listed_runs`, and "more": how many are not listed.
[[nodiscard]] std::string runs_json(const std::vector<storage::RunInfo>& runs, const std::vector<Calendar>& calendars);

/// An event of a live stream (HTML Living Standard, 9.2.5): `data` must have no line break.
[[nodiscard]] std::string event_text(std::string_view name, std::string_view data);

}  // namespace nightwatt::daemon::page
