// What idling costs: the mean power of a long time at idle, with all that the device does of itself meanwhile.
#pragma once

#include <optional>
#include <span>

#include "measure/segment/segment.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

/// The meter, as far as a run's figures ask for it.
struct RunMeter {
  double step_w = 0.0;  ///< of its display; 0 while unknown
  std::optional<Accuracy> accuracy;
  bool corrected = false;  ///< by a calibration, which stands in place of the accuracy
};

struct Baseline {
  LevelBudget budget;
  UtcTime begin, end;       ///< of the span
  int departures = 0;       ///< from idle, in it
  double departed_s = 0.0;  ///< how long they took, all together
};

/// Mean power of the longest span that begins and ends at idle and in which no departure lasts more than five minutes.
/// Off and charging end the span; a gap is a departure of which no power is known, and counts for no time. The mean
/// stands for more than the span: what another such span may give belongs to the uncertainty. Nothing without idle.
[[nodiscard]] std::optional<Baseline> baseline_of(std::span<const Segment> segments, const RunMeter& meter);

}  // namespace nightwatt
