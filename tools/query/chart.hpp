// A power curve in a terminal: a column for a stretch of time, its lowest and highest always shown.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "measure/segment.hpp"
#include "sink.hpp"
#include "table.hpp"

namespace nightwatt::query {

/// What one column of a chart, or one point of a trace, stands for.
struct Bin {
  UtcTime begin;
  std::int64_t samples = 0;
  double mean_w = 0.0, lowest_w = 0.0, highest_w = 0.0;  ///< where samples > 0
  std::optional<SegmentKind> kind;                       ///< of the segment at the middle of the bin
};

/// Columns left for the curve beside the scale, in a terminal so wide.
[[nodiscard]] std::size_t chart_columns(const Style& style);

/// Full blocks up to the lowest reading of each column, light ones from there up to the highest; below them a letter a
/// column for the kind of segment, and a legend. `begin` and `end` are what the time axis says.
void write_chart(Sink& out, const Style& style, const std::vector<Bin>& bins, UtcTime begin, UtcTime end);

}  // namespace nightwatt::query
