// Finds where a settling curve ends: P_inf + A exp(-t / tau) through the bins of a steady stretch.
#pragma once

#include <optional>

#include "measure/stretch.hpp"

namespace nightwatt {

struct Settling {
  double limit_w = 0.0;
  double tau_s = 0.0;
  double time_s = 0.0;  ///< until within max(1 %, two display steps) of the limit
  bool ended = false;   ///< that time lies inside the stretch
};

/// Whether a whole curve is one decay: it falls (or rises) by itself, ever more slowly, and scatters about the best
/// P_inf + A exp(-t / tau) by no more than `scatter_share` of the way it went. `way_w`: least way that counts.
[[nodiscard]] bool is_decay(const Stretch& stretch, double scatter_share, double way_w);

/// nullopt: a constant explains the stretch as well, or it neither rises nor falls towards a limit.
[[nodiscard]] std::optional<Settling> settling_of(const Stretch& stretch, double step_w);

}  // namespace nightwatt
