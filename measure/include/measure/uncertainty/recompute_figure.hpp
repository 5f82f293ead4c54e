// What a stretch keeps of its level, made anew.
#pragma once

#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// By today's recipe, for a display of this step (W; 0: not known), from the stretch's sketch.
void recompute_figure(Regime& regime, double step_w, Rounding rounding);

}  // namespace nightwatt
