// How often a display showed each of its counts in the quoted part of a level.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <vector>

#include "measure/uncertainty/quantised_level.hpp"
#include "uncertainty/level_scatter.hpp"

namespace nightwatt {

/// Of one bin: readings of each count, in steps.
using ViewCounts = std::map<std::int64_t, double>;

/// How much likelier it is for a meter that speaks when something changes, as logarithm, that hardly two neighbours are
/// alike, than for one that sends each reading. Of the former, counts say how often each was come to, not how long it
/// was shown; it sends now often, now seldom.
[[nodiscard]] double on_change_evidence(const LevelSketch& sketch, const std::vector<BinView>& views);

/// Of each bin, single readings far away left out; nullopt where they are not known one by one, are no counts of that
/// step, or do not tell how long each was shown.
[[nodiscard]] std::optional<std::vector<ViewCounts>> view_counts(const LevelSketch& sketch,
                                                                 const std::vector<BinView>& views,
                                                                 const LevelScatter& scatter, double step_w);

/// One group of a level that stays; of one that drifts a group for each bin.
[[nodiscard]] std::vector<CountGroup> count_groups(const std::vector<ViewCounts>& counts,
                                                   const std::vector<BinView>& views, const LevelScatter& scatter,
                                                   double step_w);

}  // namespace nightwatt
