#include "segment/device_states.hpp"

#include <algorithm>
#include <utility>

#include "measure/segment/states.hpp"

namespace nightwatt {

namespace {

void find_states(DeviceStates& night) {
  std::vector<SegmentLevel> levels;
  for (std::size_t i = 0; i < night.segments.size(); ++i)
    if (holds_power(night.segments[i]) && !is_within(night.charges, i))
      levels.push_back({*night.segments[i].shown_w, i});
  night.state_of.assign(night.segments.size(), no_state);
  for (const std::vector<SegmentLevel>& held : parted(std::move(levels), night.step_w)) {
    DeviceState& s = night.states.emplace_back();
    double energy_ws = 0.0;
    for (const auto& [level_w, i] : held) {
      const double time_s = std::max(length_s(night.segments[i]), 1e-3);
      energy_ws += level_w * time_s;
      s.time_s += time_s;
      const double standard_deviation_w = night.regimes[i].digest().standard_deviation_w;
      s.quiet = s.quiet && standard_deviation_w <= std::max(state_reach_w(level_w, night.step_w), 0.05);
      night.state_of[i] = night.states.size() - 1;
    }
    s.level_w = energy_ws / s.time_s;
  }
}

void find_transitions(DeviceStates& night, double shortest_ramp_s) {
  Transition now;
  for (std::size_t i = 0; i < night.segments.size(); ++i) {
    const Segment& g = night.segments[i];
    if (g.kind == SegmentKind::gap || is_within(night.charges, i)) {
      now = {};
    } else if (g.kind == SegmentKind::off) {
      now = {};
      now.from_off = true;
    } else if (!holds_power(g)) {
      now.slowly = now.slowly || (g.kind == SegmentKind::ramp && length_s(g) >= shortest_ramp_s);
      if (g.kind != SegmentKind::unsteady) continue;
      now.irregular_s += length_s(g);
      now.peak_w = std::max(now.peak_w, g.highest_w.value_or(0.0));
    } else {
      now.to = night.state_of[i];
      now.to_segment = i;
      night.transitions.push_back(now);
      now = {};
      now.from = night.state_of[i];
    }
  }
}

}  // namespace

DeviceStates device_states(std::span<const Segment> segments, std::span<const Regime> regimes,
                           std::vector<Charge> charges, const ClassifyInput& input) {
  DeviceStates night{segments, regimes, std::move(charges), input.learnt.step_w, {}, {}, {}};
  find_states(night);
  find_transitions(night, input.settings.shortest_segment_s);
  return night;
}

}  // namespace nightwatt
