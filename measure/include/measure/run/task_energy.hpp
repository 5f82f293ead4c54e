// Energy of a task above idle: what a command cost, from the readings while it ran and while nothing did.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "measure/run/summary.hpp"
#include "measure/signal/result.hpp"
#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

/// One time the task ran; seconds from the readings' zero.
struct TaskSpan {
  double quiet_from_s = 0.0;  ///< nothing ran from here to begin_s
  double begin_s = 0.0;
  double end_s = 0.0;
  double quiet_to_s = 0.0;  ///< and from end_s to here
};

struct TaskInput {
  PowerSeries power;
  std::vector<TaskSpan> repeats;
  MeterTraits traits;
  double step_w = 0.0;  ///< the display's; 0: learnt from the readings
};

struct TaskRepeat {
  double seconds = 0.0;
  double energy_wh = 0.0;
  double idle_w = 0.0;  ///< mean of the quiet before and the quiet after
  double above_idle_wh = 0.0;
  double mean_above_idle_w = 0.0;
};

struct TaskEnergy {
  std::vector<TaskRepeat> repeats;
  Figure above_idle_wh;  ///< of one repeat on average, k = 2
  Figure seconds;
  Figure mean_above_idle_w;
  Figure idle_w;
  std::vector<std::string> warnings;
};

/// Idle is a line from the quiet before to the quiet after, so that a slow drift cancels; of the quiet after, the first
/// third is left out as the device calms down. Uncertain are: the idle (its own budget), the two instants between
/// readings, what the readings scatter, the display, and the meter's promise of the difference; between repeats their
/// spread, where it is more. ErrorKind::negative: too few readings in some part, or a hole.
[[nodiscard]] Result<TaskEnergy> task_energy(const TaskInput& input);

}  // namespace nightwatt
