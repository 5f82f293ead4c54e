// What a stretch of a run is called and the figures quoted for it: the outside contract's `segments`.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/time.hpp"
#include "measure/uncertainty/level_parts.hpp"

namespace nightwatt {

/// Stores keep these numbers (marks): a new kind goes to the end.
enum class SegmentKind : std::uint8_t { off, standby, idle, ramp, plateau, unsteady, gap, charging };
constexpr std::size_t segment_kind_count = 8;
/// In the order in which lists name them.
constexpr std::array<SegmentKind, segment_kind_count> all_segment_kinds = {
    SegmentKind::off,  SegmentKind::standby,  SegmentKind::idle,     SegmentKind::plateau,
    SegmentKind::ramp, SegmentKind::charging, SegmentKind::unsteady, SegmentKind::gap};
[[nodiscard]] std::string_view segment_kind_name(SegmentKind kind);
[[nodiscard]] std::optional<SegmentKind> segment_kind_from_name(std::string_view name);
/// Nothing for a number that no kind has: a store of a newer version, or a damaged one.
[[nodiscard]] std::optional<SegmentKind> segment_kind_from_number(std::int64_t number);

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
