// What a run says of its device at work: the highest level it held, and the level that long work comes down to.
#pragma once

#include <span>

#include "measure/segment/segment.hpp"

namespace nightwatt {

/// Of the outside contract: `sustained`, what a load comes down to, needs unbroken work of at least this length.
constexpr double sustained_work_s = 600.0;

/// The highest plateau held for two minutes or more; else the highest. Null without a plateau.
[[nodiscard]] const Segment* load_segment(std::span<const Segment> segments);

/// Where the longest unbroken stretch of work ended.
struct Sustained {
  const Segment* plateau = nullptr;  ///< null where no stretch lasted ten minutes and ended at a plateau
  double longest_s = 0.0;            ///< of all stretches of work that hold a plateau
};

/// A stretch of work is plateaus, ramps and unsteady segments, one after the other; anything else, a gap too, breaks
/// it. It ended at its last plateau, where nothing but a minute or less of ramp and unsteady work follows.
[[nodiscard]] Sustained sustained_load(std::span<const Segment> segments);

}  // namespace nightwatt
