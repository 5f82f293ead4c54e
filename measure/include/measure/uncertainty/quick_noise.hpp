// How many readings are worth one independent reading, told by how often a display repeats itself.
#pragma once

#include <vector>

#include "measure/uncertainty/level_sketch.hpp"

namespace nightwatt {

/// What the repeats leave possible; 1 alone where there are no more of them than chance makes. The repeats do not say
/// which it is: a meter that holds each reading for a while, noise that forgets by and by, or a display that moves only
/// when the power is well past a count's edge. Empty where nothing fits. `step_w`: the display's, 0 while unknown.
[[nodiscard]] std::vector<double> readings_per_independent(const LevelSketch& sketch, double step_w);

}  // namespace nightwatt
