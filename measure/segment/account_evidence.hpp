// How likely an account of a run is: that one of the device's states is its idle, and all below it standby.
#pragma once

#include <cstddef>

#include "segment/device_states.hpp"

namespace nightwatt {

/// All below it must be able to be standby.
[[nodiscard]] bool may_be_idle(const DeviceStates& night, std::size_t state);

/// Whether an account whose idle is `idle` names a level idle, and the levels of a state.
[[nodiscard]] bool is_idle_level(const DeviceStates& night, double level_w, std::size_t idle);
[[nodiscard]] bool is_idle(const DeviceStates& night, std::size_t state, std::size_t idle);

/// The account's log-odds. docs/measuring.md ("How segments get their kinds") has the evidence with its reasons.
[[nodiscard]] double account_evidence(const DeviceStates& night, std::size_t idle);

}  // namespace nightwatt
