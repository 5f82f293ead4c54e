// A run's segments and totals, of readings and of what is kept of them.
#pragma once

#include <string>
#include <vector>

#include "measure/run/run_totals.hpp"
#include "measure/segment/segmenter.hpp"
#include "measure/signal/calendar.hpp"
#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// A run as one asks for it: final and provisional segments, totals, warnings. For closed and open runs alike.
struct RunFigures {
  storage::RunInfo info;
  std::vector<Segment> segments;
  /// What each segment was made of, with the sketches that were wanted; none where the run holds no reading.
  std::vector<Regime> regimes;
  std::vector<std::string> segment_warnings;
  RunTotals totals;
  Calendar calendar;       ///< how its times are shown
  Duration utc_offset{0};  ///< that of its end, for who shows only that
  int clock_steps = 0;     ///< during the run
  double step_w = 0.0;     ///< the display's, from the traits or learnt; 0 while unknown
};
[[nodiscard]] Result<RunFigures> run_figures(const storage::StoreReader& store, storage::RunId run,
                                             storage::Sketches wanted = storage::Sketches::where_needed);

}  // namespace nightwatt::figures
