// The distinct steady levels of a run: segments of one kind and practically one level are one state.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "measure/segment/segment.hpp"
#include "measure/uncertainty/figure.hpp"

namespace nightwatt {

/// Segments of one kind whose levels are one.
struct LevelState {
  SegmentKind kind = SegmentKind::idle;
  Figure level;                       ///< weighted by length; see pool_levels()
  double time_s = 0.0;                ///< held, all together
  std::vector<std::size_t> segments;  ///< where they are in the run, in its order
};

/// A level and which of the segments has it.
struct SegmentLevel {
  double level_w = 0.0;
  std::size_t segment = 0;
};

/// What the levels of one state may be apart, the lowest of them being `low_w`: max(half a display step, 5 %).
[[nodiscard]] double state_reach_w(double low_w, double step_w);

/// Levels that are within that of each other, lowest first. A row of levels, each near the next, is
/// parted where they lie furthest apart for their size; the order of the segments in time never matters.
[[nodiscard]] std::vector<std::vector<SegmentLevel>> parted(std::vector<SegmentLevel> levels, double step_w);

/// The levels of each kind, parted; lowest first. What has no level is in none.
[[nodiscard]] std::vector<LevelState> states_of(std::span<const Segment> segments, double step_w);

/// The state of that kind held longest; of two alike the lower. Null where there is none.
[[nodiscard]] const LevelState* longest_state(std::span<const LevelState> states, SegmentKind kind);

/// What the uncertainty of a segment's level is made of; where that is not known, all of it counts as the display's.
[[nodiscard]] LevelParts parts_of(const Segment& segment);
[[nodiscard]] double length_s(const Segment& segment);

}  // namespace nightwatt
