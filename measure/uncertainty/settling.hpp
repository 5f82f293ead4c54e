// Finds where a settling curve ends: P_inf + A exp(-t / tau) through the bins of a steady stretch.
#pragma once

#include <optional>

#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// nullopt: a constant explains the stretch as well, or it neither rises nor falls towards a limit.
[[nodiscard]] std::optional<Settling> settling_of(const Regime& regime, double step_w);

}  // namespace nightwatt
