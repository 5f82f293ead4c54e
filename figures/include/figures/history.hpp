// A device's figures run by run, and whether they moved: `history` and the report's section.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "figures/figures.hpp"
#include "measure/history/level_history.hpp"
#include "text/json_text.hpp"

namespace nightwatt::figures {

/// The figures a history follows, in the order of its columns.
struct FollowedFigure {
  std::string_view name;
  std::optional<Figure> Summary::*which;
  std::optional<std::size_t> beside;  ///< of followed_figures(): followed only where it differs from that one
};
inline constexpr std::size_t followed_count = 5;
[[nodiscard]] const std::array<FollowedFigure, followed_count>& followed_figures();

struct HistoryRun {
  storage::RunInfo info;
  Duration utc_offset{0};
  std::array<std::optional<Figure>, followed_count> figures;
  [[nodiscard]] UtcTime begin() const { return info.begin + utc_offset; }
};

/// Whether some run gives figure `f` of followed_figures() that another figure does not tell already.
[[nodiscard]] bool tells(const std::vector<HistoryRun>& runs, std::size_t f);

/// One figure over the runs of a group.
struct FigureHistory {
  std::size_t figure = 0;         ///< of followed_figures()
  std::vector<std::size_t> runs;  ///< of History::runs, those that have it; the verdict's nights
  std::vector<NightLevel> nights;
  HistoryVerdict verdict;
};

/// Runs that may be compared without what they share: one meter, and the same plugged in under the same conditions.
struct HistoryGroup {
  std::string meter;       ///< or where the runs came from
  std::string conditions;  ///< empty: nothing was said
  std::vector<std::size_t> runs;
  std::vector<FigureHistory> figures;  ///< of two runs or more
};

/// What one long run at idle shows: drift over weeks, the pattern of the day, steps.
struct LongBaseline {
  std::size_t run = 0;  ///< of History::runs
  std::vector<NightLevel> days;
  std::vector<UtcTime> day_begins;  ///< as shown
  std::optional<Slope> drift_w_per_week;
  HistoryVerdict verdict;
  /// By hour of the local day; empty where there are too few days. Above or below the day's mean.
  std::vector<std::optional<Slope>> hours;
  bool has_pattern = false;  ///< some hour differs for sure
};

struct History {
  std::string device;
  std::vector<HistoryRun> runs;  ///< in order of time
  std::vector<HistoryGroup> groups;
  std::vector<LongBaseline> baselines;
  std::vector<std::string> warnings;
};

/// ErrorKind::negative where the device has no run.
[[nodiscard]] Result<History> history_of(const storage::StoreReader& store, const std::string& device);

/// What one would tell of a run that has just ended: changes that its night brought to light, a sentence each.
[[nodiscard]] Result<std::vector<std::string>> moved_by(const storage::StoreReader& store, storage::RunId run);

/// `step: 38.20 → 39.10 W between 2026-03-12 and 2026-03-14, + 0.90 ± 0.10 W`
[[nodiscard]] std::string change_text(const LevelChange& change, const std::vector<UtcTime>& nights);
/// What the verdict of one figure comes to, a sentence.
[[nodiscard]] std::vector<std::string> verdict_lines(const History& history, const FigureHistory& figure);
[[nodiscard]] std::vector<std::string> baseline_lines(const History& history, const LongBaseline& baseline);

/// The object of `history --json`.
void write_history(text::JsonWriter& json, const History& history);

}  // namespace nightwatt::figures
