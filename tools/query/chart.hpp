// A power curve in a terminal: a column for a stretch of time, its lowest and highest always shown.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "figures/curve.hpp"
#include "frame.hpp"
#include "measure/segment/segment.hpp"
#include "table.hpp"
#include "text/sink.hpp"

namespace nightwatt::query {

using figures::Bin;

/// How a kind is told apart, in colour and without.
[[nodiscard]] Tone kind_tone(SegmentKind kind);
[[nodiscard]] char kind_letter(SegmentKind kind);

/// Columns left for the curve beside the scale, in a terminal so wide.
[[nodiscard]] std::size_t chart_columns(const Style& style);

/// The chart as lines, `rows` of them for the curve and three below it.
[[nodiscard]] Frame chart_frame(const std::vector<Bin>& bins, UtcTime begin, UtcTime end, std::size_t rows);

/// Full blocks up to the lowest reading of each column, light ones from there up to the highest; below them a letter a
/// column for the kind of segment, and a legend. `begin` and `end` are what the time axis says.
void write_chart(Sink& out, const Style& style, const std::vector<Bin>& bins, UtcTime begin, UtcTime end);

}  // namespace nightwatt::query
