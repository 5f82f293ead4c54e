// The figures quoted for a stretch of a run: the outside contract's `segments`.
#pragma once

#include <cstdint>
#include <optional>

#include "measure/segment/segment_kind.hpp"
#include "measure/signal/time.hpp"
#include "measure/uncertainty/level_parts.hpp"

namespace nightwatt {

/// One segment of a run. Powers in W, energy in Wh; absent means the record cannot give it, never 0.
struct Segment {
  SegmentKind kind = SegmentKind::unsteady;
  UtcTime begin;
  UtcTime end;
  double begin_uncertainty_s = 0.0;  ///< of the edge at `begin`, k = 2; 0 at the run's own edges
  double end_uncertainty_s = 0.0;
  std::int64_t samples = 0;
  std::optional<double> level_w;        ///< over the last two thirds, excursions left out; off, standby, idle, plateau
  std::optional<double> uncertainty_w;  ///< expanded, k = 2: statistics, display step, meter accuracy
  std::optional<LevelParts> parts;      ///< of uncertainty_w
  std::optional<double> shown_w;        ///< mean of the readings over the same time, as the display rounds them
  std::optional<double> mean_w;         ///< time-weighted, the whole segment
  std::optional<double> settled_w;      ///< limit of a settling curve that had ended
  std::optional<double> settling_s;     ///< how long it took to get there
  bool settling_unfinished = false;     ///< a settling curve was found and had not ended: level is "not settled"
  std::optional<double> lowest_w;
  std::optional<double> highest_w;
  std::optional<double> energy_wh;      ///< integral over the data
  std::int64_t excursions = 0;          ///< short departures counted in this segment
  std::optional<double> duty;           ///< share of time at the upper level of a cycling segment, 0 to 1
  std::optional<double> drift_w_per_h;  ///< least-squares slope over the last two thirds (of a ramp: over all of it)
  bool open = false;                    ///< may still grow or change
};

/// What a person said a stretch is: the whole segment at `at` becomes `kind`. Later marks win.
struct KindMark {
  UtcTime at;
  SegmentKind kind = SegmentKind::idle;
};

}  // namespace nightwatt
