// What a stretch keeps of its level, made anew.
#pragma once

#include "measure/stretch.hpp"

namespace nightwatt {

/// By today's recipe, for a display of this step (W; 0: not known), from the stretch's sketch.
void renew_figure(Stretch& stretch, double step_w, bool truncates);

}  // namespace nightwatt
