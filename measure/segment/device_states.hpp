// The states a device was seen in, and how it went from one to the next.
#pragma once

#include <cstddef>
#include <limits>
#include <span>
#include <vector>

#include "measure/segment/segmenter.hpp"
#include "segment/charging.hpp"

namespace nightwatt {

constexpr double standby_share = 0.40;  // the contract's: of idle; below it a level may be standby

/// Levels that are one.
struct DeviceState {
  double level_w = 0.0;  // as shown, by time
  double time_s = 0.0;
  bool quiet = true;  // scatters no more than a meter does
};
inline constexpr std::size_t no_state = std::numeric_limits<std::size_t>::max();

/// From one state to the next, and what was between them.
struct Transition {
  std::size_t from = no_state;  // none: off, or the record's begin or a gap
  bool from_off = false;
  std::size_t to = no_state;
  std::size_t to_segment = 0;
  double irregular_s = 0.0;
  double peak_w = 0.0;
  bool slowly = false;  // by a ramp
};

/// A run whose `charges` are a battery that charges, and so in no state. Outlived by its segments and regimes.
struct DeviceStates {
  std::span<const Segment> segments;
  std::span<const Regime> regimes;
  std::vector<Charge> charges;
  double step_w = 0.0;
  std::vector<DeviceState> states;      // lowest first
  std::vector<std::size_t> state_of;    // each segment's, or no_state
  std::vector<Transition> transitions;  // in order
};

/// `segments` were made of `regimes`, one of each, and those that are off are named.
[[nodiscard]] DeviceStates device_states(std::span<const Segment> segments, std::span<const Regime> regimes,
                                         std::vector<Charge> charges, const ClassifyInput& input);

}  // namespace nightwatt
