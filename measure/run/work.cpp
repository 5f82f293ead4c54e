#include "measure/run/work.hpp"

#include "measure/segment/states.hpp"

namespace nightwatt {

namespace {

/// The contract's: a plateau must last this long to be the load before a shorter, higher one.
constexpr double load_held_s = 120.0;
/// The clearing up after a load: more, and the work ended elsewhere ("common practice, no source"). The way down from
/// it is as long as it is.
constexpr double ending_s = 60.0;

bool is_work(const Segment& segment) {
  return segment.kind == SegmentKind::plateau || segment.kind == SegmentKind::ramp ||
         segment.kind == SegmentKind::unsteady;
}

bool is_plateau(const Segment& segment) {
  return segment.kind == SegmentKind::plateau && segment.level_w;
}

/// Whether `segment` is more of a load than `best`. What neither length nor level decides, the time does not either:
/// the longer of two equals.
bool more_load(const Segment& segment, const Segment& best) {
  const bool held = length_s(segment) >= load_held_s, best_held = length_s(best) >= load_held_s;
  if (held != best_held) return held;
  if (*segment.level_w != *best.level_w) return *segment.level_w > *best.level_w;
  return length_s(segment) > length_s(best);
}

}  // namespace

const Segment* load_segment(std::span<const Segment> segments) {
  const Segment* best = nullptr;
  for (const Segment& segment : segments)
    if (is_plateau(segment) && (best == nullptr || more_load(segment, *best))) best = &segment;
  return best;
}

Sustained sustained_load(std::span<const Segment> segments) {
  Sustained found;
  double ended_s = 0.0;  // length of the stretch that `found` is of
  for (std::size_t first = 0; first < segments.size();) {
    std::size_t last = first;
    double work_s = 0.0, after_s = 0.0;
    const Segment* plateau = nullptr;
    for (; last < segments.size() && is_work(segments[last]); ++last) {
      work_s += length_s(segments[last]);
      if (segments[last].kind == SegmentKind::unsteady) after_s += length_s(segments[last]);
      if (is_plateau(segments[last])) plateau = &segments[last], after_s = 0.0;
    }
    if (plateau != nullptr && work_s > found.longest_s) found.longest_s = work_s;
    if (plateau != nullptr && after_s <= ending_s && work_s >= sustained_work_s && work_s > ended_s) {
      found.plateau = plateau;
      ended_s = work_s;
    }
    first = last + 1;
  }
  return found;
}

}  // namespace nightwatt
