// The distinct steady levels of a run: segments of one kind and practically one level are one state.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "measure/segment/segment.hpp"
#include "measure/uncertainty/figure.hpp"

namespace nightwatt {

/// Segments of one kind whose levels lie within max(half a display step, 5 %) of each other.
struct LevelState {
  SegmentKind kind = SegmentKind::idle;
  Figure level;                       ///< weighted by length; see pool_levels()
  double time_s = 0.0;                ///< held, all together
  std::vector<std::size_t> segments;  ///< where they are in the run, in its order
};

/// Lowest first. What has no level is in none. A row of levels, each near the next, is parted where they lie furthest
/// apart; the order of the segments in time never matters.
[[nodiscard]] std::vector<LevelState> states_of(std::span<const Segment> segments, double step_w);

/// The state of that kind held longest; of two alike the lower. Null where there is none.
[[nodiscard]] const LevelState* longest_state(std::span<const LevelState> states, SegmentKind kind);

/// What the uncertainty of a segment's level is made of; where that is not known, all of it counts as the display's.
[[nodiscard]] LevelParts parts_of(const Segment& segment);
[[nodiscard]] double length_s(const Segment& segment);

}  // namespace nightwatt
