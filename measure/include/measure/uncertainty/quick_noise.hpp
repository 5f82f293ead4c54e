// How many readings are worth one independent reading, told by how often a display repeats itself.
#pragma once

#include <vector>

#include "measure/uncertainty/level_sketch.hpp"
#include "measure/uncertainty/long_run.hpp"

namespace nightwatt {

/// What the repeats leave possible, by posterior: 1 where there are no more of them than chance makes; else a meter
/// that holds each reading for a while, noise that forgets by and by, or a display that moves only when the power is
/// well past a count's edge. What the weights lack of 1 is noise of which they say nothing. `step_w`: the display's, 0
/// while unknown.
[[nodiscard]] std::vector<QuickNoise> quick_noise_of(const LevelSketch& sketch, double step_w);

}  // namespace nightwatt
