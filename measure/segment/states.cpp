#include "measure/segment/states.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "measure/uncertainty/pooled_level.hpp"

namespace nightwatt {

namespace {

constexpr double state_share = 0.05;  // the contract's: levels this near each other are one state
constexpr double state_steps = 0.5;   // or within this much of a display step
constexpr double shortest_s = 1e-6;   // a weight is above 0

LevelState state_of(std::span<const Segment> segments, std::span<const SegmentLevel> levels, SegmentKind kind) {
  LevelState state;
  state.kind = kind;
  std::vector<PooledLevel> pooling;
  for (const SegmentLevel& level : levels) {
    const Segment& segment = segments[level.segment];
    pooling.push_back({level.level_w, std::max(length_s(segment), shortest_s), parts_of(segment)});
    state.time_s += length_s(segment);
    state.segments.push_back(level.segment);
  }
  std::sort(state.segments.begin(), state.segments.end());
  const Pooled pooled = pool_levels(pooling);
  // One segment's figure is the segment's own, to the last digit.
  const double uncertainty =
      levels.size() == 1 ? segments[levels.front().segment].uncertainty_w.value_or(0.0) : pooled.parts.expanded_w();
  state.level = Figure{pooled.level_w, uncertainty, pooled.parts};
  return state;
}

}  // namespace

double state_reach_w(double low_w, double step_w) {
  return std::max(state_steps * step_w, state_share * std::abs(low_w)) * (1.0 + 1e-9);  // both ends included
}

double length_s(const Segment& segment) {
  return to_seconds(segment.end - segment.begin).value;
}

LevelParts parts_of(const Segment& segment) {
  return segment.parts.value_or(
      LevelParts{0.0, std::numeric_limits<double>::infinity(), segment.uncertainty_w.value_or(0.0) / 2.0, 0.0});
}

std::vector<std::vector<SegmentLevel>> parted(std::vector<SegmentLevel> levels, double step_w) {
  std::sort(levels.begin(), levels.end(), [](const SegmentLevel& a, const SegmentLevel& b) {
    return std::pair(a.level_w, a.segment) < std::pair(b.level_w, b.segment);
  });
  std::vector<std::span<const SegmentLevel>> open = {levels};
  std::vector<std::vector<SegmentLevel>> states;
  while (!open.empty()) {
    const std::span<const SegmentLevel> part = open.back();
    open.pop_back();
    if (part.empty()) continue;
    if (part.back().level_w - part.front().level_w <= state_reach_w(part.front().level_w, step_w)) {
      states.emplace_back(part.begin(), part.end());
      continue;
    }
    std::size_t widest = 1;
    double width = -1.0;
    for (std::size_t i = 1; i < part.size(); ++i) {
      const double low = part[i - 1].level_w;
      const double apart =
          (part[i].level_w - low) / std::max(state_reach_w(low, step_w), std::numeric_limits<double>::min());
      if (apart > width) width = apart, widest = i;
    }
    open.push_back(part.subspan(widest));
    open.push_back(part.first(widest));
  }
  return states;
}

std::vector<LevelState> states_of(std::span<const Segment> segments, double step_w) {
  std::vector<LevelState> states;
  for (const SegmentKind kind : all_segment_kinds) {
    std::vector<SegmentLevel> levels;
    for (std::size_t i = 0; i < segments.size(); ++i)
      if (segments[i].kind == kind && segments[i].level_w) levels.push_back({*segments[i].level_w, i});
    for (const std::vector<SegmentLevel>& state : parted(std::move(levels), step_w))
      states.push_back(state_of(segments, state, kind));
  }
  std::stable_sort(states.begin(), states.end(),
                   [](const LevelState& a, const LevelState& b) { return a.level.value < b.level.value; });
  return states;
}

const LevelState* longest_state(std::span<const LevelState> states, SegmentKind kind) {
  const LevelState* longest = nullptr;
  for (const LevelState& state : states)
    if (state.kind == kind && (longest == nullptr || state.time_s > longest->time_s)) longest = &state;
  return longest;
}

}  // namespace nightwatt
